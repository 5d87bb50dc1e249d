// Package engine is the core of boxd: raw samples and persons' words in, events
// and a view out. It composes the pure packages and adds nothing of its own. It
// has no clock, I/O, lock, log or randomness: the same inputs give the same
// events, live, simulated or replayed. It advises; nothing in it can move a
// valve.
package engine

import (
	"fmt"
	"time"

	"boxd/internal/box"
	"boxd/internal/estimate"
	"boxd/internal/safety"
	"boxd/internal/say"
	"boxd/internal/sensors"
	"boxd/internal/sequencer"
	"boxd/internal/units"
)

// Engine is the core's state. One goroutine owns it.
type Engine struct {
	cfg    Config
	cond   *sensors.Conditioner
	est    *estimate.Estimator
	guard  *safety.Guard
	seq    *sequencer.Sequencer
	now    time.Duration
	wall   time.Time
	clock  lastClock
	turns  uint64
	events []Event
	stepAt say.Text
	marks  []MilestoneRecord
	runAt  time.Duration
	run    string
	found  int // findings of the flush told so far
	r      *box.Readings
	e      *estimate.Estimates
	a      *safety.Assessment
	view   viewCache
	voice  say.Voice // the box's own
	memory Memory
	left   *Memory // of this turn
	moved  bool    // water moved between runs
	heard  heard

	watched watching    // since the run before
	flushed flushCounts // in this run
}

// New makes a core.
func New(cfg Config) *Engine {
	cfg.Limits.Ratio = cfg.Injector.PerMetered()
	cfg.Limits.InjectorStart = cfg.Injector.StartsAt
	g := &Engine{
		cfg:   cfg,
		voice: say.Voice{Units: cfg.Units},
		cond:  sensors.New(conditioning(&cfg)),
		est: estimate.New(estimate.Config{
			Zone: cfg.Zone, Target: cfg.Limits.HeaderTarget, Low: cfg.Limits.HeaderLow,
			Loop:     estimate.LoopLimits{StartsAt: cfg.Injector.StartsAt, Rated: cfg.Injector.RatedFlow, Needed: cfg.Plan.Branch, High: cfg.Limits.HeaderHigh},
			ProbeLag: cfg.Probe.Lag, Cooling: cfg.Cooling, FlowError: cfg.Meter.FlowError, GeometryError: cfg.Meter.GeometryError,
			FilterWarn: cfg.Limits.FilterWarn, FilterClean: cfg.Limits.FilterClean,
		}),
		guard: safety.New(cfg.Limits, cfg.Backflow),
		seq: sequencer.New(sequencer.Config{
			Observe: cfg.Observe, Injection: cfg.Plan.Injection, Stock: cfg.Plan.Stock,
			Header: cfg.Limits.HeaderTarget, InjectorStart: cfg.Injector.StartsAt, SupplyLow: cfg.Limits.SupplyLow, AdviceAfter: cfg.AdviceAfter,
		}),
	}
	g.recall(cfg.Past)
	return g
}

// conditioning is what the conditioner is told.
func conditioning(cfg *Config) sensors.Config {
	c := sensors.Config{
		Silent: cfg.Limits.Silent, SilentTemperature: cfg.Limits.SilentTemperature, Ranges: sensors.DefaultRanges(),
		EndVolume: cfg.Zone.FlushVolume(), GaugeError: cfg.Limits.BackflowMargin,
	}
	if q := cfg.Meter.MaxFlow; q > 0 {
		c.Ranges[box.MainFlow].High = q.LPerMin()
	}
	return c
}

// Step takes one turn's input. The output belongs to the engine until the next
// call. Mono must not fall.
func (g *Engine) Step(in Input) Output {
	if in.Mono < g.now {
		panic("engine: monotonic time fell")
	}
	first := g.turns == 0
	g.now, g.wall, g.turns = in.Mono, in.Wall, g.turns+1
	g.events, g.left = g.events[:0], nil
	if first {
		g.stepEvent(say.T("the box is on"))
	}
	g.r = g.cond.Readings(in.Mono, in.Samples)
	g.e = g.est.Step(in.Mono, g.r)
	g.seq.Begin()
	for i := range in.Actions {
		g.act(&in.Actions[i])
	}
	g.surroundings(&in)
	g.a = g.guard.Step(in.Mono, in.Wall, g.r, g.e, g.seq.Scene())
	g.tellAlarms()
	g.watch()
	g.findings()
	g.tell(g.seq.Turn(in.Mono, g.e, g.a.Holds))
	g.departed()
	g.between()
	return Output{Events: g.events, Memory: g.left}
}

// Finish closes a run that the input ended in, as a replay does at the end of
// its trace.
func (g *Engine) Finish() Output {
	g.events = g.events[:0]
	if g.seq.Running() {
		g.summarise()
	}
	return Output{Events: g.events}
}

func (g *Engine) emit(e Event) {
	e.T, e.Wall = seconds(g.now), g.wall
	g.put(&e.Text, e.Said.Text)
	g.put(&e.Reason, e.Said.Reason)
	if e.Said.Why != nil {
		e.Why = g.voice.Each(e.Said.Why)
	}
	g.events = append(g.events, e)
}

// put says a sentence, where there is one, in the box's own voice.
func (g *Engine) put(to *string, t say.Text) {
	if !t.Empty() {
		*to = g.voice.Say(t)
	}
}

func (g *Engine) stepEvent(why say.Text) {
	g.stepAt = why
	g.emit(Event{Kind: StepEvent, Step: g.seq.Step().String(), Said: Said{Why: []say.Text{why}}})
}

// seconds rounds to the millisecond, so that 0.1 s steps print as such.
func seconds(d time.Duration) float64 {
	return float64(d.Round(time.Millisecond)/time.Millisecond) / 1000
}

func (g *Engine) act(a *box.Action) {
	var err error
	deed := a.Deed
	switch a.Kind {
	case box.Confirm:
		deed, err = g.seq.Confirm(g.now, a.Advice, a.By)
	case box.Report:
		err = g.seq.Report(g.now, a.Deed, a.By)
	case box.Acknowledge:
		err = g.acknowledge(a)
	case box.Reset:
		err = g.reset(a)
	case box.Shelve:
		err = g.shelve(a)
	case box.TakeOut:
		err = g.takeOut(a)
	case box.Unshelve, box.PutBack:
		err = g.takeBack(a)
	case box.Override:
		err = g.override(a)
	case box.Post:
		err = g.forecast(a)
	case box.UnknownAction:
		err = say.Refuse("unknown kind of action")
	}
	if err == nil && deed == box.FilterCleaned {
		g.est.FilterCleaned()
	}
	e := Event{Kind: ActionEvent, Name: a.Kind.String(), Action: a.ID, By: a.By, ID: a.Alarm, Number: a.Advice, Text: a.Note}
	if deed != box.UnknownDeed {
		e.Deed = deed.String()
	}
	if err != nil {
		e.Kind, e.Said.Reason = RefusalEvent, say.Of(err)
	}
	g.emit(e)
}

// override lifts a hold for this run.
func (g *Engine) override(a *box.Action) error {
	o, err := g.guard.Override(g.now, a.Alarm, a.By, a.Note, g.seq.Running())
	if err == nil {
		g.emit(Event{Kind: OverrideEvent, On: o.Hold.On, ID: o.Hold.ID, By: o.By, Reason: o.Why, Said: Said{Text: o.Hold.Reason}})
	}
	return err
}

// A forecast reaches no further ahead than this, nor beyond these temperatures.
const (
	forecastAhead = 48 * time.Hour
	coldest       = units.Celsius(-45)
	warmest       = units.Celsius(45)
)

// forecast takes a night's low that the station posts. Its hour is turned into
// core time at once, so that a clock set later does not move it.
func (g *Engine) forecast(a *box.Action) error {
	f := a.Forecast
	ahead := f.At.Sub(g.wall)
	switch {
	case a.By == "":
		return say.Refuse("a forecast is posted by a named person or station: say who")
	case !(f.Low >= coldest && f.Low <= warmest):
		return say.Refuse("a forecast low of %v is not believable: it must be %v to %v", f.Low, coldest, warmest)
	case g.wall.IsZero():
		return say.Refuse("the box has no clock to place a forecast's hour by: set it first")
	case f.At.IsZero() || ahead <= 0 || ahead > forecastAhead:
		return say.Refuse("the forecast's hour must lie in the next 48 h; the box's clock says %v", g.wall.Format(time.RFC3339))
	}
	g.est.SetForecast(f.Low, g.now+ahead)
	g.emit(Event{Kind: ForecastEvent, By: a.By, Forecast: &ForecastRecord{LowC: round(float64(f.Low), 2), At: f.At}})
	return nil
}

// tell writes down what the sequencer found.
func (g *Engine) tell(o *sequencer.Out) {
	if o.RunStarted {
		g.beginRun()
	}
	if o.RunEnded {
		g.summarise()
	}
	for _, m := range o.Milestones {
		g.marks = append(g.marks, MilestoneRecord{m.String(), seconds(g.now)})
		g.emit(Event{Kind: MilestoneEvent, Name: m.String()})
		if m == sequencer.FlushDone {
			g.countFlush()
		}
	}
	for _, n := range o.Notes {
		g.emit(Event{Kind: NoteEvent, Said: Said{Text: n}})
	}
	if o.StepChanged {
		g.stepEvent(o.StepWhy)
	}
	for _, h := range o.Held {
		g.emit(Event{Kind: HoldEvent, On: h.On, ID: h.ID, Said: Said{Reason: h.Reason, Text: h.WayOut}})
	}
	for _, h := range o.Released {
		g.emit(Event{Kind: ReleaseEvent, On: h.On, ID: h.ID, Said: Said{Reason: h.Reason}})
	}
	if o.NewAdvice {
		a := g.seq.Advice()
		e := Event{Kind: AdviceEvent, Number: a.Number, Said: Said{Text: a.Text, Why: append([]say.Text{}, a.Why...)}}
		if a.Deed != box.UnknownDeed {
			e.Deed = a.Deed.String()
		}
		g.emit(e)
	}
}

func (g *Engine) beginRun() {
	g.run = g.runID()
	g.est.BeginRun(g.run)
	g.marks, g.view, g.found, g.flushed = g.marks[:0], viewCache{}, 0, flushCounts{}
	g.runAt = g.now
	g.emit(Event{Kind: RunEvent, State: "started", Name: g.run})
	g.carriedNotes()
	g.remember()
	g.e.Remaining = estimate.Carried{} // it is Carried now
}

// runID names a run by its start: the wall time where there is one.
func (g *Engine) runID() string {
	if g.wall.IsZero() || g.cfg.Replay {
		return fmt.Sprintf("run-%d", int64(g.now.Seconds()))
	}
	return g.wall.UTC().Format("20060102T150405Z") + g.cfg.RunSuffix
}

// summarise closes the run's account.
func (g *Engine) summarise() {
	e := g.e
	s := &Summary{
		VolumeL:    round(float64(e.Volume), 2),
		Flush:      g.flushWord(),
		Observed:   g.seq.Observing(),
		Milestones: append([]MilestoneRecord(nil), g.marks...),
		Notes:      g.voice.Each(append(g.departures(), e.Flush.Notes...)),
	}
	s.Witnesses, s.UnseenS = witnesses(&e.Flush), round(e.Unwatched.Seconds(), 0)
	if e.Flush.Done {
		s.FlushWitness = g.voice.Say(e.Flush.By)
	}
	g.sumDose(s)
	s.Overrides = g.overrides()
	s.BaselineUSCm, s.RiseUSCm = opt(e.Baseline, 1), opt(e.Rise, 1)
	s.Carried, s.Learned, s.Figures = g.contentsNow(), g.learned(), g.figures()
	g.rewatch()
	g.memory.Lessons = g.est.Learn(g.trouble)
	g.remember()
	s.Left = g.contents(&e.Remaining, e.Remaining.Litres)
	g.emit(Event{Kind: SummaryEvent, Name: g.run, Sum: s})
	g.emit(Event{Kind: RunEvent, State: "ended", Name: g.run})
	g.est.Know(g.memory.Lessons)
	g.run = ""
}

// flushWord: nothing injected needs no flush, so it is done.
func (g *Engine) flushWord() string {
	e := g.e
	switch {
	case e.Flush.Done, !e.EverDrawn && e.Drawing != estimate.Unknown && e.Unwatched == 0 && !e.Carried.Pending():
		return "done"
	case !e.EverDrawn && e.Carried.Sure && e.Flush.Degraded.Empty() && e.Flush.Volume != estimate.Clean:
		return "incomplete"
	case !e.Delivery.Known || !e.Flush.Degraded.Empty() || e.Flush.Volume == estimate.Clean:
		return "unknown"
	}
	return "incomplete"
}

func ptr(f float64) *float64 { return &f }

func opt[T ~float64](v estimate.Value[T], digits int) *float64 {
	if !v.Known {
		return nil
	}
	return ptr(round(float64(v.V), digits))
}

func optLpm(v estimate.Value[units.LPerH]) *float64 {
	if !v.Known {
		return nil
	}
	return ptr(round(v.V.LPerMin(), 3))
}

func optPct(v estimate.Value[units.Ratio]) *float64 {
	if !v.Known {
		return nil
	}
	return ptr(round(v.V.Percent(), 3))
}

func round(x float64, digits int) float64 {
	p := 1.0
	for range digits {
		p *= 10
	}
	if x < 0 {
		return float64(int64(x*p-0.5)) / p
	}
	return float64(int64(x*p+0.5)) / p
}
