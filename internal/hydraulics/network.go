package hydraulics

import (
	"fmt"
	"math"
	"time"

	"boxd/internal/units"
)

// Network is a zone drawn out outlet by outlet, with the memory its solves
// need. It is for one goroutine. After the first, and the first of a zone that
// hardly gets pressure, a solve allocates nothing.
type Network struct {
	s        *solver
	solution Solution
}

// Solution is the zone's state at one pressure at the box outlet. It belongs to
// the Network and is overwritten by the next solve.
type Solution struct {
	TotalFlow    units.LPerH // through the box outlet, leaks included
	LeakFlow     units.LPerH
	BoxOutlet    units.KPa
	HeaderInlet  units.KPa
	FirstEmitter units.KPa // first emitter of the first lateral
	LastEmitter  units.KPa // last emitter of the last lateral
	MinEmitter   units.KPa
	MaxEmitter   units.KPa
	Near, Far    int         // laterals whose last emitter is reached first and last
	NearVolume   units.Litre // V_e of the near lateral's last emitter
	FarVolume    units.Litre // V_e of the far lateral's last emitter
	FlushVolume  units.Litre // the largest V_e of all emitters
	Unfed        int         // emitters at no pressure: they get no water

	Rows []Row // in header order

	// One value an emitter, row after row, from the tee outwards. Volume is
	// V_e: what has to pass the box before water from there arrives. Where no
	// water moves it is that of the last place it does.
	Pressure []units.KPa
	Flow     []units.LPerH
	Volume   []units.Litre
}

// Row is the state of one lateral.
type Row struct {
	Emitters  int       // how many
	First     int       // index of its first emitter in the Solution's lists
	Tee       units.KPa // in the header, before the connector
	Inflow    units.LPerH
	TeeVolume units.Litre // has to pass the box before water arrives at the tee
	EndVolume units.Litre // V_e of the last emitter
}

// NewNetwork draws the zone out. The error is a Faults with every fault found.
func NewNetwork(z Zone) (*Network, error) {
	if f := z.Validate(); len(f) > 0 {
		return nil, f
	}
	return newNetwork(newLayout(z)), nil
}

func newNetwork(l *layout) *Network {
	n := len(l.paths)
	return &Network{s: newSolver(l), solution: Solution{
		Rows:     make([]Row, len(l.rows)),
		Pressure: make([]units.KPa, n),
		Flow:     make([]units.LPerH, n),
		Volume:   make([]units.Litre, n),
	}}
}

// Emitters is how many the zone has.
func (n *Network) Emitters() int { return len(n.s.paths) }

// Place says where the i-th emitter of a Solution's lists is.
func (n *Network) Place(i int) (lateral, index int, x units.Metre) {
	p := n.s.paths[i]
	return p.lateral, p.index, p.x
}

// Solve balances the zone at the given pressure. It fails on a pressure that is
// not a number, negative or absurdly high, and where flows can't be balanced.
func (n *Network) Solve(boxOutlet units.KPa) (*Solution, error) {
	if !(boxOutlet >= 0 && boxOutlet <= maxPressure) {
		return nil, fmt.Errorf("cannot solve at %.4g kPa: the pressure at the box outlet must be 0 to %g kPa", float64(boxOutlet), float64(maxPressure))
	}
	if err := n.s.solve(float64(boxOutlet), burst{}); err != nil {
		return nil, err
	}
	n.collect(boxOutlet)
	return &n.solution, nil
}

// SolveInlet balances the zone as its inlet feeds it: at the held pressure, or
// through the regulator, which opens fully where the supply can't hold it.
func (n *Network) SolveInlet() (*Solution, error) {
	r := n.s.zone.Regulator
	if r == nil {
		return n.Solve(n.s.zone.Inlet)
	}
	sol, err := n.Solve(r.Setpoint)
	if err != nil || n.upstream(sol.TotalFlow) >= r.Setpoint {
		return sol, err
	}
	low, high := units.KPa(0), r.Setpoint
	for high-low > tolerance {
		p := low + (high-low)/2
		if sol, err = n.Solve(p); err != nil {
			return nil, err
		}
		if n.upstream(sol.TotalFlow) > p {
			low = p
		} else {
			high = p
		}
	}
	return sol, nil
}

// upstream is the pressure just before the regulator at flow q.
func (n *Network) upstream(q units.LPerH) units.KPa {
	z := &n.s.zone
	r, c := z.Regulator, &n.s.regulator
	j, _ := c.gradient(float64(q))
	return r.Supply - units.KPa(float64(r.PipeLen)*j+r.MinorLoss*c.velocity*float64(q)*float64(q))
}

// collect turns the solver's arrays into the solution, emitter by emitter.
func (n *Network) collect(boxOutlet units.KPa) {
	s, o := n.s, &n.solution
	o.BoxOutlet, o.TotalFlow = boxOutlet, units.LPerH(s.total)
	o.HeaderInlet = units.KPa(s.inlet - s.leadRise)
	o.LeakFlow, o.Unfed, o.FlushVolume = 0, 0, 0
	o.MinEmitter, o.MaxEmitter = units.KPa(math.Inf(1)), units.KPa(math.Inf(-1))
	for _, br := range s.branches {
		v := float64(s.zone.Lead.Length) * s.lead.area
		for i := br.from; i < br.to; i++ {
			v += s.delay(s.rows[i].reach*s.header.area, s.reach[i])
			n.collectRow(i, v)
		}
	}
	last := len(o.Pressure) - 1
	o.FirstEmitter, o.LastEmitter = o.Pressure[0], o.Pressure[last]
	o.Near, o.Far = 0, 0
	for i := range o.Rows {
		if o.Rows[i].EndVolume < o.Rows[o.Near].EndVolume {
			o.Near = i
		}
		if o.Rows[i].EndVolume > o.Rows[o.Far].EndVolume {
			o.Far = i
		}
	}
	o.NearVolume, o.FarVolume = o.Rows[o.Near].EndVolume, o.Rows[o.Far].EndVolume
}

// collectRow fills one lateral's part. v litres have to pass the box before
// water from it is at the tee.
func (n *Network) collectRow(i int, v float64) {
	s, o := n.s, &n.solution
	r := &s.rows[i]
	row := &o.Rows[i]
	*row = Row{
		Emitters: r.emitters.to - r.emitters.from, First: r.emitters.from,
		Tee: units.KPa(s.tee[i] - r.rise), Inflow: units.LPerH(s.inflow[i]), TeeVolume: units.Litre(v),
	}
	lowest, highest := o.MinEmitter, o.MaxEmitter
	from, to := r.outlets.from, r.outlets.to
	flow, seg := s.flow[from:to], s.seg[from:to]
	for k, in := range flow {
		v += s.delay(seg[k]*s.tape.area, in)
		q := in
		if k+1 < len(flow) {
			q -= flow[k+1]
		}
		e := s.emitter[from+k]
		if e < 0 {
			o.LeakFlow += units.LPerH(q)
			continue
		}
		p := units.KPa(s.pressure[from+k])
		if p <= 0 && s.coef[from+k] > 0 {
			o.Unfed++
		}
		lowest, highest = min(lowest, p), max(highest, p)
		o.Pressure[e], o.Flow[e], o.Volume[e] = p, units.LPerH(q), units.Litre(v)
		row.EndVolume = units.Litre(v)
	}
	o.MinEmitter, o.MaxEmitter = lowest, highest
	o.FlushVolume = max(o.FlushVolume, row.EndVolume)
}

// delay is what has to pass the box while a stretch of pipe holding v litres is
// run through at flow q. Where nothing flows it is left out.
func (s *solver) delay(v, q float64) float64 {
	if q <= 0 {
		return 0
	}
	return v * (s.total / q)
}

// Travel is the time water takes from the box to where V_e is v, at the
// solution's flow. It is 0, false where nothing flows.
func (o *Solution) Travel(v units.Litre) (time.Duration, bool) { return v.At(o.TotalFlow) }

// MeanFlow is the emitters' mean flow.
func (o *Solution) MeanFlow() units.LPerH {
	return (o.TotalFlow - o.LeakFlow) / units.LPerH(max(1, len(o.Flow)))
}
