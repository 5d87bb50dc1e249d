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
	Unseen        time.Duration // counted since then, where that may be a guess: nobody looked; 0: it is known
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
	papers   declared
	panel    *alarm.Panel
	criteria []criterion // of the panel's alarms, in their order
	around   Around
	out      Assessment
	in       scene
	bad      box.Channels // this turn
	declared bool         // the papers are in order, this turn
	named    box.Channels // those that sensor-fault has named since it was raised
	signed   sign         // of backflow, this turn

	supply, filterOut, header, main gauge

	still still
	past  flowPast
	kind  FlowKind // of the flow alarm whose condition stands

	sign, headerLow, flowHigh, flowLow, fault *alarm.Alarm // of the panel

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
	p := alarm.NewPanel(Definitions(), l.MaxShelving)
	return &Guard{limits: l, papers: papersOf(b), rules: holdRules(), panel: p, criteria: criteriaOf(p.Alarms()),
		sign: p.Find("backflow-sign"), headerLow: p.Find("header-pressure-low"), flowHigh: p.Find("flow-above-expected"), flowLow: p.Find("flow-below-expected"), fault: p.Find("sensor-fault")}
}

// Panel are the box's alarms: a person's word about them goes to it.
func (g *Guard) Panel() *alarm.Panel { return g.panel }

// Find is the alarm with this id, nil when there is none.
func (g *Guard) Find(id string) *alarm.Alarm { return g.panel.Find(id) }

// Around is what is around in the turn to come, to be written before it.
func (g *Guard) Around() *Around { return &g.around }

// Step judges one turn.
func (g *Guard) Step(now time.Duration, wall time.Time, r *box.Readings, e *estimate.Estimates, s Scene) *Assessment {
	in := &g.in // one by one: a scene made first would be copied while it is hardly written
	in.now, in.wall, in.r, in.e, in.s = now, wall, r, e, s
	g.bad = g.badChannels()
	g.declared = g.papers.inOrder(wall)
	g.hear()
	g.watchFlow()
	g.out.Holds = g.out.Holds[:0]
	g.out.Changes, g.out.Notes = g.panel.Turn(now, judge{g})
	g.holds()
	return &g.out
}

// faulty: bad while the box only checks, as after a restart, is no fault yet.
func faulty[T ~float64](r *box.Reading[T]) bool {
	return r.Quality == box.Bad && r.Cause != box.CheckFunction
}

// badChannels are the channels that are bad or contradict another. Air outside
// is not among them: its probe is a help, not a need.
func (g *Guard) badChannels() box.Channels {
	r, bad := g.in.r, g.in.r.Contradicting
	add := func(c box.Channel, faulty bool) {
		if faulty {
			bad = bad.With(c)
		}
	}
	add(box.SupplyPressure, faulty(&r.Supply))
	add(box.FilterOutPressure, faulty(&r.FilterOut))
	add(box.InjectorInPressure, faulty(&r.InjectorIn))
	add(box.InjectorOutPressure, faulty(&r.InjectorOut))
	add(box.HeaderPressure, faulty(&r.Header))
	add(box.MainFlow, faulty(&r.Main))
	add(box.InjectorFlow, faulty(&r.Branch))
	add(box.StockDraw, faulty(&r.Stock))
	add(box.BoxEC, faulty(&r.BoxEC))
	add(box.EndEC, faulty(&r.EndEC))
	add(box.WaterTemp, faulty(&r.Water))
	add(box.BoxAirTemp, faulty(&r.BoxAir))
	return bad
}

// judge tells the panel what the guard sees.
type judge struct{ g *Guard }

func (j judge) Tell(all []alarm.Told) (moves bool) {
	g := j.g
	drained, unseen := g.in.s.MainClosed, g.in.r.Unseen
	for i := range all {
		w, c := &all[i], &g.criteria[i]
		w.Active, w.Judged = c.stands(g, w.Active)
		if c.grave != nil {
			w.Grave = c.grave(g)
		}
		if c.grown != nil {
			w.Grown = c.grown(g)
		}
		if drained || unseen {
			w.Suppressed, w.Unseen = drained && c.drains, unseen
		}
		moves = moves || w.Moves()
	}
	return moves
}

func (j judge) Seen(a *alarm.Alarm) say.Text {
	if a.Def.ID == "sensor-fault" {
		j.g.named |= j.g.bad
	}
	return j.g.seen(a.Def.ID)
}

// another reports whether a sensor fails that the standing alarm has not named:
// one alarm stands for all sensors, and a second fault must not hide behind the
// first.
func (g *Guard) another() bool {
	if a := g.fault; a.State != alarm.Unacknowledged && a.State != alarm.Acknowledged {
		g.named = 0
		return false
	}
	return g.bad&^g.named != 0
}

// FaultText names the faulty channels.
func (g *Guard) FaultText() say.Text {
	var out []say.Text
	r, bad := g.in.r, g.badChannels()
	for i, why := range [...]say.Text{r.Supply.Why, r.FilterOut.Why, r.InjectorIn.Why, r.InjectorOut.Why, r.Header.Why, r.Main.Why,
		r.Branch.Why, r.Stock.Why, r.BoxEC.Why, r.EndEC.Why, r.Water.Why, r.BoxAir.Why} {
		if c := box.SupplyPressure + box.Channel(i); bad.Has(c) {
			out = append(out, say.T("%s %v (%v)", c.Info().Tag, say.T(c.Info().Name), why))
		}
	}
	return say.T("%v", say.List{Of: out, Sep: "; "})
}
