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

// Around is what the box knows of its surroundings besides the water.
type Around struct {
	Archive, Link box.Surrounding
	ClockKnown    bool
	ClockStep     time.Duration // by how much the clock was set since the last turn; ahead is positive
}

// Assessment is the guard's word for one turn. It belongs to the guard until
// the next.
type Assessment struct {
	Holds   []Hold
	Changes []alarm.Change
	Notes   []alarm.Note
}

// Guard judges estimates. It must be told every turn.
type Guard struct {
	limits   Limits
	backflow Backflow
	panel    *alarm.Panel
	around   Around
	out      Assessment
	in       scene
	named    uint32 // bad channels that sensor-fault has named since it was raised
	signed   sign   // of backflow, this turn
	still    still
	past     flowPast
	kind     FlowKind // of the flow alarm whose condition stands

	rules     []holdRule
	overrides []Override
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
	return &Guard{limits: l, backflow: b, rules: holdRules(), panel: alarm.NewPanel(Definitions(), l.MaxShelving)}
}

// Panel are the box's alarms: a person's word about them goes to it.
func (g *Guard) Panel() *alarm.Panel { return g.panel }

// Find is the alarm with this id, nil when there is none.
func (g *Guard) Find(id string) *alarm.Alarm { return g.panel.Find(id) }

// Surroundings tells what is around in the turn to come.
func (g *Guard) Surroundings(a Around) { g.around = a }

// Step judges one turn.
func (g *Guard) Step(now time.Duration, wall time.Time, r *box.Readings, e *estimate.Estimates, s Scene) *Assessment {
	g.in = scene{now, wall, r, e, s}
	g.watchFlow()
	g.out.Holds = g.out.Holds[:0]
	g.out.Changes, g.out.Notes = g.panel.Turn(now, judge{g})
	g.holds()
	return &g.out
}

// eachBad names the channels that are bad or contradict another. Air outside is
// not among them: its probe is a help, not a need.
func (g *Guard) eachBad(tell func(c box.Channel, why say.Text)) {
	r := g.in.r
	add := func(c box.Channel, q box.Quality, cause box.Cause, why say.Text) {
		// Bad while the box only checks, as after a restart, is no fault yet.
		if q == box.Bad && cause != box.CheckFunction || r.Contradicting.Has(c) {
			tell(c, why)
		}
	}
	add(box.SupplyPressure, r.Supply.Quality, r.Supply.Cause, r.Supply.Why)
	add(box.FilterOutPressure, r.FilterOut.Quality, r.FilterOut.Cause, r.FilterOut.Why)
	add(box.InjectorInPressure, r.InjectorIn.Quality, r.InjectorIn.Cause, r.InjectorIn.Why)
	add(box.InjectorOutPressure, r.InjectorOut.Quality, r.InjectorOut.Cause, r.InjectorOut.Why)
	add(box.HeaderPressure, r.Header.Quality, r.Header.Cause, r.Header.Why)
	add(box.MainFlow, r.Main.Quality, r.Main.Cause, r.Main.Why)
	add(box.InjectorFlow, r.Branch.Quality, r.Branch.Cause, r.Branch.Why)
	add(box.StockDraw, r.Stock.Quality, r.Stock.Cause, r.Stock.Why)
	add(box.BoxEC, r.BoxEC.Quality, r.BoxEC.Cause, r.BoxEC.Why)
	add(box.EndEC, r.EndEC.Quality, r.EndEC.Cause, r.EndEC.Why)
	add(box.WaterTemp, r.Water.Quality, r.Water.Cause, r.Water.Why)
	add(box.BoxAirTemp, r.BoxAir.Quality, r.BoxAir.Cause, r.BoxAir.Why)
}

// badChannels has a bit for each bad channel.
func (g *Guard) badChannels() (mask uint32) {
	g.eachBad(func(c box.Channel, _ say.Text) { mask |= 1 << c })
	return mask
}

// judge tells the panel what the guard sees.
type judge struct{ g *Guard }

func (j judge) Tell(a *alarm.Alarm) alarm.Told {
	var w alarm.Told
	w.Active, w.Judged = j.g.condition(a)
	w.Suppressed = j.g.suppressed(a.Def.ID)
	w.Grave = j.g.grave(a.Def.ID)
	w.Grown = a.Def.ID == "sensor-fault" && j.g.another(a)
	return w
}

func (j judge) Seen(a *alarm.Alarm) say.Text {
	if a.Def.ID == "sensor-fault" {
		j.g.named |= j.g.badChannels()
	}
	return j.g.seen(a.Def.ID)
}

// another reports whether a sensor fails that the standing alarm has not named:
// one alarm stands for all sensors, and a second fault must not hide behind the
// first.
func (g *Guard) another(a *alarm.Alarm) bool {
	if a.State != alarm.Unacknowledged && a.State != alarm.Acknowledged {
		g.named = 0
		return false
	}
	return g.badChannels()&^g.named != 0
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
