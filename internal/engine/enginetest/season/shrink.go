package season

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Shrink takes away what a failure does not need, as long as it takes anything:
// runs, hazards, half of how long a hazard lasts. It tries in a fixed order, so the
// same failure gives the same smallest plan.
func Shrink(p Plan, fails func(Plan) bool) Plan {
	for {
		smaller, ok := shrinkOnce(p, fails)
		if !ok {
			return p
		}
		p = smaller
	}
}

// mostHalvings bounds the shortening of one hazard.
const mostHalvings = 4

func shrinkOnce(p Plan, fails func(Plan) bool) (Plan, bool) {
	for i := len(p.Runs) - 1; i >= 0 && len(p.Runs) > 1; i-- {
		try := p.clone()
		if try.Runs = slices.Delete(try.Runs, i, i+1); fails(try.clone()) {
			return try, true
		}
	}
	for i := range p.Runs {
		for k := len(p.Runs[i].Hazards) - 1; k >= 0; k-- {
			try := p.clone()
			if try.Runs[i].Hazards = slices.Delete(try.Runs[i].Hazards, k, k+1); fails(try.clone()) {
				return try, true
			}
		}
	}
	for i := range p.Runs {
		for k := range p.Runs[i].Hazards {
			try := p.clone()
			h := &try.Runs[i].Hazards[k]
			if h.Halved >= mostHalvings {
				continue
			}
			h.Halved, h.Lasts = h.Halved+1, h.Lasts/2
			if fails(try.clone()) {
				return try, true
			}
		}
	}
	return p, false
}

// clone is a copy as it was drawn.
func (p Plan) clone() Plan {
	out := Plan{Seed: p.Seed, Slice: p.Slice}
	for _, n := range p.Runs {
		c := Run{Number: n.Number, Days: n.Days, Hours: n.Hours}
		for _, h := range n.Hazards {
			c.Hazards = append(c.Hazards, Hazard{Number: h.Number, Halved: h.Halved, Kind: h.Kind, Delay: h.Delay, Lasts: h.Lasts, Size: h.Size, Channel: h.Channel})
		}
		out.Runs = append(out.Runs, c)
	}
	return out
}

// Part names what is left of a plan: its runs, their hazards, and into how many
// parts a hazard's time was cut, as in "1:2,3/4 3:". Only takes it.
func (p Plan) Part() string {
	var runs []string
	for _, n := range p.Runs {
		var hazards []string
		for _, h := range n.Hazards {
			text := strconv.Itoa(h.Number)
			if h.Halved > 0 {
				text += "/" + strconv.Itoa(1<<h.Halved)
			}
			hazards = append(hazards, text)
		}
		runs = append(runs, fmt.Sprintf("%d:%s", n.Number, strings.Join(hazards, ",")))
	}
	return strings.Join(runs, " ")
}

// Only is what part names of the plan as it was drawn.
func (p Plan) Only(part string) (Plan, error) {
	out := Plan{Seed: p.Seed, Slice: p.Slice}
	for _, text := range strings.Fields(part) {
		number, hazards, ok := strings.Cut(text, ":")
		i := slices.IndexFunc(p.Runs, func(n Run) bool { return strconv.Itoa(n.Number) == number })
		if !ok || i < 0 {
			return Plan{}, fmt.Errorf("cannot take run %q of seed %d: write it as number:hazards, of %s", text, p.Seed, p.Part())
		}
		n := p.Runs[i]
		n.Hazards = nil
		for h := range strings.SplitSeq(hazards, ",") {
			if h == "" {
				continue
			}
			taken, err := p.Runs[i].hazard(h)
			if err != nil {
				return Plan{}, err
			}
			n.Hazards = append(n.Hazards, taken)
		}
		out.Runs = append(out.Runs, n)
	}
	return out, nil
}

// hazard is one by its number, shortened by what follows a stroke.
func (n Run) hazard(text string) (Hazard, error) {
	number, parts, cut := strings.Cut(text, "/")
	for _, h := range n.Hazards {
		if strconv.Itoa(h.Number) != number {
			continue
		}
		for cut && h.Halved < mostHalvings && strconv.Itoa(1<<h.Halved) != parts {
			h.Halved, h.Lasts = h.Halved+1, h.Lasts/2
		}
		return h, nil
	}
	return Hazard{}, fmt.Errorf("cannot take hazard %q of run %d: it has %d", text, n.Number, len(n.Hazards))
}
