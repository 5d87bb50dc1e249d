package alert

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode"

	"boxd/internal/engine"
	"boxd/internal/say"
	"boxd/internal/units"
)

// Lengths a lock screen shows without being opened: common practice, no source.
const (
	maxTitle = 50
	maxText  = 110
	early    = 60 // a number within so many characters is found at a glance
)

// Style is how a target is spoken to.
type Style struct {
	US       bool         // psi, °F, gal; else kPa, °C, L
	Messages say.Messages // of the language; nil: English
	Page     string       // URL of the page, goes with every note; empty: none
}

func (s Style) voice() say.Voice {
	if s.US {
		return say.Voice{Units: units.US, Messages: s.Messages}
	}
	return say.Voice{Units: units.Metric, Messages: s.Messages}
}

// say says a sentence; its format is a constant.
func (s Style) say(format string, args ...any) string {
	return s.voice().Say(say.Text{Format: format, Args: args})
}

// told is what an event says, in the target's language where that can be had: an
// event is kept in the box's own, the view has it anew as long as it stands.
func (s Style) told(e engine.Event, v *engine.View) string {
	if s.Messages == nil || v == nil {
		return oneLine(e.Text)
	}
	switch said := v.In(s.voice()); e.Kind {
	case engine.AlarmEvent:
		if a, ok := standing(e.ID, &said); ok {
			return oneLine(a.Text + " " + a.Do)
		}
	case engine.AdviceEvent:
		if said.Advice != nil && said.Advice.Number == e.Number {
			return oneLine(said.Advice.Text)
		}
	case OutlookEvent:
		if text := s.Outlook(v); text != "" {
			return text
		}
	case engine.MilestoneEvent, engine.StepEvent, engine.HoldEvent, engine.ReleaseEvent, engine.ActionEvent, engine.RefusalEvent, engine.NoteEvent,
		engine.RunEvent, engine.SummaryEvent, engine.ForecastEvent, engine.OverrideEvent:
	}
	return oneLine(e.Text)
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
		text := s.told(e, v)
		return Note{Title: cut(box+": "+s.say("your turn"), maxTitle), Text: cut(text, maxText), Priority: High}, e.Deed != "" && text != ""
	case OutlookEvent:
		return Note{Title: cut(box+": "+s.say("frost tonight"), maxTitle), Text: cut(s.told(e, v), maxText), Priority: High}, e.Text != ""
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
	name := s.voice().Say(called(e.ID))
	switch e.State {
	case "raised", "latched":
		text := s.told(e, v)
		if !hasDigit(cut(text, early)) {
			text = join(s.number(e.ID, v), text)
		}
		return Note{Title: cut(box+": "+name, maxTitle), Text: cut(orElse(text, name), maxText), Priority: p}, true
	case "cleared":
		if p < High {
			return Note{}, false
		}
		text := join(s.number(e.ID, v), s.say("no longer stands; look before going on"))
		return Note{Title: cut(box+": "+s.say("over, %s", name), maxTitle), Text: cut(text, maxText), Priority: Low}, true
	}
	return Note{}, false
}

// FlushDone is what the grower waits for.
func (s Style) FlushDone(box string, v *engine.View) Note {
	var parts []string
	if v != nil {
		if p := v.Progress; p.LastEmitterPct != nil {
			parts = append(parts, s.say("Last plant has %.0f %% of its share.", *p.LastEmitterPct))
		}
		if v.Progress.VolumeL > 0 {
			parts = append(parts, s.say("%s in this run.", s.volume(v.Progress.VolumeL)))
		}
	}
	parts = append(parts, s.say("Clean water at the last emitter. Secure the box."))
	return Note{Title: cut(box+": "+s.say("flush done"), maxTitle), Text: cut(strings.Join(parts, " "), maxText), Priority: High}
}

// Outlook is what is told of the night at dusk; empty when no frost is ahead.
func (s Style) Outlook(v *engine.View) string {
	if !FrostAhead(v) {
		return ""
	}
	f := v.Freeze
	var parts []string
	if f.HoursLow != nil {
		first := s.say("%.0f h at the least to %s", math.Floor(*f.HoursLow), s.freezing())
		if f.Body != "" {
			first += " (" + s.say(strings.ReplaceAll(f.Body, "-", " ")) + ")"
		}
		parts = append(parts, first+".")
	}
	if f.ForecastLowC != nil {
		parts = append(parts, s.reading(s.say("Forecast low"), f.ForecastLowC, "°C")+".")
	}
	parts = append(parts, orElse(oneLine(v.In(s.voice()).Freeze.Advice), s.say("Keep the box from freezing: drain or heat it.")))
	return strings.Join(parts, " ")
}

// freezing is where water freezes.
func (s Style) freezing() string {
	if s.US {
		return "32 °F"
	}
	return "0 °C"
}

func (s Style) milestone(box, name string, v *engine.View) Note {
	words := s.say(strings.ReplaceAll(name, "_", " "))
	text := words
	if v != nil && v.Progress.VolumeL > 0 {
		text = words + ": " + s.say("%s in this run", s.volume(v.Progress.VolumeL))
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
		return s.given(say.T("flow %.0f %% of expected"), p.FlowRatioPct)
	case "flush-incomplete":
		return s.given(say.T("last plant %.0f %% of its share"), p.LastEmitterPct)
	case "ratio-off":
		return s.given(say.T("field ratio %.2f %%"), p.FieldRatioPct)
	case "freeze-risk":
		if p.FreezeHours != nil {
			return s.say("%.1f h to %s", *p.FreezeHours, s.freezing())
		}
	case "filter-clogging", "filter-torn":
		return s.reading(s.say("filter difference"), p.FilterDiffKPa, "kPa")
	case "injector-not-cycling":
		return s.reading(s.say("injector difference"), p.InjectorDiffKPa, "kPa")
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
			return s.reading(s.say(c.Name), c.Value, c.Unit)
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

func (s Style) given(t say.Text, x *float64) string {
	if x == nil {
		return ""
	}
	t.Args = []any{*x}
	return s.voice().Say(t)
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
