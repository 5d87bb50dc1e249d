package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"path/filepath"
	"sync"
	"syscall"
	"time"

	"boxd/internal/engine"
	"boxd/internal/journal"
	"boxd/internal/telemetry"
)

// Keep is how long what is kept, and on how much of the disk.
type Keep struct {
	ThinAfter   time.Duration // the samples of older runs thin out
	Runs        time.Duration // older runs go
	Undelivered time.Duration // what a receiver has not taken by then is given up
	Most        int64         // bytes of the archive
}

// Upkeep keeps the archive within its bounds. It works between runs, so that no
// commit of a run waits for it, and at once when the disk is full. What a receiver
// loses by it is counted, noted in the archive and stands as an alarm for a day.
type Upkeep struct {
	Journal *journal.Journal
	Hub     *telemetry.Hub
	Keep    Keep
	Full    func() bool // the last commit found the disk full
	Log     *slog.Logger

	mu      sync.Mutex // the core's goroutine asks, upkeep's own answers
	reserve string     // why the ballast is gone; empty: it lies there
	lost    string     // what was lost, and
	lostAt  time.Time  // when
}

const (
	upkeepEvery = time.Hour
	upkeepLooks = time.Second // for a full disk, and for the end of a run when it is time
	lossStands  = 24 * time.Hour
	fewRuns     = 10 // part of the runs that goes at a time when room is needed: one in so many
)

// Trouble is what a person should know of the archive's room; empty: nothing.
func (u *Upkeep) Trouble() string {
	if u == nil {
		return ""
	}
	u.mu.Lock()
	defer u.mu.Unlock()
	if u.lost != "" && time.Since(u.lostAt) < lossStands {
		return u.lost
	}
	return u.reserve
}

// Run works until ctx ends.
func (u *Upkeep) Run(ctx context.Context) {
	look := time.NewTicker(upkeepLooks)
	defer look.Stop()
	var last time.Time
	for {
		switch {
		case u.Full():
			u.makeRoom(ctx)
		case u.inReserve():
			u.restore()
		case time.Since(last) >= upkeepEvery && !u.running():
			u.note("cannot keep the archive in order", u.turn(ctx))
			last = time.Now()
		}
		select {
		case <-ctx.Done():
			return
		case <-look.C:
		}
	}
}

func (u *Upkeep) running() bool {
	v := u.Hub.Latest().View
	return v != nil && v.Run != ""
}

func (u *Upkeep) note(what string, err error) {
	if err != nil && !errors.Is(err, context.Canceled) {
		u.Log.Error(what, "error", err)
	}
}

// turn gives up what is too old to be sent, thins, prunes and keeps to the size.
// Ages count back from the newest run and not from the clock: a clock that is
// wrong must not take anything away.
func (u *Upkeep) turn(ctx context.Context) error {
	newest, err := u.Journal.Find(ctx, journal.Search{Limit: 1})
	if err != nil {
		return err
	}
	if len(newest) == 0 {
		u.restore()
		return nil
	}
	now := newest[0].Start
	if err := u.drop(ctx, now.Add(-u.Keep.Undelivered)); err != nil {
		return err
	}
	if err := u.thin(ctx, now); err != nil {
		return err
	}
	if _, err := u.Journal.Prune(ctx, now.Add(-u.Keep.Runs)); err != nil {
		return err
	}
	for u.Journal.Size() > u.Keep.Most {
		if more, err := u.shrink(ctx); err != nil || !more {
			return err
		}
	}
	u.restore()
	return nil
}

// restore lays the ballast down again once the disk has room for it and for more.
func (u *Upkeep) restore() {
	var st syscall.Statfs_t
	if syscall.Statfs(filepath.Dir(u.Journal.Path()), &st) != nil || int64(st.Bavail)*int64(st.Bsize) < ballastRoom && u.inReserve() {
		return
	}
	if err := u.Journal.KeepBallast(); err != nil {
		u.setReserve("the disk has no room for a reserve; free space on it")
		return
	}
	u.setReserve("")
}

// ballastRoom is what has to be free before a ballast that was needed comes back:
// else it would be needed again at once.
const ballastRoom = 3 * journal.BallastSize / 2

func (u *Upkeep) inReserve() bool {
	u.mu.Lock()
	defer u.mu.Unlock()
	return u.reserve != ""
}

// thin leaves alone what the station's database has not had, until that is given up.
func (u *Upkeep) thin(ctx context.Context, now time.Time) error {
	had := uint64(math.MaxUint64)
	b, ok, err := u.Journal.State(ctx, stationKey)
	if err != nil {
		return err
	}
	if ok {
		var m stationMark
		if err := json.Unmarshal(b, &m); err != nil {
			return fmt.Errorf("cannot read what the station's database has had: %w", err)
		}
		had = m.Row
	}
	if _, err := u.Journal.Thin(ctx, now.Add(-u.Keep.ThinAfter), had); err != nil {
		return err
	}
	_, err = u.Journal.Thin(ctx, now.Add(-max(u.Keep.Undelivered, u.Keep.ThinAfter)), math.MaxUint64)
	return err
}

// shrink takes the oldest of the runs, a tenth of them but one at least; false: there is nothing more to take.
func (u *Upkeep) shrink(ctx context.Context) (more bool, err error) {
	runs, err := u.Journal.Runs(ctx) // the newest first
	if err != nil {
		return false, err
	}
	var ended []time.Time
	for _, r := range runs {
		if r.Ended && r.End.Year() >= 2020 {
			ended = append(ended, r.End)
		}
	}
	if len(ended) < 2 {
		return false, nil // the newest is for the person who has just ended it
	}
	take := max(1, len(ended)/fewRuns)
	before := ended[len(ended)-take].Add(time.Nanosecond)
	if err := u.drop(ctx, before); err != nil {
		return false, err
	}
	p, err := u.Journal.Prune(ctx, before)
	if p.Runs > 0 {
		u.Log.Warn("the archive is at its bound: the oldest runs are gone", "runs", p.Runs, "ended_before", before.Format(time.DateOnly))
	}
	return p.Runs > 0, err
}

// drop gives up what receivers have not taken, and says so.
func (u *Upkeep) drop(ctx context.Context, before time.Time) error {
	list, err := u.Journal.GiveUp(ctx, before)
	for _, l := range list {
		text := fmt.Sprintf("%d messages that %s had not taken by %s are given up, %d in all", l.Count, l.Sink, before.Format(time.DateOnly), l.Total)
		now := time.Now()
		u.Log.Error(text)
		u.mu.Lock()
		u.lost, u.lostAt = text, now
		u.mu.Unlock()
		note := engine.Event{Wall: now, Kind: engine.NoteEvent, Text: text}
		err = errors.Join(err, u.Journal.Commit(ctx, journal.Batch{Events: []engine.Event{note}}))
	}
	return err
}

// makeRoom is for a full disk, on which even deleting needs room: the ballast goes
// first, then the oldest runs.
func (u *Upkeep) makeRoom(ctx context.Context) {
	u.setReserve("the disk is full: its last reserve is in use; free space on it")
	u.note("cannot use the disk's reserve", u.Journal.DropBallast())
	_, err := u.shrink(ctx)
	u.note("cannot make room on a full disk", err)
}

func (u *Upkeep) setReserve(why string) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.reserve = why
}
