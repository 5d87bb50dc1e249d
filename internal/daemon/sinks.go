package daemon

import (
	"context"
	"encoding/json"
	"log/slog"
	"strconv"
	"time"

	"boxd/internal/engine"
	"boxd/internal/journal"
	"boxd/internal/telemetry"
	"boxd/internal/telemetry/alert"
)

// Events is the MQTT publisher's queue: the journal's events, shaped.
type Events struct {
	Box  string
	Keep *journal.Outbox
}

// Next gives up to max messages above after.
func (e Events) Next(ctx context.Context, after uint64, max int) ([]telemetry.Message, error) {
	rows, err := e.Keep.Next(ctx, after, max)
	if err != nil {
		return nil, err
	}
	out := make([]telemetry.Message, 0, len(rows))
	for _, r := range rows {
		ev, err := decode(r)
		if err != nil {
			return out, err
		}
		m, err := telemetry.EventMessage(e.Box, r.Seq, ev)
		if err != nil {
			return out, err
		}
		out = append(out, m)
	}
	return out, nil
}

// Done strikes off.
func (e Events) Done(ctx context.Context, upto uint64) error { return e.Keep.Done(ctx, upto) }

func decode(m journal.Message) (engine.Event, error) {
	en := journal.Entry{Seq: m.Seq, Wall: m.Wall, Kind: engine.EventKind(m.Kind), JSON: json.RawMessage(m.Payload)}
	return en.Event()
}

// Target takes notes for a person.
type Target interface {
	Name() string
	Send(ctx context.Context, n alert.Note) error
}

// Alerts tells one target what concerns it, one note at a time, until it has
// taken it.
type Alerts struct {
	Box    string
	Want   []string // alarm ids, milestone names, priorities; empty: all that a note exists for
	Style  alert.Style
	Target Target
	Keep   *journal.Outbox
	Hub    *telemetry.Hub
	Log    *slog.Logger
	MaxAge time.Duration // older than this by wall time is not sent any more
}

const (
	lookEvery  = 500 * time.Millisecond
	retryFirst = 2 * time.Second
	retryMost  = time.Minute
)

// Run sends until ctx ends.
func (a Alerts) Run(ctx context.Context) {
	var after uint64
	pause := retryFirst
	for {
		rows, err := a.Keep.Next(ctx, after, 50)
		wait := lookEvery
		for _, r := range rows {
			if err = a.send(ctx, r); err != nil {
				break
			}
			after = r.Seq
			// What was sent is struck off even while stopping, or it would come twice.
			if err = a.Keep.Done(context.WithoutCancel(ctx), r.Seq); err != nil {
				break
			}
			pause = retryFirst
		}
		if err != nil && ctx.Err() == nil {
			a.Log.Warn("an alert is waiting", "to", a.Target.Name(), "error", err)
			wait, pause = pause, min(2*pause, retryMost)
		}
		t := time.NewTimer(wait)
		select {
		case <-ctx.Done():
			t.Stop()
			return
		case <-t.C:
		}
	}
}

func (a Alerts) send(ctx context.Context, r journal.Message) error {
	e, err := decode(r)
	if err != nil {
		return nil // not an event: nothing for a phone
	}
	n, ok := a.Style.FromEvent(a.Box, e, a.Hub.Latest().View)
	if !ok || !alert.Wanted(e, a.Want) || a.MaxAge > 0 && time.Since(r.Wall) > a.MaxAge {
		return nil
	}
	n.ID = a.Box + "-" + strconv.FormatUint(r.Seq, 10)
	return a.Target.Send(ctx, n)
}
