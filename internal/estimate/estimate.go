// Package estimate judges from noisy, late, sometimes missing readings what the
// water does: flowing or not, lines full and at pressure, stock drawn or not,
// clean at the box, clean at the line end. It knows nothing of persons, alarms
// or advice, and it says "unknown" where readings do not tell.
//
// Pressures are kPa gauge, flows L/h, volumes L, EC µS/cm at 25 °C; times are
// the core's monotonic time.
package estimate

import (
	"time"

	"boxd/internal/box"
	"boxd/internal/hydraulics"
	"boxd/internal/units"
)

// Tri is yes, no or unknown. The zero value is Unknown.
type Tri uint8

// The three answers.
const (
	Unknown Tri = iota
	No
	Yes
)

func (t Tri) String() string {
	switch t {
	case Yes:
		return "yes"
	case No:
		return "no"
	case Unknown:
	}
	return "unknown"
}

func tri(b bool) Tri {
	if b {
		return Yes
	}
	return No
}

// Value is a derived number with its standard deviation. It means something
// only when Known.
type Value[T ~float64] struct {
	V, Sigma T
	Known    bool
}

func known[T ~float64](v, sigma T) Value[T] { return Value[T]{v, sigma, true} }

// Config is what is known beforehand.
type Config struct {
	Zone          *hydraulics.Model
	Target        units.KPa     // header pressure aimed at
	Low           units.KPa     // lower end of the header's window
	InjectorRatio units.Ratio   // stock in the branch's flow, nominal
	ProbeLag      time.Duration // of the end-of-line probe
	FlowError     units.Ratio   // of the main meter, as a bound
	GeometryError units.Ratio   // of the zone's volumes, as a bound
}

// Estimates are the judged state of the water.
type Estimates struct {
	Supply, FilterOut, InjectorIn, InjectorOut, Header Value[units.KPa]
	Main, Branch, Stock                                Value[units.LPerH]
	FilterDiff, InjectorDiff                           Value[units.KPa]
	FilterExcess                                       Value[units.KPa] // over the clean difference at this flow
	Expected                                           Value[units.LPerH]
	FlowRatio                                          Value[units.Ratio] // measured ÷ expected, lines full only

	Flowing, Filled, Pressurised, Drawing Tri

	Volume    units.Litre // through the box since the run began
	FilledPct Value[units.Ratio]

	BoxEC, EndEC       Value[units.USPerCm]
	Baseline, EndBase  Value[units.USPerCm]
	Rise               Value[units.USPerCm]
	Band               Value[units.USPerCm] // |EC − baseline| within this is clean
	FieldRatio         Value[units.Ratio]
	BranchRatio        Value[units.Ratio]
	InjectedFor        time.Duration // time stock was drawn
	Drawn, ByRatio     units.Litre
	ECVolume           float64 // ∫(EC−baseline)dV, µS/cm·L, over the slug as it passed the box
	StockMeasured      bool    // Drawn counts
	BranchMeasured     bool    // ByRatio counts
	DrawStart, DrawEnd time.Duration
	EverDrawn          bool

	CleanAtBox bool
	Flush      Flush
	Delivery   Delivery

	BoxAirFall Value[units.Celsius] // per hour, falling is negative
}

// Estimator keeps the memory behind the estimates.
type Estimator struct {
	cfg  Config
	out  Estimates
	now  time.Duration
	sec  float64
	warm bool

	header, supply, filterOut, injIn, injOut, main, branch, stock, boxEC lowpass
	prevMain                                                             float64
	prevKnown                                                            bool

	flowOn, flowOff        holder
	fullH, freshFullH, atP holder
	steadyH                holder
	headerWin, baseWin     window
	endBaseWin, airWin     window
	filterWin              window
	filterClean            float64 // kPa per (L/h)²
	filterKnown            bool

	draw  draws
	flush flush
}

// heldFor is how long the last flow stands in for the present one across a
// drop-out. Common practice, no source.
const heldFor = 10 * time.Second

// unseen is the longest gap between turns that is still counted across.
const unseen = time.Minute

// New makes an estimator for one zone.
func New(cfg Config) *Estimator {
	e := &Estimator{cfg: cfg}
	for _, f := range []*lowpass{&e.header, &e.supply, &e.filterOut, &e.injIn, &e.injOut, &e.main} {
		f.tau = 2 * time.Second
	}
	e.branch.tau, e.stock.tau, e.boxEC.tau = 5*time.Second, 10*time.Second, 3*time.Second
	e.BeginRun()
	return e
}

// BeginRun forgets what belongs to one run: volumes, slug, baselines.
func (e *Estimator) BeginRun() {
	o := &e.out
	o.Volume, o.Drawn, o.ByRatio, o.ECVolume = 0, 0, 0, 0
	o.Filled, o.Pressurised, o.CleanAtBox = No, No, false
	o.Baseline, o.EndBase, o.Rise, o.Band = Value[units.USPerCm]{}, Value[units.USPerCm]{}, Value[units.USPerCm]{}, Value[units.USPerCm]{}
	o.InjectedFor, o.EverDrawn, o.StockMeasured, o.BranchMeasured = 0, false, false, false
	o.DrawStart, o.DrawEnd = 0, 0
	e.baseWin.reset()
	e.endBaseWin.reset()
	e.filterWin.reset()
	e.filterKnown = false
	e.draw = draws{}
	e.flush.begin(e.cfg.Zone)
	o.Flush, o.Delivery = Flush{}, Delivery{}
}

// Step takes this turn's readings. The result belongs to the estimator until
// the next call.
func (e *Estimator) Step(now time.Duration, r *box.Readings) *Estimates {
	dt := now - e.now
	if !e.warm {
		dt, e.warm = 0, true
	}
	if dt > unseen {
		// Nobody saw what the water did meanwhile: nothing is counted for it.
		dt, e.prevKnown = 0, false
	}
	e.now, e.sec = now, now.Seconds()
	e.smooth(dt, r)
	e.flowing(dt, r)
	e.filling()
	e.conductivity(r)
	e.drawing(dt, r)
	e.filter()
	e.flushing(dt, r)
	e.cooling(r)
	return &e.out
}

func smoothed[T ~float64](f *lowpass, r box.Reading[T], dt time.Duration) Value[T] {
	if !r.Usable() {
		f.reset()
		return Value[T]{}
	}
	return known(T(f.add(float64(r.Value), dt)), 0)
}

func minus[T ~float64](a, b Value[T]) Value[T] {
	if !a.Known || !b.Known {
		return Value[T]{}
	}
	return known(a.V-b.V, 0)
}

func (e *Estimator) smooth(dt time.Duration, r *box.Readings) {
	o := &e.out
	o.Supply = smoothed(&e.supply, r.Supply, dt)
	o.FilterOut = smoothed(&e.filterOut, r.FilterOut, dt)
	o.InjectorIn = smoothed(&e.injIn, r.InjectorIn, dt)
	o.InjectorOut = smoothed(&e.injOut, r.InjectorOut, dt)
	o.Header = smoothed(&e.header, r.Header, dt)
	o.Main = smoothed(&e.main, r.Main, dt)
	o.Branch = smoothed(&e.branch, r.Branch, dt)
	o.Stock = smoothed(&e.stock, r.Stock, dt)
	o.FilterDiff = minus(o.Supply, o.FilterOut)
	o.InjectorDiff = minus(o.InjectorIn, o.InjectorOut)
}

// flowing decides whether water moves and adds up what has passed. Across a
// drop-out the last flow is held for ten seconds; after that nothing is counted.
func (e *Estimator) flowing(dt time.Duration, r *box.Readings) {
	o := &e.out
	design := e.cfg.Zone.ExpectedFlow(e.cfg.Target)
	switch {
	case !r.Main.Usable():
		o.Flowing = Unknown
		e.prevKnown = false
	case e.flowOn.stood(e.now, r.Main.Value > design.Scale(0.05), 2*time.Second):
		o.Flowing = Yes
	case e.flowOff.stood(e.now, r.Main.Value < design.Scale(0.025), 3*time.Second) || o.Flowing == Unknown:
		o.Flowing = No
	}
	if r.Main.Usable() && r.Main.Age <= heldFor {
		q := float64(r.Main.Value)
		if e.prevKnown {
			o.Volume += units.LPerH((q + e.prevMain) / 2).Over(dt)
		}
		e.prevMain, e.prevKnown = q, true
	}
	o.Expected, o.FlowRatio = Value[units.LPerH]{}, Value[units.Ratio]{}
	if o.Header.Known {
		o.Expected = known(e.cfg.Zone.ExpectedFlow(max(o.Header.V, 0)), 0)
	}
	if o.Flowing == Yes && o.Main.Known && o.Expected.Known && o.Expected.V > design.Scale(0.1) {
		o.FlowRatio = known(o.Main.V.Of(o.Expected.V), 0)
	}
}

// filling tells when the lines are full and at pressure. While air leaves, the
// block takes far more water than its emitters pass at the pressure seen; when
// the two agree, the lines are full. Volume passed against volume held guards
// against a start with a closed row.
func (e *Estimator) filling() {
	o := &e.out
	o.FilledPct = Value[units.Ratio]{}
	if line := e.cfg.Zone.LineVolume(); line > 0 {
		o.FilledPct = known(min(units.Ratio(float64(o.Volume)/float64(line)), 1), 0)
	}
	if o.Filled == Yes {
		o.FilledPct = known(units.Ratio(1), 0)
	}
	if o.Flowing != Yes || !o.Header.Known || !o.FlowRatio.Known {
		e.fullH.on, e.freshFullH.on, e.atP.on, e.steadyH.on = false, false, false, false
		return
	}
	if e.sec-e.headerWin.newest() >= 0.99 {
		e.headerWin.add(e.sec, float64(o.Header.V))
	}
	explained := o.FlowRatio.V < 1.2
	usual := e.fullH.stood(e.now, explained && o.Header.V > e.cfg.Target*3/10 && o.FilledPct.V >= 0.5, 4*time.Second)
	already := e.freshFullH.stood(e.now, explained && o.Header.V > e.cfg.Target*8/10, 20*time.Second)
	if usual || already {
		o.Filled = Yes
	}
	reached := e.atP.stood(e.now, o.Header.V >= e.cfg.Target*945/1000, 5*time.Second)
	settled := false
	if mean, _, slope, ok := e.headerWin.line(e.sec, 20); ok {
		still := mean >= float64(e.cfg.Low) && slope < mean*0.0005 && slope > -mean*0.0005
		settled = e.steadyH.stood(e.now, still, 30*time.Second)
	}
	if o.Filled == Yes && (reached || settled) {
		o.Pressurised = Yes
	}
}

// filter learns the clean filter's difference per flow squared just after the
// lines came to pressure, and watches what comes on top of it (screens follow
// ΔP ∝ Q², common practice, no source).
func (e *Estimator) filter() {
	o := &e.out
	o.FilterExcess = Value[units.KPa]{}
	if o.Flowing != Yes || o.Pressurised != Yes || !o.FilterDiff.Known || !o.Main.Known || o.Main.V <= 0 {
		return
	}
	q2 := float64(o.Main.V) * float64(o.Main.V)
	if !e.filterKnown {
		if e.sec-e.filterWin.newest() >= 0.99 {
			e.filterWin.add(e.sec, float64(o.FilterDiff.V)/q2)
		}
		if k, _, n := e.filterWin.robust(e.sec); n >= 40 {
			e.filterClean, e.filterKnown = k, true
		}
		return
	}
	o.FilterExcess = known(o.FilterDiff.V-units.KPa(e.filterClean*q2), 0)
}

// FilterClean is the learnt clean difference at the present flow.
func (e *Estimator) FilterClean() Value[units.KPa] {
	o := &e.out
	if !e.filterKnown || !o.Main.Known {
		return Value[units.KPa]{}
	}
	return known(units.KPa(e.filterClean*float64(o.Main.V)*float64(o.Main.V)), 0)
}

// cooling is the trend of the air in the box over the last half hour.
func (e *Estimator) cooling(r *box.Readings) {
	o := &e.out
	if r.BoxAir.Usable() && e.sec-e.airWin.newest() >= 10 {
		e.airWin.add(e.sec, float64(r.BoxAir.Value))
	}
	o.BoxAirFall = Value[units.Celsius]{}
	if _, _, slope, ok := e.airWin.line(e.sec, 1800); ok {
		o.BoxAirFall = known(units.Celsius(slope*3600), 0)
	}
}
