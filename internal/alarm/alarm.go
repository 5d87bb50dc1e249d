// Package alarm is the life cycle of any alarm, after ANSI/ISA-18.2-2016 and
// IEC 62682: raised with an on-delay, returned with an off-delay, acknowledged
// and, where it latches, reset by a person. It knows nothing of flow or
// pressure, keeps no clock and makes no noise: it is told the time.
package alarm

import (
	"time"

	"boxd/internal/say"
)

// Priority of an alarm.
type Priority uint8

// The priorities.
const (
	UnknownPriority Priority = iota
	Critical
	High
	Low
)

func (p Priority) String() string {
	switch p {
	case Critical:
		return "critical"
	case High:
		return "high"
	case Low:
		return "low"
	case UnknownPriority:
	}
	return "unknown"
}

// State is an ISA-18.2 alarm state.
type State uint8

// The states of ISA-18.2 that this package lives through.
const (
	Unknown               State = iota
	Normal                      // A
	Unacknowledged              // B
	Acknowledged                // C
	ReturnedUnack               // D
	LatchedUnacknowledged       // E
	LatchedAcknowledged         // F
)

var stateNames = [...]string{"unknown", "normal", "unacknowledged", "acknowledged", "returned unacknowledged",
	"latched unacknowledged", "latched acknowledged"}

func (s State) String() string { return stateNames[s] }

// Say is the state in words, for a person.
func (s State) Say() say.Text { return say.T(stateNames[s]) }

// Stands reports whether an alarm in this state is to be shown.
func (s State) Stands() bool { return s > Normal }

// Signal is what moves an alarm.
type Signal uint8

// The signals.
const (
	NoSignal    Signal = iota
	Rise               // the condition stands, on-delay over
	Fall               // the condition is gone, off-delay over
	Ack                // a person has seen it
	PersonReset        // a person says a latched alarm may go
)

type move struct {
	from State
	on   Signal
}

// next is the state that a signal leads to, for alarms that latch and those that
// do not (ISA-18.2-2016 figure of the alarm state machine; from memory).
func next(latches bool, from State, on Signal) State {
	switch (move{from, on}) {
	case move{Normal, Rise}, move{ReturnedUnack, Rise}, move{LatchedUnacknowledged, Rise}, move{LatchedAcknowledged, Rise}:
		return Unacknowledged
	case move{Unacknowledged, Ack}:
		return Acknowledged
	case move{ReturnedUnack, Ack}:
		return Normal
	case move{LatchedUnacknowledged, Ack}:
		return LatchedAcknowledged
	case move{LatchedAcknowledged, PersonReset}:
		return Normal
	case move{Unacknowledged, Fall}:
		if latches {
			return LatchedUnacknowledged
		}
		return ReturnedUnack
	case move{Acknowledged, Fall}:
		if latches {
			return LatchedAcknowledged
		}
		return Normal
	}
	return from
}

// Definition says what an alarm is, once.
type Definition struct {
	ID          string
	Priority    Priority
	OnDelay     time.Duration
	OffDelay    time.Duration
	Latches     bool
	Consequence say.Text
	Do          say.Text // what to do
}

// Alarm is one alarm's life.
type Alarm struct {
	Def    Definition
	State  State
	Text   say.Text      // what was seen, with numbers, at the moment it was raised
	Since  time.Duration // when it was raised
	active bool          // the condition, as last told
	change time.Duration // when active last changed
	held   bool          // active, after the delays
	last   time.Duration // of the last word, judged or not
}

// New makes an alarm in the normal state.
func New(d Definition) *Alarm { return &Alarm{Def: d, State: Normal} }

// Update tells whether the condition stands at time now and what is seen. It
// reports the state passed to, or Unknown when nothing changed. A condition
// that can't be judged is not told at all: the alarm stays as it is.
func (a *Alarm) Update(now time.Duration, active bool, text func() say.Text) State {
	a.last = now
	if active != a.active {
		a.active, a.change = active, now
	}
	since := now - a.change
	switch {
	case a.active && !a.held && since >= a.Def.OnDelay:
		a.held = true
		a.Text, a.Since = text(), now
		return a.signal(Rise)
	case !a.active && a.held && since >= a.Def.OffDelay:
		a.held = false
		return a.signal(Fall)
	}
	return Unknown
}

// Again raises a standing alarm anew, because its cause has grown: whoever had
// acknowledged it has not seen this. An alarm that does not stand stays as it is.
func (a *Alarm) Again(now time.Duration, text say.Text) State {
	if a.State != Unacknowledged && a.State != Acknowledged {
		return Unknown
	}
	a.State, a.Text, a.Since = Unacknowledged, text, now
	return a.State
}

// Unjudged tells that the condition can't be judged at time now: the alarm
// stays as it is, and the time does not count towards its delays.
func (a *Alarm) Unjudged(now time.Duration) {
	a.change += now - a.last
	a.last = now
}

// Acknowledge notes that a person has seen the alarm.
func (a *Alarm) Acknowledge() error {
	if a.signal(Ack) == Unknown {
		return say.Refuse("alarm %s is %s: nothing to acknowledge", a.Def.ID, a.State.Say())
	}
	return nil
}

// Reset clears a latched alarm on a person's word.
func (a *Alarm) Reset() error {
	switch a.State {
	case LatchedAcknowledged:
		a.signal(PersonReset)
		return nil
	case LatchedUnacknowledged:
		return say.Refuse("alarm %s is not acknowledged: acknowledge it first", a.Def.ID)
	case Unknown, Normal, Unacknowledged, Acknowledged, ReturnedUnack:
	}
	return say.Refuse("alarm %s is %s: it can be reset once its cause is gone", a.Def.ID, a.State.Say())
}

func (a *Alarm) signal(s Signal) State {
	to := next(a.Def.Latches, a.State, s)
	if to == a.State {
		return Unknown
	}
	a.State = to
	return to
}
