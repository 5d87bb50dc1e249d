package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"time"

	"boxd/internal/box"
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
	lost    []string   // what was lost at
	lostAt  time.Time  // this time
	total   int64      // lost since the archive began
}

const (
	upkeepEvery = time.Hour
	upkeepLooks = time.Second // for a full disk, and for the end of a run when it is time
	lossStands  = 24 * time.Hour
	aLeap       = 400 * 24 * time.Hour
	fewRuns     = 10 // part of the runs that goes at a time when room is needed: one in so many
)

// Trouble is what a person should know of the archive's room; empty: nothing.
func (u *Upkeep) Trouble() string {
	if u == nil {
		return ""
	}
	u.mu.Lock()
	defer u.mu.Unlock()
	if u.reserve == "" && time.Since(u.lostAt) < lossStands {
		return strings.Join(u.lost, "; ")
	}
	return u.reserve
}

// Vitals are the count of what receivers lost, where there is any.
func (u *Upkeep) Vitals() []box.Vital {
	u.mu.Lock()
	defer u.mu.Unlock()
	if u.total == 0 {
		return nil
	}
	return []box.Vital{{Name: "given_up_total", Value: float64(u.total), Known: true}}
}

// Run works until ctx ends. It begins once all receivers have their outboxes: those
// of others are forgotten, since nobody empties them any more.
func (u *Upkeep) Run(ctx context.Context) {
	u.note("cannot forget former receivers", u.Journal.DropOtherSinks(ctx))
	u.count(ctx)
	look := time.NewTicker(upkeepLooks)
	defer look.Stop()
	var last time.Time
	for {
		switch {
		case u.Full() && !u.inReserve():
			u.useReserve()
			last = time.Time{} // a turn may find something that has had its time
		case u.inReserve():
			u.restore()
		}
		if time.Since(last) >= upkeepEvery && !u.running() {
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
	newest, err := u.Journal.Find(ctx, journal.Search{Limit: 2})
	if err != nil {
		return err
	}
	u.restore()
	if len(newest) == 0 {
		return nil
	}
	now := newest[0].Start
	if last := newest[len(newest)-1].Start; now.Sub(last) > aLeap {
		now = last // one run alone may have had a clock that was ahead
	}
	if err := u.drop(ctx, now.Add(-u.Keep.Undelivered)); err != nil {
		return err
	}
	if err := u.thin(ctx, now); err != nil {
		return err
	}
	if _, err := u.prune(ctx, now.Add(-u.Keep.Runs)); err != nil {
		return err
	}
	for {
		size, err := u.Journal.Size(ctx)
		if err != nil || size <= u.most() {
			return err
		}
		if more, err := u.shrink(ctx); err != nil || !more {
			return err
		}
	}
}

// disk is the size of the archive's disk and what is free of it, in bytes.
func (u *Upkeep) disk() (size, free int64, ok bool) {
	var st syscall.Statfs_t
	if syscall.Statfs(filepath.Dir(u.Journal.Path()), &st) != nil {
		return 0, 0, false
	}
	return int64(st.Blocks) * int64(st.Bsize), int64(st.Bavail) * int64(st.Bsize), true
}

// most bounds the archive: three quarters of a small disk.
func (u *Upkeep) most() int64 {
	if size, _, ok := u.disk(); ok {
		return min(u.Keep.Most, size/4*3)
	}
	return u.Keep.Most
}

// restore lays the ballast down where the disk has room for it and for more: else
// it would be needed again at once.
func (u *Upkeep) restore() {
	if !u.Journal.HasBallast() {
		if _, free, ok := u.disk(); ok && free < ballastRoom {
			if !u.inReserve() {
				u.setReserve("the disk is nearly full; free space on it")
			}
			return
		}
		if u.Journal.KeepBallast() != nil {
			u.setReserve("the disk has no room for a reserve; free space on it")
			return
		}
	}
	u.setReserve("")
}

const ballastRoom = 3 * journal.BallastSize / 2

func (u *Upkeep) inReserve() bool {
	u.mu.Lock()
	defer u.mu.Unlock()
	return u.reserve != ""
}

// stationHas is up to which row the station's database has the inputs; all where
// there is none.
func (u *Upkeep) stationHas(ctx context.Context) (uint64, error) {
	if some, err := u.Journal.HasSink(ctx, stationSink); err != nil || !some {
		return math.MaxInt64, err
	}
	var m stationMark
	b, ok, err := u.Journal.State(ctx, stationKey)
	if err != nil || !ok {
		return 0, err
	}
	if err := json.Unmarshal(b, &m); err != nil {
		return 0, fmt.Errorf("cannot read what the station's database has had: %w", err)
	}
	return m.Row, nil
}

// thin leaves alone what the station's database has not had, until that is given up.
func (u *Upkeep) thin(ctx context.Context, now time.Time) error {
	had, err := u.stationHas(ctx)
	if err != nil {
		return err
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
	n, err := u.prune(ctx, before)
	if n > 0 {
		u.Log.Warn("the archive is at its bound: the oldest runs are gone", "runs", n, "ended_before", before.Format(time.DateOnly))
	}
	return n > 0, err
}

// prune removes the runs that ended before, also those whose samples the station's
// database has not had: that is said.
func (u *Upkeep) prune(ctx context.Context, before time.Time) (runs int64, err error) {
	had, err := u.stationHas(ctx)
	if err != nil {
		return 0, err
	}
	l, err := u.Journal.GiveUpRows(ctx, stationSink, before, had)
	if err == nil {
		err = u.say(ctx, before, "stretches of samples", l)
	}
	if err != nil {
		return 0, err
	}
	p, err := u.Journal.Prune(ctx, before)
	return p.Runs, err
}

// drop gives up what receivers have not taken.
func (u *Upkeep) drop(ctx context.Context, before time.Time) error {
	list, err := u.Journal.GiveUp(ctx, before)
	return errors.Join(err, u.say(ctx, before, "messages", list...))
}

// say tells what receivers lost: in the log, as an alarm and by a note in the archive.
func (u *Upkeep) say(ctx context.Context, before time.Time, what string, list ...journal.Lost) error {
	now := time.Now()
	var b journal.Batch
	for _, l := range list {
		if l.Count > 0 {
			text := fmt.Sprintf("%d %s that %s had not taken by %s are given up, %d in all", l.Count, what, l.Sink, before.Format(time.DateOnly), l.Total)
			b.Events = append(b.Events, engine.Event{Wall: now, Kind: engine.NoteEvent, Text: text})
		}
	}
	if len(b.Events) == 0 {
		return nil
	}
	u.mu.Lock()
	if now.Sub(u.lostAt) > upkeepEvery/2 { // else it belongs to the same turn
		u.lost = nil
	}
	u.lostAt = now
	for _, e := range b.Events {
		u.lost = append(u.lost, e.Text)
	}
	u.mu.Unlock()
	u.Log.Error("receivers lost messages", "what", strings.Join(u.lost, "; "))
	u.count(ctx)
	return u.Journal.Commit(ctx, b)
}

func (u *Upkeep) count(ctx context.Context) {
	n, err := u.Journal.LostTotal(ctx)
	u.note("cannot count what receivers lost", err)
	u.mu.Lock()
	defer u.mu.Unlock()
	u.total = n
}

// useReserve makes room on a full disk, on which even deleting needs some. No run
// goes for it: what fills the disk may be another program.
func (u *Upkeep) useReserve() {
	u.setReserve("the disk is full and its last reserve in use; free space on it")
	u.note("cannot use the disk's reserve", u.Journal.DropBallast())
}

func (u *Upkeep) setReserve(why string) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.reserve = why
}
