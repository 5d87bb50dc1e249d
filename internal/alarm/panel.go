package alarm

import (
	"slices"
	"time"

	"boxd/internal/say"
)

// How alarms are grouped (common practice, no source).
const (
	// before is how much earlier than its cause a consequence's condition may
	// begin: gauges and filters are not equally quick.
	before = time.Minute
	// after is how much later it may begin: what comes long after its cause was
	// told is news of its own.
	after = 10 * time.Minute
	// linger is how long after its cause's end a consequence may take to recover
	// before it speaks for itself.
	linger = 30 * time.Second
	// burstGap without a new alarm ends a burst.
	burstGap = time.Minute
)

// Judge knows the conditions.
type Judge interface {
	// Tell writes down what holds of every alarm now, in the order of the panel's, into
	// what is empty but for whether a condition stood: that is Active. It reports whether
	// any of it can move an alarm that rests.
	Tell(all []Told) (moves bool)
	// Seen is what is said of it when it is raised.
	Seen(a *Alarm) say.Text
}

// Change is something that befell an alarm. A raised alarm with a Cause is kept
// and shown, but not announced.
type Change struct {
	Alarm *Alarm
	Move
	Cause string // the alarm's cause after the change, or before where it went
}

// Note is a finding about alarms. ID and Cause are alarms, where it is about any.
type Note struct {
	ID, Cause string
	Text      say.Text
}

// Panel is all alarms of a box together.
type Panel struct {
	alarms  []*Alarm
	awake   []bool        // of each: it doesn't rest
	up      bool          // any of them is
	last    time.Duration // of the last turn
	most    time.Duration // of shelving
	rates   Rates
	changes []Change
	notes   []Note
	burst   uint64
	raised  time.Duration // when an alarm was last raised
	told    []Told        // of each, in this turn
	rises   bool          // an alarm has risen often enough to chatter
}

// NewPanel makes the alarms, all normal. An alarm is shelved for at most most;
// 0 is MaxShelving.
func NewPanel(defs []Definition, most time.Duration) *Panel {
	if most <= 0 {
		most = MaxShelving
	}
	p := &Panel{most: most}
	for _, d := range defs {
		p.alarms = append(p.alarms, New(d))
	}
	p.awake, p.told = make([]bool, len(defs)), make([]Told, len(defs))
	return p
}

// Alarms are all alarms in the order of their definitions, to look at: what a person
// says of one goes to the panel.
func (p *Panel) Alarms() []*Alarm { return p.alarms }

// Find is the alarm with this id, nil when there is none.
func (p *Panel) Find(id string) *Alarm {
	if i := p.index(id); i >= 0 {
		return p.alarms[i]
	}
	return nil
}

func (p *Panel) index(id string) int {
	return slices.IndexFunc(p.alarms, func(a *Alarm) bool { return a.Def.ID == id })
}

// Figures are the alarm rates now.
func (p *Panel) Figures() Figures { return p.rates.Figures() }

// Total is the time the panel has seen.
func (p *Panel) Total() Total { return p.rates.total }

// Turn passes to time now. What it returns is the panel's until the next Turn.
func (p *Panel) Turn(now time.Duration, j Judge) ([]Change, []Note) {
	p.changes, p.notes = p.changes[:0], p.notes[:0]
	stands := false
	clear(p.told)
	for i, awake := range p.awake {
		if awake {
			p.told[i].Active = p.alarms[i].active
		}
	}
	if j.Tell(p.told) || p.up {
		stands = p.move(now, j)
	}
	p.last = now
	p.group(now)
	if stands {
		p.regroup(now, j)
	}
	p.mark(now)
	p.count(now)
	return p.changes, p.notes
}

// move gives the alarms their turns and reports whether any stands. Mostly most of them
// rest, and are not touched.
func (p *Panel) move(now time.Duration, j Judge) (stands bool) {
	p.up = false
	for i, a := range p.alarms {
		w := &p.told[i]
		if !p.awake[i] && !w.Moves() {
			continue
		}
		p.wake(i)
		cause := a.Cause
		if m := a.Turn(now, *w, func() say.Text { return j.Seen(a) }); m.On != NoSignal {
			p.changes = append(p.changes, Change{Alarm: a, Move: m, Cause: cause})
		}
		stands = stands || a.held || a.Cause != ""
		p.rises = p.rises || a.rises.n >= ChatterCount
		p.awake[i] = !a.rests()
		p.up = p.up || p.awake[i]
	}
	return stands
}

// wake takes an alarm along again.
func (p *Panel) wake(i int) {
	if !p.awake[i] {
		p.awake[i], p.up, p.alarms[i].last = true, true, p.last
	}
}

// group puts what was raised in this turn under its cause.
func (p *Panel) group(now time.Duration) {
	for i := range p.changes {
		c := &p.changes[i]
		if !c.Raises() {
			continue
		}
		c.Alarm.Cause = p.causeOf(now, c.Alarm)
		c.Cause = c.Alarm.Cause
	}
}

// Raises reports whether the change brought the alarm up.
func (c *Change) Raises() bool { return c.To == Unacknowledged }

// Announced reports whether it calls somebody: it raises the alarm, which follows
// from no other.
func (c *Change) Announced() bool { return c.Raises() && c.Cause == "" }

// regroup looks at what stood before: a consequence whose cause is gone speaks
// for itself, and what came just before its cause is put under it.
func (p *Panel) regroup(now time.Duration, j Judge) {
	for _, a := range p.alarms {
		if a.Cause != "" && !a.held && !p.Find(a.Cause).State.Stands() {
			a.Cause = "" // it is over too and waits to be seen by itself
		}
		if !a.held || a.State != Unacknowledged && a.State != Acknowledged {
			continue
		}
		cause := p.causeOf(now, a)
		switch {
		case a.Cause == cause:
		case a.Cause != "" && cause != "":
			a.Cause = cause
		case cause == "":
			p.alone(now, a, j)
		case p.Find(cause).spoken():
			a.Cause = cause
			p.notes = append(p.notes, Note{a.Def.ID, cause, say.T("%s is taken as a consequence of %s, which came at the same time.", a.Def.ID, cause)})
		}
	}
}

// alone raises a consequence anew, whoever had acknowledged it along with its
// cause.
func (p *Panel) alone(now time.Duration, a *Alarm, j Judge) {
	from := a.State
	a.Cause = ""
	a.signal(Renew)
	a.say(now, func() say.Text { return j.Seen(a) })
	p.changes = append(p.changes, Change{Alarm: a, Move: Move{from, a.State, Renew}})
}

// causeOf is the alarm at the root of a, empty when there is none.
func (p *Panel) causeOf(now time.Duration, a *Alarm) string {
	for _, id := range a.Def.CausedBy {
		c := p.Find(id)
		if c == nil || !c.causes(now, a) {
			continue
		}
		if root := p.causeOf(now, c); root != "" {
			return root
		}
		return id
	}
	return ""
}

// causes reports whether c can be the cause of a now: it began about when a did,
// and it stands, is about to, is only just over, or waits for its reset. One that
// is set aside is no cause, for nobody would be told of either; nor is one that
// was over before a began.
func (c *Alarm) causes(now time.Duration, a *Alarm) bool {
	if c.State.Aside() || a.began < c.began-before || a.began > c.began+after {
		return false
	}
	if c.held || c.active && c.judged {
		return true
	}
	latched := c.State == LatchedUnacknowledged || c.State == LatchedAcknowledged
	return c.everHeld && a.began <= c.fell && (latched || now-c.fell < linger)
}

// spoken reports whether the alarm has been announced and stands.
func (a *Alarm) spoken() bool { return a.held && a.State.Stands() }

// mark finds the first of a burst: the alarm whose condition began first among
// those that are nobody's consequence.
func (p *Panel) mark(now time.Duration) {
	news := false
	for i := range p.changes {
		c := &p.changes[i]
		if !c.Raises() || c.On == Renew {
			continue
		}
		if p.burst == 0 || now-p.raised > burstGap {
			p.burst++
		}
		c.Alarm.burst, p.raised, news = p.burst, now, true
	}
	if news {
		p.firstOut()
	}
}

func (p *Panel) firstOut() {
	var first *Alarm
	n := 0
	for _, a := range p.alarms {
		if a.burst != p.burst || !a.State.Stands() {
			continue
		}
		n++
		a.FirstOut = false
		if a.Cause == "" && (first == nil || a.began < first.began) {
			first = a
		}
	}
	if n > 1 && first != nil {
		first.FirstOut = true
	}
}

// count keeps the rates.
func (p *Panel) count(now time.Duration) {
	n := 0
	for i := range p.changes {
		if p.changes[i].Announced() {
			n++
		}
	}
	began, ended := p.rates.Turn(now, n)
	if began {
		p.notes = append(p.notes, Note{Text: say.T("Alarm flood: %d alarms in ten minutes. Look at those marked first and at the critical ones.", p.rates.inWindow())})
	}
	if ended {
		p.notes = append(p.notes, Note{Text: say.T("The alarm flood is over.")})
	}
	if p.rises {
		p.chatter(now)
	}
}

// chatter finds the alarms that chatter, and that have become quiet.
func (p *Panel) chatter(now time.Duration) {
	for _, a := range p.alarms {
		switch {
		case !a.Chattering && a.rises.chatters(now):
			a.Chattering = true
			p.notes = append(p.notes, Note{ID: a.Def.ID, Text: say.T("%s chatters: it was raised %d times within a minute. Look at its sensor and its limit.", a.Def.ID, ChatterCount)})
		case a.Chattering && a.rises.quiet(now):
			a.Chattering = false
		}
	}
}

// Acknowledge notes that a person has seen an alarm and, with it, those shown
// under it. It returns all that moved.
func (p *Panel) Acknowledge(now time.Duration, id string) ([]*Alarm, error) {
	a, err := p.need(id)
	if err != nil {
		return nil, err
	}
	if err := a.Acknowledge(now); err != nil {
		return nil, err
	}
	out := []*Alarm{a}
	for _, c := range p.alarms {
		if c.Cause == id && c.Acknowledge(now) == nil {
			out = append(out, c)
		}
	}
	return out, nil
}

// Reset lets a latched alarm go.
func (p *Panel) Reset(id string) (*Alarm, error) { return p.act(id, (*Alarm).Reset) }

// Shelve sets an alarm aside for a time.
func (p *Panel) Shelve(now time.Duration, id string, s Aside) (*Alarm, error) {
	return p.act(id, func(a *Alarm) error { return a.Shelve(now, s, p.most) })
}

// Unshelve ends that in the next Turn.
func (p *Panel) Unshelve(id string) (*Alarm, error) { return p.act(id, (*Alarm).EndShelving) }

// TakeOut takes an alarm out of service.
func (p *Panel) TakeOut(id string, s Aside) (*Alarm, error) {
	return p.act(id, func(a *Alarm) error { return a.TakeOut(s) })
}

// TakeUp brings back an alarm that an earlier life left for a person to reset, whether or
// not its condition still stands, with what was seen then; false where it does not latch,
// or no longer is one.
func (p *Panel) TakeUp(id string, text say.Text, acknowledged bool) bool {
	i := p.index(id)
	if i < 0 || !p.alarms[i].takeUp(text, acknowledged) {
		return false
	}
	p.wake(i)
	return true
}

// PutBack puts it back in the next Turn.
func (p *Panel) PutBack(id string) (*Alarm, error) { return p.act(id, (*Alarm).PutBack) }

func (p *Panel) act(id string, do func(*Alarm) error) (*Alarm, error) {
	a, err := p.need(id)
	if err != nil {
		return nil, err
	}
	p.wake(p.index(id))
	return a, do(a)
}

func (p *Panel) need(id string) (*Alarm, error) {
	if a := p.Find(id); a != nil {
		return a, nil
	}
	return nil, say.Refuse("there is no alarm %q", id)
}
