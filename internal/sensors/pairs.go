package sensors

import (
	"time"

	"boxd/internal/box"
)

// Water flows from the higher pressure to the lower, and a branch carries no
// more than the pipe it leaves. Two readings that say otherwise can't both be
// true. Which of them is off can't be told, so both are doubted, named, and
// used on: above all a line above its supply must stay a sign of backflow.
//
// Only a flow that has been there and steady for half a minute is a witness: in
// a start, a stop or a siphon pressures may stand in any order. A valve may keep
// pressure in the injector's branch, so that branch is judged only while it
// flows. This is also how a drifting gauge shows itself.
const (
	meterError = 1.1 // of one flow to another, both with a few per cent and strokes
	contraFor  = 30 * time.Second
	agreedFor  = 10 * time.Second
)

// pair are two channels of which the first can't be below the second.
type pair struct {
	upper, lower box.Channel
	branch       bool // true only while the branch flows
	upperWhy     string
	lowerWhy     string
}

var pairTable = [...]pair{
	{box.SupplyPressure, box.FilterOutPressure, false, "reads below PT-102 beyond it while water flows: one of the two is off, or water flows back", "reads above PT-101 before it while water flows: one of the two is off, or water flows back"},
	{box.SupplyPressure, box.HeaderPressure, false, "reads below PT-201 beyond it while water flows: one of the two is off, or water flows back", "reads above PT-101 before it while water flows: one of the two is off, or water flows back"},
	{box.FilterOutPressure, box.HeaderPressure, false, "reads below PT-201 beyond it while water flows: one of the two is off", "reads above PT-102 before it while water flows: one of the two is off"},
	{box.FilterOutPressure, box.InjectorInPressure, true, "reads below PT-103 beyond it while the branch flows: one of the two is off", "reads above PT-102 before it while the branch flows: one of the two is off"},
	{box.InjectorInPressure, box.InjectorOutPressure, true, "reads below PT-104 beyond it while the branch flows: one of the two is off", "reads above PT-103 before it while the branch flows: one of the two is off"},
	{box.InjectorOutPressure, box.HeaderPressure, true, "reads below PT-201 beyond it while the branch flows: one of the two is off", "reads above PT-104 before it while the branch flows: one of the two is off"},
	{box.MainFlow, box.InjectorFlow, false, "reads less than its branch FT-102: one of the two is off", "reads more than the main flow FT-101: one of the two is off"},
}

// watch is how long a pair has contradicted itself, or has not.
type watch struct {
	against bool
	stands  bool
	since   time.Duration
}

// see takes whether the pair contradicts itself now.
func (w *watch) see(mono time.Duration, against bool) bool {
	if against != w.against {
		w.against, w.since = against, mono
	}
	switch for_ := mono - w.since; {
	case w.against && for_ >= contraFor:
		w.stands = true
	case !w.against && for_ >= agreedFor:
		w.stands = false
	}
	return w.stands
}

// steady is how long a flow has stayed about the same.
type steady struct {
	flow  float64
	since time.Duration
	on    bool
}

// see takes a flow that counts, or that there is none.
func (s *steady) see(mono time.Duration, flow float64, ok bool) bool {
	switch {
	case !ok || flow < leastFlow:
		s.on = false
	case !s.on || flow > s.flow*1.25 || flow < s.flow/1.25:
		s.flow, s.since, s.on = flow, mono, true
	}
	return s.on && mono-s.since >= contraFor
}

// contradictions judges all pairs.
func (c *Conditioner) contradictions(mono time.Duration) (found box.Channels) {
	if c.readings.Contradicting != 0 {
		for i := range c.channels {
			c.channels[i].is(isAgainst, false)
		}
	}
	main, ok := c.live(box.MainFlow, mono)
	forward := c.forward.see(mono, main, ok)
	branch, ok := c.live(box.InjectorFlow, mono)
	branching := c.branching.see(mono, branch, ok) && forward
	for i := range pairTable {
		p := &pairTable[i]
		if c.judged(p, &c.pairs[i], mono, forward && (branching || !p.branch)) {
			c.contradict(p.upper, p.upperWhy)
			c.contradict(p.lower, p.lowerWhy)
			found = found.With(p.upper).With(p.lower)
		}
	}
	return found
}

// judged reports whether a pair contradicts itself, witness being whether the water
// lets it be judged now. What can't be stays as it is.
func (c *Conditioner) judged(p *pair, w *watch, mono time.Duration, witness bool) bool {
	if witness {
		upper, uok := c.live(p.upper, mono)
		lower, lok := c.live(p.lower, mono)
		if uok && lok {
			return w.see(mono, p.contradicts(upper, lower, float64(c.cfg.GaugeError)))
		}
	}
	w.since = mono
	return w.stands
}

func (c *Conditioner) contradict(ch box.Channel, why string) {
	k := &c.channels[ch]
	k.against = why
	k.is(isAgainst, true)
}

func (p *pair) contradicts(upper, lower, gaugeError float64) bool {
	if p.upper == box.MainFlow {
		return lower > upper*meterError+leastFlow
	}
	return lower > upper+gaugeError
}
