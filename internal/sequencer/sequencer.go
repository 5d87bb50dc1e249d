// Package sequencer walks one run through its steps: ready, pressurise, inject,
// flush, secure. It turns assessed readings and a person's words into the step
// and the next advice. It moves nothing: a person moves every valve, and a step
// completes only when the person has said so and the readings agree. In observe
// mode only readings count.
//
// Times are the core's monotonic time.
package sequencer

import (
	"strings"
	"time"

	"boxd/internal/box"
	"boxd/internal/estimate"
	"boxd/internal/safety"
	"boxd/internal/say"
	"boxd/internal/units"
)

// Step of a run.
type Step uint8

// The steps.
const (
	Unknown Step = iota
	Ready
	Pressurise
	Inject
	Flush
	Secure
)

var stepNames = [...]string{"unknown", "ready", "pressurise", "inject", "flush", "secure"}

func (s Step) String() string { return stepNames[s] }

// Say is the step in words, for a person.
func (s Step) Say() say.Text { return say.T(stepNames[s]) }

// Milestone of a run, seen in the readings.
type Milestone uint8

// The milestones, in the order of a clean run.
const (
	NoMilestone Milestone = iota
	LinesFull
	Pressurised
	InjectionStarted
	InjectionEnded
	CleanAtBox
	FlushDone
	Secured
	numMilestones
)

var milestoneNames = [...]string{"", "lines_full", "pressurised", "injection_started", "injection_ended", "clean_at_box", "flush_done", "secured"}

func (m Milestone) String() string { return milestoneNames[m] }

// Advice is the one next thing for the person.
type Advice struct {
	Number uint64   // goes up with every new advice; a confirmation carries it
	Deed   box.Deed // what confirming it says was done; UnknownDeed: only wait
	Text   say.Text
	Why    []say.Text
	Button say.Text
	Valve  string // the part in question
}

// Config is what a run aims at.
type Config struct {
	Observe       bool
	Injection     time.Duration // planned; 0: not said
	Stock         units.Litre   // planned; 0: not said
	Header        units.KPa     // target
	InjectorStart units.KPa
	SupplyLow     units.KPa
	AdviceAfter   uint64 // the number that all advice is numbered above
}

// Out is one turn's news. It belongs to the sequencer until the next turn.
type Out struct {
	StepChanged bool
	StepWhy     say.Text // where it did
	Milestones  []Milestone
	NewAdvice   bool
	Held        []safety.Hold // holds that began
	Released    []safety.Hold // holds that ended
	Notes       []say.Text
	RunStarted  bool
	RunEnded    bool
}

// Sequencer is one box's walk.
type Sequencer struct {
	cfg     Config
	step    Step
	running bool
	advice  Advice
	key     string
	words   words // of the present advice

	observeKeys [len(stepNames)]string

	waiting confirmation
	said    [box.NumDeeds]saying
	reached [numMilestones]time.Duration
	has     [numMilestones]bool
	holds   []safety.Hold // on injecting
	shut    []safety.Hold // on opening the shutoff valve
	passed  bool          // a hold was passed over: the run is only observed
	out     Out
	in      turn
	calm    calm
	cleaned bool // the filter was opened in this run and nothing was made of it yet
}

// saying is what a person last said about one deed.
type saying struct {
	said bool
	at   time.Duration
	by   string
}

// confirmation is a person's word the readings have yet to agree with.
type confirmation struct {
	on    bool
	deed  box.Deed
	by    string
	since time.Duration
}

// calm is since when no water has moved.
type calm struct {
	stopped   time.Duration
	stoppedOn bool
}

// turn is this turn's facts.
type turn struct {
	now   time.Duration
	e     *estimate.Estimates
	holds []safety.Hold
}

// VerifyWithin is how long the readings may take to agree with a confirmation.
// Common practice, no source: a slow valve and a first litre of water.
const VerifyWithin = 90 * time.Second

// New makes a sequencer in the ready step, with no run under way.
func New(cfg Config) *Sequencer {
	s := &Sequencer{cfg: cfg, step: Ready, advice: Advice{Number: cfg.AdviceAfter}}
	for i := range s.observeKeys {
		s.observeKeys[i] = "observe" + Step(i).String()
	}
	return s
}

// Step is the present step.
func (s *Sequencer) Step() Step { return s.step }

// Running reports whether a run is under way.
func (s *Sequencer) Running() bool { return s.running }

// Observing reports whether only readings count, by config or because a hold
// was passed over in this run.
func (s *Sequencer) Observing() bool { return s.cfg.Observe || s.passed }

// Passed reports whether a hold was passed over in this run.
func (s *Sequencer) Passed() bool { return s.passed }

// Advice is the present advice, its reasons as they are now.
func (s *Sequencer) Advice() Advice {
	a := s.advice
	if s.words != nil {
		a.Why = s.words(s).Why
	}
	return a
}

// Asks is the deed that the present advice asks for; UnknownDeed: none.
func (s *Sequencer) Asks() box.Deed { return s.advice.Deed }

// Verifying reports whether a confirmation waits for the readings.
func (s *Sequencer) Verifying() bool { return s.waiting.on }

// Reached tells when a milestone was last reached in this run.
func (s *Sequencer) Reached(m Milestone) (time.Duration, bool) { return s.reached[m], s.has[m] }

// Scene is what the person says of the valves.
func (s *Sequencer) Scene() safety.Scene {
	open, closed := &s.said[box.MainOpen], &s.said[box.MainClosed]
	return safety.Scene{
		MainOpen:   open.said && !(closed.said && closed.at >= open.at),
		MainClosed: s.closed(),
		InjectorOn: s.injectorOn() && !s.changing(),
		Running:    s.running,
	}
}

func (s *Sequencer) injectorOn() bool {
	on, thr := &s.said[box.InjectorOn], &s.said[box.LoopThrottled]
	if !on.said || !thr.said {
		return false
	}
	for _, d := range [...]box.Deed{box.InjectorOff, box.LoopOpened, box.MainClosed} {
		if k := &s.said[d]; k.said && k.at >= max(on.at, thr.at) {
			return false
		}
	}
	return true
}

// changing: the suction hose is out of one stock tank and not yet in the next, or
// the next has not come up the hose yet, while the injector is to go on.
func (s *Sequencer) changing() bool {
	out, in := &s.said[box.StockOut], &s.said[box.StockIn]
	if !out.said || !s.injectorOn() {
		return false
	}
	if !in.said || in.at < out.at {
		return true
	}
	drawn := s.in.e != nil && s.in.e.Drawing == estimate.Yes && s.in.e.Standing.Drawing.Since > out.at
	return !drawn && s.in.now-in.at < VerifyWithin
}

// Confirm takes "done" for the advice with this number. The error says why it
// is refused, for the person.
func (s *Sequencer) Confirm(now time.Duration, number uint64, by string) (box.Deed, error) {
	switch {
	case s.waiting.on && number == s.advice.Number:
		return s.advice.Deed, say.Refuse("%v has already confirmed this; the box waits for the readings to agree", name(s.waiting.by))
	case number != s.advice.Number:
		return box.UnknownDeed, say.Refuse("that advice is no longer the present one; now it is: %v", s.advice.Text)
	case s.advice.Deed == box.UnknownDeed:
		return box.UnknownDeed, say.Refuse("nothing is to be confirmed now: %v", s.advice.Text)
	}
	d := s.advice.Deed
	s.say(now, d, by)
	s.waiting = confirmation{true, d, by, now}
	return d, nil
}

// Report takes what a person says they did, asked for or not.
func (s *Sequencer) Report(now time.Duration, d box.Deed, by string) error {
	if d == box.UnknownDeed || d >= box.NumDeeds {
		return say.Refuse("unknown word; the box knows run_start, main_open … run_end")
	}
	if opp, ok := opposite(d); ok {
		mine, other := s.said[d], s.said[opp]
		if mine.said && !(other.said && other.at >= mine.at) && s.running {
			return say.Refuse("%v was already said by %v", deedWords(d), name(mine.by))
		}
	}
	s.say(now, d, by)
	if d == s.advice.Deed {
		s.waiting = confirmation{true, d, by, now}
	}
	return nil
}

func opposite(d box.Deed) (box.Deed, bool) {
	switch d {
	case box.MainOpen:
		return box.MainClosed, true
	case box.MainClosed:
		return box.MainOpen, true
	case box.InjectorOn:
		return box.InjectorOff, true
	case box.InjectorOff:
		return box.InjectorOn, true
	case box.LoopThrottled:
		return box.LoopOpened, true
	case box.LoopOpened:
		return box.LoopThrottled, true
	case box.StockIn:
		return box.StockOut, true
	case box.StockOut:
		return box.StockIn, true
	case box.UnknownDeed, box.RunStart, box.RunEnd, box.FilterCleaned, box.NumDeeds:
	}
	return box.UnknownDeed, false
}

func (s *Sequencer) say(now time.Duration, d box.Deed, by string) {
	s.said[d] = saying{true, now, by}
	if d == box.FilterCleaned && s.running {
		s.cleaned = true
	}
	held := d == box.InjectorOn || d == box.LoopThrottled
	if held && s.running {
		s.passOver(say.T("the injector was put on"))
	}
	if d == box.MainOpen && len(s.shut) > 0 {
		s.out.Notes = append(s.out.Notes, say.T("the shutoff valve was opened while advice to open it was held (%v)", s.shut[0].Reason))
	}
}

// passOver notes that a hold was passed over: from then on the box only
// observes the run, whatever is said.
func (s *Sequencer) passOver(what say.Text) {
	if len(s.holds) == 0 || s.passed {
		return
	}
	s.passed = true
	s.out.Notes = append(s.out.Notes, say.T("%v while advice to inject was held (%v): the box only observes this run", what, s.holds[0].Reason))
}

func name(by string) say.Text {
	switch by {
	case "":
		return say.T("somebody")
	case box.ByButton:
		return say.T("the button at the box")
	}
	return say.Verbatim(by)
}

// Begin opens a turn: what persons say in it is noted between Begin and Turn.
func (s *Sequencer) Begin() {
	if !s.running {
		s.passed = false // the last run's; its summary is written
	}
	o := &s.out
	o.StepChanged, o.NewAdvice, o.RunStarted, o.RunEnded = false, false, false, false
	o.Milestones, o.Held, o.Released, o.Notes = o.Milestones[:0], o.Held[:0], o.Released[:0], o.Notes[:0]
}

// Turn judges this turn.
func (s *Sequencer) Turn(now time.Duration, e *estimate.Estimates, holds []safety.Hold) *Out {
	s.in.now, s.in.e, s.in.holds = now, e, holds
	s.rest()
	s.noteHolds()
	s.milestones()
	s.advance()
	s.secured()
	s.verify()
	s.advise()
	return &s.out
}

// noteHolds tells which holds began and which ended. Holds on injecting are said
// while injecting lies ahead.
func (s *Sequencer) noteHolds() {
	for _, h := range s.in.holds {
		if !contains(s.holds, h) && !contains(s.shut, h) {
			s.out.Held = append(s.out.Held, h)
		}
	}
	for _, of := range [][]safety.Hold{s.holds, s.shut} {
		for _, h := range of {
			if !contains(s.in.holds, h) {
				s.out.Released = append(s.out.Released, h)
			}
		}
	}
	s.holds, s.shut = s.holds[:0], s.shut[:0]
	for _, h := range s.in.holds {
		if h.On == Pressurise.String() {
			s.shut = append(s.shut, h)
		} else {
			s.holds = append(s.holds, h)
		}
	}
}

func contains(hs []safety.Hold, one safety.Hold) bool {
	for _, h := range hs {
		if h.ID == one.ID && h.On == one.On {
			return true
		}
	}
	return false
}

// verify gives up on a confirmation the readings never agreed with.
func (s *Sequencer) verify() {
	if !s.waiting.on || s.in.now-s.waiting.since < VerifyWithin {
		return
	}
	d := s.waiting.deed
	s.waiting = confirmation{}
	s.said[d].said = false
	s.key = "" // the same advice again, under a new number
	s.out.Notes = append(s.out.Notes, say.T("%v was confirmed, but after %v the readings do not agree: look again", deedWords(d), VerifyWithin))
}

func (s *Sequencer) reach(m Milestone) {
	s.reached[m], s.has[m] = s.in.now, true
	s.out.Milestones = append(s.out.Milestones, m)
}

// deedWords is a deed as a person says it.
func deedWords(d box.Deed) say.Text { return say.T(strings.ReplaceAll(d.String(), "_", " ")) }
