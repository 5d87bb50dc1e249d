package season

import (
	"fmt"
	"math"
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/hydraulics"
	"boxd/internal/safety"
)

// Season is a plan being lived through.
type Season struct {
	plan   Plan
	table  [numKinds]definition
	model  *hydraulics.Model
	cfg    engine.Config
	core   *engine.Engine
	plant  *plant
	person *person
	tally  Tally
	trace  func(t float64, e *engine.Event) // nil: nobody looks

	t     float64 // s since the season began
	mono  time.Duration
	wall  time.Time
	input []engine.Input // of the run under way, where a restart will need them
	keep  bool
	ids   int

	run     int
	active  []*Hazard
	stepNow string
	alarms  map[string]bool    // standing
	raised  map[string]float64 // when last
	holds   map[string]bool
	said    map[string]bool // deeds taken in this run

	saidInjector bool    // running, by the person's word
	saidDone     bool    // flush, by the core
	told         bool    // that it was early
	gaveUp       bool    // the person has had enough
	why          string  // nothing was done, when the person gave up
	patience     float64 // s a run may take before that
	filterShown  int     // runs that could teach the core the clean filter
	owed         bool    // the last run's flush was not called done
	drewInRun    bool
	lastStock    float64 // s, when stock was last drawn, by the truth
	pressure     float64 // s for which the header has had pressure
	rise, risen  float64 // µS/cm: what is mixed in, smoothed; its peak
	unclean      float64 // s, when the worst row's end was last out of tolerance
	doneAt       float64
	quiet        [box.NumChannels]float64 // s for which a channel has sent nothing
}

// start is when a season begins, for labels.
func start() time.Time { return time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC) }

// Play lives through a plan.
func Play(p Plan) Tally { return Trace(p, nil) }

// Trace plays and shows every event of the core to look.
func Trace(p Plan, look func(t float64, e *engine.Event)) Tally {
	s := &Season{trace: look, plan: p.clone(), table: definitions(), wall: start(), alarms: map[string]bool{}, raised: map[string]float64{}, holds: map[string]bool{}, said: map[string]bool{}}
	r := stream(p.Seed, forConfig, 0)
	s.model = drawModel(stream(p.Seed, forZone, 0))
	s.plant = newPlant(s.model, stream(p.Seed, forPlant, 0))
	s.plant.clock = 6 * 3600
	s.plant.inst.noProbe = r.IntN(3) == 0
	s.person = &person{r: stream(p.Seed, forPerson, 0)}
	s.cfg = s.config(time.Duration(3+r.IntN(4)) * time.Minute)
	s.core = engine.New(s.cfg)
	for i := range s.plan.Runs {
		s.run = i
		s.night(&s.plan.Runs[i])
		s.visit(&s.plan.Runs[i])
	}
	return s.tally
}

// config is what the owner says of the box.
func (s *Season) config(injection time.Duration) engine.Config {
	limits := safety.DefaultLimits()
	// A limit that the right stock stays well under.
	limits.ECLimit = 600 + 1.5*uS(s.plant.strength*0.02*0.5)
	return engine.Config{
		Box: "box", Zone: s.model, Limits: limits,
		Backflow: safety.Backflow{Declared: true, Device: "reduced-pressure-zone", Place: "pump house", Tester: "licence 0000",
			LastTest: start().AddDate(0, -1, 0), NextDue: start().AddDate(0, 11, 0)},
		Injector: engine.Injector{Ratio: 0.02, StartsAt: 34},
		Probe:    engine.Probe{Present: !s.plant.inst.noProbe, Lag: 25 * time.Second},
		Plan:     engine.Plan{Injection: injection},
		Meter:    engine.Meter{FlowError: 0.015, GeometryError: 0.005},
	}
}

// restTurn is how far turns are apart between runs, s: the longest that the core
// takes for watching.
const restTurn = 60.0

// night lets the days before a run pass; the last evening may bring frost.
func (s *Season) night(n *Run) {
	s.person.here = false
	r := stream(s.plan.Seed, forPlant, uint64(s.run)+1)
	s.plant.r, s.plant.inst.r = r, r
	s.plant.weather.mean = 15 + 5*r.Float64()
	until := s.t + float64(n.Days)*86400 + 3600*(2*r.Float64()-1)
	until -= math.Mod(until-3600, 86400) - 3600*2*r.Float64() // 7 to 9 in the morning
	s.plant.rest(0.05+0.85*r.Float64(), 0.02*r.Float64())
	evening := until - 14*3600
	for s.t < until {
		if s.t >= evening {
			s.wake(n, beforeRun)
		}
		s.turn(restTurn)
	}
}

// longest a run may take before the person gives up, s.
const longest = 3 * 3600.0

// visit is one run, from the person's coming to the box being ready again.
func (s *Season) visit(n *Run) {
	s.keep = n.has(CoreRestarts)
	s.input = s.input[:0]
	s.drewInRun, s.saidDone, s.told, s.gaveUp = false, false, false, false
	s.patience = longest
	s.doneAt, s.unclean, s.rise, s.risen = 0, 0, 0, 0
	s.person.comes(s.t)
	s.wake(n, atStart)
	s.tally.Runs++
	if len(n.Hazards) == 0 {
		s.tally.Clean++
	}
	began := s.t
	left := false
	for s.t-began < s.patience+1800 {
		if left = left || s.stepNow != "ready"; left && s.stepNow == "ready" {
			break
		}
		if s.t-began > s.patience {
			s.giveUp()
		}
		s.turn(1)
	}
	if s.stepNow != "ready" {
		s.fail("stuck", "the run could not be ended: still at %s", s.stepNow)
	}
	s.after()
}

// giveUp is a person who has had enough: closes and says so, once a minute.
func (s *Season) giveUp() {
	if math.Mod(s.t, 60) >= 1 {
		return
	}
	if v := s.core.View(); !s.gaveUp {
		s.why = fmt.Sprintf("step %s; end reads %v, drifted %.0f, truth %.0f over %.0f; probe %s; %s", v.Step, end(v), s.plant.inst.drifted, s.plant.now.far-s.plant.now.base, s.plant.now.base, v.Progress.EndWitness, v.Progress.VolumeWitness)
		if v.Advice != nil {
			s.why += "; " + v.Advice.Text
		}
	}
	s.gaveUp = true
	s.person.away = s.t + 120
	s.plant.do(box.MainClosed)
	s.say(box.Action{Kind: box.Report, Deed: box.MainClosed, By: "Kim"}, box.Action{Kind: box.Report, Deed: box.RunEnd, By: "Kim"})
}

// after puts the box right: hazards are over, what broke is mended.
func (s *Season) after() {
	for range 120 {
		s.turn(1)
	}
	s.judgeRun()
	s.saidDone = false // it was said of this run; what a torn row keeps is the next one's
	s.plant.do(box.MainClosed)
	s.plant.do(box.InjectorOff)
	s.plant.do(box.LoopOpened)
	for _, h := range s.active {
		s.liftOne(h)
	}
	for range 60 { // what the mending itself shows, such as a clock set right
		s.turn(1)
	}
	for _, h := range s.active {
		s.account(h)
	}
	s.active = nil
	s.plant.mend()
	s.person.lies, s.person.closes, s.person.away, s.person.lateDue = false, false, 0, 0
	s.saidInjector = false
}

func (n *Run) has(k Kind) bool {
	for i := range n.Hazards {
		if n.Hazards[i].Kind == k {
			return true
		}
	}
	return false
}

// wake begins counting for the hazards that wait for m.
func (s *Season) wake(n *Run, m moment) {
	for i := range n.Hazards {
		if h := &n.Hazards[i]; s.table[h.Kind].when == m && h.at == 0 {
			h.at = s.t + h.Delay
			s.active = append(s.active, h)
		}
	}
}

// turn lets dt seconds pass: truth, hazards, person, core, checkers.
func (s *Season) turn(dt float64) {
	s.t += dt
	s.mono += time.Duration(dt * float64(time.Second))
	s.wall = s.wall.Add(time.Duration(dt * float64(time.Second)))
	s.plant.step(dt)
	s.hazards()
	s.say(s.person.turn(s, s.t)...)
	s.look(dt)
}

// say gives the core this turn's samples and words.
func (s *Season) say(words ...box.Action) {
	in := engine.Input{Mono: s.mono, Wall: s.wall, Samples: s.plant.inst.samples(s.plant, nil), Actions: words}
	for i := range in.Actions {
		s.ids++
		in.Actions[i].ID = fmt.Sprintf("word-%d", s.ids)
	}
	s.hush(in.Samples)
	out := s.core.Step(in)
	if s.keep {
		s.record(in, out.Events)
	}
	for i := range out.Events {
		e := &out.Events[i]
		if s.trace != nil {
			s.trace(s.t, e)
		}
		s.person.hear(e, s.t)
		s.hear(e)
	}
	s.answered(words, out.Events)
}

// record keeps an input as a run's log does: accepted words as reports.
func (s *Season) record(in engine.Input, events []engine.Event) {
	kept := in
	kept.Actions = nil
	for _, e := range events {
		if d, ok := box.DeedByWord(e.Deed); ok && e.Kind == engine.ActionEvent && d != box.UnknownDeed {
			kept.Actions = append(kept.Actions, box.Action{Kind: box.Report, Deed: d, By: e.By})
		}
	}
	for _, a := range in.Actions {
		if a.Kind == box.Acknowledge || a.Kind == box.Reset {
			kept.Actions = append(kept.Actions, a)
		}
	}
	s.input = append(s.input, kept)
}

// restart is a new core that is fed the run's log, as the daemon does, after
// some seconds in which nobody looked.
func (s *Season) restart(dark float64) {
	core := engine.New(s.cfg)
	for _, in := range s.input {
		core.Step(in)
	}
	a, b := s.core.View(), core.View()
	if a.Step != b.Step || (a.Run == "") != (b.Run == "") {
		s.fail("restart", "at step %s (run %q) before, at %s (run %q) after", a.Step, a.Run, b.Step, b.Run)
	}
	s.core = core
	s.person.number = 0
	if b.Advice != nil {
		s.person.number = b.Advice.Number
		s.person.deed, _ = box.DeedByWord(b.Advice.Deed)
		s.person.due = s.t + dark + s.person.reaction()
	}
	s.alarms = map[string]bool{}
	for _, al := range b.Alarms {
		s.alarms[al.ID] = true
	}
	for range int(dark) { // the water runs on
		s.t++
		s.mono += time.Second
		s.wall = s.wall.Add(time.Second)
		s.plant.step(1)
		s.look(1)
	}
}

// jump sets the clock on by hours.
func (s *Season) jump(hours float64) { s.wall = s.wall.Add(time.Duration(hours * float64(time.Hour))) }

// end is what the line-end probe shows.
func end(v engine.View) string {
	for _, c := range v.Channels {
		if c.Column == box.EndEC.Info().Column && c.Value != nil {
			return fmt.Sprintf("%.0f", *c.Value)
		}
	}
	return "nothing"
}
