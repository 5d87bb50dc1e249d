package alarm

import "boxd/internal/say"

// Priority of an alarm.
type Priority uint8

// The priorities, the most urgent first.
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

// The states of ISA-18.2, with the letters of its figure.
const (
	Unknown               State = iota
	Normal                      // A
	Unacknowledged              // B
	Acknowledged                // C
	ReturnedUnack               // D
	LatchedUnacknowledged       // E
	LatchedAcknowledged         // F
	Shelved                     // G: set aside by a person, for a time
	Suppressed                  // H: set aside by design, while a stated logic holds
	OutOfService                // I: set aside by a person until put back
	numStates
)

var stateNames = [numStates]string{"unknown", "normal", "unacknowledged", "acknowledged", "returned unacknowledged",
	"latched unacknowledged", "latched acknowledged", "shelved", "suppressed by design", "out of service"}

func (s State) String() string {
	if s >= numStates {
		return stateNames[Unknown]
	}
	return stateNames[s]
}

// Say is the state's name for a person.
func (s State) Say() say.Text { return say.T(s.String()) }

// Stands reports whether an alarm in this state asks for somebody.
func (s State) Stands() bool { return s > Normal && s < Shelved }

// Aside reports whether an alarm in this state is silent whatever its condition.
func (s State) Aside() bool { return s >= Shelved && s < numStates }

// Seen reports whether a person has acknowledged what stands.
func (s State) Seen() bool { return s == Acknowledged || s == LatchedAcknowledged }

// Signal is what moves an alarm.
type Signal uint8

// The signals.
const (
	NoSignal    Signal = iota
	Rise               // the condition stands, on-delay over
	Fall               // the condition is gone, off-delay over
	Ack                // a person has seen it
	PersonReset        // a person says a latched alarm may go
	Renew              // it stands, and is said anew
	Shelve             // a person sets it aside for a time
	Unshelve           // the time is over, or a person ends it
	Suppress           // the logic of suppression by design begins to hold
	Unsuppress         // it holds no more
	Remove             // a person takes it out of service
	Restore            // a person puts it back
	numSignals
)

var signalNames = [numSignals]string{"none", "rise", "fall", "acknowledge", "reset", "renew", "shelve", "unshelve",
	"suppress", "unsuppress", "remove", "restore"}

func (s Signal) String() string {
	if s >= numSignals {
		return signalNames[NoSignal]
	}
	return signalNames[s]
}
