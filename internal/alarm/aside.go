package alarm

import (
	"time"

	"boxd/internal/say"
)

// MaxShelving is how long an alarm may be shelved where nothing else is
// configured: half a working day (common practice, no source).
const MaxShelving = 4 * time.Hour

// Shelve sets the alarm aside until s.Until, at most for most. It is said anew
// then if its condition still stands.
func (a *Alarm) Shelve(now time.Duration, s Aside, most time.Duration) error {
	if err := a.mayGoAside(s); err != nil {
		return err
	}
	if d := s.Until - now; d <= 0 || d > most {
		return say.Refuse("cannot shelve %s for %v: an alarm is shelved for some minutes and at most %v; give another time", a.Def.ID, d, most)
	}
	if !a.signal(Shelve) {
		return say.Refuse("cannot shelve %s: it is %s", a.Def.ID, a.State.Say())
	}
	a.Aside = s
	return nil
}

// TakeOut takes the alarm out of service until it is put back.
func (a *Alarm) TakeOut(s Aside) error {
	if err := a.mayGoAside(s); err != nil {
		return err
	}
	if !a.signal(Remove) {
		return say.Refuse("cannot take %s out of service: it is %s", a.Def.ID, a.State.Say())
	}
	a.Aside, a.over = Aside{By: s.By, Reason: s.Reason}, false
	return nil
}

func (a *Alarm) mayGoAside(s Aside) error {
	switch {
	case !a.Def.mayBeSilent():
		return say.Refuse("cannot set %s aside: it protects people or the box and is never silenced; acknowledge it and see to its cause", a.Def.ID)
	case s.By == "" || s.Reason == "":
		return say.Refuse("cannot set %s aside without a name and a reason: give both", a.Def.ID)
	}
	return nil
}

// EndShelving ends the shelving with the next Turn, which judges anew.
func (a *Alarm) EndShelving() error {
	if a.State != Shelved {
		return say.Refuse("alarm %s is %s: it is not shelved", a.Def.ID, a.State.Say())
	}
	a.over = true
	return nil
}

// PutBack puts the alarm back in service with the next Turn.
func (a *Alarm) PutBack() error {
	if a.State != OutOfService {
		return say.Refuse("alarm %s is %s: it is in service", a.Def.ID, a.State.Say())
	}
	a.over = true
	return nil
}
