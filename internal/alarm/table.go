package alarm

// Guard is on what a transition depends besides state and signal.
type Guard uint8

// The guards.
const (
	Always   Guard = iota
	Plain          // the alarm does not latch
	Latching       // it does
	Gone           // its condition is gone
	Standing       // its condition stands
)

// Transition is one allowed move. What is not in the table does not happen.
type Transition struct {
	From State
	On   Signal
	If   Guard
	To   State
}

// table is the whole life cycle, after the figure of alarm states in
// ANSI/ISA-18.2-2016 and IEC 62682 (from memory of both). Two rules of our own
// are stricter than theirs, where any state may be set aside:
//   - an alarm that latches is never set aside, so that a latched one goes by a
//     person's reset alone;
//   - logic suppresses only what nobody has still to see: B and D are first
//     acknowledged by a person.
var table = [...]Transition{
	{Normal, Rise, Always, Unacknowledged},
	{ReturnedUnack, Rise, Plain, Unacknowledged},
	{LatchedUnacknowledged, Rise, Latching, Unacknowledged},
	{LatchedAcknowledged, Rise, Latching, Unacknowledged},

	{Unacknowledged, Ack, Always, Acknowledged},
	{ReturnedUnack, Ack, Plain, Normal},
	{LatchedUnacknowledged, Ack, Latching, LatchedAcknowledged},
	{LatchedAcknowledged, PersonReset, Latching, Normal},

	{Unacknowledged, Fall, Plain, ReturnedUnack},
	{Unacknowledged, Fall, Latching, LatchedUnacknowledged},
	{Acknowledged, Fall, Plain, Normal},
	{Acknowledged, Fall, Latching, LatchedAcknowledged},

	{Unacknowledged, Renew, Always, Unacknowledged}, // a new text; nobody had seen the old one
	{Acknowledged, Renew, Always, Unacknowledged},

	{Normal, Shelve, Plain, Shelved},
	{Unacknowledged, Shelve, Plain, Shelved},
	{Acknowledged, Shelve, Plain, Shelved},
	{ReturnedUnack, Shelve, Plain, Shelved},
	{Shelved, Unshelve, Standing, Unacknowledged},
	{Shelved, Unshelve, Gone, Normal},

	{Normal, Suppress, Plain, Suppressed},
	{Acknowledged, Suppress, Plain, Suppressed},
	{Suppressed, Unsuppress, Standing, Unacknowledged},
	{Suppressed, Unsuppress, Gone, Normal},

	{Normal, Remove, Plain, OutOfService},
	{Unacknowledged, Remove, Plain, OutOfService},
	{Acknowledged, Remove, Plain, OutOfService},
	{ReturnedUnack, Remove, Plain, OutOfService},
	{Shelved, Remove, Plain, OutOfService},
	{Suppressed, Remove, Plain, OutOfService},
	{OutOfService, Restore, Standing, Unacknowledged},
	{OutOfService, Restore, Gone, Normal},
}

// next is the state that a signal leads to. false: nothing moves.
func next(from State, on Signal, latches, standing bool) (State, bool) {
	for _, t := range table {
		if t.From == from && t.On == on && t.If.allows(latches, standing) {
			return t.To, true
		}
	}
	return from, false
}

func (g Guard) allows(latches, standing bool) bool {
	switch g {
	case Plain:
		return !latches
	case Latching:
		return latches
	case Gone:
		return !standing
	case Standing:
		return standing
	case Always:
	}
	return true
}
