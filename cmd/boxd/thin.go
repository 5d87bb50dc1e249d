package main

import (
	"context"
	"time"

	"boxd/internal/journal"
)

// Samples are kept in full for thinAfterDays, counted back from the newest run and
// not from the clock: a clock that is wrong must not thin anything.
const (
	thinAfterDays = 90
	thinEach      = 24 * time.Hour
)

// thin thins old samples once a day.
func (s *service) thin(ctx context.Context, j *journal.Journal) {
	day := time.NewTicker(thinEach)
	defer day.Stop()
	for {
		if n, err := thinOld(ctx, j); err != nil && ctx.Err() == nil {
			s.log.Warn("cannot thin old samples", "error", err)
		} else if n > 0 {
			s.log.Info("thinned the samples of old runs", "runs", n)
		}
		select {
		case <-ctx.Done():
			return
		case <-day.C:
		}
	}
}

func thinOld(ctx context.Context, j *journal.Journal) (int, error) {
	newest, err := j.Find(ctx, journal.Search{Limit: 1})
	if err != nil || len(newest) == 0 {
		return 0, err
	}
	return j.Thin(ctx, newest[0].Start.AddDate(0, 0, -thinAfterDays))
}
