package estimate

import (
	"time"

	"boxd/internal/box"
	"boxd/internal/say"
)

// watched looks after time in which nobody saw whether stock went in: the core
// did not run for gap, or none of stock meter, branch meter and EC at the box
// could be read while water may have run.
func (e *Estimator) watched(gap time.Duration, r *box.Readings) {
	blind := e.now - e.seenAt
	switch {
	case gap > 0:
		e.unwatched(gap)
	case e.stroke(r) == Unknown && e.out.Flowing != No:
		return
	case blind > unseen:
		e.unwatched(blind)
	}
	e.seenAt = e.now
}

// forget lets go of every condition that was being timed: nobody knows whether
// it stood without a break.
func (e *Estimator) forget() {
	f := &e.flush
	for _, h := range []*holder{&e.flowOn, &e.flowOff, &e.fullH, &e.freshFullH, &e.atP, &e.steadyH, &e.tornH, &e.restH, &e.goneH, &e.sagH,
		&e.draw.aboveH, &f.cleanH, &f.arrivedH, &f.probeH, &f.flatH, &f.overH, &f.overOff, &f.shutH, &f.disputeH} {
		h.on = false
	}
	e.supplyWin.reset()
	e.ups = ups{}
}

// unwatched notes the gap. Fertilizer may have gone in up to now, so the flush is
// counted anew, from when the box is seen to be clean. A flush that was done
// stays done where the water stood still before: then it was over.
func (e *Estimator) unwatched(gap time.Duration) {
	o, f := &e.out, &e.flush
	o.Unwatched += gap
	if o.Flush.Done && o.Flowing != Yes {
		return
	}
	if o.Drawing == Yes {
		e.draw.lastStroke, e.draw.quiet = e.now, 0
	}
	if !o.EverDrawn {
		return
	}
	o.CleanAtBox = false
	o.Flush.Done, o.Flush.By, o.Flush.Dispute, o.Flush.Verdict = false, say.Text{}, say.Text{}, Verdict{}
	o.DrawEnd = e.now
	f.drawBegins()
	f.unwatched = true
	o.Flush.Degraded = say.T("boxd did not see the water for a while; fertilizer may have gone in, so the flush is counted anew")
	e.note(say.T("for %v boxd did not see the water: what was drawn and delivered meanwhile is not in the account", gap.Round(time.Second)))
}
