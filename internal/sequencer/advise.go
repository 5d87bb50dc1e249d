package sequencer

import (
	"math"
	"strings"
	"time"

	"boxd/internal/box"
	"boxd/internal/estimate"
	"boxd/internal/safety"
	"boxd/internal/say"
)

// words make an advice of the present state. They capture nothing, so that to
// choose them costs nothing: most turns nobody reads them.
type words func(*Sequencer) Advice

// advise picks the one next thing. An advice keeps its number while its key
// stands; numbers in its reasons may change meanwhile, and are put into words when
// somebody asks for the Advice.
func (s *Sequencer) advise() {
	key, w := s.next()
	s.words = w
	if key == s.key {
		return
	}
	s.key = key
	a := w(s)
	a.Number = s.advice.Number + 1
	s.advice = a
	s.out.NewAdvice = true
	s.waiting = confirmation{}
}

func wait(text say.Text, valve string, why ...say.Text) Advice {
	return Advice{Text: text, Valve: valve, Why: why}
}

func ask(d box.Deed, button, text say.Text, valve string, why ...say.Text) Advice {
	return Advice{Deed: d, Button: button, Text: text, Valve: valve, Why: why}
}

func (s *Sequencer) next() (string, words) {
	if s.cfg.Observe {
		return s.observe()
	}
	if s.sign() != nil && s.told(box.MainOpen) && !s.closed() {
		return "backflow", func(s *Sequencer) Advice {
			h := s.sign()
			return ask(box.MainClosed, say.T("Shutoff valve is closed"),
				say.T("Close the shutoff valve now: there is a sign of backflow. Then open the loop valve and shut both injector valves."), "supply", h.Reason, h.WayOut)
		}
	}
	switch s.step {
	case Ready:
		return s.adviseReady()
	case Pressurise:
		return s.advisePressurise()
	case Inject:
		return s.adviseInject()
	case Flush:
		return s.adviseFlush()
	case Secure:
		return s.adviseSecure()
	case Unknown:
	}
	panic("sequencer: unknown step")
}

// sign is the hold of a sign of backflow, nil when none stands. Whatever the
// step, no water is to move then, fertilized or not.
func (s *Sequencer) sign() *safety.Hold {
	for i := range s.holds {
		if s.holds[i].ID == "backflow-sign" {
			return &s.holds[i]
		}
	}
	return nil
}

func (s *Sequencer) observe() (string, words) {
	return s.observeKeys[s.step], func(s *Sequencer) Advice {
		return wait(say.T("Observing: the box watches the readings and asks nobody. Step: %v.", s.step.Say()), "", say.T("observe mode is set in the configuration"))
	}
}

func (s *Sequencer) adviseReady() (string, words) {
	if e := s.in.e; e.Supply.Known && e.Supply.V < s.cfg.SupplyLow {
		return "ready-supply", func(s *Sequencer) Advice {
			return wait(say.T("Bring up the supply: its pressure is too low to start."), "supply",
				say.T("supply pressure is %v, at least %v is needed", s.in.e.Supply.V, s.cfg.SupplyLow))
		}
	}
	return "ready", (*Sequencer).readyWords
}

func (s *Sequencer) readyWords() Advice {
	e := s.in.e
	why := []say.Text{say.T("every run starts from a checked box")}
	if e.Supply.Known {
		why = append(why, say.T("supply pressure is %v", e.Supply.V))
	}
	for _, h := range s.shut {
		why = append(why, say.T("later, opening the shutoff valve will be held: %v", h.Reason))
	}
	for _, h := range s.holds {
		if strings.HasPrefix(h.ID, "backflow") {
			why = append(why, say.T("later, injecting will be held: %v", h.Reason))
		}
	}
	if c := e.Remaining; c.On {
		why = append(why, c.Words())
	}
	return ask(box.RunStart, say.T("Checked: start the run"),
		say.T("Look the box over: filter clean, stock mixed and labelled, injector valves shut, loop valve open, row ends closed. Then start the run."), "filter", why...)
}

func (s *Sequencer) advisePressurise() (string, words) {
	e := s.in.e
	if s.told(box.MainOpen) && !s.closed() && e.Water == estimate.WaterNoSupply {
		return "no-supply", func(*Sequencer) Advice { return noSupply(say.T("the lines fill on when it is back")) }
	}
	if !s.told(box.MainOpen) || e.Flowing == estimate.No {
		if len(s.shut) > 0 {
			return s.keepShut()
		}
		return "open", func(s *Sequencer) Advice {
			return ask(box.MainOpen, say.T("Shutoff valve is open"),
				say.T("Open the shutoff valve slowly and let the air out of the lines."), "supply",
				append([]say.Text{say.T("the lines must be full of water and free of air before fertilizer goes in")}, s.carriedWhy()...)...)
		}
	}
	if s.has[LinesFull] {
		return "rising", func(s *Sequencer) Advice {
			return wait(say.T("The lines are full. Wait while the pressure settles."), "header", s.fillingWhy()...)
		}
	}
	return "filling", func(s *Sequencer) Advice {
		return wait(say.T("Wait: the lines are filling."), "header", s.fillingWhy()...)
	}
}

func (s *Sequencer) fillingWhy() []say.Text {
	e, why := s.in.e, s.carriedWhy()
	if e.FilledPct.Known {
		why = append(why, say.T("about %.0f %% of the line volume has passed", 10*math.Floor(10*float64(e.FilledPct.V))))
	}
	if e.Header.Known {
		why = append(why, say.T("the header's target is %v", s.cfg.Header))
	}
	return why
}

// keepShut withholds advice to open the shutoff valve. Ice is looked for.
func (s *Sequencer) keepShut() (string, words) {
	if s.shut[0].ID == "ice" {
		return "ice", func(s *Sequencer) Advice {
			return ask(box.FilterCleaned, say.T("Filter opened: no ice, no cracks"), s.keptShut(), "filter", reasons(s.shut)...)
		}
	}
	return "keep-shut", func(s *Sequencer) Advice { return wait(s.keptShut(), "supply", reasons(s.shut)...) }
}

func (s *Sequencer) keptShut() say.Text {
	return say.T("Keep the shutoff valve closed. %v", sentence(s.shut[0].Reason))
}

// reasons are those of holds, each with its way out.
func reasons(of []safety.Hold) []say.Text {
	why := []say.Text{}
	for _, h := range of {
		why = append(why, say.T("%v. %v", h.Reason, h.WayOut))
	}
	return why
}

func (s *Sequencer) adviseInject() (string, words) {
	e := s.in.e
	started := s.has[InjectionStarted]
	if len(s.holds) > 0 && !started && !s.passed {
		return "hold", func(s *Sequencer) Advice {
			return wait(say.T("Do not inject. %v", sentence(s.holds[0].Reason)), "injector", reasons(s.holds)...)
		}
	}
	switch {
	case e.Water == estimate.WaterNoSupply && !s.closed():
		return "no-supply", func(*Sequencer) Advice {
			return noSupply(say.T("nothing is injected meanwhile; shut the injector valves, so that it does not start by itself when the supply is back"))
		}
	case s.changing() && len(s.holds) > 0:
		// The next tank would be advice to inject.
		return "no-tank", func(s *Sequencer) Advice {
			return ask(box.LoopOpened, say.T("Loop valve is open"), say.T("Do not go on injecting: open the loop valve. %v", sentence(s.holds[0].Reason)), "loop", reasons(s.holds)...)
		}
	case s.changing() && s.said[box.StockIn].at >= s.said[box.StockOut].at:
		return "from-tank", func(s *Sequencer) Advice {
			return wait(say.T("Wait: the stock comes up the hose from the next tank."), "injector", s.doseWhy()...)
		}
	case s.changing():
		return "next-tank", func(s *Sequencer) Advice {
			return ask(box.StockIn, say.T("Suction hose is in the next tank"),
				say.T("Put the suction hose in the next stock tank, without air in it. If the dose is complete, open the loop valve instead."), "injector", s.doseWhy()...)
		}
	case s.passed && !started:
		return "passed", func(s *Sequencer) Advice {
			return wait(say.T("Advice to inject is held; the box only observes what is done."), "injector", s.holdReasons()...)
		}
	case !started && e.Pressurised == estimate.No:
		return "unpressed", func(s *Sequencer) Advice {
			return wait(say.T("Do not inject yet: wait until the lines are at pressure again."), "header", say.T("water stood still, or the filter was opened"))
		}
	case !s.told(box.InjectorOn) && !started:
		return "injector-on", func(s *Sequencer) Advice {
			return ask(box.InjectorOn, say.T("Injector valves are open"),
				say.T("Put the suction hose in the stock tank and open both injector valves."), "injector",
				append([]say.Text{say.T("the lines are full and at pressure"), say.T("keep the screen off the bottom of the tank; wear goggles and gloves")}, s.carriedWhy()...)...)
		}
	case !started:
		return s.adviseThrottle()
	case e.Drawing == estimate.Yes:
		return s.adviseInjecting()
	case s.told(box.LoopOpened) && s.said[box.LoopOpened].at >= s.reached[InjectionStarted]:
		return "injector-off", func(s *Sequencer) Advice {
			return ask(box.InjectorOff, say.T("Injector valves are shut"), say.T("Shut both injector valves."), "injector", say.T("the loop valve is open and no stock is drawn"))
		}
	}
	return "stopped", (*Sequencer).stoppedWords
}

func (s *Sequencer) stoppedWords() Advice {
	why := s.doseWhy()
	if s.in.e.Loop.Open == estimate.Yes {
		why = append(why, say.T("by the readings the loop valve is as open as before it was throttled"))
	}
	return ask(box.LoopOpened, say.T("Loop valve is open"),
		say.T("No stock is drawn any more. If the dose is complete, open the loop valve. If not, look at stock and suction hose."), "loop", why...)
}

// noSupply: the valve is open and no water comes. Nobody can do more than wait, or
// close against what might flow back.
func noSupply(meanwhile say.Text) Advice {
	return wait(say.T("The supply is gone: no water comes. Wait for it, or close the shutoff valve."), "supply", meanwhile,
		say.T("with the lines full and no pressure behind them, line water could flow back"))
}

func (s *Sequencer) adviseInjecting() (string, words) {
	e := s.in.e
	full := s.cfg.Injection > 0 && e.InjectedFor >= s.cfg.Injection || s.cfg.Stock > 0 && e.StockMeasured && e.Drawn >= s.cfg.Stock
	unplanned := s.cfg.Injection == 0 && s.cfg.Stock == 0
	switch {
	case len(s.holds) > 0 && strings.HasPrefix(s.holds[0].ID, "backflow"):
		// To go on is as little advised as to begin.
		return "stop", func(s *Sequencer) Advice {
			return ask(box.LoopOpened, say.T("Loop valve is open"), say.T("Stop injecting: open the loop valve. %v", sentence(s.holds[0].Reason)), "loop",
				append(s.holdReasons(), s.holds[0].WayOut)...)
		}
	case full:
		return "enough", func(s *Sequencer) Advice {
			return ask(box.LoopOpened, say.T("Loop valve is open"), say.T("The planned dose is in. Open the loop valve fully."), "loop", s.doseWhy()...)
		}
	case unplanned:
		return "injecting-free", func(s *Sequencer) Advice {
			return ask(box.LoopOpened, say.T("Loop valve is open"), say.T("Injecting. When the dose is in, open the loop valve fully."), "loop", append(s.loopDrift(), s.doseWhy()...)...)
		}
	}
	return "injecting", func(s *Sequencer) Advice {
		return wait(say.T("Injecting. Stay at the box; the loop valve is opened when the dose is in."), "injector", append(s.loopDrift(), s.doseWhy()...)...)
	}
}

func (s *Sequencer) doseWhy() []say.Text {
	e := s.in.e
	why := []say.Text{say.T("injected for %v", minutes(e.InjectedFor))}
	if s.cfg.Injection > 0 {
		why[0] = say.T("injected for %v of %v", minutes(e.InjectedFor), minutes(s.cfg.Injection))
	}
	if e.StockMeasured {
		why = append(why, say.T("%v of stock drawn", e.Drawn))
	}
	if e.Unwatched > 0 {
		why = append(why, say.T("for %v nobody saw what was drawn: the dose may be larger than counted", e.Unwatched))
	}
	if e.Rise.Known {
		why = append(why, say.T("EC stands %v above the clean water", e.Rise.V))
	}
	return why
}

// short: less was injected than planned.
func (s *Sequencer) short() bool {
	e, c := s.in.e, &s.cfg
	return c.Injection > 0 && e.InjectedFor < c.Injection*9/10 || c.Stock > 0 && e.StockMeasured && e.Drawn < c.Stock*9/10
}

func (s *Sequencer) adviseFlush() (string, words) {
	e := s.in.e
	if s.has[FlushDone] {
		return "close", func(s *Sequencer) Advice {
			return ask(box.MainClosed, say.T("Shutoff valve is closed"), say.T("The flush is done. Close the shutoff valve."), "supply",
				say.T("clean water has reached the last emitter of the farthest row"), say.T("judged by: %v", s.in.e.Flush.By))
		}
	}
	if s.closed() && e.Flowing == estimate.No {
		if len(s.shut) > 0 {
			return s.keepShut()
		}
		return "reopen", func(s *Sequencer) Advice {
			return ask(box.MainOpen, say.T("Shutoff valve is open"), say.T("The flush is not done. Open the shutoff valve again."), "supply",
				say.T("the last emitter has had %.0f %% of its share", s.in.e.Delivery.LastEmitter.Percent()))
		}
	}
	switch e.Water {
	case estimate.WaterNoSupply:
		return "no-supply", func(*Sequencer) Advice {
			return noSupply(say.T("the flush goes on when it is back; nothing is counted meanwhile"))
		}
	case estimate.WaterClosed, estimate.WaterStopped:
		return "stopped-flush", func(s *Sequencer) Advice {
			return ask(box.MainOpen, say.T("Water runs again"), say.T("The water has stopped and the flush is not done. Open the shutoff valve, or clear what blocks the way."), "supply",
				say.T("the last emitter has had %.0f %% of its share", s.in.e.Delivery.LastEmitter.Percent()))
		}
	case estimate.WaterUnknown, estimate.WaterRunning:
	}
	if !s.told(box.InjectorOff) && s.told(box.LoopOpened) {
		return "injector-off", func(s *Sequencer) Advice {
			return ask(box.InjectorOff, say.T("Injector valves are shut"), say.T("Shut both injector valves. Keep the water running."), "injector",
				say.T("fertilizer is still on its way to the last plants"))
		}
	}
	return "flushing", (*Sequencer).flushingWords
}

func (s *Sequencer) flushingWords() Advice {
	e := s.in.e
	why := []say.Text{say.T("fertilizer is still on its way to the last plants")}
	if e.CleanAtBox {
		why = append(why, say.T("%v must pass after the box ran clean; that holds %.1f %% margin for meter, pipe sizes and mixing",
			e.Flush.Needed, e.Flush.Margin.Percent()))
		if d, ok := e.Flush.Tail.At(e.Flush.Rate); ok && d > 30*time.Second {
			why = append(why, say.T("a thin rest can linger in slow tape ends up to %.0f min longer", d.Minutes()))
		}
	}
	if e.Flush.Probe != estimate.Absent {
		why = append(why, say.T("the line-end probe says: %v", e.Flush.Probe.Say()))
	}
	if e.Flush.Lost {
		why = append(why, say.T("the line-end probe fell silent before it read clean water: it is waited for, two minutes at most"))
	}
	if !e.Flush.Dispute.Empty() {
		why = append(why, e.Flush.Dispute)
	}
	if s.short() && len(s.holds) == 0 && !s.passed {
		why = append(why, say.T("the planned dose is not complete: to go on injecting, wait for pressure and throttle the loop valve again"))
	}
	if !e.Flush.Degraded.Empty() {
		why = append(why, say.T("counted on the safe side: %v", e.Flush.Degraded))
	}
	return wait(say.T("Keep the water running: the lines are being flushed."), "header", why...)
}

func (s *Sequencer) adviseSecure() (string, words) {
	switch {
	case !s.has[Secured] && s.closed():
		return "stopping", func(s *Sequencer) Advice {
			return wait(say.T("Wait until the flow has stopped."), "supply", say.T("water still moves"))
		}
	case !s.has[Secured]:
		return "securing", func(s *Sequencer) Advice {
			return ask(box.MainClosed, say.T("Shutoff valve is closed"), say.T("Close the shutoff valve and wait until the flow has stopped."), "supply", say.T("water still moves"))
		}
	}
	return "secure", (*Sequencer).secureWords
}

func (s *Sequencer) secureWords() Advice {
	why := []say.Text{say.T("no water moves"), say.T("the record is kept")}
	if s.in.e.EverDrawn && !s.in.e.Flush.Done && len(s.shut) == 0 {
		why = append(why, say.T("the flush was not done: to finish it, open the shutoff valve again and say so"))
	} else if s.in.e.Carried.Pending() {
		why = append(why, say.T("fertilizer of an earlier run still stands in the lines: to flush it out, open the shutoff valve again and say so"))
	}
	return ask(box.RunEnd, say.T("Box is secured"),
		say.T("Lift the suction hose out of the stock, cover the tank, relieve the pressure and leave the box as you found it. With frost near, drain filter bowl and backflow device."), "injector", why...)
}

// carriedWhy is what there is to know of an earlier run's fertilizer.
func (s *Sequencer) carriedWhy() []say.Text {
	c := s.in.e.Carried
	switch {
	case !c.On:
		return nil
	case c.Out:
		return []say.Text{say.T("fertilizer of an earlier run has been flushed out")}
	}
	return []say.Text{c.Words(), say.T("to flush it out alone, inject nothing and keep the water running until the flush is done")}
}

func (s *Sequencer) holdReasons() []say.Text {
	var why []say.Text
	for _, h := range s.holds {
		why = append(why, h.Reason)
	}
	return why
}

// minutes is in whole ones: a reason that changes every second can't be read.
func minutes(d time.Duration) say.Text { return say.T("%.0f min", math.Floor(d.Minutes())) }

// sentence begins with a capital and ends with one full stop: some reasons are
// an alarm's text, which has one.
func sentence(t say.Text) say.Text {
	if strings.HasSuffix(t.Format, ".") {
		return say.T("%v", say.Capital(t))
	}
	return say.T("%v.", say.Capital(t))
}
