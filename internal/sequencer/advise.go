package sequencer

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"boxd/internal/box"
	"boxd/internal/estimate"
	"boxd/internal/safety"
)

// advise picks the one next thing. An advice keeps its number while its key
// stands; numbers in its reasons may change meanwhile.
func (s *Sequencer) advise() {
	key, a := s.next()
	if key == s.key {
		a.Number = s.advice.Number
		if !slices.Equal(a.Why, s.advice.Why) {
			s.advice.Why = a.Why
		}
		return
	}
	s.key = key
	a.Number = s.advice.Number + 1
	s.advice = a
	s.out.NewAdvice = true
	s.waiting = confirmation{}
}

func wait(text, valve string, why ...string) Advice {
	return Advice{Text: text, Valve: valve, Why: why}
}

func ask(d box.Deed, button, text, valve string, why ...string) Advice {
	return Advice{Deed: d, Button: button, Text: text, Valve: valve, Why: why}
}

func (s *Sequencer) next() (string, Advice) {
	if s.cfg.Observe {
		return s.observe()
	}
	if h := s.sign(); h != nil && s.told(box.MainOpen) && !s.closed() {
		return "backflow", ask(box.MainClosed, "Shutoff valve is closed",
			"Close the shutoff valve now: there is a sign of backflow. Then open the loop valve and shut both injector valves.", "supply", h.Reason, h.WayOut)
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

func (s *Sequencer) observe() (string, Advice) {
	return "observe" + s.step.String(), wait("Observing: the box watches the readings and asks nobody. Step: "+s.step.String()+".", "", "observe mode is set in the configuration")
}

func (s *Sequencer) adviseReady() (string, Advice) {
	e := s.in.e
	if e.Supply.Known && e.Supply.V < s.cfg.SupplyLow {
		return "ready-supply", wait("Bring up the supply: its pressure is too low to start.", "supply",
			fmt.Sprintf("supply pressure is %v, at least %v is needed", s.cfg.Units.Pressure(e.Supply.V), s.cfg.Units.Pressure(s.cfg.SupplyLow)))
	}
	why := []string{"every run starts from a checked box"}
	if e.Supply.Known {
		why = append(why, fmt.Sprintf("supply pressure is %v", s.cfg.Units.Pressure(e.Supply.V)))
	}
	for _, h := range s.in.holds {
		if strings.HasPrefix(h.ID, "backflow") {
			why = append(why, "later, injecting will be held: "+h.Reason)
		}
	}
	return "ready", ask(box.RunStart, "Checked: start the run",
		"Look the box over: filter clean, stock mixed and labelled, injector valves shut, loop valve open, row ends closed. Then start the run.", "filter", why...)
}

func (s *Sequencer) advisePressurise() (string, Advice) {
	e, u := s.in.e, s.cfg.Units
	if !s.told(box.MainOpen) || e.Flowing == estimate.No {
		return "open", ask(box.MainOpen, "Shutoff valve is open",
			"Open the shutoff valve slowly and let the air out of the lines.", "supply",
			"the lines must be full of water and free of air before fertilizer goes in")
	}
	why := []string{}
	if e.FilledPct.Known {
		why = append(why, fmt.Sprintf("about %.0f %% of the line volume has passed", 10*math.Floor(10*float64(e.FilledPct.V))))
	}
	if e.Header.Known {
		why = append(why, fmt.Sprintf("the header's target is %v", u.Pressure(s.cfg.Header)))
	}
	if s.has[LinesFull] {
		return "rising", wait("The lines are full. Wait while the pressure settles.", "header", why...)
	}
	return "filling", wait("Wait: the lines are filling.", "header", why...)
}

func (s *Sequencer) adviseInject() (string, Advice) {
	e, u := s.in.e, s.cfg.Units
	started := s.has[InjectionStarted]
	if len(s.holds) > 0 && !started && !s.passed {
		why := []string{}
		for _, h := range s.holds {
			why = append(why, h.Reason+". "+h.WayOut)
		}
		return "hold", wait("Do not inject. "+sentence(s.holds[0].Reason)+".", "injector", why...)
	}
	switch {
	case s.passed && !started:
		return "passed", wait("Advice to inject is held; the box only observes what is done.", "injector", s.holdReasons()...)
	case !s.told(box.InjectorOn) && !started:
		return "injector-on", ask(box.InjectorOn, "Injector valves are open",
			"Put the suction hose in the stock tank and open both injector valves.", "injector",
			"the lines are full and at pressure", "keep the screen off the bottom of the tank; wear goggles and gloves")
	case !started:
		return "throttle", ask(box.LoopThrottled, "Injector is running",
			fmt.Sprintf("Throttle the loop valve slowly until the difference across the injector is about %v and the injector runs.", u.Pressure(s.cfg.InjectorStart)), "loop", s.loopWhy()...)
	case e.Drawing == estimate.Yes:
		return s.adviseInjecting()
	case s.told(box.LoopOpened) && s.said[box.LoopOpened].at >= s.reached[InjectionStarted]:
		return "injector-off", ask(box.InjectorOff, "Injector valves are shut", "Shut both injector valves.", "injector", "the loop valve is open and no stock is drawn")
	}
	return "stopped", ask(box.LoopOpened, "Loop valve is open",
		"No stock is drawn any more. If the dose is complete, open the loop valve. If not, look at stock and suction hose.", "loop", s.doseWhy()...)
}

func (s *Sequencer) adviseInjecting() (string, Advice) {
	e := s.in.e
	full := s.cfg.Injection > 0 && e.InjectedFor >= s.cfg.Injection || s.cfg.Stock > 0 && e.StockMeasured && e.Drawn >= s.cfg.Stock
	unplanned := s.cfg.Injection == 0 && s.cfg.Stock == 0
	switch {
	case len(s.holds) > 0 && strings.HasPrefix(s.holds[0].ID, "backflow"):
		// To go on is as little advised as to begin.
		return "stop", ask(box.LoopOpened, "Loop valve is open", "Stop injecting: open the loop valve. "+sentence(s.holds[0].Reason)+".", "loop",
			append(s.holdReasons(), s.holds[0].WayOut)...)
	case full:
		return "enough", ask(box.LoopOpened, "Loop valve is open", "The planned dose is in. Open the loop valve fully.", "loop", s.doseWhy()...)
	case unplanned:
		return "injecting-free", ask(box.LoopOpened, "Loop valve is open", "Injecting. When the dose is in, open the loop valve fully.", "loop", s.doseWhy()...)
	}
	return "injecting", wait("Injecting. Stay at the box; the loop valve is opened when the dose is in.", "injector", s.doseWhy()...)
}

func (s *Sequencer) loopWhy() []string {
	e, u := s.in.e, s.cfg.Units
	if !e.InjectorDiff.Known {
		return []string{"the difference across the injector can't be read: go by its sound"}
	}
	d := fmt.Sprintf("difference across the injector is %v", u.Pressure(e.InjectorDiff.V))
	switch {
	case e.InjectorDiff.V < s.cfg.InjectorStart*9/10:
		return []string{d, "turn the loop valve further shut"}
	case e.InjectorDiff.V > s.cfg.InjectorStart*15/10:
		return []string{d, "that is more than needed: open the loop valve a little"}
	}
	return []string{d, "enough: leave the valve there"}
}

func (s *Sequencer) doseWhy() []string {
	e, u := s.in.e, s.cfg.Units
	why := []string{fmt.Sprintf("injected for %s", minutes(e.InjectedFor))}
	if s.cfg.Injection > 0 {
		why[0] += " of " + minutes(s.cfg.Injection)
	}
	if e.StockMeasured {
		why = append(why, fmt.Sprintf("%v of stock drawn", u.Volume(e.Drawn)))
	}
	if e.Rise.Known {
		why = append(why, fmt.Sprintf("EC stands %v above the clean water", u.Conductivity(e.Rise.V)))
	}
	return why
}

func (s *Sequencer) adviseFlush() (string, Advice) {
	e, u := s.in.e, s.cfg.Units
	if s.has[FlushDone] {
		return "close", ask(box.MainClosed, "Shutoff valve is closed", "The flush is done. Close the shutoff valve.", "supply",
			"clean water has reached the last emitter of the farthest row", "judged by: "+e.Flush.By)
	}
	if s.closed() && e.Flowing == estimate.No {
		return "reopen", ask(box.MainOpen, "Shutoff valve is open", "The flush is not done. Open the shutoff valve again.", "supply",
			fmt.Sprintf("the last emitter has had %.0f %% of its share", e.Delivery.LastEmitter.Percent()))
	}
	if !s.told(box.InjectorOff) && s.told(box.LoopOpened) {
		return "injector-off", ask(box.InjectorOff, "Injector valves are shut", "Shut both injector valves. Keep the water running.", "injector",
			"fertilizer is still on its way to the last plants")
	}
	why := []string{"fertilizer is still on its way to the last plants"}
	if e.CleanAtBox {
		why = append(why, fmt.Sprintf("%v must pass after the box ran clean; that holds %.1f %% margin for meter, pipe sizes and mixing",
			u.Volume(e.Flush.Needed), e.Flush.Margin.Percent()))
		if d, ok := e.Flush.Tail.At(e.Flush.Rate); ok && d > 30*time.Second {
			why = append(why, fmt.Sprintf("a thin rest can linger in slow tape ends up to %.0f min longer", d.Minutes()))
		}
	}
	if e.Flush.Probe != estimate.Absent {
		why = append(why, "the line-end probe says: "+e.Flush.Probe.String())
	}
	if e.Flush.Degraded != "" {
		why = append(why, "counted on the safe side: "+e.Flush.Degraded)
	}
	return "flushing", wait("Keep the water running: the lines are being flushed.", "header", why...)
}

func (s *Sequencer) adviseSecure() (string, Advice) {
	switch {
	case !s.has[Secured] && s.closed():
		return "stopping", wait("Wait until the flow has stopped.", "supply", "water still moves")
	case !s.has[Secured]:
		return "securing", ask(box.MainClosed, "Shutoff valve is closed", "Close the shutoff valve and wait until the flow has stopped.", "supply", "water still moves")
	}
	why := []string{"no water moves", "the record is kept"}
	if s.in.e.EverDrawn && !s.in.e.Flush.Done {
		why = append(why, "the flush was not done: to finish it, open the shutoff valve again and say so")
	}
	return "secure", ask(box.RunEnd, "Box is secured",
		"Lift the suction hose out of the stock, cover the tank, relieve the pressure and leave the box as you found it. With frost near, drain filter bowl and backflow device.", "injector", why...)
}

func (s *Sequencer) holdReasons() []string {
	var why []string
	for _, h := range s.holds {
		why = append(why, h.Reason)
	}
	return why
}

// minutes is in whole ones: a reason that changes every second can't be read.
func minutes(d time.Duration) string { return fmt.Sprintf("%.0f min", math.Floor(d.Minutes())) }

func sentence(t string) string {
	if t == "" {
		return t
	}
	return strings.ToUpper(t[:1]) + t[1:]
}
