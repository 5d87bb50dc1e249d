package hydraulics

import "math"

// nodal balances a zone with the pressures at all outlets, tees and the header's
// inlet as unknowns. The zone's state is the least of a convex function of them
// (its co-content: Collins et al., Management Science 24, 1978), which Newton's
// method with a line search finds from anywhere.
//
// It takes ten times the work of the march from the closed ends and is there for
// what that can't do: emitters of nearly constant flow at hardly any pressure,
// or bores so small that a lateral's tee pressure runs away with its end's.
type nodal struct {
	pipes  []feeder
	parent []int32 // of each node; −1: the box outlet. Parents come first.
	height []float64
	coef   []float64 // of the outlet at the node; 0: none
	outlet []int32   // its number in the layout; −1: none

	level, trial, step     []float64 // kPa, height included
	flow, yield            []float64 // L/h in the node's pipe, and per kPa between its ends
	excess, stiff, balance []float64 // L/h more in than out; per kPa of the node; elimination
	draw                   []float64 // L/h of fixed outflow
}

// feeder is the pipe that feeds a node.
type feeder struct {
	c      *conduit
	length float64 // m
	entry  float64 // kPa per (L/h)²
}

const (
	nodalSteps     = 300              // a bound; ten to forty are usual
	nodalTolerance = tolerance / 1000 // kPa, the step the search ends with
	shortest       = 1e-7             // m: pipes of no length are given this one
)

// newNodal lays out the nodes: header inlet, then branch by branch each tee with
// its lateral.
func newNodal(l *layout) *nodal {
	n := &nodal{}
	n.add(-1, feeder{c: &l.lead, length: float64(l.zone.Lead.Length)}, l.leadRise, 0, -1)
	for _, br := range l.branches {
		up := 0
		for i := br.from; i < br.to; i++ {
			r := &l.rows[i]
			up = n.add(up, feeder{c: &l.header, length: r.reach}, r.rise, 0, -1)
			at, high := up, r.rise
			for k := r.outlets.from; k < r.outlets.to; k++ {
				f := feeder{c: &l.tape, length: l.seg[k]}
				if k == r.outlets.from {
					f.entry = l.entry
				}
				high += l.seg[k] * r.climb
				at = n.add(at, f, high, l.coef[k], k)
			}
		}
	}
	m := len(n.pipes)
	a := make([]float64, 9*m)
	for i, p := range []*[]float64{&n.level, &n.trial, &n.step, &n.flow, &n.yield, &n.excess, &n.stiff, &n.balance, &n.draw} {
		*p = a[i*m : (i+1)*m : (i+1)*m]
	}
	return n
}

func (n *nodal) add(parent int, f feeder, height, coef float64, outlet int) int {
	f.length = math.Max(f.length, shortest)
	n.pipes = append(n.pipes, f)
	n.parent = append(n.parent, int32(parent))
	n.height = append(n.height, height)
	n.coef = append(n.coef, coef)
	n.outlet = append(n.outlet, int32(outlet))
	return len(n.pipes) - 1
}

// nodal balances the zone at box kPa where the march could not.
func (s *solver) nodal(box float64, b burst) error {
	s.warm = false
	if s.nodes == nil {
		s.nodes = newNodal(s.layout)
	}
	n := s.nodes
	n.place(s.layout, b)
	for i := range n.level {
		n.level[i] = box
	}
	for range nodalSteps {
		n.evaluate(&s.law, box, n.level)
		if n.solve() < nodalTolerance {
			n.report(s)
			return nil
		}
		n.search(&s.law, box)
	}
	return errNoConvergence
}

// place puts the burst where it is.
func (n *nodal) place(l *layout, b burst) {
	tee := -1
	for i, outlet := range n.outlet {
		n.draw[i] = 0
		if outlet < 0 && i > 0 {
			tee++
		}
		if b.flow > 0 && (b.outlet >= 0 && int(outlet) == b.outlet || b.outlet < 0 && outlet < 0 && i > 0 && tee == b.row) {
			n.draw[i] = b.flow
		}
	}
}

// evaluate works out all flows, their slopes and each node's excess.
func (n *nodal) evaluate(law *law, box float64, level []float64) {
	clear(n.excess)
	for i := range level {
		up := box
		if p := n.parent[i]; p >= 0 {
			up = level[p]
		}
		n.flow[i], n.yield[i] = n.pipes[i].through(up-level[i], n.flow[i])
		q, slope := law.flow(level[i] - n.height[i])
		n.stiff[i] = n.coef[i] * slope
		n.excess[i] += n.flow[i] - n.coef[i]*q - n.draw[i]
		if p := n.parent[i]; p >= 0 {
			n.excess[p] -= n.flow[i]
		}
	}
}

// solve finds Newton's step, from the ends inwards and back, and gives its
// largest part.
func (n *nodal) solve() float64 {
	copy(n.balance, n.excess)
	for i := len(n.pipes) - 1; i >= 0; i-- {
		if p := n.parent[i]; p >= 0 {
			c, y := n.yield[i], n.stiff[i]
			n.stiff[p] += c * y / (c + y)
			n.balance[p] += n.balance[i] * c / (c + y)
		}
	}
	largest := 0.0
	for i := range n.pipes {
		up := 0.0
		if p := n.parent[i]; p >= 0 {
			up = n.step[p]
		}
		n.step[i] = (n.balance[i] + n.yield[i]*up) / (n.yield[i] + n.stiff[i])
		largest = math.Max(largest, math.Abs(n.step[i]))
	}
	return largest
}

// search goes along the step until the function no longer falls.
func (n *nodal) search(law *law, box float64) {
	start := n.descent()
	low, high, part := 0.0, 1.0, 1.0
	for range maxLineSearch {
		for i, d := range n.step {
			n.trial[i] = n.level[i] + part*d
		}
		n.evaluate(law, box, n.trial)
		d := n.descent()
		if d >= 0 && part == 1 || math.Abs(d) <= start/2 {
			break
		}
		if d > 0 {
			low = part
		} else {
			high = part
		}
		part = low + (high-low)/2
	}
	n.level, n.trial = n.trial, n.level
}

const maxLineSearch = 30

// descent is how fast the function falls along the step.
func (n *nodal) descent() float64 {
	sum := 0.0
	for i, d := range n.step {
		sum += n.excess[i] * d
	}
	return sum
}

// report writes the state to the solver's arrays, with flows summed up from the
// outlets so that none is lost.
func (n *nodal) report(s *solver) {
	q := n.balance
	row := len(s.rows)
	clear(q)
	for i := len(n.pipes) - 1; i >= 0; i-- {
		p := n.level[i] - n.height[i]
		e, _ := s.law.flow(p)
		q[i] += n.coef[i]*e + n.draw[i]
		switch k := n.outlet[i]; {
		case k >= 0:
			s.pressure[k], s.flow[k] = p, q[i]
		case i > 0:
			row--
			s.tee[row], s.reach[row] = n.level[i], q[i]
			s.inflow[row] = s.flow[s.rows[row].outlets.from]
		}
		if up := n.parent[i]; up >= 0 {
			q[up] += q[i]
		}
	}
	s.inlet, s.total = n.level[0], q[0]
}

// through is the flow the pipe passes at a pressure difference, and its
// derivative. q is a guess.
func (f *feeder) through(diff, q float64) (flow, yield float64) {
	if diff < 0 {
		flow, yield = f.through(-diff, -q)
		return -flow, yield
	}
	laminar := f.c.laminar * f.length
	if f.entry == 0 && diff <= laminar*f.c.laminarTo {
		return diff / laminar, 1 / laminar
	}
	q = math.Max(q, f.c.laminarTo)
	slope := 0.0
	for range 60 {
		var loss, s float64
		loss, s = f.c.gradient(q)
		loss, slope = loss*f.length+f.entry*q*q, s*f.length+2*f.entry*q
		next := math.Max(q/8, q-(loss-diff)/slope)
		if math.Abs(next-q) <= 1e-13*q {
			break
		}
		q = next
	}
	return q, 1 / slope
}
