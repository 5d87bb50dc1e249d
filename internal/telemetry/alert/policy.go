package alert

import (
	"time"

	"boxd/internal/engine"
)

// Quiet are hours of the day in which only what is critical is sent. They may
// span midnight; From = Until is none.
type Quiet struct {
	From, Until time.Duration // after local midnight
	Zone        *time.Location
}

// At says whether t is within the quiet hours.
func (q Quiet) At(t time.Time) bool {
	if q.From == q.Until {
		return false
	}
	at := OfDay(t, q.Zone)
	if q.From < q.Until {
		return at >= q.From && at < q.Until
	}
	return at >= q.From || at < q.Until
}

// OfDay is what the clock on the wall shows, which on two days a year is not the
// time since midnight.
func OfDay(t time.Time, zone *time.Location) time.Duration {
	if zone != nil {
		t = t.In(zone)
	}
	return time.Duration(t.Hour())*time.Hour + time.Duration(t.Minute())*time.Minute + time.Duration(t.Second())*time.Second
}

// fresh is how long an alarm is told whatever has become of it since.
const fresh = 10 * time.Minute

// Useful says whether a note of the event still helps after age. An alarm does
// as long as it stands unseen; that a short one is over is told for two hours.
func Useful(e engine.Event, v *engine.View, age time.Duration) bool {
	switch e.Kind {
	case engine.AlarmEvent:
		if e.State == "cleared" {
			return age <= 2*time.Hour
		}
		return age <= fresh || StillSo(e, v)
	case engine.MilestoneEvent:
		return age <= 12*time.Hour
	case engine.AdviceEvent:
		return StillSo(e, v)
	case OutlookEvent:
		return age <= 6*time.Hour
	case engine.StepEvent, engine.HoldEvent, engine.ReleaseEvent, engine.ActionEvent, engine.RefusalEvent, engine.NoteEvent,
		engine.RunEvent, engine.SummaryEvent, engine.ForecastEvent, engine.OverrideEvent:
	}
	return false
}

// StillSo says whether what the event told holds by the view. Without a view
// nobody knows, and it is told.
func StillSo(e engine.Event, v *engine.View) bool {
	if v == nil {
		return true
	}
	switch e.Kind {
	case engine.AlarmEvent:
		a, found := standing(e.ID, v)
		if e.State == "cleared" {
			return !found || !a.Active
		}
		return found && !a.Acked
	case engine.AdviceEvent:
		return v.Advice != nil && v.Advice.Number == e.Number && v.Advice.Deed == e.Deed
	case engine.MilestoneEvent:
		for _, m := range v.Past {
			if m.Name == e.Name {
				return true
			}
		}
		return v.Run == ""
	case OutlookEvent:
		return FrostAhead(v)
	case engine.StepEvent, engine.HoldEvent, engine.ReleaseEvent, engine.ActionEvent, engine.RefusalEvent, engine.NoteEvent,
		engine.RunEvent, engine.SummaryEvent, engine.ForecastEvent, engine.OverrideEvent:
	}
	return false
}

func standing(id string, v *engine.View) (engine.AlarmView, bool) {
	for _, a := range v.Alarms {
		if a.ID == id {
			return a, true
		}
	}
	return engine.AlarmView{}, false
}

// Unseen are the critical and high alarms that stand and nobody has seen, as
// they were raised. What follows from another alarm is not among them.
func Unseen(v *engine.View) []engine.Event {
	var out []engine.Event
	for _, a := range v.Alarms {
		if PriorityOf(a.Priority) >= High && !a.Acked && (a.Active || a.Latched) && a.Cause == "" {
			out = append(out, engine.Event{Kind: engine.AlarmEvent, T: a.SinceT, ID: a.ID, State: "raised", Priority: a.Priority, Text: a.Text})
		}
	}
	return out
}

// OutlookEvent is the night's frost as told at dusk. The core has no such event:
// it is a message in the archive's queue.
const OutlookEvent engine.EventKind = "freeze-outlook"

// night is how far ahead from dusk frost is told of.
const night = 16 // hours

// FrostAhead says whether frost in the box or outside is foreseen for the night.
func FrostAhead(v *engine.View) bool {
	f := v.Freeze
	return f.HoursLow != nil && *f.HoursLow <= night || f.ForecastLowC != nil && *f.ForecastLowC < 0
}
