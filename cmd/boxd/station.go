package main

import (
	"context"
	"path/filepath"

	"boxd/internal/box"
	"boxd/internal/daemon"
	"boxd/internal/journal"
	"boxd/internal/telemetry/influx"
)

// station starts the writer to the station's database.
func (s *service) station(ctx context.Context, j *journal.Journal) error {
	c := s.cfg.Influx
	if c.URL == "" {
		return j.DropSink(ctx, "station") // it would hold back pruning
	}
	w, err := influx.New(influx.Config{URL: c.URL, Org: c.Org, Bucket: c.Bucket, TokenFile: c.TokenFile, TokenEnv: c.TokenEnv, CAFile: c.CAFile}, s.log)
	if err != nil {
		return err
	}
	out, err := j.Outbox(ctx, "station")
	if err != nil {
		return err
	}
	s.database = w
	s.tell("database   %s   bucket %s", c.URL, c.Bucket)
	src := &daemon.Station{Box: s.core.Box, Keep: out, Journal: j, Refused: filepath.Join(s.data, "refused.lp")}
	s.wg.Go(func() { w.Run(ctx, src) })
	return nil
}

// link is how the links to the broker and to the station's database fare;
// unknown before the first try and where nothing is published.
func (s *service) link() box.Surrounding {
	up := false
	if s.publisher != nil {
		l := s.publisher.Link()
		if !l.Up && l.Err != nil {
			return box.Surrounding{Health: box.Failing, Why: l.Err.Error()}
		}
		up = l.Up
	}
	if s.database != nil {
		l := s.database.Link()
		if l.Err != nil {
			return box.Surrounding{Health: box.Failing, Why: l.Err.Error()}
		}
		up = up || l.Up
	}
	if up {
		return box.Surrounding{Health: box.Well}
	}
	return box.Surrounding{}
}
