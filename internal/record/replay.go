package record

import (
	"math"
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
)

// Input is the row as the core's input, Mono being its time_s. With person the
// deeds go along as reports. The samples are the row's own: they are good until
// the reader's next row. Wall is zero, since a trace has no clock.
func (r *Row) Input(person bool) engine.Input {
	in := engine.Input{
		Mono:    time.Duration(math.Round(r.T * 1e9)),
		Samples: r.Samples,
	}
	if person && len(r.Deeds) > 0 {
		in.Actions = make([]box.Action, len(r.Deeds))
		for i, d := range r.Deeds {
			in.Actions[i] = box.Action{Kind: box.Report, Deed: d}
		}
	}
	return in
}
