package safety

import (
	"math"
	"strings"
	"time"

	"boxd/internal/estimate"
	"boxd/internal/say"
	"boxd/internal/units"
)

// sign is a sign of backflow.
type sign uint8

// The signs. None of them says that a device leaks, and no sign says that it
// holds.
const (
	noSign    sign = iota
	lineAbove      // the line stands above its supply
	collapsed      // the supply is gone while the lines are full
	ecRises        // EC rises at the box while nothing flows forward
)

// still is what EC stood at while no water flows, to see it rise. It settles
// first: a probe in its cell lags behind the water that has just stopped.
type still struct {
	on    bool
	since time.Duration
	ec    units.USPerCm
}

const settles = 15 * time.Second // common practice, no source

// see takes EC while nothing flows and tells by how much it has risen.
func (s *still) see(now time.Duration, idle bool, ec *estimate.Value[units.USPerCm]) units.USPerCm {
	switch {
	case !idle || !ec.Known:
		s.on = false
		return 0
	case !s.on:
		*s = still{true, now, ec.V}
	case now-s.since < settles:
		s.ec = ec.V
	}
	s.ec = min(s.ec, ec.V)
	return ec.V - s.ec
}

func (g *Guard) backflowSign() (active, judged bool) {
	s, judged := g.signs()
	g.signed = s
	return s != noSign, judged
}

// signs looks for signs of backflow. After the person has closed the shutoff
// valve none of them means anything. Only gauges that tell of now are compared:
// while the pressure moves, a late one shows what was, and the two make a sign
// that isn't there. A doubted one counts: what makes the supply doubtful may be
// the very sign.
func (g *Guard) signs() (found sign, judged bool) {
	e, s, l := g.in.e, g.in.s, &g.limits
	risen := g.still.see(g.in.now, e.Flowing == estimate.No && e.Filled == estimate.Yes && !s.MainClosed, &e.BoxEC)
	if s.MainClosed {
		return noSign, true
	}
	supply := e.Supply.Known && g.supply.tells
	line, known := g.highest()
	switch {
	case supply && known && line > e.Supply.V+l.BackflowMargin:
		return lineAbove, true
	case supply && s.open(e) && e.Filled == estimate.Yes && e.Supply.V < l.SupplyCollapse:
		return collapsed, true
	case e.Baseline.Known && risen > max(l.BackflowEC, 5*e.Baseline.Sigma) && (!supply || e.Supply.V < max(l.SupplyLow, line)):
		return ecRises, true
	}
	return noSign, supply && known
}

// highest is the highest pressure of the line that can be told of now.
func (g *Guard) highest() (p units.KPa, known bool) {
	e := g.in.e
	p = units.KPa(math.Inf(-1))
	if e.FilterOut.Known && g.filterOut.tells {
		p, known = e.FilterOut.V, true
	}
	if e.Header.Known && g.header.tells {
		p, known = max(p, e.Header.V), true
	}
	return p, known
}

// open reports whether the shutoff valve is open. Where nobody says so, full
// lines in a run tell.
func (s Scene) open(e *estimate.Estimates) bool {
	return s.MainOpen || s.Running && !s.MainClosed && e.Filled == estimate.Yes
}

// seenSign is what the sign is, with the numbers.
func (g *Guard) seenSign() say.Text {
	e := g.in.e
	switch g.signed {
	case collapsed:
		return say.T("Supply pressure has fallen to %v with the lines full: they may drain back.", e.Supply.V)
	case ecRises:
		return say.T("EC at the box has risen to %v while nothing flows forward: fertilizer may be coming back, or running out of the tank by itself.", e.BoxEC.V)
	case lineAbove, noSign:
	}
	line, _ := g.highest()
	return say.T("Line pressure %v is above supply pressure %v: water may flow back.", line, e.Supply.V)
}

// wrongClass says that a public supply demands another class of device than is
// declared, nothing where it doesn't. Which class that is the configuration
// names: boxd does not know the law of the place.
func (b Backflow) wrongClass() say.Text {
	switch {
	case b.Supply != PublicSupply:
		return say.Text{}
	case b.Required == "":
		return say.T("the water comes from a public supply, and which class of backflow device it demands is not said: ask the water supplier; local code decides")
	case !strings.EqualFold(strings.TrimSpace(b.Required), strings.TrimSpace(b.Device)):
		return say.T("the water comes from a public supply that demands a device of the class %s, and %s is declared: local code decides, not this box", b.Required, b.Device)
	}
	return say.Text{}
}
