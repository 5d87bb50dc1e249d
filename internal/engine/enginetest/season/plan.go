package season

import (
	"fmt"
	"math/rand/v2"
	"strings"

	"boxd/internal/box"
)

// Plan is what a season will hold. It follows from its seed; shrinking takes
// hazards and runs away and leaves the rest as it was drawn.
type Plan struct {
	Seed uint64
	Runs []Run
}

// Run is one visit and the days before it.
type Run struct {
	Days    int // since the one before
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
)

// Draw makes the plan of a seed.
func Draw(seed uint64) Plan {
	p := Plan{Seed: seed}
	r := stream(seed, forPlan, 0)
	n := 3 + r.IntN(3)
	if r.IntN(8) == 0 {
		n = 9 // past runs have taught the core something
	}
	for range n {
		run := Run{Days: 1 + r.IntN(2)}
		for range []int{0, 0, 1, 1, 1, 2}[r.IntN(6)] {
			run.add(drawHazard(r))
		}
		p.Runs = append(p.Runs, run)
	}
	return p
}

// add takes a hazard in, unless one of its kind or its moment's rival is there.
func (n *Run) add(h Hazard) {
	for i := range n.Hazards {
		if n.Hazards[i].Kind == h.Kind {
			return
		}
	}
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
		fmt.Fprintf(&b, "\n  run %d %s", i+1, p.Runs[i])
	}
	return b.String()
}

// String tells the run.
func (n Run) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "after %d days", n.Days)
	for k := range n.Hazards {
		fmt.Fprintf(&b, "; %s", &n.Hazards[k])
	}
	return b.String()
}

// Shrink takes away what a failure does not need: hazards first, then runs.
func Shrink(p Plan, fails func(Plan) bool) Plan {
	for i := range p.Runs {
		for k := len(p.Runs[i].Hazards) - 1; k >= 0; k-- {
			try := p.clone()
			try.Runs[i].Hazards = append(try.Runs[i].Hazards[:k], try.Runs[i].Hazards[k+1:]...)
			if fails(try) {
				p = try
			}
		}
	}
	for len(p.Runs) > 1 {
		try := p.clone()
		try.Runs = try.Runs[:len(try.Runs)-1]
		if !fails(try) {
			break
		}
		p = try
	}
	return p
}

// clone is a copy as it was drawn.
func (p Plan) clone() Plan {
	out := Plan{Seed: p.Seed}
	for _, n := range p.Runs {
		c := Run{Days: n.Days}
		for _, h := range n.Hazards {
			c.Hazards = append(c.Hazards, Hazard{Kind: h.Kind, Delay: h.Delay, Lasts: h.Lasts, Size: h.Size, Channel: h.Channel})
		}
		out.Runs = append(out.Runs, c)
	}
	return out
}
