package main

import (
	"context"
	"encoding/json"
	"maps"
	"time"

	"boxd/internal/box"
	"boxd/internal/daemon"
	"boxd/internal/journal"
	"boxd/internal/sensors/hwio"
)

// board is what is wired to the board beside the instruments, and what is kept
// of their meters. A nil board does nothing.
type board struct {
	*hwio.Board
	kept  map[string]hwio.Total // as the archive has them, by column
	blind bool                  // what the archive has is not known
}

// boardOf is the board of the configuration.
func (s *service) boardOf() *board {
	b := &board{Board: &hwio.Board{Least: float64(s.cfg.Board.Least)}}
	b.Source, _ = s.source.(*hwio.Source)
	if v := s.cfg.Board.Button; v != nil {
		b.Button = hwio.NewButton(v.Line, v.ActiveHigh)
	}
	return b
}

// vitals are what the daemon shows of the board; nil: there is none.
func (b *board) vitals() func() []box.Vital {
	if b == nil {
		return nil
	}
	return b.Vitals
}

// vitals are the board's, and what the archive had to give up.
func (s *service) vitals(u *daemon.Upkeep) func() []box.Vital {
	board := s.board.vitals()
	return func() []box.Vital {
		if board == nil {
			return u.Vitals()
		}
		return append(board(), u.Vitals()...)
	}
}

// Totals are saved so often: what is counted in between is lost with the power.
// An orderly end saves them too.
const totalsEvery = time.Minute

const totalsKey = "meter-totals"

// recall takes up the meters' totals. A box advises without them too: where they
// can't be read they begin at nothing, and are not written over in this life.
func (b *board) recall(ctx context.Context, s *service, j *journal.Journal) {
	if b == nil || b.Source == nil {
		return
	}
	text, ok, err := j.State(ctx, totalsKey)
	if ok && err == nil {
		err = json.Unmarshal(text, &b.kept)
	}
	if err != nil {
		s.log.Error("cannot read the meters' totals: they begin at 0 and are not kept", "error", err)
		b.blind = true
		return
	}
	totals := map[box.Channel]hwio.Total{}
	for column, t := range b.kept {
		if c, ok := box.ChannelByColumn(column); ok {
			totals[c] = t
		}
	}
	b.Source.Restore(totals)
}

// keep saves the totals where they have changed. A meter that is no longer wired
// keeps its own.
func (b *board) keep(ctx context.Context, j *journal.Journal) error {
	now := maps.Clone(b.kept)
	if now == nil {
		now = map[string]hwio.Total{}
	}
	for c, t := range b.Source.Totals() {
		now[c.Info().Column] = t
	}
	if maps.Equal(now, b.kept) {
		return nil
	}
	text, err := json.Marshal(now)
	if err == nil {
		err = j.Commit(ctx, journal.Batch{State: map[string][]byte{totalsKey: text}})
	}
	if err == nil {
		b.kept = now
	}
	return err
}

// run watches the board until ctx ends.
func (b *board) run(ctx context.Context, s *service, d *daemon.Daemon, j *journal.Journal) {
	if b == nil {
		return
	}
	s.wg.Go(func() { b.Run(ctx) })
	if b.Button != nil {
		s.wg.Go(func() { b.Button.Run(ctx, func() { b.pressed(ctx, s, d) }) })
	}
	if b.Source != nil && !b.blind {
		s.wg.Go(func() { b.keepAll(ctx, s, j) })
	}
}

// pressed hands a press to the core. Its answer is in the journal, where the page
// shows it: the box has nothing to say it with.
func (b *board) pressed(ctx context.Context, s *service, d *daemon.Daemon) {
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	if a := d.Press(ctx); a.Accepted {
		s.log.Info("the button at the box was pressed")
	} else {
		s.log.Info("the button at the box was pressed in vain", "why", a.Reason)
	}
}

func (b *board) keepAll(ctx context.Context, s *service, j *journal.Journal) {
	tick := time.NewTicker(totalsEvery)
	defer tick.Stop()
	for ended := false; !ended; {
		select {
		case <-tick.C:
		case <-ctx.Done():
			ended = true
		}
		if err := b.keep(context.WithoutCancel(ctx), j); err != nil {
			s.log.Error("cannot save the meters' totals: tried again in a minute", "error", err)
		}
	}
}
