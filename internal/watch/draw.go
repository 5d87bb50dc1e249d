package watch

import (
	"fmt"
	"math"
	"strings"
	"time"

	"boxd/internal/engine"
	"boxd/internal/units"

	"github.com/gdamore/tcell/v2"
)

// scene is what is drawn: the newest view and how it stands with the box.
type scene struct {
	view  *engine.View
	age   time.Duration // of the newest view
	lost  string        // why there is no stream, empty while there is one
	units units.System
}

// staleAfter is when a view is no longer to be relied on, as on the page.
const staleAfter = 5 * time.Second

func (s scene) stopped() bool {
	return s.lost != "" || s.view == nil || s.age > staleAfter || s.view.Step == "stopped"
}

// canvas writes lines from the top; what does not fit is left out.
type canvas struct {
	to   tcell.Screen
	w, h int
	y    int
}

func draw(to tcell.Screen, s scene) {
	to.Clear()
	w, h := to.Size()
	c := &canvas{to: to, w: w, h: h}
	plain := tcell.StyleDefault
	values := plain
	if s.stopped() {
		c.banner(s)
		values = plain.Dim(true).Italic(true)
	}
	if s.view == nil {
		c.line(plain, "waiting for the box …")
		c.foot()
		to.Show()
		return
	}
	c.head(s.view)
	c.alarms(s.view)
	c.advice(s.view)
	c.holds(s.view)
	c.progress(s, values)
	c.readings(s, values)
	c.foot()
	to.Show()
}

func (c *canvas) banner(s scene) {
	why := s.lost
	switch {
	case why != "":
	case s.view == nil:
		return
	case s.view.Step == "stopped":
		why = s.view.StepWhy
	default:
		why = "nothing heard from the core"
	}
	text := "■ stopped: do not rely on this. " + why
	if s.view != nil {
		text += fmt.Sprintf(" Last heard %.0f s ago.", s.age.Seconds())
	}
	c.wrap(tcell.StyleDefault.Reverse(true).Bold(true), text, 0)
}

func (c *canvas) head(v *engine.View) {
	bold := tcell.StyleDefault.Bold(true)
	run := "no run under way"
	if v.Run != "" {
		run = "run " + v.Run
		if v.RunT != nil {
			run += fmt.Sprintf(", %.0f min", *v.RunT/60)
		}
	}
	c.line(bold, fmt.Sprintf("%s · %s · %s", v.Box, v.Zone, run))
	steps := []string{"ready", "pressurise", "inject", "flush", "secure"}
	for i, name := range steps {
		if name == v.Step {
			steps[i] = "[" + name + "]"
		}
	}
	c.line(tcell.StyleDefault, strings.Join(steps, " → ")+"   "+v.StepWhy)
	c.gap()
}

// alarms are marked by a shape and a word; reverse video is for those nobody has
// seen, since a terminal may have no colour.
func (c *canvas) alarms(v *engine.View) {
	for _, a := range v.Alarms {
		style := tcell.StyleDefault.Bold(true)
		if !a.Acked {
			style = style.Reverse(true)
		}
		mark := map[string]string{"critical": "◆", "high": "▲"}[a.Priority]
		if mark == "" {
			mark = "●"
		}
		if a.Cause != "" {
			mark = "  └ " + mark
			style = tcell.StyleDefault
		}
		c.wrap(style, fmt.Sprintf("%s %s, %s: %s", mark, a.Priority, a.State, a.Text), 2)
		if a.Cause == "" && a.Do != "" {
			c.wrap(tcell.StyleDefault, "Do: "+a.Do, 2)
		}
	}
}

func (c *canvas) advice(v *engine.View) {
	a := v.Advice
	if a == nil {
		return
	}
	c.wrap(tcell.StyleDefault.Bold(true), "➤ "+a.Text, 2)
	for _, why := range a.Why {
		c.wrap(tcell.StyleDefault, "- "+why, 4)
	}
	switch {
	case a.Verifying:
		c.line(tcell.StyleDefault, "  ◔ confirmed; waiting for the readings to agree")
	case a.Button != "":
		c.line(tcell.StyleDefault, "  to be confirmed on the page or at the box: "+a.Button)
	}
	if a.Minutes != nil {
		c.line(tcell.StyleDefault, fmt.Sprintf("  %.0f min left at the present flow", *a.Minutes))
	}
	c.gap()
}

func (c *canvas) holds(v *engine.View) {
	for _, h := range v.Holds {
		c.wrap(tcell.StyleDefault.Bold(true), "‖ hold on "+h.On+": "+h.Reason, 2)
	}
}

// progress is a bar of what is under way.
func (c *canvas) progress(s scene, style tcell.Style) {
	p := s.view.Progress
	switch s.view.Step {
	case "pressurise":
		c.bar(style, "lines filled", p.FilledPct)
	case "inject":
		if p.InjectedMin != nil && p.PlannedMin != nil && *p.PlannedMin > 0 {
			done := 100 * *p.InjectedMin / *p.PlannedMin
			c.bar(style, "injected", &done)
		}
	case "flush":
		if p.FlushPassedL != nil && p.FlushNeededL != nil && *p.FlushNeededL > 0 {
			done := 100 * *p.FlushPassedL / *p.FlushNeededL
			c.bar(style, "flushed", &done)
		}
		c.bar(style, "last emitter has had", p.LastEmitterPct)
	}
}

func (c *canvas) bar(style tcell.Style, name string, pct *float64) {
	if pct == nil {
		c.line(style, fmt.Sprintf("%-22s unknown", name))
		return
	}
	wide := max(10, min(40, c.w-34))
	full := int(math.Floor(min(1, max(0, *pct/100)) * float64(wide)))
	c.line(style, fmt.Sprintf("%-22s %s%s %5.1f %%", name, strings.Repeat("█", full), strings.Repeat("░", wide-full), math.Floor(*pct*10)/10))
}

// readings stand in two columns where there is room.
func (c *canvas) readings(s scene, style tcell.Style) {
	c.gap()
	cells := make([]string, 0, len(s.view.Channels))
	for _, ch := range s.view.Channels {
		mark := " "
		switch ch.Quality {
		case "good":
		case "uncertain":
			mark = "≈"
		case "bad":
			mark = "✕"
		default:
			mark = "?"
		}
		cells = append(cells, fmt.Sprintf("%-7s%-24.24s %14s %s", ch.Tag, ch.Name, shown(ch, s.units), mark))
	}
	if c.w < 100 {
		for _, cell := range cells {
			c.line(style, cell)
		}
		return
	}
	half := (len(cells) + 1) / 2
	for i := range half {
		line := cells[i]
		if i+half < len(cells) {
			line += "  " + cells[i+half]
		}
		c.line(style, line)
	}
}

// shown is a channel's number in the reader's units; unknown where there is none.
func shown(ch engine.ChannelView, u units.System) string {
	if ch.Value == nil || ch.Quality != "good" && ch.Quality != "uncertain" {
		return "unknown"
	}
	v := *ch.Value
	switch ch.Unit {
	case "kPa":
		return u.Pressure(units.KPa(v)).String()
	case "L/min":
		return u.Flow(units.LPerMin(v)).String()
	case "°C":
		return u.Temperature(units.Celsius(v)).String()
	case "µS/cm":
		return fmt.Sprintf("%.0f µS/cm", v)
	}
	return fmt.Sprintf("%.1f %s", v, ch.Unit)
}

func (c *canvas) foot() {
	if c.y < c.h {
		c.y = c.h - 1
		c.line(tcell.StyleDefault.Dim(true), "q leaves · u changes units · boxd advises a person; it moves no valve")
	}
}

func (c *canvas) gap() { c.y++ }

func (c *canvas) line(style tcell.Style, text string) {
	if c.y >= c.h {
		return
	}
	x := 0
	for _, r := range text {
		if x >= c.w {
			break
		}
		c.to.SetContent(x, c.y, r, nil, style)
		x++
	}
	c.y++
}

// wrap writes text over as many lines as it needs, the later ones indented.
func (c *canvas) wrap(style tcell.Style, text string, indent int) {
	line, first := "", true
	put := func() {
		if line != "" {
			c.line(style, line)
		}
		line, first = strings.Repeat(" ", indent), false
	}
	for _, word := range strings.Fields(text) {
		switch {
		case len([]rune(line))+1+len([]rune(word)) > c.w && strings.TrimSpace(line) != "":
			put()
			line += word
		case strings.TrimSpace(line) == "":
			if first && indent > 0 && line == "" {
				line = strings.Repeat(" ", max(0, indent-2))
			}
			line += word
		default:
			line += " " + word
		}
	}
	put()
}
