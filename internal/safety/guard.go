package safety

import (
	"time"

	"boxd/internal/alarm"
	"boxd/internal/box"
	"boxd/internal/estimate"
	"boxd/internal/say"
)

// Scene is what the person says of the valves, so far as conditions depend on
// it: a stopped injector is a fault only when it is meant to run.
type Scene struct {
	MainOpen   bool // said open and not closed since
	MainClosed bool // said closed
	InjectorOn bool // said on and throttled, and not off or opened since
	Running    bool // a run is under way
}

// Change is an alarm that passed to another state.
type Change struct {
	Alarm *alarm.Alarm
	To    alarm.State
}

// Assessment is the guard's word for one turn. It belongs to the guard until
// the next.
type Assessment struct {
	Holds   []Hold
	Changes []Change
}

// Guard judges estimates. It must be told every turn.
type Guard struct {
	limits   Limits
	backflow Backflow
	alarms   []*alarm.Alarm
	out      Assessment
	in       scene
	named    uint32 // bad channels that sensor-fault has named since it was raised
}

// scene is one turn's inputs, kept so that conditions are plain methods.
type scene struct {
	now  time.Duration
	wall time.Time
	r    *box.Readings
	e    *estimate.Estimates
	s    Scene
}

// New makes a guard.
func New(l Limits, b Backflow) *Guard {
	g := &Guard{limits: l, backflow: b}
	for _, d := range Definitions() {
		g.alarms = append(g.alarms, alarm.New(d))
	}
	return g
}

// Alarms are all alarms, standing or not, in the order of Definitions.
func (g *Guard) Alarms() []*alarm.Alarm { return g.alarms }

// Find is the alarm with this id, nil when there is none.
func (g *Guard) Find(id string) *alarm.Alarm {
	for _, a := range g.alarms {
		if a.Def.ID == id {
			return a
		}
	}
	return nil
}

// Acknowledge and Reset act on an alarm by id and report its new state.
func (g *Guard) Acknowledge(id string) (*alarm.Alarm, error) {
	return g.act(id, (*alarm.Alarm).Acknowledge)
}

// Reset lets a latched alarm go.
func (g *Guard) Reset(id string) (*alarm.Alarm, error) { return g.act(id, (*alarm.Alarm).Reset) }

func (g *Guard) act(id string, do func(*alarm.Alarm) error) (*alarm.Alarm, error) {
	a := g.Find(id)
	if a == nil {
		return nil, say.Refuse("there is no alarm %q", id)
	}
	return a, do(a)
}

// Step judges one turn.
func (g *Guard) Step(now time.Duration, wall time.Time, r *box.Readings, e *estimate.Estimates, s Scene) *Assessment {
	g.in = scene{now, wall, r, e, s}
	g.out.Changes, g.out.Holds = g.out.Changes[:0], g.out.Holds[:0]
	for _, a := range g.alarms {
		active, judged := g.condition(a.Def.ID)
		if !judged {
			a.Unjudged(now)
			continue
		}
		text := func() say.Text { return g.seen(a.Def.ID) }
		to := a.Update(now, active, text)
		if g.another(a) && to == alarm.Unknown {
			to = a.Again(now, text())
		}
		if to != alarm.Unknown {
			g.out.Changes = append(g.out.Changes, Change{a, to})
		}
	}
	g.holds()
	return &g.out
}

// eachBad names the channels that are bad or contradict another. Air outside is
// not among them: its probe is a help, not a need.
func (g *Guard) eachBad(tell func(c box.Channel, why say.Text)) {
	r := g.in.r
	add := func(c box.Channel, q box.Quality, why say.Text) {
		if q == box.Bad || r.Contradicting.Has(c) {
			tell(c, why)
		}
	}
	add(box.SupplyPressure, r.Supply.Quality, r.Supply.Why)
	add(box.FilterOutPressure, r.FilterOut.Quality, r.FilterOut.Why)
	add(box.InjectorInPressure, r.InjectorIn.Quality, r.InjectorIn.Why)
	add(box.InjectorOutPressure, r.InjectorOut.Quality, r.InjectorOut.Why)
	add(box.HeaderPressure, r.Header.Quality, r.Header.Why)
	add(box.MainFlow, r.Main.Quality, r.Main.Why)
	add(box.InjectorFlow, r.Branch.Quality, r.Branch.Why)
	add(box.StockDraw, r.Stock.Quality, r.Stock.Why)
	add(box.BoxEC, r.BoxEC.Quality, r.BoxEC.Why)
	add(box.EndEC, r.EndEC.Quality, r.EndEC.Why)
	add(box.WaterTemp, r.Water.Quality, r.Water.Why)
	add(box.BoxAirTemp, r.BoxAir.Quality, r.BoxAir.Why)
}

// badChannels has a bit for each bad channel.
func (g *Guard) badChannels() (mask uint32) {
	g.eachBad(func(c box.Channel, _ say.Text) { mask |= 1 << c })
	return mask
}

// another reports whether a sensor fails that the standing alarm has not named:
// one alarm stands for all sensors, and a second fault must not hide behind the
// first.
func (g *Guard) another(a *alarm.Alarm) bool {
	if a.Def.ID != "sensor-fault" {
		return false
	}
	bad := g.badChannels()
	if a.State != alarm.Unacknowledged && a.State != alarm.Acknowledged {
		g.named = 0
		return false
	}
	more := g.named != 0 && bad&^g.named != 0
	g.named |= bad
	return more
}

// FaultText names the faulty channels.
func (g *Guard) FaultText() say.Text {
	var out []say.Text
	g.eachBad(func(c box.Channel, why say.Text) {
		i := c.Info()
		out = append(out, say.T("%s %v (%v)", i.Tag, say.T(i.Name), why))
	})
	return say.T("%v", say.List{Of: out, Sep: "; "})
}
