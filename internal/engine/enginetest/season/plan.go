package season

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"

	"boxd/internal/box"
)

// Plan is what a season will hold. It follows from its seed; shrinking takes
// hazards and runs away and leaves the rest as it was drawn.
type Plan struct {
	Seed  uint64
	Slice bool // a few runs on a small planting, hours apart
	Runs  []Run
}

// Run is one visit and the time before it.
type Run struct {
	Number  int     // as drawn, from 1
	Days    int     // since the one before
	Hours   float64 // in a slice, in place of days; 0: until the next morning
	Hazards []Hazard
}

// stream is one of the season's sources of chance: they do not disturb each
// other, so that taking a hazard away leaves the draws of all others.
func stream(seed, what, run uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, what<<32|run)) }

const (
	forPlan = iota + 1
	forZone
	forPlant
	forPerson
	forConfig
	forSlice
)

// Draw makes the plan of a seed.
func Draw(seed uint64) Plan {
	p := Plan{Seed: seed}
	r := stream(seed, forPlan, 0)
	n := 3 + r.IntN(3)
	if r.IntN(8) == 0 {
		n = 9 // past runs have taught the core something
	}
	for i := range n {
		run := Run{Number: i + 1, Days: 1 + r.IntN(2)}
		for range []int{0, 0, 1, 1, 1, 2}[r.IntN(6)] {
			run.add(drawHazard(r))
		}
		p.Runs = append(p.Runs, run)
	}
	if n > 6 { // what they have taught the core of the clean filter can show
		p.Runs[6+r.IntN(n-6)].add(Hazard{Kind: FilterLeftDirty, Size: r.Float64(), Lasts: 600})
	}
	return p
}

// DrawSlice makes the plan of a seed's slice: one to three runs with up to three
// hazards each. It costs a tenth of a season, so that thousands can be played.
func DrawSlice(seed uint64) Plan {
	p := Plan{Seed: seed, Slice: true}
	r := stream(seed, forSlice, 0)
	for i := range []int{1, 1, 1, 1, 2, 3}[r.IntN(6)] {
		run := Run{Number: i + 1, Hours: 0.3 + 0.9*r.Float64()}
		for range []int{0, 0, 1, 1, 1, 1, 2, 3}[r.IntN(8)] {
			run.add(drawHazard(r))
		}
		if run.has(FrostNight) {
			run.Hours = 0
		}
		p.Runs = append(p.Runs, run)
	}
	return p
}

// Whole is the plan for a box with archive and receivers: to what p holds, each run
// has the power cut, the disk full or the links lost. A power cut beside a full disk
// falls into its time.
func (p Plan) Whole() Plan {
	r := stream(p.Seed, forPlan, 1)
	if p.Slice {
		r = stream(p.Seed, forSlice, 1)
	}
	for i := range p.Runs {
		for range 1 + r.IntN(2) {
			h := Hazard{Kind: []Kind{CoreRestarts, CoreRestarts, DiskFull, LinkLost}[r.IntN(4)], Size: r.Float64()}
			h.Delay, h.Lasts = 5+900*r.Float64()*r.Float64(), 60+600*r.Float64()
			p.Runs[i].add(h)
		}
		p.Runs[i].cutWhileFull(r.Float64())
	}
	return p
}

// cutWhileFull moves a power cut into the time of a full disk.
func (n *Run) cutWhileFull(part float64) {
	full := slices.IndexFunc(n.Hazards, func(h Hazard) bool { return h.Kind == DiskFull })
	cut := slices.IndexFunc(n.Hazards, func(h Hazard) bool { return h.Kind == CoreRestarts })
	if full >= 0 && cut >= 0 {
		n.Hazards[cut].Delay = n.Hazards[full].Delay + part*n.Hazards[full].Lasts
	}
}

// add takes a hazard in, unless one of its kind or its moment's rival is there.
func (n *Run) add(h Hazard) {
	for i := range n.Hazards {
		if n.Hazards[i].Kind == h.Kind {
			return
		}
	}
	h.Number = len(n.Hazards) + 1
	n.Hazards = append(n.Hazards, h)
}

func drawHazard(r *rand.Rand) Hazard {
	h := Hazard{Kind: 1 + Kind(r.IntN(int(numKinds)-1)), Size: r.Float64()}
	h.Lasts = 240 + 600*r.Float64()
	h.Delay = 5 + 400*r.Float64()*r.Float64()
	switch h.Kind {
	case WireBreaks, SensorFails, SensorAbsurd:
		h.Channel = box.SupplyPressure + box.Channel(r.IntN(int(box.BoxAirTemp)))
	case MeterSticks:
		h.Channel = []box.Channel{box.MainFlow, box.InjectorFlow, box.StockDraw, box.HeaderPressure, box.BoxEC, box.EndEC}[r.IntN(6)]
	case FilterLoads, FilterTears: // after the clean filter has been seen
		h.Delay += 60
	case ClosesEarly:
		h.Delay += 10
	case StockRunsOut, AirInHose, InjectorStops:
		h.Delay = 20 + 100*r.Float64()
		h.Lasts = 150 + 200*r.Float64()
	}
	return h
}

// String tells the plan.
func (p Plan) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "seed %d, %d runs", p.Seed, len(p.Runs))
	for i := range p.Runs {
		fmt.Fprintf(&b, "\n  run %d %s", p.Runs[i].Number, p.Runs[i])
	}
	return b.String()
}

// String tells the run.
func (n Run) String() string {
	var b strings.Builder
	switch {
	case n.Days > 0:
		fmt.Fprintf(&b, "after %d days", n.Days)
	case n.Hours > 0:
		fmt.Fprintf(&b, "after %.1f h", n.Hours)
	default:
		b.WriteString("after a night")
	}
	for k := range n.Hazards {
		fmt.Fprintf(&b, "; %s", &n.Hazards[k])
	}
	return b.String()
}
