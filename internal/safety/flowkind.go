package safety

import (
	"math"
	"time"

	"boxd/internal/estimate"
	"boxd/internal/say"
	"boxd/internal/units"
)

// FlowKind is how a flow came to differ from what the emitters explain: it
// tells a burst from a leak and a shut row from clogging, so far as readings
// can.
type FlowKind uint8

// The kinds.
const (
	UnknownFlow   FlowKind = iota
	FlowFromStart          // since the lines came to pressure
	FlowSudden             // within a minute
	FlowCreeping           // little by little
)

func (k FlowKind) String() string {
	switch k {
	case FlowFromStart:
		return "since the start"
	case FlowSudden:
		return "sudden"
	case FlowCreeping:
		return "creeping"
	case UnknownFlow:
	}
	return "unknown"
}

// flowPast remembers measured over expected flow, every ten seconds of steady
// flow.
type flowPast struct {
	ring  [32]float64
	n     int
	next  time.Duration
	start float64 // a minute after the lines came to pressure
}

const (
	pastEvery = 10 * time.Second
	pastStart = 6 // values
	suddenIn  = time.Minute
	mostOf    = 0.6 // of the whole difference; common practice, no source
)

// see takes the ratio of a steady flow, or that there is none.
func (p *flowPast) see(now time.Duration, steady bool, ratio units.Ratio) {
	if !steady {
		*p = flowPast{}
		return
	}
	if p.n > 0 && now < p.next {
		return
	}
	p.ring[p.n%len(p.ring)] = float64(ratio)
	p.n++
	p.next = now + pastEvery
	if p.n <= pastStart {
		p.start = float64(ratio)
	}
}

// ago is the ratio so long ago, or the first there was; false where flow was not
// steady then.
func (p *flowPast) ago(d time.Duration) (float64, bool) {
	back := min(int(d/pastEvery), len(p.ring)-1)
	if back >= p.n {
		return p.ring[0], false
	}
	return p.ring[(p.n-1-back)%len(p.ring)], true
}

// kind tells how the ratio came to be. It was first seen off so long ago as the
// alarm's delay.
func (p *flowPast) kind(ratio units.Ratio, delay time.Duration) FlowKind {
	off := float64(ratio) - 1
	before, known := p.ago(delay + suddenIn)
	switch {
	case p.n == 0:
		return UnknownFlow
	case math.Abs(float64(ratio)-before) >= mostOf*math.Abs(off):
		return FlowSudden
	case !known || (p.start-1)/off >= mostOf:
		return FlowFromStart
	}
	return FlowCreeping
}

// watchFlow remembers the flow. The kind of what stands is that of its beginning:
// said anew hours later a burst is still a burst.
func (g *Guard) watchFlow() {
	e := g.in.e
	g.past.see(g.in.now, e.Pressurised == estimate.Yes && e.Flowing == estimate.Yes && !g.in.s.MainClosed && e.FlowRatio.Known, e.FlowRatio.V)
	if !g.flowHigh.Active() && !g.flowLow.Active() {
		g.kind = UnknownFlow
	}
}

// seenFlow is what the flow does and what that most likely is.
func (g *Guard) seenFlow(id string) say.Text {
	e, above := g.in.e, id == "flow-above-expected"
	if g.kind == UnknownFlow {
		g.kind = g.past.kind(e.FlowRatio.V, g.Find(id).Def.OnDelay)
	}
	k := g.kind
	q, x, h := e.Main.V, e.Expected.V, e.Header.V
	switch {
	case above && k == FlowSudden:
		return say.T("Flow jumped to %v within a minute; the emitters explain %v at a header pressure of %v: a row has burst or come open.", q, x, h)
	case above && k == FlowCreeping:
		return say.T("Flow has crept up to %v; the emitters explain %v at a header pressure of %v: a leak that grows.", q, x, h)
	case above && k == FlowFromStart:
		return say.T("Flow has been too high since the lines came to pressure: %v, and the emitters explain %v at a header pressure of %v: an open row end, a leak, or a zone larger than described.", q, x, h)
	case k == FlowSudden:
		return say.T("Flow fell to %v within a minute; the emitters explain %v at a header pressure of %v: a row was shut or kinked.", q, x, h)
	case k == FlowCreeping:
		return say.T("Flow has crept down to %v; the emitters explain %v at a header pressure of %v: emitters are clogging.", q, x, h)
	case k == FlowFromStart:
		return say.T("Flow has been too low since the lines came to pressure: %v, and the emitters explain %v at a header pressure of %v: a row still shut, clogged emitters, or a zone smaller than described.", q, x, h)
	}
	return say.T("Flow is %v; the emitters explain %v at this pressure.", q, x)
}
