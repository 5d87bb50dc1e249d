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

// Config is what is known beforehand.
type Config struct {
	Zone          *hydraulics.Model
	Target        units.KPa     // header pressure aimed at
	Low           units.KPa     // lower end of the header's window
	ProbeLag      time.Duration // of the end-of-line probe
	FlowError     units.Ratio   // of the main meter, as a bound
	GeometryError units.Ratio   // of the zone's volumes, as a bound
	FilterWarn    units.KPa     // over the clean difference: the filter loads up
	FilterClean   units.KPa     // over it: the filter needs cleaning
	Accuracy      Accuracy      // of the other instruments; the zero one is DefaultAccuracy
	Cooling       Cooling
	Loop          LoopLimits
}

// Estimates are the judged state of the water. Of the values that nothing is
// judged by the Sigma of, it is left out of a turn: see Weighed.
type Estimates struct {
	Supply, FilterOut, InjectorIn, InjectorOut, Header Value[units.KPa]
	Main, Branch, Stock                                Value[units.LPerH]
	FilterDiff, InjectorDiff                           Value[units.KPa]
	FilterExcess                                       Value[units.KPa] // over the clean difference at this flow
	FilterLoad                                         Value[units.KPa] // the same, or over past runs' where that is more
	FilterDoubt                                        units.KPa        // what the gauges alone may make of the difference since it was learnt, either way
	Expected                                           Value[units.LPerH]
	FlowTrend                                          Value[units.Ratio] // change of FlowRatio a minute
	FlowRatio                                          Value[units.Ratio] // measured ÷ expected, lines full only

	Flowing, Filled, Pressurised, Drawing Tri
	Standing                              Standings
	Water                                 Water
	SupplyState                           SupplyState
	Filter                                FilterState
	Cycling                               Value[units.PerMin] // the injector's strokes, where they can be seen

	Volume    units.Litre // through the box since the run began
	FilledPct Value[units.Ratio]

	BoxEC, EndEC       Value[units.USPerCm]
	Baseline, EndBase  Value[units.USPerCm]
	Rise               Value[units.USPerCm]
	Band               Value[units.USPerCm] // |EC − baseline| within this is clean
	FieldRatio         Value[units.Ratio]
	BranchRatio        Value[units.Ratio]
	InjectedFor        time.Duration // time stock was drawn
	Drawn              units.Litre
	StockMeasured      bool // Drawn counts
	DrawStart, DrawEnd time.Duration
	EverDrawn          bool
	Unwatched          time.Duration // of the run, in which fertilizer may have gone in unseen

	CleanAtBox bool
	CleanAtEnd Tri // at the last emitter of the farthest lateral
	Flush      Flush
	Delivery   Delivery
	Carried    Carried // by this run
	Remaining  Carried // with the water still: what the next run would find
	Loop       Loop

	BoxAirFall Value[units.Celsius] // per hour, falling is negative
	Freeze     Freeze
}

// Standings are what the judgements of the same name stand on.
type Standings struct {
	Flowing, Filled, Pressurised, Drawing, CleanAtBox, CleanAtEnd Standing
}

// Estimator keeps the memory behind the estimates.
type Estimator struct {
	cfg Config
	out Estimates

	design, least units.LPerH // that the zone takes at the target, and at the low end of its window

	now  time.Duration
	sec  float64
	warm bool
	was  judgements // of the turn before

	header, supply, filterOut, injIn, injOut, main, branch, stock, boxEC, endEC gauge
	prevMain                                                                    float64
	prevKnown                                                                   bool

	flowOn, flowOff        holder
	fullH, freshFullH, atP holder
	restH                  holder
	steadyH                holder
	headerWin              window
	baseWin                ranked
	endBaseWin             leaning
	endNoise               float64 // of endBaseWin's values
	ratioWin               window
	tornH                  holder
	airWin                 window
	filterWin              ranked
	filterClean            float64   // kPa per (L/h)²
	filterSupply           units.KPa // when filterClean was learnt
	filterCleanSD          float64
	filterAt               float64 // (L/h)² at which it was learnt
	filterKnown            bool

	supplyWin   ranked
	ups         ups
	supplyFlow  Tri
	supplySince time.Duration
	goneH, sagH holder

	draw   draws
	cycles cycling
	seenAt time.Duration // when it was last seen whether stock goes in
	flush  flush
	cool   cooling

	evidence evidence

	run     string // the run under way or ended last
	carry   carry
	lessons Lessons
	usual   [NumLessons]Usual // what they come to
	shown   [NumLessons]Value[float64]
	turn    turning
	judge   judgeHold
}

// heldFor is how long the last flow stands in for the present one across a
// drop-out. Common practice, no source.
const heldFor = 10 * time.Second

// unseen is the longest gap between turns that is still counted across.
const unseen = time.Minute

// New makes an estimator for one zone.
func New(cfg Config) *Estimator {
	if cfg.Accuracy == (Accuracy{}) {
		cfg.Accuracy = DefaultAccuracy()
	}
	if cfg.FlowError > 0 {
		cfg.Accuracy.Main = cfg.FlowError
	}
	e := &Estimator{cfg: cfg, design: cfg.Zone.ExpectedFlow(cfg.Target), least: cfg.Zone.ExpectedFlow(cfg.Low)}
	for b := range NumBodies {
		e.cool.volumes[b] = cfg.Cooling.volume(b)
	}
	acc := cfg.Accuracy
	for _, g := range []*gauge{&e.header, &e.supply, &e.filterOut, &e.injIn, &e.injOut} {
		g.tau, g.offset = 2*time.Second, float64(acc.Pressure)
	}
	e.main.tau, e.main.gain = 2*time.Second, float64(acc.Main)
	e.branch.tau, e.branch.gain = 5*time.Second, float64(acc.Branch)
	e.stock.tau, e.stock.gain = 10*time.Second, float64(acc.Stock)
	e.boxEC.gain, e.endEC.gain = float64(acc.EC), float64(acc.EC)
	e.BeginRun("")
	return e
}

// BeginRun forgets what belongs to one run: volumes, slug, baselines. What
// stands in the lines it carries on.
func (e *Estimator) BeginRun(run string) {
	o := &e.out
	left, some := e.Contents()
	e.run = run
	o.Volume, o.Drawn = 0, 0
	o.Filled, o.Pressurised, o.CleanAtBox = No, No, false
	o.Baseline, o.EndBase, o.Rise, o.Band = Value[units.USPerCm]{}, Value[units.USPerCm]{}, Value[units.USPerCm]{}, Value[units.USPerCm]{}
	o.InjectedFor, o.EverDrawn, o.StockMeasured = 0, false, false
	o.DrawStart, o.DrawEnd, o.Unwatched = 0, 0, 0
	e.seenAt = e.now
	e.atP.on, e.steadyH.on = false, false
	e.baseWin.reset()
	e.endBaseWin.reset()
	e.filterWin.reset()
	e.filterKnown = false
	e.draw, e.evidence = draws{}, evidence{}
	e.flush.begin(&e.cfg)
	o.Flush, o.Delivery, o.Carried, o.Remaining = Flush{}, Delivery{}, Carried{}, Carried{}
	e.carry, e.shown = carry{}, [NumLessons]Value[float64]{}
	if some {
		e.carryIn(left)
	}
	e.turn.begin()
	e.judge, o.Loop = judgeHold{}, Loop{}
}

// Step takes this turn's readings. The result belongs to the estimator until
// the next call.
func (e *Estimator) Step(now time.Duration, r *box.Readings) *Estimates {
	dt := now - e.now
	if !e.warm {
		dt, e.warm = 0, true
	}
	gap := time.Duration(0)
	if dt > unseen {
		// Nobody saw what the water did meanwhile: nothing is counted for it.
		gap, dt, e.prevKnown = dt, 0, false
		e.forget()
	}
	e.now, e.sec = now, now.Seconds()
	e.was.of(&e.out)
	e.smooth(dt, r)
	e.flowing(dt, r)
	e.filling()
	e.conductivity(r)
	e.watched(gap, r)
	e.drawing(dt, r)
	e.strokes(r)
	e.filter()
	e.load()
	e.screen()
	e.supplying()
	e.water()
	e.looping(dt, r)
	e.flushing(dt, r)
	e.learning()
	e.cooling(r)
	e.stand(r)
	e.atRest()
	return &e.out
}

func (e *Estimator) smooth(dt time.Duration, r *box.Readings) {
	o := &e.out
	read(&o.Supply, &e.supply, &r.Supply, dt)
	read(&o.FilterOut, &e.filterOut, &r.FilterOut, dt)
	read(&o.InjectorIn, &e.injIn, &r.InjectorIn, dt)
	read(&o.InjectorOut, &e.injOut, &r.InjectorOut, dt)
	read(&o.Header, &e.header, &r.Header, dt)
	read(&o.Main, &e.main, &r.Main, dt)
	read(&o.Branch, &e.branch, &r.Branch, dt)
	e.readStock(dt, r)
	o.FilterDiff.less(&o.Supply, &o.FilterOut)
	o.InjectorDiff.less(&o.InjectorIn, &o.InjectorOut)
}

// flowing decides whether water moves and adds up what has passed. Across a
// drop-out the last flow is held for ten seconds; after that nothing is counted.
func (e *Estimator) flowing(dt time.Duration, r *box.Readings) {
	o := &e.out
	switch {
	case !r.Main.Usable():
		o.Flowing = Unknown
		e.prevKnown = false
	case e.flowOn.stood(e.now, r.Main.Value > e.design.Scale(0.05), 2*time.Second):
		o.Flowing = Yes
	case e.flowOff.stood(e.now, r.Main.Value < e.design.Scale(0.025), 3*time.Second) || o.Flowing == Unknown:
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
		o.Expected.set(e.expected(o.Header.V), o.Header.Basis)
	}
	if o.Flowing == Yes && o.Expected.Known && o.Expected.V > e.design.Scale(0.1) {
		quotient(&o.FlowRatio, &o.Main, &o.Expected)
	}
}
