package alert

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode"

	"boxd/internal/engine"
	"boxd/internal/units"
)

// Lengths a lock screen shows without being opened: common practice, no source.
const (
	maxTitle = 50
	maxText  = 110
	early    = 60 // a number within so many characters is found at a glance
)

// Style is how the numbers that this package adds are written.
type Style struct {
	US   bool   // psi, °F, gal; else kPa, °C, L
	Page string // URL of the page, goes with every note; empty: none
}

// Wanted says whether an event is among what an address asked for: priorities
// of alarms, alarm ids, milestones.
func Wanted(e engine.Event, words []string) bool {
	switch e.Kind {
	case engine.AlarmEvent:
		return slices.Contains(words, e.Priority) || slices.Contains(words, e.ID)
	case engine.MilestoneEvent:
		return slices.Contains(words, e.Name)
	case engine.AdviceEvent:
		return e.Deed != "" && slices.Contains(words, "your-turn")
	case OutlookEvent:
		return slices.Contains(words, string(OutlookEvent))
	case engine.StepEvent, engine.HoldEvent, engine.ReleaseEvent, engine.ActionEvent, engine.RefusalEvent, engine.NoteEvent,
		engine.RunEvent, engine.SummaryEvent, engine.ForecastEvent, engine.OverrideEvent:
	}
	return false
}

// FromEvent shapes the note of an event that a person away from the box can
// want: an alarm raised, a critical or high one cleared, a milestone, an advice
// that asks for a deed, frost ahead. An alarm
// that follows from another is no news of its own, nor is one that is set aside.
// false means that the event is none of these. The view is the one shown with the
// event; it may be nil.
func (s Style) FromEvent(box string, e engine.Event, v *engine.View) (Note, bool) {
	n, ok := s.fromEvent(box, e, v)
	n.Link = s.Page
	return n, ok
}

func (s Style) fromEvent(box string, e engine.Event, v *engine.View) (Note, bool) {
	switch e.Kind {
	case engine.AlarmEvent:
		return s.alarm(box, e, v)
	case engine.MilestoneEvent:
		if e.Name == "flush_done" {
			return s.FlushDone(box, v), true
		}
		return s.milestone(box, e.Name, v), true
	case engine.AdviceEvent:
		text := oneLine(e.Text)
		return Note{Title: cut(box+": your turn", maxTitle), Text: cut(text, maxText), Priority: High}, e.Deed != "" && text != ""
	case OutlookEvent:
		return Note{Title: cut(box+": frost tonight", maxTitle), Text: cut(oneLine(e.Text), maxText), Priority: High}, e.Text != ""
	case engine.StepEvent, engine.HoldEvent, engine.ReleaseEvent, engine.ActionEvent, engine.RefusalEvent, engine.NoteEvent,
		engine.RunEvent, engine.SummaryEvent, engine.ForecastEvent, engine.OverrideEvent:
	}
	return Note{}, false
}

func (s Style) alarm(box string, e engine.Event, v *engine.View) (Note, bool) {
	if e.Cause != "" {
		return Note{}, false
	}
	p := PriorityOf(e.Priority)
	name := strings.ReplaceAll(e.ID, "-", " ")
	switch e.State {
	case "raised", "latched":
		text := oneLine(e.Text)
		if !hasDigit(cut(text, early)) {
			text = join(s.number(e.ID, v), text)
		}
		return Note{Title: cut(box+": "+name, maxTitle), Text: cut(orElse(text, name), maxText), Priority: p}, true
	case "cleared":
		if p < High {
			return Note{}, false
		}
		text := join(s.number(e.ID, v), "no longer stands; look before going on")
		return Note{Title: cut(box+": over, "+name, maxTitle), Text: cut(text, maxText), Priority: Low}, true
	}
	return Note{}, false
}

// FlushDone is what the grower waits for.
func (s Style) FlushDone(box string, v *engine.View) Note {
	var parts []string
	if v != nil {
		if p := v.Progress; p.LastEmitterPct != nil {
			parts = append(parts, fmt.Sprintf("Last plant has %.0f %% of its share.", *p.LastEmitterPct))
		}
		if v.Progress.VolumeL > 0 {
			parts = append(parts, s.volume(v.Progress.VolumeL)+" in this run.")
		}
	}
	parts = append(parts, "Clean water at the last emitter. Secure the box.")
	return Note{Title: cut(box+": flush done", maxTitle), Text: cut(strings.Join(parts, " "), maxText), Priority: High}
}

// Outlook is what is told of the night at dusk; empty when no frost is ahead.
func (s Style) Outlook(v *engine.View) string {
	if !FrostAhead(v) {
		return ""
	}
	f := v.Freeze
	var parts []string
	if f.HoursLow != nil {
		first := fmt.Sprintf("%.0f h at the least to 0 °C", math.Floor(*f.HoursLow))
		if s.US {
			first = fmt.Sprintf("%.0f h at the least to 32 °F", math.Floor(*f.HoursLow))
		}
		if f.Body != "" {
			first += " (" + strings.ReplaceAll(f.Body, "-", " ") + ")"
		}
		parts = append(parts, first+".")
	}
	if f.ForecastLowC != nil {
		parts = append(parts, s.reading("Forecast low", f.ForecastLowC, "°C")+".")
	}
	parts = append(parts, orElse(oneLine(f.Advice), "Keep the box from freezing: drain or heat it."))
	return strings.Join(parts, " ")
}

func (s Style) milestone(box, name string, v *engine.View) Note {
	words := strings.ReplaceAll(name, "_", " ")
	text := words
	if v != nil && v.Progress.VolumeL > 0 {
		text = words + ": " + s.volume(v.Progress.VolumeL) + " in this run"
	}
	return Note{Title: cut(box+": "+words, maxTitle), Text: cut(text, maxText), Priority: Low}
}

// number is the one that matters for the alarm, from the view; empty when it is
// not known.
func (s Style) number(id string, v *engine.View) string {
	if v == nil {
		return ""
	}
	p := v.Progress
	switch id {
	case "flow-above-expected", "flow-below-expected":
		return given("flow %.0f %% of expected", p.FlowRatioPct)
	case "flush-incomplete":
		return given("last plant %.0f %% of its share", p.LastEmitterPct)
	case "ratio-off":
		return given("field ratio %.2f %%", p.FieldRatioPct)
	case "freeze-risk":
		if p.FreezeHours != nil {
			return given("%.1f h to 0 °C", p.FreezeHours)
		}
	case "filter-clogging", "filter-torn":
		return s.reading("filter difference", p.FilterDiffKPa, "kPa")
	case "injector-not-cycling":
		return s.reading("injector difference", p.InjectorDiffKPa, "kPa")
	}
	return s.channel(columnOf(id), v)
}

// columnOf is the channel an alarm is about.
func columnOf(id string) string {
	switch id {
	case "supply-pressure-low", "backflow-sign":
		return "supply_kpa"
	case "header-pressure-low", "header-pressure-high":
		return "header_kpa"
	case "ec-above-limit":
		return "ec_box_us_cm"
	case "freeze-risk":
		return "water_c"
	case "stock-empty":
		return "stock_draw_lpm"
	}
	return ""
}

// channel gives a number only where it can be trusted.
func (s Style) channel(column string, v *engine.View) string {
	for _, c := range v.Channels {
		if c.Column == column && column != "" && (c.Quality == "good" || c.Quality == "uncertain") {
			return s.reading(c.Name, c.Value, c.Unit)
		}
	}
	return ""
}

func (s Style) reading(name string, value *float64, unit string) string {
	if value == nil {
		return ""
	}
	x, digits := *value, 1
	if s.US {
		switch unit {
		case "kPa":
			x, unit = x/units.KPaPerPsi, "psi"
		case "°C":
			x, unit = x*9/5+32, "°F"
		case "L/min":
			x, unit = x/units.LitrePerUSGallon, "gal/min"
		}
	}
	if unit == "µS/cm" {
		digits = 0
	}
	return fmt.Sprintf("%s %.*f %s", name, digits, x, unit)
}

func (s Style) volume(litres float64) string {
	if s.US {
		return fmt.Sprintf("%.0f gal", litres/units.LitrePerUSGallon)
	}
	return fmt.Sprintf("%.0f L", litres)
}

func given(format string, x *float64) string {
	if x == nil {
		return ""
	}
	return fmt.Sprintf(format, *x)
}

func hasDigit(s string) bool { return strings.IndexFunc(s, unicode.IsDigit) >= 0 }

func join(a, b string) string {
	switch {
	case a == "":
		return b
	case b == "":
		return a
	}
	return a + ": " + b
}

func orElse(s, other string) string {
	if s == "" {
		return other
	}
	return s
}

// cut shortens at a word, in characters, and shows that it did.
func cut(s string, n int) string {
	r := []rune(s)
	if len(r) <= n {
		return s
	}
	head := string(r[:n-1])
	if i := strings.LastIndexByte(head, ' '); i > len(head)/2 {
		head = head[:i]
	}
	return strings.TrimRight(head, " ,.;:") + "…"
}
