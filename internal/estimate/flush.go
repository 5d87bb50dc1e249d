package estimate

import (
	"math"
	"time"

	"boxd/internal/box"
	"boxd/internal/hydraulics"
	"boxd/internal/say"
	"boxd/internal/units"
)

// Flush is what two independent witnesses say of clean water at the last
// emitter of the farthest lateral: the volume passed since the box ran clean,
// and the probe at the line end.
type Flush struct {
	Needed   units.Litre // to pass since clean at the box, margin included
	Passed   units.Litre // counted so far
	Margin   units.Ratio // the margin in Needed
	Spread   units.Litre // ± of what is left, of meter and geometry
	Tail     units.Litre // on top at most, for the thin rest that laminar tape ends let go late
	Rate     units.LPerH // at which Passed grows now
	Degraded say.Text    // why the volume can't vouch any more, empty when it can
	Volume   Witness
	Probe    Witness
	Lost     bool // the probe fell silent just now, before it read clean water, and is waited for
	Done     bool
	By       say.Text // which witness ruled, in words
	Dispute  say.Text // how the witnesses disagree now, empty when they don't
	Verdict  Verdict
	Notes    []say.Text
}

// Witness is one witness's word.
type Witness uint8

// What a witness can say.
const (
	Absent   Witness = iota // there is none, or it can't be read
	Waiting                 // the fertilizer has not come to it yet
	Passing                 // fertilizer is there
	Clean                   // clean water is there
	Drifting                // the fertilizer has passed, but the reading stands off its baseline and no longer falls
	Unsure                  // it can't tell
)

func (w Witness) String() string {
	switch w {
	case Waiting:
		return "waiting"
	case Passing:
		return "passing"
	case Clean:
		return "clean"
	case Drifting:
		return "drifting"
	case Unsure:
		return "unsure"
	case Absent:
	}
	return "absent"
}

// Say is the word for a person.
func (w Witness) Say() say.Text { return say.T(w.String()) }

// tailMargin is allowed for what plug flow leaves out: in the laminar tape ends
// the front comes earlier and the tail later than the mean (EPANET's own
// transport leaves this out too). The size is common practice, no source.
const tailMargin units.Ratio = 0.01

// mixOut is how long after the last stroke the box runs clean at the latest.
// Common practice, no source: it takes three quarters of a minute at usual flows.
const mixOut = time.Minute

// flush is the memory behind Flush.
type flush struct {
	last     units.Litre // V_e of the emitter served last
	advance  float64     // L of V_e-scale since the run began
	slug     *hydraulics.Slug
	lastPath hydraulics.EmitterPath // the emitter served last
	spread   units.Litre            // of what is left to pass
	tail     units.Litre            // on top at most
	cleanH   holder
	cleanAt  float64 // advance when the box ran clean
	ecWin    window
	endWin   window
	trueWin  window // the end EC with the probe's lag taken out
	endSlow  trend  // of endWin, over longer
	slowWin  window // the true end EC by that, less noisy
	arrivedH holder
	arrived  bool
	probeH   holder
	near     bool // it has stood: the end reads clean
	flatH    holder
	overH    holder
	overOff  holder
	over     bool
	wasOver  bool
	shutH    holder
	shut     bool
	usualSum float64 // of the flow ratio, before injecting
	usualN   int
	leak     leak
	peak     float64 // of off, this run's fertilizer there

	lowest       units.USPerCm // the end has read for minutes since this run's first draw, before its fertilizer came
	hasLowest    bool
	rest         float64 // µS/cm over EndBase: of an earlier run at the end, this run's not near yet
	most, mostAt float64 // L: all that the emitters can have taken; when the box ran clean
	off          float64 // µS/cm the end stands off its baseline, lag taken out
	volumeAt     time.Duration
	probeAt      time.Duration // since when each says clean; 0: it doesn't
	openAt       time.Duration // when the probe last said that the flush isn't over; 0: it said that it is, or nothing
	disputeH     holder
	disputed     bool // the probe saw fertilizer when the volume said clean
	unwatched    bool // fertilizer may have passed the probe while nobody looked
	unseenDone   bool // done, though the probe never saw fertilizer
	borrowed     bool // the end baseline was not learned in this run
}

func (f *flush) begin(cfg *Config) {
	zone := cfg.Zone
	*f = flush{last: zone.FlushVolume(), slug: hydraulics.NewSlug(zone)}
	f.spread, f.tail = zone.Allowance(hydraulics.Doubt{Flow: cfg.FlowError, Geometry: cfg.GeometryError, Tail: hydraulics.LaminarTail})
	for _, p := range zone.Emitters() {
		if p.Volume >= f.lastPath.Volume {
			f.lastPath = p
		}
	}
}

// drawBegins forgets that the box was clean: what was counted starts again.
func (f *flush) drawBegins() {
	f.cleanH.on = false
	f.cleanAt = 0
	f.probeH.on, f.flatH.on, f.arrivedH.on, f.arrived = false, false, false, false
	f.volumeAt, f.probeAt, f.openAt = 0, 0, 0
	f.disputeH.on, f.disputed, f.unwatched, f.unseenDone = false, false, false, false
}

func (e *Estimator) flushing(dt time.Duration, r *box.Readings) {
	o, f := &e.out, &e.flush
	e.pace(dt, r)
	over := e.strength()
	f.slug.Pass(o.Flush.Rate.Over(dt), over)
	e.count(dt, r, over)
	e.deliver()
	e.carrying(dt)
	e.band()
	e.cleanAtBox(r)
	e.probe(r)
	fl := &o.Flush
	fl.Margin = e.cfg.FlowError + e.cfg.GeometryError + tailMargin
	if f.borrowed {
		fl.Margin += standMargin // the probe's clean water is remembered, not seen
	}
	fl.Needed = f.last.Scale(1 + fl.Margin)
	if u, ok := e.Usual(FlushVolume); ok {
		fl.Needed = max(fl.Needed, units.Litre(u.Value+2*u.Spread))
	}
	fl.Passed, fl.Spread, fl.Tail = 0, 0, 0
	fl.Volume = Waiting
	if f.slug.Begun() {
		fl.Spread, fl.Tail = f.spread, f.tail
	}
	if o.EverDrawn {
		fl.Volume = Passing
	}
	if o.CleanAtBox {
		fl.Passed = units.Litre(f.advance - f.cleanAt)
		if fl.Passed >= fl.Needed {
			fl.Volume = Clean
		}
	}
	if e.carriedOnly() {
		e.carriedVolume()
	}
	e.conclude()
}

// band is the distance from baseline that counts as clean: the largest of 5 %
// of the rise, three standard deviations of the baseline and 50 µS/cm.
func (e *Estimator) band() {
	o := &e.out
	if !o.Baseline.Known {
		o.Band = Value[units.USPerCm]{}
		return
	}
	b := max(50, 3*o.Baseline.Sigma)
	if o.Rise.Known {
		b = max(b, o.Rise.V*5/100)
	}
	o.Band.set(b, Basis{Quality: box.Good})
}

// strength is what passes the box now, in µS/cm over baseline; noise below the
// band counts as clean water.
func (e *Estimator) strength() float64 {
	o := &e.out
	if !o.EverDrawn || !o.BoxEC.Known || !o.Baseline.Known {
		return 0
	}
	s := float64(o.BoxEC.V - o.Baseline.V)
	if o.Drawing != Yes && s < 3*float64(o.Baseline.Sigma)+15 {
		return 0
	}
	return max(s, 0)
}

// cleanAtBox holds ten seconds; the volume counts from where it first held.
func (e *Estimator) cleanAtBox(r *box.Readings) {
	o, f := &e.out, &e.flush
	if !o.EverDrawn || o.Drawing == Yes {
		o.CleanAtBox = false
		f.cleanH.on = false
		return
	}
	if r.BoxEC.Usable() && r.BoxEC.Age == 0 {
		f.ecWin.add(e.sec, float64(r.BoxEC.Value))
	}
	if o.CleanAtBox {
		return
	}
	back := false
	if o.BoxEC.Known && o.Baseline.Known {
		mean, _, _, ok := f.ecWin.line(e.sec, 5)
		if !ok {
			mean = float64(o.BoxEC.V)
		}
		back = math.Abs(mean-float64(o.Baseline.V)) <= float64(o.Band.V)
	}
	// Where EC does not see the product (urea, or a probe that is stuck), its
	// return tells nothing: the box is given time to mix out.
	seen := o.Rise.Known && o.Rise.V >= 2*o.Band.V
	back = back && o.Flowing == Yes && (seen || e.now-o.DrawEnd >= mixOut)
	if back && !f.cleanH.on {
		f.cleanAt, f.mostAt = f.advance, f.most
	}
	if f.cleanH.stood(e.now, back, 10*time.Second) {
		o.CleanAtBox = true
	}
}

// Left is the volume still to pass, and the time that takes at the present
// pace; false where it can't be told.
func (e *Estimator) Left() (units.Litre, time.Duration, bool) {
	fl := &e.out.Flush
	if !e.out.CleanAtBox && !e.carriedOnly() {
		return fl.Needed, 0, false
	}
	left := max(fl.Needed-fl.Passed, 0)
	d, ok := left.At(fl.Rate)
	return left, d, ok
}

// VolumeWords says what the volume says.
func (e *Estimator) VolumeWords() say.Text {
	fl := &e.out.Flush
	switch {
	case !e.out.EverDrawn:
		return say.T("nothing injected yet")
	case !e.out.CleanAtBox:
		return say.T("the box is not clean yet")
	case !fl.Degraded.Empty():
		return say.T("%v of %v since the box ran clean, %.1f %% margin for meter, geometry and mixing; counted on the safe side: %v",
			fl.Passed, fl.Needed, fl.Margin.Percent(), fl.Degraded)
	}
	return say.T("%v of %v since the box ran clean, %.1f %% margin for meter, geometry and mixing", fl.Passed, fl.Needed, fl.Margin.Percent())
}
