package engine

import (
	"boxd/internal/estimate"
)

// Witnesses are how the flush was judged: what each said when it was called
// done, or says at the run's end.
type Witnesses struct {
	Volume  string  `json:"volume"`
	Probe   string  `json:"probe"`
	Agree   string  `json:"agree"`              // yes, no; unknown while one has nothing to say
	RuledBy string  `json:"ruled_by,omitempty"` // volume or probe; empty: the flush was not called done
	WaitedS float64 `json:"waited_s"`           // from the first one's word to the ruling one's
}

// witnesses is nil where there was nothing to flush.
func witnesses(f *estimate.Flush) *Witnesses {
	v := f.Verdict
	if v.RuledBy == "" {
		v.Volume, v.Probe, v.Agree = f.Volume, f.Probe, estimate.Unknown
		if !f.Dispute.Empty() {
			v.Agree = estimate.No
		}
	}
	if v.Volume == estimate.Waiting {
		return nil
	}
	return &Witnesses{v.Volume.String(), v.Probe.String(), v.Agree.String(), v.RuledBy, round(v.Waited.Seconds(), 0)}
}

// findings tells what the estimates found worth keeping.
func (g *Engine) findings() {
	notes := g.e.Flush.Notes
	if g.found > len(notes) {
		g.found = 0
	}
	for ; g.found < len(notes); g.found++ {
		g.emit(Event{Kind: NoteEvent, Said: Said{Text: notes[g.found]}})
	}
}
