package estimate

import (
	"time"

	"boxd/internal/box"
	"boxd/internal/say"
	"boxd/internal/units"
)

// draws tells when stock goes in. An injector works in strokes, so a single
// quiet second means nothing: drawing is "a stroke seen lately".
type draws struct {
	lastStroke  time.Duration
	firstStroke time.Duration
	strokes     int
	quiet       time.Duration // since the last stroke, a meter heard
	since       time.Duration // the newest value of the stock meter, unless it is late
	span        time.Duration // that the newest value stands for
	heard       time.Duration // that this turn's word on a stroke speaks of
	rise        float64       // Σ(EC−baseline)·s while drawing, mixing time left out
	riseFor     float64       // s
	riseAt      time.Duration // of the newest value in rise
	aboveH      holder
}

const strokeGap = 6 * time.Second

// conductivity keeps the clean-water baselines: at the box while clean water
// flows, at the line end once the lines are full. The first ends when stock goes
// in, the other a little later.
func (e *Estimator) conductivity(r *box.Readings) {
	o := &e.out
	raw(&o.BoxEC, &e.boxEC, &r.BoxEC)
	raw(&o.EndEC, &e.endEC, &r.EndEC)
	if r.BoxEC.Usable() {
		if !o.EverDrawn && o.Flowing == Yes && !e.washing() && e.sec-e.baseWin.newest() >= 0.99 && r.BoxEC.Age == 0 {
			e.baseWin.add(e.sec, float64(r.BoxEC.Value))
		}
	}
	if !o.EverDrawn {
		o.Baseline = baseline(&e.baseWin, e.sec)
	}
	e.endClean(r)
}

// cleanLeast is how many values make clean water.
const cleanLeast = 10

// baseline needs ten values of clean water. Its Sigma is the noise alone: what
// is judged against it comes from the same probe.
func baseline(w *ranked, until float64) Value[units.USPerCm] {
	m, s, n := w.robust(until)
	if n < cleanLeast {
		return Value[units.USPerCm]{}
	}
	return known(units.USPerCm(m), units.USPerCm(s))
}

// stroke says whether stock seems to move now, from the best witness there is:
// the stock meter, else the branch's flow with its pressure difference, else
// the EC at the box. A meter that is late, as in a drop-out, says nothing of now.
func (e *Estimator) stroke(r *box.Readings) Tri {
	o := &e.out
	driven := !o.InjectorDiff.Known || o.InjectorDiff.V > 8
	switch {
	case late(&r.Stock), !r.Stock.Usable() && late(&r.Branch):
		return Unknown
	case r.Stock.Usable():
		branch := !r.Branch.Usable() || r.Branch.Value > 0
		return tri(r.Stock.Value > 0.09 && (branch || driven)) // 0.0015 L/min, below the finest meter step seen
	case r.Branch.Usable():
		return tri(r.Branch.Value > units.LPerMin(0.15) && driven)
	case o.BoxEC.Known && o.Baseline.Known:
		return tri(o.BoxEC.V > o.Baseline.V+max(100, 5*o.Baseline.Sigma))
	}
	return Unknown
}

// readStock smooths the stock meter by fresh values alone. Over a gap the mean stays:
// the newest value is one moment of a stroke.
func (e *Estimator) readStock(dt time.Duration, r *box.Readings) {
	d := &e.draw
	d.heard = 0
	if !r.Unseen {
		d.since += dt
	}
	if r.Stock.Age == 0 { // for a gap a value stands no longer than for twice what the one before did
		d.heard = min(d.since, max(2*d.span, dt))
		d.span = d.heard
	}
	if r.Stock.Age == 0 || late(&r.Stock) {
		d.since = 0
	}
	read(&e.out.Stock, &e.stock, &r.Stock, d.heard)
	if !r.Stock.Usable() && !r.Unseen {
		d.heard = dt // of the other witnesses
	}
}

func (e *Estimator) drawing(dt time.Duration, r *box.Readings) {
	o, d := &e.out, &e.draw
	gap := max(strokeGap, 3*dt)
	if e.unmetered() {
		d.firstStroke, d.lastStroke, d.quiet = e.now-unmeteredFor, e.now, 0
		e.drawBegins()
	}
	switch e.stroke(r) {
	case Unknown:
		if e.now-d.lastStroke > gap+heldFor {
			o.Drawing = Unknown
		}
	case Yes:
		if o.Drawing != Yes && e.now-d.lastStroke > gap {
			d.firstStroke, d.strokes = e.now, 0
		}
		d.lastStroke, d.quiet = e.now, 0
		d.strokes++
		if o.Drawing != Yes && d.strokes >= 3 && e.now-d.firstStroke >= 2*time.Second {
			e.drawBegins()
		}
	case No:
		d.quiet += d.heard
		if o.Drawing != Yes {
			if o.Drawing == Unknown && o.EverDrawn && o.DrawEnd < d.lastStroke {
				o.DrawEnd = e.now // when it ended was not seen
			}
			o.Drawing = No
		} else if d.quiet >= gap {
			o.Drawing, o.DrawEnd = No, d.lastStroke
		}
	}
	if o.Drawing == Yes {
		e.weigh(dt, r)
	}
	e.ratios()
}

// unmeteredFor is how long EC must stand above clean water before it counts as
// fertilizer that no meter saw. Common practice, no source.
const unmeteredFor = 20 * time.Second

// unmetered tells that fertilizer passes the box while the meters deny it: a
// meter stuck at nothing must not make the lines pass for clean.
func (e *Estimator) unmetered() bool {
	o := &e.out
	watch := o.Pressurised == Yes && o.Flowing == Yes && o.Drawing != Yes && (!o.EverDrawn || o.CleanAtBox)
	above := watch && o.BoxEC.Known && o.Baseline.Known && o.BoxEC.V > o.Baseline.V+max(150, 8*o.Baseline.Sigma)
	return e.draw.aboveH.stood(e.now, above, unmeteredFor)
}

func (e *Estimator) drawBegins() {
	o, d := &e.out, &e.draw
	o.Drawing = Yes
	if !o.EverDrawn {
		o.EverDrawn, o.DrawStart = true, d.firstStroke
		until := d.firstStroke.Seconds() - 3
		if b := baseline(&e.baseWin, until); b.Known {
			o.Baseline = b
		} else {
			e.rememberedBox()
		}
	}
	e.flush.drawBegins()
	o.CleanAtBox = false
	o.Flush.Done, o.Flush.By, o.Flush.Dispute, o.Flush.Verdict = false, say.Text{}, say.Text{}, Verdict{}
}

// weigh adds up what the stock meter saw, and the rise of EC once the box has mixed (forty seconds: three times mixing and probe lag).
func (e *Estimator) weigh(dt time.Duration, r *box.Readings) {
	o, d := &e.out, &e.draw
	o.InjectedFor += dt
	if r.Stock.Usable() {
		o.Drawn += r.Stock.Value.Over(dt)
		o.StockMeasured = true
	}
	if e.now-d.firstStroke > 40*time.Second && o.BoxEC.Known && o.Baseline.Known && r.BoxEC.Age == 0 {
		d.rise += float64(float64(o.BoxEC.V-o.Baseline.V) * dt.Seconds())
		d.riseFor += dt.Seconds()
		d.riseAt = e.now
	}
	if d.riseFor > 5 {
		rise := units.USPerCm(d.rise / d.riseFor)
		o.Rise = known(rise, hypot(o.Baseline.Sigma, rise*units.USPerCm(standard(e.cfg.Accuracy.EC))))
	}
}

func (e *Estimator) ratios() {
	o := &e.out
	o.FieldRatio, o.BranchRatio = Value[units.Ratio]{}, Value[units.Ratio]{}
	if o.Drawing != Yes || !o.Stock.Known || e.now-e.draw.firstStroke < 30*time.Second {
		return
	}
	quotient(&o.FieldRatio, &o.Stock, &o.Main)
	quotient(&o.BranchRatio, &o.Stock, &o.Branch)
}
