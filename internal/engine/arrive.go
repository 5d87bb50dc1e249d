package engine

import (
	"time"

	"boxd/internal/estimate"
	"boxd/internal/sequencer"
)

// arrivals are when the first fertilizer and the clean water behind it come to
// the last emitter of the farthest row if the water keeps its present pace, in
// core seconds: V_e over the flow (DESIGN §5). Clean water carries the margin of
// the flush; while stock goes in, what is planned to go in comes first. Null is
// what can't be told, or has come already.
func (g *Engine) arrivals() (front, clean *float64) {
	e, fl := g.e, &g.e.Flush
	if e.Flowing != estimate.Yes || !fl.Degraded.Empty() {
		return nil, nil
	}
	from := func(d time.Duration) *float64 { return ptr(round(seconds(g.now+d), 0)) }
	if gone, ok := g.est.Slug().Front(); ok && gone < g.cfg.Zone.FlushVolume() {
		if d, ok := (g.cfg.Zone.FlushVolume() - gone).At(fl.Rate); ok {
			front = from(d)
		}
	}
	switch g.seq.Step() {
	case sequencer.Inject:
		d, ok := fl.Needed.At(fl.Rate)
		if ok && g.cfg.Plan.Injection > 0 && e.Drawing == estimate.Yes {
			clean = from(d + max(g.cfg.Plan.Injection-e.InjectedFor, 0))
		}
	case sequencer.Flush:
		if _, d, ok := g.est.Left(); ok && !fl.Done {
			clean = from(d)
		}
	case sequencer.Ready, sequencer.Pressurise, sequencer.Secure, sequencer.Unknown:
	}
	return front, clean
}
