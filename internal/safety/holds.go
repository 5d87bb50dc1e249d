package safety

import (
	"slices"
	"time"

	"boxd/internal/alarm"
	"boxd/internal/box"
	"boxd/internal/say"
)

// Hold is advice withheld on a step, with its reason and the way out.
type Hold struct {
	ID          string
	On          string // inject, or pressurise: to open the shutoff valve
	Reason      say.Text
	WayOut      say.Text
	Overridable bool // a named person may lift it for a run, with a reason
}

// Override is a hold that a named person lifted for the run under way.
type Override struct {
	Hold Hold
	By   string
	Why  string
	At   time.Duration // core time
}

// holdRule is one hold as data. Never: no configuration makes it one to
// override; these guard the water that people drink.
type holdRule struct {
	id, on string
	never  bool
	out    say.Text
	stands func(*Guard) bool
	why    func(*Guard) say.Text
}

const (
	inject = "inject"
	open   = "pressurise"
)

// holdRules are all holds, those of backflow first: what is advised instead is
// said of the first that stands.
func holdRules() []holdRule {
	inspect := say.T("Close the shutoff valve, have the backflow protection inspected, then acknowledge and reset the alarm with a note of what was found.")
	return []holdRule{
		{"backflow-protection-missing", inject, true, say.T("Have a licensed tester check the device, then enter device, place, test dates and tester under backflow: in the configuration. Local codes and the tester decide; no sensor proves that a device works."),
			func(g *Guard) bool { return !g.declared }, func(g *Guard) say.Text { return g.papers.lack(g.in.wall) }},
		{"backflow-sign", inject, true, inspect, (*Guard).signStands, (*Guard).signSeen},
		{"backflow-sign", open, true, inspect, (*Guard).signStands, (*Guard).signSeen},
		// A gauge the box never had is no fault; one that fell silent is.
		{"supply-unknown", inject, true, say.T("Check sensor PT-101 and its wiring."), func(g *Guard) bool { return g.in.r.Supply.Quality == box.Bad },
			because(say.T("the supply pressure can't be read: a sign of backflow would not be seen"))},
		{"flow-unknown", inject, false, say.T("Check sensor FT-101 and its wiring."), func(g *Guard) bool { return g.in.r.Main.Quality == box.Bad },
			because(say.T("the main flow can't be read: nothing would tell when the lines are clean again"))},
		{"header-unknown", inject, false, say.T("Check sensor PT-201 and its wiring."), func(g *Guard) bool { return !g.in.e.Header.Known },
			because(say.T("the header pressure can't be read"))},
		{"header-pressure-low", inject, false, say.T("Bring the header into its window first."), func(g *Guard) bool { return g.in.e.Header.Known && g.tooLow() },
			because(say.T("the header pressure is too low to spread fertilizer evenly"))},
		{"ice", open, false, say.T("Warm the box above 0 °C. Open the filter and look there, at the injector and at the backflow device for ice and cracks; where there are none, say that the filter is cleaned."), (*Guard).ice,
			because(say.T("there may be ice in the box, and pressure bursts what is frozen"))},
	}
}

func because(why say.Text) func(*Guard) say.Text { return func(*Guard) say.Text { return why } }

// signStands reports a sign of backflow, whether or not somebody has silenced its
// alarm: it holds until the alarm has been reset.
func (g *Guard) signStands() bool { return g.sign.State.Stands() || g.sign.Standing() }

// signSeen is what was seen of it.
func (g *Guard) signSeen() say.Text {
	if g.sign.State.Stands() {
		return g.sign.Text
	}
	return g.seen("backflow-sign")
}

// OverridableHolds are the holds that a configuration may name overridable;
// FixedHolds are those that it never may.
func OverridableHolds() []string { return holdIDs(false) }

// FixedHolds are never overridden.
func FixedHolds() []string { return holdIDs(true) }

func holdIDs(never bool) (ids []string) {
	for _, r := range holdRules() {
		if r.never == never && !slices.Contains(ids, r.id) {
			ids = append(ids, r.id)
		}
	}
	return ids
}

// holds lists what withholds advice now, less what was overridden in this run.
func (g *Guard) holds() {
	if !g.in.s.Running {
		g.overrides = nil
	}
	for i := range g.rules {
		r := &g.rules[i]
		if r.stands(g) && !g.lifted(r) {
			g.out.Holds = append(g.out.Holds, Hold{r.id, r.on, r.why(g), r.out, g.mayLift(r)})
		}
	}
}

func (g *Guard) mayLift(r *holdRule) bool {
	return !r.never && slices.Contains(g.limits.Overridable, r.id)
}

func (g *Guard) lifted(r *holdRule) bool {
	return !r.never && slices.ContainsFunc(g.overrides, func(o Override) bool { return o.Hold.ID == r.id })
}

// Overrides are the holds lifted in the run under way, or in the one that ended
// this turn.
func (g *Guard) Overrides() []Override { return g.overrides }

// Override lifts a hold that stands for the rest of the run. The error is a
// refusal with its reason.
func (g *Guard) Override(now time.Duration, id, by, why string, running bool) (Override, error) {
	i := slices.IndexFunc(g.out.Holds, func(h Hold) bool { return h.ID == id })
	switch {
	case slices.Contains(FixedHolds(), id):
		return Override{}, say.Refuse("the hold %q guards drinking water and is never overridden: %v", id, g.wayOut(id))
	case i < 0:
		return Override{}, say.Refuse("no hold %q stands: there is nothing to override", id)
	case !g.out.Holds[i].Overridable:
		return Override{}, say.Refuse("the hold %q can't be overridden on this box: the configuration does not name it under holds: overridable", id)
	case !running:
		return Override{}, say.Refuse("a hold is overridden for a run, and none is under way: start the run first")
	case by == "":
		return Override{}, say.Refuse("a hold is overridden by a named person: give your name")
	case why == "":
		return Override{}, say.Refuse("a hold is overridden for a reason: write down why")
	}
	o := Override{g.out.Holds[i], by, why, now}
	g.overrides = append(g.overrides, o)
	return o, nil
}

func (g *Guard) wayOut(id string) say.Text {
	for _, r := range g.rules {
		if r.id == id {
			return r.out
		}
	}
	return say.Text{}
}

// tooLow reports whether the header stands too low, whether or not somebody
// has silenced its alarm: a shelf hides a sound, never a hold.
func (g *Guard) tooLow() bool {
	return g.headerLow.Standing() && g.headerLow.State != alarm.Suppressed
}

// declared is what the papers of the backflow protection come to, worked out
// once. A device without a stated next test is due a year after its last: yearly
// tests are what water suppliers commonly ask; local codes decide.
type declared struct {
	Backflow
	wrong       say.Text // whatever the date
	due         time.Time
	from, until time.Time // they hold; a day is left for time zones
}

func papersOf(b Backflow) declared {
	p := declared{Backflow: b, wrong: b.wrongClass(), due: b.NextDue}
	switch {
	case !b.Declared || b.Device == "":
		p.wrong = say.T("no backflow protection is declared for this box")
	case b.NextDue.IsZero() && b.LastTest.IsZero():
		p.wrong = say.T("no test of the backflow protection is on record")
	}
	if p.due.IsZero() {
		p.due = b.LastTest.AddDate(1, 0, 0)
	}
	p.from, p.until = b.LastTest.AddDate(0, 0, -1), p.due.AddDate(0, 0, 1)
	return p
}

// inOrder reports whether nothing is wrong with them at wall time, which may be
// unknown.
func (p *declared) inOrder(wall time.Time) bool {
	return p.wrong.Empty() && (wall.IsZero() || !wall.Before(p.from) && !wall.After(p.until))
}

// lack says what is wrong with them; nothing when all is in order.
func (p *declared) lack(wall time.Time) say.Text {
	switch {
	case !p.wrong.Empty():
		return p.wrong
	case p.inOrder(wall):
	case wall.Before(p.from):
		return say.T("the box's clock says %v, before the last test of the backflow protection on %v: whether the next is due can't be told until the clock is set",
			wall, p.LastTest)
	default:
		return say.T("the test of the backflow protection (%s) was due on %v", p.Device, p.due)
	}
	return say.Text{}
}
