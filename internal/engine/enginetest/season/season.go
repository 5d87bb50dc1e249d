package season

import (
	"fmt"
	"math"
	"math/rand/v2"
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
	box    Box
	around around
	plant  *plant
	person *person
	tally  Tally
	trace  func(t float64, e *engine.Event) // nil: nobody looks

	t     float64 // s since the season began
	mono  time.Duration
	wall  time.Time
	began float64 // hour of the day
	dark  bool    // the box is without power
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
	flows        float64 // s for which water has run
	rise, risen  float64 // µS/cm: what is mixed in, smoothed; its peak
	unclean      float64 // s, when the worst row's end was last out of tolerance
	doneAt       float64
	later        []bool                   // rows that were reached later than the probe's, when done was said
	quiet        [box.NumChannels]float64 // s for which a channel has sent nothing
}

// start is when a season begins, for labels.
func start() time.Time { return time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC) }

// Play lives through a plan with the core alone.
func Play(p Plan) Tally { return PlayIn(new(bare), p, nil) }

// PlayIn lives through a plan with a box, and shows every event of its core to
// look, which may be nil.
func PlayIn(b Box, p Plan, look func(t float64, e *engine.Event)) Tally {
	s := &Season{trace: look, plan: p.clone(), table: definitions(), wall: start(), alarms: map[string]bool{}, raised: map[string]float64{}, holds: map[string]bool{}, said: map[string]bool{}}
	r := stream(p.Seed, forConfig, 0)
	s.model = drawModel(stream(p.Seed, forZone, 0), p.Slice)
	s.plant = newPlant(s.model, stream(p.Seed, forPlant, 0))
	s.begin(r)
	s.plant.inst.noProbe = r.IntN(3) == 0
	s.person = &person{r: stream(p.Seed, forPerson, 0)}
	s.cfg = s.config(time.Duration(3+r.IntN(4)) * time.Minute)
	s.box = b
	if _, err := b.Start(s.cfg, s.mono, s.wall); err != nil {
		s.fail("start", "%v", err)
		return s.tally
	}
	for i := range s.plan.Runs {
		s.run = i
		s.night(&s.plan.Runs[i])
		s.visit(&s.plan.Runs[i])
	}
	return s.tally
}

// begin sets the hour: a season begins at six; a slice so that a frost night comes
// before its run.
func (s *Season) begin(r *rand.Rand) {
	hour := 6.0
	if s.plan.Slice {
		hour += 10 * r.Float64()
		if len(s.plan.Runs) > 0 && s.plan.Runs[0].Hours == 0 {
			hour = 17
		}
	}
	s.began, s.plant.clock = hour, hour*3600
	s.wall = s.wall.Add(time.Duration((hour - 6) * float64(time.Hour)))
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
	r := stream(s.plan.Seed, forPlant, uint64(n.Number))
	s.plant.r, s.plant.inst.r = r, r
	s.person.r = stream(s.plan.Seed, forPerson, uint64(n.Number))
	s.plant.weather.mean = 15 + 5*r.Float64()
	until := s.t + 3600*n.Hours
	if n.Hours == 0 { // 7 to 9 in the morning
		until = s.t + float64(max(n.Days, 1))*86400 + 3600*(2*r.Float64()-1)
		until -= math.Mod(until+3600*(s.began-7), 86400) - 3600*2*r.Float64()
	}
	s.plant.rest(0.05+0.85*r.Float64(), 0.02*r.Float64())
	evening := until - 14*3600
	for s.t < until {
		if s.t >= evening {
			s.wake(n, beforeRun)
		}
		s.turn(restTurn)
	}
}

// How long a run may take before the person gives up, s.
const (
	longest      = 3 * 3600.0
	longestSlice = 3600.0
)

// visit is one run, from the person's coming to the box being ready again.
func (s *Season) visit(n *Run) {
	s.drewInRun, s.saidDone, s.told, s.gaveUp = false, false, false, false
	if s.patience = longest; s.plan.Slice {
		s.patience = longestSlice
	}
	s.doneAt, s.unclean, s.flows = 0, 0, 0
	if !s.owed { // else what stands in the lines is to be flushed
		s.rise, s.risen = 0, 0
	}
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
	if v := s.box.View(); !s.gaveUp {
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
	in.Archive, in.Link = s.around.inputs()
	for i := range in.Actions {
		s.ids++
		in.Actions[i].ID = fmt.Sprintf("word-%d", s.ids)
	}
	s.hush(in.Samples)
	h := s.box.Turn(in)
	for i := range h.Events {
		e := &h.Events[i]
		if s.trace != nil {
			s.trace(s.t, e)
		}
		s.person.hear(e, s.t)
		s.hear(e)
	}
	s.answered(words, &h)
	if h.Unheard > 0 {
		s.person.again = s.t + 20
	}
}

// restart kills the box; after some seconds in which nobody looked it starts anew
// and takes the run up.
func (s *Season) restart(dark float64) {
	a := s.box.View()
	s.box.Kill()
	s.dark = true
	for range int(dark) { // the water runs on
		s.t++
		s.mono += time.Second
		s.wall = s.wall.Add(time.Second)
		s.plant.step(1)
		s.look(1)
	}
	s.dark = false
	lost, err := s.box.Start(s.cfg, s.mono, s.wall)
	if err != nil {
		s.fail("restart", "%v", err)
		return
	}
	b := s.box.View()
	switch {
	case lost: // the archive could not take what went before
		s.stepNow, s.saidDone = b.Step, false
	case a.Step != b.Step || (a.Run == "") != (b.Run == ""):
		s.fail("restart", "at step %s (run %q) before, at %s (run %q) after", a.Step, a.Run, b.Step, b.Run)
	}
	s.person.number = 0
	if b.Advice != nil {
		s.person.number = b.Advice.Number
		s.person.deed, _ = box.DeedByWord(b.Advice.Deed)
		s.person.due = s.t + s.person.reaction()
	}
	s.alarms = map[string]bool{}
	for _, al := range b.Alarms {
		s.alarms[al.ID] = true
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
