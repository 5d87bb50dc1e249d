package estimate

import (
	"time"

	"boxd/internal/hydraulics"
	"boxd/internal/say"
	"boxd/internal/units"
)

// Contents is fertilizer that stands in the lines from one run to the next, on
// the scale of V_e. It is plain data, to be kept and read back.
type Contents struct {
	Since    string            `json:"since"`             // the run that put the oldest of it in
	Sure     bool              `json:"sure"`              // its places and amount are known
	Arrived  bool              `json:"arrived,omitempty"` // the probe at the line end has seen it
	BoxClean bool              `json:"box_clean"`         // the box ran clean behind it
	Tail     units.Litre       `json:"tail_l"`            // passed since the box ran clean
	Dose     float64           `json:"dose"`              // what the run had to give, µS/cm·L
	Profile  []hydraulics.Knot `json:"profile,omitempty"` // µS/cm·L
	Water    *CleanWater       `json:"water,omitempty"`   // as it was before the fertilizer came
}

// CleanWater is what the EC probes showed in clean water.
type CleanWater struct {
	Box      units.USPerCm `json:"box_us_cm"`
	End      units.USPerCm `json:"end_us_cm"`
	EndSigma units.USPerCm `json:"end_sigma_us_cm"`
	HasEnd   bool          `json:"has_end"`
}

// Carried is what of earlier runs' fertilizer stood in the lines when this run
// began, and what became of it. Litres to OfDose mean something only when Sure.
type Carried struct {
	On          bool
	Sure        bool // where it is and how much is known
	Out         bool // clean water has followed it past the last emitter
	Drained     bool // the lines had run empty: where it went can't be known
	Since       string
	Litres      units.Litre   // of line that held it
	Rise        units.USPerCm // mean, above clean water
	OfDose      units.Ratio   // of what that run had to give
	Delivered   units.Ratio   // of it since, over all emitters
	LastEmitter units.Ratio   // of what was due there, delivered since
}

// Pending reports whether fertilizer of an earlier run may still be in the lines.
func (c *Carried) Pending() bool { return c.On && !c.Out }

// standMargin is added to the flush of water that stood: time mixes it along the
// line. Common practice, no source.
const standMargin units.Ratio = 0.02

// leastHeld is the amount below which nothing worth naming stands in the lines.
const leastHeld units.Litre = 0.05

// carry is the memory behind Carried.
type carry struct {
	c        Contents
	slug     *hydraulics.Slug
	tail     float64       // L of V_e since the box ran clean
	washed   time.Duration // with water flowing, while the box may not be clean
	start    units.Ratio   // undelivered when the run began
	leastEC  units.USPerCm // at the box since the run began, water flowing; 0: none yet
	filling  bool          // the lines are not full
	fillFrom units.Litre   // through the box when that began
	fillLate bool          // and fertilizer had gone in before
	absorbed float64       // L that the lines took beyond what the emitters explain, while filling
}

// Remember puts what an earlier life left in the lines; it is called before the
// first turn.
func (e *Estimator) Remember(c Contents) {
	e.carryIn(c)
	e.out.Remaining = e.out.Carried
}

// atRest looks at the lines when the water has come to a stop.
func (e *Estimator) atRest() {
	switch {
	case e.out.Flowing == Yes:
		e.out.Remaining = Carried{}
	case e.out.Flowing == No && e.was.flowing != No:
		e.Settle()
	}
}

// Settle brings Remaining up to date and is Contents.
func (e *Estimator) Settle() (Contents, bool) {
	c, some := e.Contents()
	e.out.Remaining = Carried{}
	if some {
		_, e.out.Remaining = carryOf(e.cfg.Zone, c)
	}
	return c, some
}

// carryIn begins with c in the lines.
func (e *Estimator) carryIn(c Contents) {
	e.carry, e.out.Carried = carryOf(e.cfg.Zone, c)
	e.flush.arrived = c.Arrived
}

// carryOf is c in the lines of a zone. A profile that can't be one is unknown.
func carryOf(zone *hydraulics.Model, c Contents) (carry, Carried) {
	k, out := carry{c: c}, Carried{On: true, Since: c.Since}
	if !c.Sure || !units.Finite(c.Tail) {
		return k, out
	}
	if len(c.Profile) > 0 {
		slug, err := hydraulics.NewStanding(zone, c.Profile)
		if err != nil {
			return k, out
		}
		behind, _ := slug.Tail()
		c.Tail = min(c.Tail, behind)
		k.slug, k.start = slug, slug.Stop().Undelivered
		mass := float64(k.start) * slug.Total()
		out.Litres = slug.Held()
		if out.Litres > 0 {
			out.Rise = units.USPerCm(mass / float64(out.Litres))
		}
		if c.Dose > 0 && units.Finite(c.Dose) {
			out.OfDose = min(units.Ratio(mass/c.Dose), 1)
		}
	}
	k.tail, out.Sure = max(0, float64(c.Tail)), true
	return k, out
}

// Contents is what stands in the lines now; false when nothing does. It is to
// be asked where a run ends, begins, or water has moved between runs.
func (e *Estimator) Contents() (Contents, bool) {
	o, f, k := &e.out, &e.flush, &e.carry
	carried := o.Carried.Pending()
	if o.Flush.Done || !o.EverDrawn && !carried {
		return Contents{}, false
	}
	c := Contents{Since: e.run, Arrived: f.arrived, BoxClean: o.CleanAtBox, Sure: o.Flush.Degraded.Empty() && o.Flush.Volume != Clean, Water: e.cleanWater()}
	if carried {
		c.Since, c.Dose, c.Sure = k.c.Since, k.c.Dose, c.Sure && o.Carried.Sure
	}
	if !o.EverDrawn {
		c.BoxClean, c.Tail = k.c.BoxClean || k.washed >= mixOut, units.Litre(k.tail)
	} else {
		// What the run had to give is what it put in and what it found.
		c.Dose = f.slug.Total()
		c.Sure = c.Sure && f.slug.Begun()
		if o.CleanAtBox {
			c.Tail = units.Litre(f.advance - f.cleanAt)
		}
	}
	if !c.Sure {
		c.Tail, c.Dose = 0, 0
		return c, true
	}
	if k.slug != nil {
		c.Profile = k.slug.Standing()
		if o.EverDrawn && carried {
			c.Dose += float64(k.start) * k.slug.Total()
		}
	}
	if o.EverDrawn {
		c.Profile = hydraulics.JoinStanding(c.Profile, f.slug.Standing())
	}
	return c, true
}

func (e *Estimator) cleanWater() *CleanWater {
	o := &e.out
	if !o.Baseline.Known {
		return e.carry.c.Water
	}
	w := CleanWater{Box: o.Baseline.V}
	if o.EndBase.Known {
		w.End, w.EndSigma, w.HasEnd = o.EndBase.V, o.EndBase.Sigma, true
	}
	return &w
}

// carrying moves what was carried. While the lines fill, only what the emitters
// explain moves it: the rest takes the place of air.
func (e *Estimator) carrying(dt time.Duration) {
	o, k := &e.out, &e.carry
	rate := e.refill(dt)
	if !o.Carried.On {
		return
	}
	if o.BoxEC.Known && rate > 0 && (k.leastEC == 0 || o.BoxEC.V < k.leastEC) {
		k.leastEC = o.BoxEC.V
	}
	dV := rate.Over(dt)
	switch {
	case e.washing():
		if rate > 0 {
			k.washed += dt
		}
	case o.Filled == Yes:
		k.tail += float64(dV)
	}
	if k.slug != nil {
		k.slug.Pass(dV, 0)
		o.Carried.LastEmitter = k.slug.Delivered(e.flush.lastPath)
		if k.start > 0 {
			o.Carried.Delivered = max(0, 1-k.slug.Stop().Undelivered/k.start)
		}
	}
}

// refill adds up what the lines take until they are full, and is the flow that
// moves what stands in them.
func (e *Estimator) refill(dt time.Duration) units.LPerH {
	o, k := &e.out, &e.carry
	rate := o.Flush.Rate
	if o.Filled == Yes {
		if k.filling && e.wereEmpty() {
			e.ranEmpty()
		}
		k.filling = false
		return rate
	}
	if !k.filling {
		k.filling, k.fillFrom, k.absorbed, k.fillLate = true, o.Volume, 0, o.EverDrawn
	}
	explained := units.LPerH(0)
	if o.Expected.Known {
		explained = o.Expected.V
		k.absorbed += float64(max(rate-explained, 0).Over(dt))
	}
	return min(rate, explained)
}

// ranEmpty: the lines had to be filled anew, so where fertilizer in them went
// can't be known; what must pass to flush it is counted from here.
func (e *Estimator) ranEmpty() {
	o, k := &e.out, &e.carry
	if o.Carried.Pending() {
		o.Carried.Drained, o.Carried.Sure = true, false
		o.Carried.Delivered, o.Carried.LastEmitter = 0, 0
		k.slug, k.tail = nil, 0
	}
	if k.fillLate && !o.Flush.Done {
		o.CleanAtBox = false
		e.flush.drawBegins()
		o.Flush.Degraded = say.T("the lines ran empty with fertilizer in them, so the flush is counted anew")
		e.note(say.T("the lines ran empty with fertilizer in them: where it went can't be known"))
	}
}

// wereEmpty: so much went into the lines before they were full that they must
// have been empty, by half at least.
func (e *Estimator) wereEmpty() bool { return e.carry.absorbed >= float64(e.cfg.Zone.LineVolume())/2 }

// Held is the line that still holds carried fertilizer, in litres.
func (e *Estimator) Held() units.Litre {
	if e.carry.slug == nil {
		return 0
	}
	return e.carry.slug.Held()
}

// washing: water of the run before may still stand in the box.
func (e *Estimator) washing() bool {
	return e.out.Carried.On && !e.carry.c.BoxClean && e.carry.washed < mixOut
}

// carriedOnly: the only fertilizer in the lines is that of an earlier run.
func (e *Estimator) carriedOnly() bool { return e.out.Carried.Pending() && !e.out.EverDrawn }

// carriedAtEnd: carried fertilizer may be at the line end, by volume.
func (e *Estimator) carriedAtEnd() bool {
	return e.out.Carried.On && e.carry.tail < float64(e.flush.last.Scale(1+e.out.Flush.Margin+standMargin))
}

// carriedVolume is the volume's word on what was carried.
func (e *Estimator) carriedVolume() {
	fl, k := &e.out.Flush, &e.carry
	if !e.flush.borrowed {
		fl.Margin += standMargin
	}
	fl.Needed = max(fl.Needed, e.flush.last.Scale(1+fl.Margin))
	fl.Passed, fl.Volume = units.Litre(k.tail), Passing
	if fl.Passed >= fl.Needed {
		fl.Volume = Clean
	}
}

// rememberedBox is the clean water at the box where stock was drawn before the
// last run's water had left the box, or just then: as it was, but not above what was
// seen since.
func (e *Estimator) rememberedBox() {
	o, k := &e.out, &e.carry
	if w := k.c.Water; !o.Baseline.Known && w != nil && units.Finite(w.Box) && k.leastEC > 0 {
		o.Baseline = known(min(w.Box, k.leastEC), 10)
	}
}

// Words say what stands in the lines, as a reason; Sentence as a sentence.
func (c *Carried) Words() say.Text {
	switch {
	case c.Drained:
		return say.T("fertilizer of run %s stood in the lines, but they have run empty since: where it went can't be known, and it does not count as delivered", c.Since)
	case !c.Sure && c.Since == "":
		return say.T("what earlier runs left can't be read: fertilizer may stand in the lines")
	case !c.Sure:
		return say.T("fertilizer of run %s may stand in the lines; how much and where can't be told", c.Since)
	case c.Litres < leastHeld:
		return say.T("by count clean water had come to the last plants in run %s, but not with the margin that a flush needs", c.Since)
	case c.OfDose <= 0:
		return say.T("%v of water with fertilizer stands in the lines since run %s, %v above clean water", c.Litres, c.Since, c.Rise)
	}
	return say.T("%v of water with fertilizer stands in the lines since run %s, %v above clean water: %v of what that run had to give", c.Litres, c.Since, c.Rise, c.OfDose)
}

// Sentence is Words as a sentence of its own.
func (c *Carried) Sentence() say.Text { return say.T("%v.", say.Capital(c.Words())) }
