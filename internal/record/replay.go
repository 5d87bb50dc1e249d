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
func (r *Row) Input(person bool) (in engine.Input) {
	r.Into(&in, person)
	return in
}

// Into is Input into what may be a turn's before; its wall time stays.
func (r *Row) Into(in *engine.Input, person bool) {
	in.Mono, in.Samples, in.Actions = time.Duration(math.Round(r.T*1e9)), r.Samples, nil
	if person && len(r.Deeds) > 0 {
		in.Actions = make([]box.Action, len(r.Deeds))
		for i, d := range r.Deeds {
			in.Actions[i] = box.Action{Kind: box.Report, Deed: d}
		}
	}
}
