package estimate

import (
	"math"
	"slices"
	"time"

	"boxd/internal/say"
	"boxd/internal/units"
)

// Lesson is a number of the zone that every run shows and past runs teach.
type Lesson uint8

// The lessons.
const (
	NoLesson    Lesson = iota
	FillVolume         // L through the box until lines that were empty are full
	SteadyFlow         // L/h at the target pressure, before injecting
	CleanFilter        // kPa across the filter at the design flow, when the lines have come to pressure
	FlushVolume        // L from clean at the box to clean at the line-end probe
	NumLessons
)

func (l Lesson) String() string {
	switch l {
	case FillVolume:
		return "fill_volume_l"
	case SteadyFlow:
		return "steady_flow_l_h"
	case CleanFilter:
		return "clean_filter_kpa"
	case FlushVolume:
		return "flush_volume_l"
	case NoLesson, NumLessons:
	}
	return "unknown"
}

// Lessons are what past runs showed, the oldest first: plain data, to be kept
// and read back.
type Lessons struct {
	FillVolume  []float64 `json:"fill_volume_l,omitempty"`
	SteadyFlow  []float64 `json:"steady_flow_l_h,omitempty"`
	CleanFilter []float64 `json:"clean_filter_kpa,omitempty"`
	FlushVolume []float64 `json:"flush_volume_l,omitempty"`
}

const (
	maxLessons = 20 // runs remembered
	minLessons = 5  // runs that make something usual
)

func (l *Lessons) of(which Lesson) *[]float64 {
	switch which {
	case FillVolume:
		return &l.FillVolume
	case SteadyFlow:
		return &l.SteadyFlow
	case CleanFilter:
		return &l.CleanFilter
	case FlushVolume:
		return &l.FlushVolume
	case NoLesson, NumLessons:
	}
	panic("estimate: no such lesson")
}

// With is the lessons with one run's more.
func (l Lessons) With(which Lesson, value float64) Lessons {
	to := l.of(which)
	all := append(slices.Clone(*to), value)
	*to = all[max(0, len(all)-maxLessons):]
	return l
}

// Usual is what past runs agree on.
type Usual struct {
	Value  float64
	Spread float64 // standard deviation, robust
	Runs   int
}

// rule is what bounds a lesson. Shares are common practice, no source.
type rule struct {
	low, high float64 // outside it is not learned, and not believed
	departs   float64 // part of the usual from which on a departure is told
	quantile  float64 // of past runs that is taken for the usual
}

func (e *Estimator) rule(which Lesson) rule {
	z := e.cfg.Zone
	about := func(x, low, high float64) (float64, float64) { return low * x, high * x }
	r := rule{quantile: 0.5}
	switch which {
	case FillVolume: // lines hold water that stayed, and emitters pass some meanwhile
		r.low, r.high = about(float64(z.LineVolume()), 0.5, 2)
		r.departs = 0.15
	case SteadyFlow: // the flow alarms' own limits
		r.low, r.high = about(float64(z.ExpectedFlow(e.cfg.Target)), 0.88, 1.12)
		r.departs = 0.04
	case CleanFilter: // a screen in use is oftener dirtier than clean than the reverse
		r.low, r.high, r.departs, r.quantile = 0.5, 35, 0.3, 0.25
	case FlushVolume:
		r.low, r.high = about(float64(e.flush.last), 0.8, 1.2)
		r.departs = 0.1
	case NoLesson, NumLessons:
	}
	return r
}

// Usual is false before enough runs have shown it.
func (e *Estimator) Usual(which Lesson) (Usual, bool) {
	u := e.usual[which]
	return u, u.Runs > 0
}

// agreed is what past runs agree on; no runs before there are enough.
func (e *Estimator) agreed(which Lesson) Usual {
	r := e.rule(which)
	var s []float64
	for _, x := range *e.lessons.of(which) {
		if x >= r.low && x <= r.high { // leaves out NaN, too
			s = append(s, x)
		}
	}
	if len(s) < minLessons {
		return Usual{}
	}
	s = s[max(0, len(s)-maxLessons):]
	slices.Sort(s)
	u := Usual{Value: mid(s), Runs: len(s)}
	d := make([]float64, len(s))
	for i, x := range s {
		d[i] = math.Abs(x - u.Value)
	}
	slices.Sort(d)
	u.Spread = 1.4826 * mid(d)
	if r.quantile != 0.5 {
		u.Value = s[int(float64(r.quantile*float64(len(s))))]
	}
	return u
}

// Shown is what this run shows beside what is usual.
type Shown struct {
	Now     Value[float64] // Known once the run has shown it
	Usual   Usual
	Learned bool // Usual counts
	Departs bool // Now is off the usual by more than runs differ
}

// Off is how far this run is off the usual, as a part of it; 0 where unknown.
func (s *Shown) Off() units.Ratio {
	if !s.Now.Known || !s.Learned || s.Usual.Value == 0 {
		return 0
	}
	return units.Ratio(s.Now.V/s.Usual.Value - 1)
}

// Shown compares.
func (e *Estimator) Shown(which Lesson) Shown {
	s := Shown{Now: e.shown[which]}
	s.Usual, s.Learned = e.Usual(which)
	s.Departs = e.Departs(which)
	return s
}

// Departs reports whether this run is off the usual by more than runs differ.
func (e *Estimator) Departs(which Lesson) bool {
	now, u := &e.shown[which], &e.usual[which]
	if u.Runs == 0 || !now.Known {
		return false
	}
	return math.Abs(now.V-u.Value) > max(3*u.Spread, e.rule(which).departs*u.Value)
}

// Learn is the lessons with this run's. What trouble names is left out, and so
// is what no sound zone can show.
func (e *Estimator) Learn(trouble func(Lesson) bool) Lessons {
	l := e.lessons
	for which := FillVolume; which < NumLessons; which++ {
		v, r := e.shown[which], e.rule(which)
		if v.Known && !trouble(which) && v.V >= r.low && v.V <= r.high {
			l = l.With(which, v.V)
		}
	}
	return l
}

// Know gives the estimator what past runs taught. It never weakens what is
// judged: it can add to the flush volume, take from what passes for a clean
// filter's difference, and tell of departures.
func (e *Estimator) Know(l Lessons) {
	e.lessons = l
	for which := FillVolume; which < NumLessons; which++ {
		e.usual[which] = e.agreed(which)
	}
}

// usualRatioFor is how long the flow is watched before it is compared.
const usualRatioFor = 30 * time.Second

// learning takes this turn's part of what the run shows.
func (e *Estimator) learning() {
	o, f := &e.out, &e.flush
	show := func(which Lesson, v float64) {
		if !e.shown[which].Known {
			e.shown[which] = known(v, 0)
		}
	}
	if o.Filled == Yes && e.fullH.on && e.wereEmpty() && !o.EverDrawn {
		show(FillVolume, float64(o.Volume-e.carry.fillFrom))
	}
	watched := o.EverDrawn || o.Pressurised == Yes && e.now-o.Standing.Pressurised.Since >= usualRatioFor
	if f.usualN >= 10 && watched {
		show(SteadyFlow, f.usualSum/float64(f.usualN)*float64(e.design))
	}
	if e.filterKnown { // anew, where it was cleaned in the run
		e.shown[CleanFilter] = known(e.filterClean*e.designSquared(), 0)
	}
	sure := o.Flush.Degraded.Empty() && !o.Carried.On
	if sure && o.CleanAtBox && o.Flush.Probe == Clean && f.advance > f.cleanAt {
		// The probe's word was held; the water was clean when it began.
		held := o.Flush.Rate.Over(e.now - f.probeH.since)
		show(FlushVolume, f.advance-f.cleanAt-float64(held))
	}
}

func (e *Estimator) designSquared() float64 {
	return float64(e.design) * float64(e.design)
}

// load is what the filter takes beyond a clean one's difference, by this run's
// start or past runs, whichever was cleaner: a filter that was loaded when the
// run began must not pass for clean.
func (e *Estimator) load() {
	o := &e.out
	if x := &o.FilterExcess; x.Known {
		o.FilterLoad.set(x.V, x.Basis)
	} else {
		o.FilterLoad = Value[units.KPa]{}
	}
	u, ok := e.Usual(CleanFilter)
	if !ok || o.Flowing != Yes || o.Pressurised != Yes || !o.FilterDiff.Known || !o.Main.Known {
		return
	}
	clean := units.KPa(u.Value / e.designSquared() * float64(o.Main.V) * float64(o.Main.V))
	past := known(o.FilterDiff.V-clean, 0).on(o.FilterDiff.Basis, o.Main.Basis)
	if !o.FilterLoad.Known || past.V > o.FilterLoad.V {
		o.FilterLoad = past
	}
}

// Words tell of a departure, with the numbers; empty when there is none.
func (s *Shown) Words(which Lesson) say.Text {
	if !s.Departs {
		return say.Text{}
	}
	more, u := s.Now.V > s.Usual.Value, s.Usual
	switch which {
	case FillVolume:
		now, usual, spread := units.Litre(s.Now.V), units.Litre(u.Value), units.Litre(u.Spread)
		if more {
			return say.T("Filling the lines took %v; the usual is %v ± %v, of %d runs: look for a leak or an open row end.", now, usual, spread, u.Runs)
		}
		return say.T("Filling the lines took only %v; the usual is %v ± %v, of %d runs: look for a closed or kinked row.", now, usual, spread, u.Runs)
	case SteadyFlow:
		now, usual, spread := units.LPerH(s.Now.V), units.LPerH(u.Value), units.LPerH(u.Spread)
		if more {
			return say.T("At the target pressure the zone takes %v; the usual is %v ± %v, of %d runs: look for a leak.", now, usual, spread, u.Runs)
		}
		return say.T("At the target pressure the zone takes %v; the usual is %v ± %v, of %d runs: look for clogged emitters or a closed row.", now, usual, spread, u.Runs)
	case CleanFilter:
		now, usual, spread := units.KPa(s.Now.V), units.KPa(u.Value), units.KPa(u.Spread)
		if more {
			return say.T("The filter began this run with %v at the design flow; past runs began with %v ± %v, of %d runs: it was not clean.", now, usual, spread, u.Runs)
		}
		return say.T("The filter began this run with %v at the design flow; past runs began with %v ± %v, of %d runs: it was cleaned, or it is torn.", now, usual, spread, u.Runs)
	case FlushVolume:
		now, usual, spread := units.Litre(s.Now.V), units.Litre(u.Value), units.Litre(u.Spread)
		return say.T("The line end ran clean after %v; the usual is %v ± %v, of %d runs: check the meter and the probe, and walk the rows.", now, usual, spread, u.Runs)
	case NoLesson, NumLessons:
	}
	return say.Text{}
}
