package safety

import (
	"boxd/internal/alarm"
	"boxd/internal/box"
	"boxd/internal/say"
)

// Hold is advice withheld on a step, with its reason and the way out.
type Hold struct {
	ID     string
	On     string
	Reason say.Text
	WayOut say.Text
}

// holds lists what withholds advice to inject. Backflow holds come first and
// can't be passed over.
func (g *Guard) holds() {
	hold := func(id string, reason, out say.Text) {
		g.out.Holds = append(g.out.Holds, Hold{id, "inject", reason, out})
	}
	if why := g.papers(); !why.Empty() {
		hold("backflow-protection-missing", why, say.T("Have a licensed tester check the device, then enter device, place, test dates and tester under backflow: in the configuration. Local codes and the tester decide; no sensor proves that a device works."))
	}
	if a := g.Find("backflow-sign"); a.State.Stands() {
		hold("backflow-sign", a.Text, say.T("Close the shutoff valve, have the backflow protection inspected, then acknowledge and reset the alarm with a note of what was found."))
	}
	e, r := g.in.e, g.in.r
	// A gauge the box never had is no fault; one that fell silent is.
	if r.Supply.Quality == box.Bad {
		hold("supply-unknown", say.T("the supply pressure can't be read: a sign of backflow would not be seen"), say.T("Check sensor PT-101 and its wiring."))
	}
	if r.Main.Quality == box.Bad {
		hold("flow-unknown", say.T("the main flow can't be read: nothing would tell when the lines are clean again"), say.T("Check sensor FT-101 and its wiring."))
	}
	switch {
	case !e.Header.Known:
		hold("header-unknown", say.T("the header pressure can't be read"), say.T("Check sensor PT-201 and its wiring."))
	case g.headerLow():
		hold("header-pressure-low", say.T("the header pressure is too low to spread fertilizer evenly"), say.T("Bring the header into its window first."))
	}
}

// headerLow reports whether the header stands too low, whether or not somebody
// has silenced its alarm: a shelf hides a sound, never a hold.
func (g *Guard) headerLow() bool {
	a := g.Find("header-pressure-low")
	return a.Standing() && a.State != alarm.Suppressed
}

// papers says what is wrong with the declared backflow protection, nothing when
// all is in order. A device without a stated next test is due a year after its last:
// yearly tests are what water suppliers commonly ask; local codes decide.
func (g *Guard) papers() say.Text {
	b := g.backflow
	switch {
	case !b.Declared || b.Device == "":
		return say.T("no backflow protection is declared for this box")
	case b.NextDue.IsZero() && b.LastTest.IsZero():
		return say.T("no test of the backflow protection is on record")
	}
	if !g.in.wall.IsZero() && g.in.wall.Before(b.LastTest.AddDate(0, 0, -1)) {
		return say.T("the box's clock says %v, before the last test of the backflow protection on %v: whether the next is due can't be told until the clock is set",
			g.in.wall, b.LastTest)
	}
	due := b.NextDue
	if due.IsZero() {
		due = b.LastTest.AddDate(1, 0, 0)
	}
	if !g.in.wall.IsZero() && g.in.wall.After(due.AddDate(0, 0, 1)) {
		return say.T("the test of the backflow protection (%s) was due on %v", b.Device, due)
	}
	return say.Text{}
}
