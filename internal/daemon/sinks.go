package daemon

import (
	"context"
	"encoding/json"

	"boxd/internal/engine"
	"boxd/internal/journal"
	"boxd/internal/telemetry"
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
		if !r.IsEvent {
			continue // for the alerts; there are one or two a day
		}
		ev, err := decode(r)
		if err != nil {
			return out, err
		}
		m, err := telemetry.EventMessage(e.Box, r.Run, r.Seq, ev)
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
