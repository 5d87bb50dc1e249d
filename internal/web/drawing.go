package web

import (
	"cmp"
	"math"
	"slices"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/units"
)

// The parts of the box that advice can be about.
const (
	partSupply   = "supply"
	partFilter   = "filter"
	partInjector = "injector"
	partLoop     = "loop"
	partHeader   = "header"
)

// drawing is the box with what is measured where. Asked is the part the advice
// is about, empty for none.
type drawing struct {
	Asked, Says                                                       string
	Supply, FilterOut, InjIn, InjOut, Header, Main, Branch, EC, Stock string
	Flowing                                                           bool
	Ring                                                              []ring
}

// ring marks one valve or part in the drawing.
type ring struct{ X, Y, R float64 }

func (s visit) drawing(v engine.View) drawing {
	by := map[string]string{}
	for _, c := range v.Channels {
		by[c.Column] = s.show.channel(c)
	}
	at := func(ch box.Channel) string { return cmp.Or(by[ch.Info().Column], s.show.unknown()) }
	d := drawing{
		Supply: at(box.SupplyPressure), FilterOut: at(box.FilterOutPressure), InjIn: at(box.InjectorInPressure),
		InjOut: at(box.InjectorOutPressure), Header: at(box.HeaderPressure), Main: at(box.MainFlow),
		Branch: at(box.InjectorFlow), EC: at(box.BoxEC), Stock: at(box.StockDraw), Flowing: v.Progress.Flowing,
	}
	if v.Advice != nil {
		d.Asked = v.Advice.Valve
		d.Ring, d.Says = rings(v.Advice.Valve)
		d.Says = s.show.say(d.Says)
	}
	return d
}

// rings are where a part sits in the drawing (see pages/drawing.html), and its name.
func rings(part string) ([]ring, string) {
	switch part {
	case partSupply:
		return []ring{{110, 84, 24}}, "shutoff valve"
	case partFilter:
		return []ring{{110, 156, 26}}, "filter"
	case partInjector:
		return []ring{{250, 240, 20}, {250, 348, 20}}, "injector valves"
	case partLoop:
		return []ring{{110, 294, 24}}, "loop valve"
	case partHeader:
		return []ring{{290, 500, 20}}, "header"
	}
	return nil, ""
}

// dial is a straight scale: a number large enough to read while turning a
// valve, and where it lies in its window.
type dial struct {
	ID, Name, Value, Word string // Word: in the window, low, high, unknown
	Window                string
	Known, Abnormal       bool
	Below                 bool
	At, Low, Wide         float64 // of a scale 300 wide
}

const dialWidth = 300

func (s visit) dials(v engine.View) []dial {
	p := v.Progress
	var header *float64
	i := slices.IndexFunc(v.Channels, func(c engine.ChannelView) bool { return c.Column == box.HeaderPressure.Info().Column })
	if i >= 0 {
		header = usable(v.Channels[i])
	}
	dials := []dial{s.dial("dial-header", s.show.say("header pressure"), header, p.HeaderLowKPa, p.HeaderHighKPa, p.Flowing)}
	if p.InjectorStartKPa > 0 {
		d := s.dial("dial-injector", s.show.say("difference across the injector"), p.InjectorDiffKPa,
			p.InjectorStartKPa, math.Inf(1), v.Step == "inject")
		// No upper bound is told: the window is open to the right.
		d.Window = s.show.say("starts at %s", s.show.pressure(&p.InjectorStartKPa))
		d.Low, d.Wide = dialWidth/3.0, dialWidth*2/3.0
		d.At = place(p.InjectorDiffKPa, 3*p.InjectorStartKPa)
		switch {
		case d.Below:
			d.Word = s.show.say("too little to start it")
		case d.Known:
			d.Word = s.show.say("enough to start it")
		}
		dials = append(dials, d)
	}
	return dials
}

// dial makes a scale from 0 to a quarter beyond high. Outside its window it is
// abnormal only while it matters.
func (s visit) dial(id, name string, v *float64, low, high float64, matters bool) dial {
	top := high * 1.25
	d := dial{ID: id, Name: name, Value: s.show.pressure(v), Known: v != nil, Word: s.show.unknown(), At: place(v, top)}
	if top > 0 && units.Finite(top) {
		d.Low, d.Wide = dialWidth*low/top, dialWidth*(high-low)/top
	}
	d.Window = s.show.say("window %s to %s", s.show.pressure(&low), s.show.pressure(&high))
	if v == nil {
		return d
	}
	d.Word = s.show.say("in its window")
	switch {
	case *v < low:
		d.Word, d.Abnormal, d.Below = s.show.say("below"), matters, true
	case *v > high:
		d.Word, d.Abnormal = s.show.say("above"), matters
	}
	return d
}

func place(v *float64, top float64) float64 {
	if v == nil || top <= 0 {
		return 0
	}
	return dialWidth * min(1, max(0, *v/top))
}

// rowBar is one lateral in the picture, in a drawing 300 wide.
type rowBar struct {
	Row                         int
	Y, Clean, Front, FrontWidth float64
	Label                       bool
	Says                        string
}

const (
	rowWide  = 260.0
	rowPitch = 18.0
)

// rowBars are the laterals while something is on its way in them.
func (s visit) rowBars(v engine.View) ([]rowBar, float64) {
	if v.Step != "inject" && v.Step != "flush" && v.Step != "secure" {
		return nil, 0
	}
	bars := make([]rowBar, 0, len(v.Progress.Rows))
	for i, r := range v.Progress.Rows {
		c := min(1, max(0, r.Clean))
		f := min(1, max(c, r.Fertilized))
		bars = append(bars, rowBar{
			Row: r.Row, Y: float64(i) * rowPitch, Clean: c * rowWide, Front: c * rowWide, FrontWidth: (f - c) * rowWide,
			Says: s.show.say("clean %s %%, fertilizer to %s %%", digits(c*100, 0), digits(f*100, 0)),
		})
	}
	return bars, float64(len(bars)) * rowPitch
}
