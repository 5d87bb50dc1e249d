package engine

import (
	"time"

	"boxd/internal/alarm"
	"boxd/internal/box"
	"boxd/internal/say"
)

// LeastUnseen is what a pause of unknown length counts at least, as after a power cut:
// longer than the estimates count across.
const LeastUnseen = 10 * time.Minute

// lastClock is both times of the last turn that had a clock.
type lastClock struct {
	known bool
	mono  time.Duration
	wall  time.Time
}

// surroundings is what the guard is told of archive, link and clock. A clock
// that runs on while core time does not, or the other way round, was set; in a
// replay the wall time is not the trace's.
func (g *Engine) surroundings(in *Input) {
	a := g.guard.Around()
	a.Archive, a.Link, a.ClockKnown, a.ClockStep, a.Unseen = in.Archive, in.Link, false, 0, 0
	if in.Wall.IsZero() || g.cfg.Replay {
		return
	}
	if was := g.clock; was.known {
		passed := in.Mono - was.mono
		a.ClockKnown, a.ClockStep = true, in.Wall.Sub(was.wall)-passed
		if passed >= LeastUnseen {
			a.Unseen = passed
		}
	}
	g.clock = lastClock{true, in.Mono, in.Wall}
}

func (g *Engine) acknowledge(a *box.Action) error {
	moved, err := g.guard.Panel().Acknowledge(g.now, a.Alarm)
	for _, m := range moved {
		g.alarmEvent(Event{State: "acknowledged", By: a.By}, m, m.Cause)
	}
	return err
}

func (g *Engine) reset(a *box.Action) error {
	if a.By == "" || a.Note == "" {
		return say.Refuse("a latched alarm is reset by a named person with a note of what was found: give both")
	}
	m, err := g.guard.Panel().Reset(a.Alarm)
	if err == nil {
		g.alarmEvent(Event{State: "cleared", By: a.By}, m, "")
	}
	return err
}

func (g *Engine) shelve(a *box.Action) error {
	m, err := g.guard.Panel().Shelve(g.now, a.Alarm, alarm.Aside{By: a.By, Reason: a.Note, Until: g.now + a.For})
	if err == nil {
		until := seconds(m.Aside.Until)
		g.alarmEvent(Event{State: "shelved", By: a.By, Reason: a.Note, UntilT: &until}, m, "")
	}
	return err
}

func (g *Engine) takeOut(a *box.Action) error {
	m, err := g.guard.Panel().TakeOut(a.Alarm, alarm.Aside{By: a.By, Reason: a.Note})
	if err == nil {
		g.alarmEvent(Event{State: "out-of-service", By: a.By, Reason: a.Note}, m, "")
		g.rememberAlarms()
	}
	return err
}

// takeBack ends being set aside. The panel judges anew in this same turn and
// says what came of it.
func (g *Engine) takeBack(a *box.Action) error {
	if a.By == "" {
		return say.Refuse("who takes an alarm back is named: give a name")
	}
	back := g.guard.Panel().Unshelve
	if a.Kind == box.PutBack {
		back = g.guard.Panel().PutBack
	}
	_, err := back(a.Alarm)
	return err
}

// tellAlarms writes down what befell the alarms in this turn.
func (g *Engine) tellAlarms() {
	for i := range g.a.Changes {
		g.alarmed(&g.a.Changes[i])
		g.alarmChange(&g.a.Changes[i])
	}
	for _, n := range g.a.Notes {
		g.emit(Event{Kind: NoteEvent, ID: n.ID, Cause: n.Cause, Said: Said{Text: n.Text}})
	}
}

func (g *Engine) alarmChange(c *alarm.Change) {
	switch c.On {
	case alarm.Unshelve:
		g.alarmEvent(Event{State: "unshelved"}, c.Alarm, "")
	case alarm.Restore:
		g.alarmEvent(Event{State: "in-service"}, c.Alarm, "")
		g.rememberAlarms()
	case alarm.Suppress:
		if c.From == alarm.Acknowledged { // else nothing was to be seen
			g.alarmEvent(Event{State: "suppressed"}, c.Alarm, "")
		}
	case alarm.Rise, alarm.Fall:
		if c.To.Aside() {
			g.besides(c)
			return
		}
	case alarm.NoSignal, alarm.Ack, alarm.PersonReset, alarm.Renew, alarm.Shelve, alarm.Unsuppress, alarm.Remove:
	}
	if c.To.Stands() || c.From.Stands() && !c.To.Aside() {
		g.alarmEvent(Event{State: alarmWord(c.To)}, c.Alarm, c.Cause)
	}
}

// besides keeps what a condition does while its alarm is silent.
func (g *Engine) besides(c *alarm.Change) {
	a := c.Alarm
	text := say.T("The alarm %s is %v; its condition is gone.", a.Def.ID, a.State.Say())
	if c.On == alarm.Rise {
		text = say.T("The alarm %s is %v; its condition stands: %v", a.Def.ID, a.State.Say(), a.Text)
	}
	g.emit(Event{Kind: NoteEvent, ID: a.Def.ID, Said: Said{Text: text}})
}

func (g *Engine) alarmEvent(e Event, a *alarm.Alarm, cause string) {
	if a.Def.Latches { // whatever moved it has moved it by now
		g.rememberAlarms()
	}
	e.Kind, e.ID, e.Priority, e.Cause = AlarmEvent, a.Def.ID, a.Priority().String(), cause
	e.Said.Text = a.Def.Do
	if !a.Text.Empty() {
		e.Said.Text = say.T("%v %v", a.Text, a.Def.Do)
	}
	g.emit(e)
}

// alarmWord is the contract's word for an ISA-18.2 state.
func alarmWord(s alarm.State) string {
	switch s {
	case alarm.Unacknowledged:
		return "raised"
	case alarm.Acknowledged:
		return "acknowledged"
	case alarm.LatchedUnacknowledged, alarm.LatchedAcknowledged:
		return "latched"
	case alarm.Normal, alarm.ReturnedUnack:
		return "cleared"
	case alarm.Shelved:
		return "shelved"
	case alarm.Suppressed:
		return "suppressed"
	case alarm.OutOfService:
		return "out-of-service"
	case alarm.Unknown:
	}
	return "unknown"
}

// viewAlarms shows the standing alarms and those that are set aside. One that
// is suppressed by design is shown while its condition stands.
func (g *Engine) viewAlarms(v *View) {
	for _, a := range g.guard.Panel().Alarms() {
		switch {
		case a.State.Stands():
			v.Alarms = append(v.Alarms, g.alarmView(a))
		case a.State == alarm.Shelved, a.State == alarm.OutOfService, a.State == alarm.Suppressed && a.Standing():
			v.Aside = append(v.Aside, g.alarmView(a))
		}
	}
	f := g.guard.Panel().Figures()
	v.AlarmRates = AlarmRates{
		LastTenMinutes: f.LastTenMinutes, LastHour: f.LastHour, LastDay: f.LastDay, PerHour: round(f.PerHour, 2),
		Flood: f.Flood, FloodPct: round(100*f.FloodShare, 2), ObservedH: round(f.Observed.Hours(), 2),
	}
}

func (g *Engine) alarmView(a *alarm.Alarm) AlarmView {
	v := AlarmView{
		ID: a.Def.ID, State: a.State.String(), Priority: a.Priority().String(), SinceT: seconds(a.Since),
		Latched: a.Def.Latches, Acked: a.State.Seen(), Cause: a.Cause, FirstOut: a.FirstOut, Chattering: a.Chattering,
		Silenceable: a.Def.Silenceable, RespondMin: round(a.Def.Respond.Minutes(), 1), Active: a.Standing(),
		AsideBy: a.Aside.By, AsideWhy: a.Aside.Reason,
	}
	if a.State == alarm.Shelved {
		v.ShelvedUntilT = ptr(seconds(a.Aside.Until))
	}
	v.Said = AlarmSaid{Text: a.Text, Do: a.Def.Do, Consequence: a.Def.Consequence, LikelyCause: a.Def.Cause}
	v.put(g.voice)
	return v
}
