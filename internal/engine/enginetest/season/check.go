package season

import (
	"fmt"
	"math"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/units"
)

func uS(x float64) units.USPerCm { return units.USPerCm(x) }

// fail notes a broken promise.
func (s *Season) fail(what, format string, args ...any) {
	s.tally.Broken = append(s.tally.Broken, Finding{Seed: s.plan.Seed, Run: s.plan.Runs[s.run].Number, At: s.t, What: what, Text: fmt.Sprintf(format, args...)})
}

// runsWell: open, water flowing, no air to speak of, and pressure for a while.
func (s *Season) runsWell() bool {
	p := s.plant
	return p.open && p.now.flow > 0.1*p.normal && p.air <= 0.002 && s.pressure > 30
}

// learnt: the core has had time to learn the clean filter.
func (s *Season) learnt() bool { return s.pressure > 60 }

func (s *Season) drawsNow() bool { return s.t-s.lastStock < 8 }

// hazards begins what is due and lifts what is over.
func (s *Season) hazards() {
	for _, h := range s.active {
		d := &s.table[h.Kind]
		switch {
		case !h.begun && s.t >= h.at:
			h.begun, h.at = true, s.t
			for range d.expect {
				h.seen = append(h.seen, math.NaN())
			}
			d.begin(s, h)
		case h.begun && !h.over && d.when != beforeRun && d.when != atStart && s.t >= h.at+h.Lasts:
			s.liftOne(h)
		}
	}
}

func (s *Season) liftOne(h *Hazard) {
	if d := &s.table[h.Kind]; h.begun && !h.over && d.lift != nil {
		d.lift(s, h)
	}
	h.over = true
}

// look follows the truth after a turn.
func (s *Season) look(dt float64) {
	p := s.plant
	t := &p.now
	if t.header > 0.5*p.setpoint && t.flow > 0 {
		s.pressure += dt
	} else {
		s.pressure = 0
	}
	if s.flows += dt; t.flow <= 0.05*p.normal {
		s.flows = 0
	}
	if t.stock > 0 {
		s.lastStock, s.drewInRun = s.t, true
		s.rise += (p.mixed - s.rise) * dt / 30
		s.risen = max(s.risen, s.rise)
	}
	s.lookAtEnds()
	for _, h := range s.active {
		s.judge(h)
	}
}

// tolerance is how far from clean the water at a last emitter may be: the
// design's 5 % of the rise or 50 µS/cm. A fouled cell reads low, and one that has drifted down
// reads so much too low: the last emitter's own witness lies, and nothing at the
// box tells by how much.
func (s *Season) tolerance() float64 {
	in := s.plant.inst
	return max(50, 0.05*s.risen)/(1-in.fouled) + max(0, -in.drifted)
}

// front is what a zone without a probe, or with one in a row that is torn or
// shut, is held to: by the design the volume
// alone says "done" when plug flow has brought clean water to the last emitter.
// Half the rise is the middle of a front; how much was left is in the report.
const front = 0.5

// lateRow is how many times the tolerance a row may have that is reached later than
// the probe's, by the scatter of its emitters: the promise speaks of the row that the
// drawing says is last, no probe is in any other, and the volume's margin of 3 % is less than what
// a last emitter of few may differ by.
const lateRow = 3

// hidden is the part of the flow from which a leak and clogged emitters count as
// hiding each other: together they take what whole rows would, and without an end
// probe nothing at the box tells that some rows are served late. Such ends are
// counted apart.
const hidden = 0.05

// lookAtEnds holds "done" against the water at the last emitters of the whole
// rows, as long as nothing is injected anew.
func (s *Season) lookAtEnds() {
	p := s.plant
	end, far, limit := p.now.end-p.now.base, p.now.far-p.now.base, s.tolerance()
	if end > limit {
		s.unclean = s.t
	}
	early := s.saidDone && !s.told && s.early(limit)
	if early && p.inst.noProbe && p.now.leak > hidden && p.now.missing > hidden {
		s.told = true
		s.tally.Hidden++
	}
	if early && !s.told {
		s.told = true
		v := s.box.View().Progress
		s.fail("early", "the flush was called done %.0f s ago; the worst whole row's end has %.0f µS/cm over clean of a rise of %.0f, the farthest row's %.0f; tolerance %.0f; probe says %s, volume %s",
			s.t-s.doneAt, end, s.risen, far, limit, v.EndWitness, v.VolumeWitness)
	}
}

// early: the end of a whole row is not as clean as it is held to.
func (s *Season) early(limit float64) bool {
	p := s.plant
	blind := p.inst.noProbe || p.pipes.rows[p.inst.probeRow].spoilt
	for i := range p.pipes.rows {
		held := limit
		switch {
		case blind:
			held = max(limit, front*s.risen)
		case s.later[i]:
			held = lateRow * limit
		}
		if !p.pipes.rows[i].spoilt && p.carry.end(i) > held {
			return true
		}
	}
	return false
}

// judge follows one hazard's expectations.
func (s *Season) judge(h *Hazard) {
	d := &s.table[h.Kind]
	if !h.begun || h.over || d.stands == nil || s.dark || s.blinded(h) {
		h.standing = false
		return
	}
	if !d.stands(s) {
		h.standing = false
		return
	}
	if !h.standing {
		h.standing, h.since = true, s.t
	}
	for i, x := range d.expect {
		if !math.IsNaN(h.seen[i]) {
			h.stood = true
			continue
		}
		if s.alarms[x.id] {
			h.seen[i], h.stood = s.raised[x.id], true
			continue
		}
		if s.t-h.since > s.within(h, x) {
			h.stood = true
			if !h.missed {
				h.missed = true
				s.fail("missed", "%s: no %s within %.0f s", h, x.id, x.within)
			}
		}
	}
}

// blinded: a sensor that fails or a word that is not true in the same run may
// hide what another hazard does; and a box without an end probe misses none.
func (s *Season) blinded(h *Hazard) bool {
	if h.Channel == box.EndEC && s.plant.inst.noProbe {
		return true
	}
	for _, o := range s.active {
		if o == h || !o.begun || h.Channel != box.UnknownChannel {
			continue
		}
		if o.Channel != box.UnknownChannel || o.Kind == WordWithoutDeed {
			return true
		}
	}
	return false
}

// within is the time stated for an alarm; thermometers may be read seldom.
func (s *Season) within(h *Hazard, x expectation) float64 {
	if h.Kind == WireBreaks && s.slowChannel(h.Channel) {
		return s.cfg.Limits.SilentTemperature.Seconds() + 15
	}
	return x.within
}

func (s *Season) slowChannel(c box.Channel) bool { return c == box.WaterTemp || c == box.BoxAirTemp }

// account closes the books on a hazard.
func (s *Season) account(h *Hazard) {
	d := &s.table[h.Kind]
	if !h.begun {
		return
	}
	c := &s.tally.Kinds[h.Kind]
	c.Begun++
	if len(d.expect) == 0 || !h.stood {
		return
	}
	c.Judged++
	if !h.missed {
		c.Found++
	}
	if !math.IsNaN(h.seen[0]) {
		c.Times = append(c.Times, h.seen[0]-h.since)
	}
}

// explains reports whether a hazard of this run accounts for an alarm.
func (s *Season) explains(id string) bool {
	for _, h := range s.active {
		if !h.begun {
			continue
		}
		d := &s.table[h.Kind]
		for _, x := range d.expect {
			if x.id == id {
				return true
			}
		}
		for _, x := range d.allows {
			if x == id {
				return true
			}
		}
	}
	return false
}

// hear takes an event of the core to the checkers.
func (s *Season) hear(e *engine.Event) {
	switch e.Kind {
	case engine.AlarmEvent:
		s.alarm(e)
	case engine.StepEvent:
		s.enter(e.Step)
	case engine.MilestoneEvent:
		s.milestone(e.Name)
	case engine.AdviceEvent:
		if inject := e.Deed == box.InjectorOn.String() || e.Deed == box.LoopThrottled.String(); inject && (len(s.holds) > 0 || s.alarms["backflow-sign"] || s.lapsed()) {
			s.fail("advice", "advised %s while held: %v", e.Deed, s.holds)
		}
	case engine.HoldEvent:
		s.holds[e.ID] = true
	case engine.ReleaseEvent:
		delete(s.holds, e.ID)
	case engine.ActionEvent:
		s.word(e.Deed)
	case engine.RefusalEvent, engine.NoteEvent, engine.RunEvent, engine.SummaryEvent:
	}
}

// lapsed: by the clock on the wall, the backflow test is overdue.
func (s *Season) lapsed() bool { return s.wall.After(s.cfg.Backflow.NextDue.AddDate(0, 0, 2)) }

func (s *Season) alarm(e *engine.Event) {
	s.alarms[e.ID] = e.State != "cleared"
	if e.State != "raised" {
		return
	}
	s.tally.Alarms++
	s.raised[e.ID] = s.t
	if s.explains(e.ID) || s.stillTrue(e.ID) {
		return
	}
	s.tally.False = append(s.tally.False, Finding{Seed: s.plan.Seed, Run: s.plan.Runs[s.run].Number, At: s.t, What: e.ID, Text: e.Text, Clean: len(s.plan.Runs[s.run].Hazards) == 0, Plan: s.plan.Runs[s.run].String()})
}

// stillTrue: what an alarm says is so, whatever run it came from: fertilizer
// stands in the lines, a flush is owed, or the person went before it was done; the
// box has not thawed.
func (s *Season) stillTrue(id string) bool {
	p := s.plant
	switch id {
	case "flush-incomplete":
		return p.now.flow == 0 && (s.owed || s.gaveUp || p.carry.held(p.pipes) > 2*p.pipes.volume())
	case "freeze-risk":
		return p.weather.water < 3.3 || p.weather.air < 0.3
	}
	return false
}

func (s *Season) word(deed string) {
	s.said[deed] = true
	switch deed {
	case box.LoopThrottled.String():
		s.saidInjector = true
	case box.InjectorOff.String(), box.LoopOpened.String(), box.MainClosed.String():
		s.saidInjector = false
	}
}

// enter: no step forward without a word that allows it, and none that the
// truth contradicts.
func (s *Season) enter(step string) {
	from := s.stepNow
	s.stepNow = step
	words := map[string][]string{
		"ready>pressurise": {"run_start", "main_open"}, "pressurise>inject": {"main_open"},
		"inject>flush": {"loop_opened", "injector_off", "stock_out"}, "flush>secure": {"main_closed"},
		"pressurise>secure": {"main_closed"}, "inject>secure": {"main_closed"}, "secure>ready": {"run_end"},
	}[from+">"+step]
	ok := len(words) == 0 || s.box.View().Observe || from == "inject" && step == "flush" && s.t-s.lastStock > 30
	for _, w := range words {
		ok = ok || s.said[w]
	}
	if !ok {
		s.fail("step", "from %s to %s without a word that allows it", from, step)
	}
	if p := s.plant; from == "pressurise" && step == "inject" && (!p.open || p.air > 0.25) {
		s.fail("step", "to inject with %.0f %% air in the lines", p.air*100)
	}
	if step == "ready" {
		s.said = map[string]bool{}
		s.person.here = false // goes home
	}
}

func (s *Season) milestone(name string) {
	switch name {
	case "injection_started":
		s.saidDone, s.told = false, false
		s.wake(&s.plan.Runs[s.run], injecting)
	case "injection_ended":
		s.wake(&s.plan.Runs[s.run], flushing)
	case "pressurised":
		s.wake(&s.plan.Runs[s.run], flowing)
	case "flush_done":
		s.saidDone, s.doneAt = true, s.t
		s.later = s.plant.pipes.later(s.plant.inst.probeRow)
		s.tally.Done++
		rest := s.plant.now.end - s.plant.now.base
		if s.plant.inst.noProbe && s.risen > 200 {
			s.tally.Rest = append(s.tally.Rest, rest/s.risen)
		}
	case "secured":
		if s.flows > 5 { // the meter's lag, and as long as it must show none
			s.fail("step", "secured while %.0f L/h have flowed for %.0f s", s.plant.now.flow, s.flows)
		}
	}
}

// judgeRun looks at a run that is over.
func (s *Season) judgeRun() {
	if s.doneAt > 0 && s.unclean > 0 && s.unclean < s.doneAt && !s.plant.inst.noProbe {
		s.tally.Late = append(s.tally.Late, s.doneAt-s.unclean)
	}
	if s.drewInRun {
		s.tally.Injected++
	}
	s.owed = s.doneAt == 0 && (s.owed || s.drewInRun)
	if n := &s.plan.Runs[s.run]; s.drewInRun && !n.has(FilterLeftDirty) && !n.has(FilterLoads) && !n.has(FilterTears) && !n.has(SupplyWeak) {
		s.filterShown++
	}
	if n := &s.plan.Runs[s.run]; s.gaveUp && !n.has(PapersLapse) && !n.has(FrostNight) { // held is meant to end so
		s.tally.Never = append(s.tally.Never, Finding{Seed: s.plan.Seed, Run: s.plan.Runs[s.run].Number, At: s.t, What: "gave up", Text: s.why, Plan: s.plan.Runs[s.run].String()})
	}
}

// hush counts for how long channels have been silent, and looks once a minute
// whether such a one shows a number.
func (s *Season) hush(samples []box.Sample) {
	var heard [box.NumChannels]bool
	for i := range samples {
		heard[samples[i].Channel] = samples[i].Fault == "" && samples[i].Value < 5e4
	}
	look := false
	for c := range s.quiet {
		if heard[c] || c == int(box.UnknownChannel) || s.slowChannel(box.Channel(c)) {
			s.quiet[c] = 0
		} else {
			s.quiet[c]++
		}
		look = look || math.Mod(s.quiet[c], 60) == 50
	}
	if !look {
		return
	}
	for _, v := range s.box.View().Channels {
		if c, ok := box.ChannelByColumn(v.Column); ok && s.quiet[c] > 45 && v.Value != nil {
			s.fail("unknown", "%v has been silent for %.0f turns and shows %v", c, s.quiet[c], *v.Value)
		}
	}
}

// answered: every word is taken or refused, once.
func (s *Season) answered(words []box.Action, h *Heard) {
	n := h.Unheard
	for _, e := range h.Events {
		if e.Kind == engine.ActionEvent || e.Kind == engine.RefusalEvent {
			n++
		}
	}
	if n != len(words) {
		s.fail("words", "%d words had %d answers", len(words), n)
	}
}
