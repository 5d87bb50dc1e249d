// Package alarm is the life cycle of any alarm, after ANSI/ISA-18.2-2016 and
// IEC 62682: raised with an on-delay, returned with an off-delay, acknowledged,
// reset where it latches, set aside by a person or by design, and grouped under
// its cause. It knows nothing of flow or pressure, keeps no clock and makes no
// noise: it is told the time. It refuses to set aside what protects people.
package alarm

import (
	"time"

	"boxd/internal/say"
)

// Definition says what an alarm is, once.
type Definition struct {
	ID          string
	Priority    Priority
	Grave       Priority // past a second limit; UnknownPriority: it has none
	OnDelay     time.Duration
	OffDelay    time.Duration
	Latches     bool
	Realarm     time.Duration // said anew when it stands this long after it was acknowledged; 0: never
	Respond     time.Duration // time to respond before harm is done; 0: not said
	Silenceable bool          // may be shelved or taken out of service; never where it latches
	Steps       []string      // of a run in which it can come; for whoever reads, nothing depends on it
	CausedBy    []string      // alarms this one follows from, the likeliest first; no cycles
	Cause       say.Text      // what commonly brings it about
	Consequence say.Text      // what comes of it if nobody acts
	Do          say.Text      // what to do
}

// mayBeSilent reports whether the alarm can be set aside at all.
func (d *Definition) mayBeSilent() bool { return d.Silenceable && !d.Latches }

// Told is what an alarm is told in one turn.
type Told struct {
	Judged     bool // whether the condition can be judged at all; if not, Active counts for nothing
	Unseen     bool // nobody looked since the turn before
	Active     bool // the condition stands
	Grave      bool // it stands past its second limit
	Grown      bool // it stands for more than what was said of it
	Suppressed bool // the logic of suppression by design holds
}

// Aside is who set an alarm aside, why, and until when.
type Aside struct {
	By     string
	Reason string
	Until  time.Duration // 0: until it is put back
}

// Move is what one turn did. On is NoSignal when nothing happened; a condition
// that rises or falls while its alarm is aside moves nothing and is told all
// the same.
type Move struct {
	From, To State
	On       Signal
}

// Alarm is one alarm's life.
type Alarm struct {
	Def        Definition
	State      State
	FirstOut   bool // the first of a burst
	Chattering bool
	active     bool // the condition, as last told
	judged     bool // in the last turn
	held       bool // active, after the delays
	everHeld   bool
	grave      bool          // it was last said as past its second limit
	past       bool          // the second limit, in the last turn
	over       bool          // a person has ended Aside
	last       time.Duration // of the last word, judged or not
	Text       say.Text      // what was seen, with numbers, at the moment it was raised
	Since      time.Duration // when it was raised
	Cause      string        // the alarm it is a consequence of; empty: it speaks for itself
	Aside      Aside         // while State.Aside
	change     time.Duration // when active last changed
	began      time.Duration // when the condition began that stands, or stood last
	fell       time.Duration // when held ended; with everHeld
	pastFrom   time.Duration // since when past
	acked      time.Duration
	rises      riseRing
	burst      uint64
}

// New makes an alarm in the normal state.
func New(d Definition) *Alarm { return &Alarm{Def: d, State: Normal} }

// Priority is the alarm's now: past its second limit it may be a higher one, and
// stays so until it is raised anew.
func (a *Alarm) Priority() Priority {
	if a.grave && a.Def.Grave != UnknownPriority {
		return a.Def.Grave
	}
	return a.Def.Priority
}

// worse reports whether the second limit has been passed for the on-delay.
func (a *Alarm) worse(now time.Duration, w Told) bool {
	if !w.Judged || w.Unseen {
		a.pastFrom += now - a.last
	}
	if !w.Judged {
		return false
	}
	past := w.Active && w.Grave && a.Def.Grave != UnknownPriority
	if past && !a.past {
		a.pastFrom = now
	}
	a.past = past
	return past && now-a.pastFrom >= a.Def.OnDelay
}

// Active reports the condition as last told, without its delays.
func (a *Alarm) Active() bool { return a.active }

// Standing reports whether the condition stands, its delays counted, whether
// anybody is told of it or not.
func (a *Alarm) Standing() bool { return a.held }

// Turn tells what holds at time now. text is asked when the alarm is raised.
func (a *Alarm) Turn(now time.Duration, w Told, text func() say.Text) Move {
	worse := a.worse(now, w)
	w.Grown = w.Grown || worse && !a.grave
	m := Move{From: a.State, On: a.own(now, w)}
	moved := a.judge(now, w)
	if m.On == NoSignal {
		m.On = moved
	}
	if m.On == NoSignal {
		m.On = a.anew(now, w)
	}
	raised := m.On != NoSignal && a.signal(m.On) && a.State == Unacknowledged
	if raised || moved == Rise {
		a.grave = worse
		a.say(now, text)
	}
	m.To = a.State
	return m
}

// rests reports whether nothing stands or is timed. Then a turn in which nothing moves
// it would change nothing of it but the time of the last word.
func (a *Alarm) rests() bool { return a.State == Normal && !a.active && !a.held && !a.past }

// Moves reports whether what is told can move an alarm that rests.
func (w *Told) Moves() bool { return w.Active || w.Grave || w.Grown || w.Suppressed }

// say notes what is seen; where nothing can be seen now, what was seen last
// stays.
func (a *Alarm) say(now time.Duration, text func() say.Text) {
	a.Since = now
	if a.judged && a.active {
		a.Text = text()
	}
}

// own is the end or the beginning of being aside, which come before the
// condition's own moves.
func (a *Alarm) own(now time.Duration, w Told) Signal {
	switch {
	case a.State == Shelved && (a.over || now >= a.Aside.Until):
		return Unshelve
	case a.State == OutOfService && a.over:
		return Restore
	case a.State == Suppressed && !w.Suppressed:
		return Unsuppress
	case w.Suppressed && a.Def.mayBeSilent() && (a.State == Normal || a.State == Acknowledged):
		return Suppress
	}
	return NoSignal
}

// judge follows the condition through its delays. Time in which it can't be
// judged, or nobody looked, does not count towards them; nor does it begin them anew.
func (a *Alarm) judge(now time.Duration, w Told) Signal {
	dead := now - a.last
	a.last, a.judged = now, w.Judged
	if !w.Judged || w.Unseen {
		a.change += dead
	}
	if !w.Judged {
		return NoSignal
	}
	if w.Active != a.active {
		a.active, a.change = w.Active, now
		if a.active && !a.held {
			a.began = now
		}
	}
	since := now - a.change
	switch {
	case a.active && !a.held && since >= a.Def.OnDelay:
		a.held = true
		a.rises.add(now)
		return Rise
	case !a.active && a.held && since >= a.Def.OffDelay:
		a.held, a.fell, a.everHeld = false, now, true
		return Fall
	}
	return NoSignal
}

// anew reports whether a standing alarm is to be said anew: for more than was
// said, or because it stands long after it was seen.
func (a *Alarm) anew(now time.Duration, w Told) Signal {
	grown := w.Grown && (a.State == Unacknowledged || a.State == Acknowledged)
	late := a.State == Acknowledged && a.Def.Realarm > 0 && now-a.acked >= a.Def.Realarm && w.Judged && w.Active
	if grown || late {
		return Renew
	}
	return NoSignal
}

// Acknowledge notes that a person has seen the alarm.
func (a *Alarm) Acknowledge(now time.Duration) error {
	if !a.signal(Ack) {
		return say.Refuse("alarm %s is %s: nothing to acknowledge", a.Def.ID, a.State.Say())
	}
	a.acked = now
	return nil
}

// Reset clears a latched alarm on a person's word.
func (a *Alarm) Reset() error {
	if a.signal(PersonReset) {
		return nil
	}
	if a.State == LatchedUnacknowledged {
		return say.Refuse("alarm %s is not acknowledged: acknowledge it first", a.Def.ID)
	}
	return say.Refuse("alarm %s is %s: it can be reset once its cause is gone", a.Def.ID, a.State.Say())
}

func (a *Alarm) takeUp(text say.Text, acknowledged bool) bool {
	if !a.Def.Latches || a.State != Normal {
		return false
	}
	a.Text, a.State = text, LatchedUnacknowledged
	if acknowledged {
		a.State = LatchedAcknowledged
	}
	return true
}

func (a *Alarm) signal(s Signal) bool {
	to, ok := next(a.State, s, a.Def.Latches, a.held)
	if !ok {
		return false
	}
	a.State = to
	if !to.Aside() {
		a.Aside, a.over = Aside{}, false
	}
	if !to.Stands() {
		a.Cause, a.FirstOut = "", false
	}
	return true
}
