package estimate

import (
	"time"

	"boxd/internal/box"
	"boxd/internal/units"
)

// endClean keeps the clean water's EC at the line end: learned there before
// fertilizer comes, or borrowed from the box and the run before. The readings are
// watched until it comes.
func (e *Estimator) endClean(r *box.Readings) {
	fresh := r.EndEC.Usable() && r.EndEC.Age == 0 && e.sec-e.endBaseWin.newest() >= 0.99
	if fresh && e.out.Pressurised == Yes && e.mayBeClean(r.EndEC.Value) {
		e.endBaseWin.add(e.sec, float64(r.EndEC.Value))
		if w := &e.endBaseWin; e.unreached() && (w.n <= 2*noiseEvery || w.added%noiseEvery == 0) {
			e.endNoise = w.about()
		}
	}
	b, known := e.endBaseWin.middle()
	end := units.USPerCm(b)
	switch {
	case known && e.endStillClean() && !e.overSource(end):
		e.out.EndBase.set(end, Basis{Quality: box.Good})
		e.flush.borrowed = false
	case e.out.EverDrawn || e.out.Carried.Pending():
		e.rememberedEnd()
	}
	e.endSeen(end, known)
}

// middle is the median of all values; false where they are too few for clean water.
func (w *ranked) middle() (float64, bool) {
	if w.n < cleanLeast {
		return 0, false
	}
	return mid(w.sorted[:w.n]), true
}

// noiseEvery is the number of values that come before the noise of a window of them is
// told anew: of the 180 of a window they change little. Common practice, no source.
const noiseEvery = 10

// mayBeClean: a reading at the line end that is out of tolerance is not of clean
// water; nor is any once this run's fertilizer has come, or while an earlier run's is
// on its way.
func (e *Estimator) mayBeClean(x units.USPerCm) bool {
	o := &e.out
	if o.Carried.Pending() || o.EverDrawn && e.flush.arrived {
		return false
	}
	clean := o.Baseline
	if o.EverDrawn {
		clean = o.EndBase
	}
	return !clean.Known || x <= clean.V+units.USPerCm(e.endBand())
}

// probesDiffer is how far over the box's clean water the end may read and still be
// taken for clean: what two probes of 1.5 % differ by in ordinary water. Common
// practice, no source.
const probesDiffer units.USPerCm = 25

// overSource: both probes see the same source, so what the end reads far over
// the box before anything is injected may be a rest of the last run that still
// leaves, and no baseline. If it is the probe's own, it shows as drift later.
func (e *Estimator) overSource(end units.USPerCm) bool {
	base := &e.out.Baseline
	return base.Known && end > base.V+probesDiffer
}

// endSeen corrects the clean water at the line end by b, what is seen there until this
// run's fertilizer comes: only clean water, or a rest of an earlier run that leaves, so
// the lowest it has read for minutes is nearest to clean. A probe that fails low counts
// no further than two probes differ. The Sigma is the noise alone: what a rest that
// leaves spreads would make "clean" easier to say.
func (e *Estimator) endSeen(b units.USPerCm, known bool) {
	o, f := &e.out, &e.flush
	if known && o.EverDrawn && !f.arrived && (!f.hasLowest || b < f.lowest) {
		f.lowest, f.hasLowest = b, true
	}
	if !o.EndBase.Known {
		return
	}
	if o.Baseline.Known && f.hasLowest {
		o.EndBase.V = min(o.EndBase.V, max(f.lowest, o.Baseline.V-probesDiffer))
	}
	if known {
		o.EndBase.Sigma = units.USPerCm(e.endNoise)
	}
}

// rest follows what the end reads over its clean water before this run's fertilizer
// can be near; mean is of the newest values.
func (e *Estimator) rest(mean float64) {
	f := &e.flush
	if !e.out.EverDrawn || f.arrived {
		return
	}
	over := max(0, mean-float64(e.out.EndBase.V))
	if e.unreached() {
		f.rest = over
	}
	f.rest = min(f.rest, over)
}

// unreached: nothing was drawn yet, or so little water has passed since that
// fertilizer can't be near the line end.
func (e *Estimator) unreached() bool {
	since, begun := e.flush.slug.Front()
	return !e.out.EverDrawn || begun && since < e.flush.last/4
}

// endStillClean: it can't be near, by volume and within a minute. A quick start still
// leaves the probe a baseline so.
func (e *Estimator) endStillClean() bool {
	o := &e.out
	return !o.Carried.Pending() && e.unreached() && (!o.EverDrawn || e.now-o.DrawStart <= time.Minute)
}

// endOffset is the most that the two EC probes' clean water may differ for the
// remembered one of the line end to count. Common practice, no source.
const endOffset = 200

// rememberedEnd is the clean water at the line end where it can't be learned
// now, because fertilizer of an earlier run may stand there or the probe was away
// while there was clean water: as it was then, moved by what the supply has
// changed since. Its Sigma is the probe's noise alone: a doubt about the clean
// water must not make "clean" easier to say.
func (e *Estimator) rememberedEnd() {
	o, w := &e.out, e.carry.c.Water
	learned := o.EndBase.Known && !e.flush.borrowed
	if learned && !o.Carried.Pending() || !o.Baseline.Known || !o.EndEC.Known {
		return
	}
	e.flush.borrowed = true
	o.EndBase = known(o.Baseline.V, units.USPerCm(e.endEC.noise.sd())) // the same water, by another probe
	if w == nil || !w.HasEnd || !units.Finite(w.End) || !units.Finite(w.Box) {
		return
	}
	if d := w.End - w.Box; d <= endOffset && d >= -endOffset {
		o.EndBase = known(o.Baseline.V+d, min(max(w.EndSigma, 0), 30))
	}
}
