package web

import (
	"fmt"
	"math"
	"strings"
	"unicode/utf8"

	"boxd/internal/units"
)

// The pictures of the plan page are stretched to the page's width: what is
// drawn lies in a frame of 1000 by 1000, and the words are laid over it at a
// share of the width, so that they keep their size.
const frameSize = 1000.0

// timeMargin leaves room after the run for the line's end to be clean.
const timeMargin = 1.06

// How wide a stage must be to bear its name, in per cent of the picture a
// letter: on the narrowest screen, and on a wide one.
const (
	wordRoom = 4.2
	deskRoom = 1.2
)

type timeline struct{ Stages []stageBar }

// stageBar is one stage in the frame, and where its word goes.
type stageBar struct {
	PlanStage
	X, Width float64
	Middle   string // per cent
	Word     string // empty where there's no room
	Tight    bool   // room on a wide screen only
}

func (d display) timeline(p PlanView, extent float64) timeline {
	var t timeline
	at := 0.0
	for _, s := range p.Stages {
		b := stageBar{PlanStage: s, X: frameSize * at / extent, Width: frameSize * s.Minutes / extent}
		b.Middle = percentOf(b.X+b.Width/2, frameSize)
		word := d.word(s.Name)
		letters := float64(utf8.RuneCountInString(word))
		if share := 100 * b.Width / frameSize; share > deskRoom*letters {
			b.Word, b.Tight = word, share <= wordRoom*letters
		}
		at += s.Minutes
		t.Stages = append(t.Stages, b)
	}
	return t
}

func percentOf(x, whole float64) string { return fmt.Sprintf("%.2f%%", 100*x/whole) }

// chart is the two curves with their scales.
type chart struct {
	Box, End string // path data in the frame
	Stages   []stageBar
	X, Y     []tick
	Time     string // what X counts
}

// tick is a line of the grid at At in the frame, and its word at Place.
type tick struct {
	At          float64
	Place, Word string
	Anchor      string
}

func (d display) chart(p PlanView, extent float64) chart {
	most := 0.0
	for _, c := range [][]PlanPoint{p.EC.Box, p.EC.End} {
		for _, pt := range c {
			most = max(most, pt.Value)
		}
	}
	step := niceStep(most / 4)
	top := step * math.Ceil(most*1.05/step)
	if !(extent > 0) || !(top > 0) {
		return chart{}
	}
	x := func(m float64) float64 { return frameSize * m / extent }
	y := func(v float64) float64 { return frameSize * (1 - v/top) }
	c := chart{Box: pathOf(p.EC.Box, x, y), End: pathOf(p.EC.End, x, y), Stages: d.timeline(p, extent).Stages}
	for v := 0.0; v <= top+step/2; v += step {
		c.Y = append(c.Y, tick{At: y(v), Place: percentOf(y(v), frameSize), Word: digits(v, max(p.EC.Decimals, decimalsOf(step)))})
	}
	c.X, c.Time = d.timeTicks(extent)
	return c
}

// longRun is from when on the axis of time counts hours, in minutes.
const longRun = 240

// timeTicks are the words along the time and what they count.
func (d display) timeTicks(extent float64) ([]tick, string) {
	unit, counts := 1.0, d.say("minutes from the first water")
	if extent > longRun {
		unit, counts = 60, d.say("hours from the first water")
	}
	step := max(1, niceStep(extent/unit/5))
	var out []tick
	for v := 0.0; v*unit <= extent; v += step {
		at := frameSize * v * unit / extent
		t := tick{At: at, Place: percentOf(at, frameSize), Word: digits(v, 0), Anchor: "middle"}
		switch {
		case v == 0:
			t.Anchor = "start"
		case at > 0.97*frameSize:
			t.Anchor = "end"
		}
		out = append(out, t)
	}
	return out, counts
}

func pathOf(points []PlanPoint, x, y func(float64) float64) string {
	var b strings.Builder
	for i, pt := range points {
		verb := " L"
		if i == 0 {
			verb = "M"
		}
		fmt.Fprintf(&b, "%s%.1f %.1f", verb, x(pt.Minute), y(pt.Value))
	}
	return b.String()
}

// niceStep is the 1, 2 or 5 times a power of ten at v or next above it; 1 where
// there is nothing to scale.
func niceStep(v float64) float64 {
	if !(v > 0) || !units.Finite(v) {
		return 1
	}
	p := math.Pow(10, math.Floor(math.Log10(v)))
	for _, k := range []float64{1, 2, 5} {
		if v <= k*p*(1+1e-9) {
			return k * p
		}
	}
	return 10 * p
}

func decimalsOf(step float64) int {
	return int(max(0, -math.Floor(math.Log10(step)+1e-9)))
}

// strip is one lateral: its emitters' flow about the mean of all.
type strip struct {
	PlanRow
	Line, Area string // path data; the mean is at half the height
	Words      string
}

// strips gives every lateral its curve, all at one scale, and says it.
func (d display) strips(rows PlanRows) ([]strip, string) {
	most := 0.0
	for _, r := range rows.Rows {
		for _, v := range r.OffPct {
			most = max(most, math.Abs(v))
		}
	}
	span := niceStep(most * 1.02)
	var out []strip
	for _, r := range rows.Rows {
		out = append(out, d.strip(r, span))
	}
	return out, digits(span, decimalsOf(span)) + "\u00a0%"
}

func (d display) strip(r PlanRow, span float64) strip {
	s := strip{PlanRow: r}
	low, high := math.Inf(1), math.Inf(-1)
	n := float64(max(1, len(r.OffPct)))
	var line strings.Builder
	for i, v := range r.OffPct {
		low, high = min(low, v), max(high, v)
		verb := " L"
		if i == 0 {
			verb = "M"
		}
		y := frameSize / 2 * (1 - v/span)
		fmt.Fprintf(&line, "%s%.1f %.1f L%.1f %.1f", verb, frameSize*float64(i)/n, y, frameSize*float64(i+1)/n, y)
	}
	s.Line = line.String()
	if len(r.OffPct) > 0 {
		s.Area = fmt.Sprintf("M0 %g%s L%g %g Z", frameSize/2, strings.Replace(s.Line, "M", " L", 1), frameSize, frameSize/2)
		decimals := 1
		if span < 5 {
			decimals = 2
		}
		s.Words = d.say("%s to %s", signed(low, decimals), signed(high, decimals))
	}
	return s
}

// signed writes a difference in per cent with its sign.
func signed(pct float64, decimals int) string {
	text := digits(math.Abs(pct), decimals)
	switch {
	case strings.Trim(text, "0.") == "":
		return "±0\u00a0%"
	case pct < 0:
		return "−" + text + "\u00a0%"
	}
	return "+" + text + "\u00a0%"
}
