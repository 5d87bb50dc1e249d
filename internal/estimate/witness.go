package estimate

import (
	"math"
	"time"

	"boxd/internal/box"
	"boxd/internal/say"
	"boxd/internal/units"
)

// Verdict is how the two witnesses came to "done".
type Verdict struct {
	Volume, Probe Witness
	Agree         Tri           // unknown while one of them has nothing to say
	RuledBy       string        // "volume" or "probe"; empty before
	Waited        time.Duration // from the first witness's word to the one that ruled
}

// Common practice, no source.
const (
	disputeAfter = 2 * time.Minute // witnesses apart for so long disagree
	awaited      = 2 * time.Minute // for so long a probe is waited for that fell silent before it read clean water
	longer       = 1.5             // times the volume needed, where the probe can't confirm it
	surely       = 0.9             // of the band within which the probe must read: what noise and lag may hide is kept off, and as much again where its clean water is remembered
)

// probe reads the witness at the line end. Its cell is fed by one emitter, so it
// lags; the lag is taken out with the slope (y + τ·dy/dt, a first-order lag).
func (e *Estimator) probe(r *box.Readings) {
	o, f := &e.out, &e.flush
	fl := &o.Flush
	if r.EndEC.Usable() && r.EndEC.Age == 0 && e.sec-f.endWin.newest() >= 0.99 {
		f.endWin.add(e.sec, float64(r.EndEC.Value))
	}
	if !r.EndEC.Usable() || !o.EndBase.Known {
		fl.Probe = Absent
		return
	}
	if !o.EverDrawn && !e.carriedOnly() {
		fl.Probe = Waiting
		return
	}
	mean, _, slope, ok := f.endWin.line(e.sec, f.endWin.reach(20, 120))
	if !ok {
		fl.Probe = Unsure
		return
	}
	e.rest(mean)
	f.off = mean + slope*e.cfg.ProbeLag.Seconds() - float64(o.EndBase.V)
	rise := float64(o.Rise.V)
	if !o.Rise.Known {
		rise = 200
	}
	// With fertilizer of an earlier run ahead, what comes first is not this run's.
	ahead := o.EverDrawn && e.carriedAtEnd()
	if !ahead && f.arrived {
		f.peak = max(f.peak, f.off)
	}
	if e.sec-f.trueWin.newest() >= 0.99 {
		f.trueWin.add(e.sec, f.off)
	}
	if mean, _, slope, ok := f.endSlow.line(&f.endWin, e.sec, f.endWin.reach(40, 120)); ok && e.sec-f.slowWin.newest() >= 0.99 {
		f.slowWin.add(e.sec, mean+slope*e.cfg.ProbeLag.Seconds())
	}
	if f.arrivedH.stood(e.now, !ahead && e.front(rise), 10*time.Second) {
		f.arrived = true
	}
	fl.Probe = e.probeSays(f.off, rise)
}

// front tells that fertilizer is at the line end: a rise over what an earlier run
// left there. Where EC hardly sees the product, a drift of the probe could look the
// same: then only a quick rise counts.
func (e *Estimator) front(rise float64) bool {
	o, f := &e.out, &e.flush
	if f.off-f.rest <= max(0.3*rise, 2*e.endBand()) {
		return false
	}
	if !o.Rise.Known || o.Rise.V >= 2*o.Band.V || f.arrivedH.on {
		return true
	}
	before, ok := f.trueWin.at(e.sec - 150)
	return ok && f.off-before > 2*e.endBand()
}

func (e *Estimator) endBand() float64 {
	return max(float64(e.out.Band.V), 3*float64(e.out.EndBase.Sigma))
}

func (e *Estimator) probeSays(y, rise float64) Witness {
	f, band := &e.flush, surely*e.endBand()
	if f.borrowed {
		band *= surely
	}
	f.near = f.probeH.stood(e.now, math.Abs(y) <= band, 15*time.Second)
	passed := f.flatH.stood(e.now, y <= 0.35*max(rise, f.peak) && e.level(), 5*time.Second)
	switch {
	case !f.arrived:
		return Waiting
	case f.near:
		return Clean
	case passed:
		return Drifting
	}
	return Passing
}

// level tells that the reading at the line end no longer falls: what it stands
// off its baseline is the probe's own. A tail of fertilizer in a tape end falls,
// however slowly: the last stretch of tape, run through in T, lets the thin rest
// go as e^(−t/T) or faster (as e^(−t/T) where it mixes wholly; the laminar tail
// is near that at 5 %: see hydraulics.LaminarTail). So in 0.2 T a tail as large
// as the band falls by 0.18 of the band. Half of that is the limit here, or twice what noise
// makes of the difference of two lines through 40 values each: 0.54 of one
// value's, at a lag of 25 s.
func (e *Estimator) level() bool {
	o, f := &e.out, &e.flush
	t, ok := e.cfg.Zone.LastStretch().At(o.Flush.Rate)
	if !ok {
		return false
	}
	now, ok := f.slowWin.at(e.sec)
	before, was := f.slowWin.at(e.sec - min(max(30, 0.2*t.Seconds()), windowSize-40))
	return ok && was && math.Abs(now-before) <= max(0.1*e.endBand(), float64(o.EndBase.Sigma))
}

// compare notes since when each witness says clean, and says how they disagree.
func (e *Estimator) compare() {
	fl, f := &e.out.Flush, &e.flush
	mark := func(at *time.Duration, w Witness) {
		switch {
		case w != Clean:
			*at = 0
		case *at == 0:
			*at = e.now
		}
	}
	mark(&f.volumeAt, fl.Volume)
	mark(&f.probeAt, fl.Probe)
	switch fl.Probe {
	case Passing, Waiting:
		f.openAt = e.now
	case Clean, Drifting:
		f.openAt = 0
	case Absent, Unsure:
	}
	fl.Lost = fl.Probe == Absent && f.openAt > 0 && e.now-f.openAt < awaited
	if fl.Done {
		return
	}
	fl.Dispute = say.Text{}
	if !f.disputeH.stood(e.now, e.apart(), disputeAfter) {
		return
	}
	f.disputed = f.disputed || fl.Probe == Passing
	since := (e.now - f.disputeH.since).Truncate(time.Minute)
	switch fl.Probe {
	case Passing:
		fl.Dispute = say.T("for %v the volume has said clean, while the line-end probe stands %v off its baseline: the water may stand still there, or the probe is off; look at the end of the farthest row",
			since, units.USPerCm(f.off))
		e.note(say.T("the witnesses of the flush disagree: the volume says clean, the line-end probe sees fertilizer"))
	case Waiting:
		fl.Dispute = say.T("for %v the volume has said clean, while the line-end probe has not seen the fertilizer at all; half as much again is let through before the volume rules alone", since)
		e.note(say.T("the witnesses of the flush disagree: the volume says clean, the line-end probe has seen no fertilizer"))
	case Clean:
		fl.Dispute = say.T("for %v the line-end probe has said clean, while the volume has not: the later one rules", since)
		e.note(say.T("the witnesses of the flush disagree: the line-end probe says clean, the volume does not yet"))
	case Absent, Drifting, Unsure:
	}
}

// apart tells that the witnesses differ by more than the volume's margin.
func (e *Estimator) apart() bool {
	fl := &e.out.Flush
	switch {
	case !e.out.CleanAtBox:
		return false
	case fl.Probe == Clean:
		return fl.Volume == Passing && fl.Passed < e.flush.last.Scale(1-fl.Margin)
	case fl.Probe == Passing, fl.Probe == Waiting:
		return fl.Volume == Clean && fl.Passed >= fl.Needed.Scale(1+fl.Margin)
	}
	return false
}

// conclude lets the later witness rule. A drifting probe can't rule; a volume
// that no longer counts can't either.
func (e *Estimator) conclude() {
	e.compare()
	fl, f := &e.out.Flush, &e.flush
	if fl.Done {
		e.retract()
		return
	}
	if !e.out.CleanAtBox && !e.carriedOnly() {
		return
	}
	trusted := !f.wasOver
	switch {
	case fl.Probe == Clean && !trusted && !f.borrowed && f.most-f.mostAt >= float64(fl.Needed):
		// Not before what the emitters pass at this pressure has brought clean water
		// to the whole rows: a row torn near the probe is flushed before all others.
		e.done("probe", say.T("line-end probe, and the volume that the emitters explain; more water left than that, so a torn row itself can't be judged: walk the rows"))
	case fl.Probe == Clean && fl.Volume == Clean:
		e.done(f.later(), say.T("line-end probe and volume agree"))
	case fl.Volume != Clean:
	case fl.Probe == Drifting && trusted && !f.shut:
		e.done("volume", say.T("volume: the line-end probe fell with the fertilizer but stands off its baseline and no longer falls; taken as drift of the probe"))
	case fl.Probe == Drifting && !f.shut:
		e.done("volume", say.T("volume, counted at the slowest pace since more water left than the emitters explain; the line-end probe fell with the fertilizer and stands off its baseline; a burst row itself can't be judged: walk the rows"))
	case fl.Probe == Waiting:
		e.neverSeen()
	case fl.Probe == Absent:
		e.alone(trusted)
	}
}

func (f *flush) later() string {
	if f.probeAt > f.volumeAt {
		return "probe"
	}
	return "volume"
}

// neverSeen: the volume says clean and the probe reads its baseline, but never
// saw fertilizer. It may be late, so more is let through than the volume needs;
// but for a probe that nobody watched while the fertilizer may have passed.
func (e *Estimator) neverSeen() {
	fl, f := &e.out.Flush, &e.flush
	switch {
	case !f.near || f.shut:
	case f.unwatched:
		e.done("volume", say.T("volume: the line-end probe reads clean water; the fertilizer may have passed it while boxd did not look"))
	case fl.Passed >= fl.Needed.Scale(longer):
		f.unseenDone = true
		e.done("volume", say.T("volume, half as much again as needed: the line-end probe reads clean water but never saw the fertilizer; look at the probe and its row"))
	}
}

// alone: no probe can be read. One that was lost while it contradicted is not
// forgotten at once, and one that may be silent for a moment only is waited for.
func (e *Estimator) alone(trusted bool) {
	fl, f := &e.out.Flush, &e.flush
	switch {
	case fl.Lost:
	case f.disputed && fl.Passed < fl.Needed.Scale(longer):
	case !trusted:
		e.done("volume", say.T("volume, no line-end probe, counted at the slowest pace since more water left than the emitters explain; a burst row itself can't be judged: walk the rows"))
	case f.shut:
		e.done("volume", say.T("volume, no line-end probe; a row that was shut can't be judged: walk the rows"))
	case f.disputed:
		e.done("volume", say.T("volume, half as much again as needed: the line-end probe saw fertilizer when it was lost"))
	default:
		e.done("volume", say.T("volume, no line-end probe"))
	}
}

func (e *Estimator) done(by string, why say.Text) {
	fl, f := &e.out.Flush, &e.flush
	fl.Done, fl.By, fl.Dispute = true, why, say.Text{}
	e.out.Carried.Out = e.out.Carried.On
	fl.Verdict = Verdict{Volume: fl.Volume, Probe: fl.Probe, RuledBy: by}
	if fl.Probe != Absent {
		fl.Verdict.Agree = tri(fl.Probe == Clean && fl.Volume == Clean)
	}
	if f.volumeAt > 0 && f.probeAt > 0 {
		fl.Verdict.Waited = max(f.probeAt-f.volumeAt, f.volumeAt-f.probeAt)
	} else if first := max(f.volumeAt, f.probeAt); first > 0 {
		fl.Verdict.Waited = e.now - first
	}
	if f.wasOver {
		e.note(say.T("water left where the emitters do not explain it: how much each row got after that can't be known"))
	}
	if f.shut {
		e.note(say.T("less water flowed than before injecting: a row may have been shut or kinked, and what it got can't be known"))
	}
}

// retract takes "done" back where fertilizer comes to a probe that had seen none.
func (e *Estimator) retract() {
	fl, f := &e.out.Flush, &e.flush
	if !f.unseenDone || !f.arrived {
		return
	}
	f.unseenDone = false
	fl.Done, fl.By, fl.Verdict = false, say.Text{}, Verdict{}
	e.out.Carried.Out = false
	f.disputed = true
	e.note(say.T("fertilizer came to the line end after the flush was called done: the lines hold more than is described, or a row was shut; done is taken back"))
}

// note keeps a finding for the record, once.
func (e *Estimator) note(t say.Text) {
	fl := &e.out.Flush
	for _, n := range fl.Notes {
		if n.Format == t.Format {
			return
		}
	}
	fl.Notes = append(fl.Notes, t)
}

// reach is a span that holds enough of the newest values for a line: least
// seconds, or four times their spacing where they come slowly, most at most.
func (w *window) reach(least, most float64) float64 {
	if w.n < 2 {
		return least
	}
	t, _ := w.values()
	return min(max(least, 4*(t[w.n-1]-t[w.n-2])), most)
}
