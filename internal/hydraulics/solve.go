package hydraulics

import (
	"errors"
	"math"
)

// tolerance is how far, in kPa, the pressure at a tee may differ between header
// and lateral when a solve stops.
const tolerance = 1e-5

// Bounds of the search by Newton's method. Two to four sweeps are usual.
const (
	maxSweeps   = 16
	maxHalvings = 4
)

var errNoConvergence = errors.New("cannot balance the zone's flows: its data are too far from a workable planting; check bores, lengths and slopes")

// burst is an extra outflow of fixed size: at outlet `outlet` (an index into
// the layout's outlets) of a row, or at the row's tee when outlet is −1.
type burst struct {
	row, outlet int
	flow        float64 // L/h; 0: none
}

// solver balances a layout by Newton's method.
//
// The unknowns are the pressures at the closed ends of the laterals. Marching a
// lateral from there to its tee needs no iteration and gives, with the
// derivative carried along, the lateral's inflow as a straight line in the tee's
// pressure. With these lines the header is a chain of linear equations. Work and
// memory grow with the number of outlets.
type solver struct {
	*layout
	end      []float64 // kPa at the lateral's last outlet
	ends     []float64 // kPa: ends before the step in hand
	step     []float64 // kPa
	level    []float64 // kPa at the tee, height included, by the lateral
	inflow   []float64 // L/h
	yield    []float64 // ∂inflow/∂level
	stiff    []float64 // ∂level/∂end
	tee      []float64 // kPa at the tee, height included, by the header
	reach    []float64 // L/h in the header before the tee
	links    []link    // the header's chain, row by row
	inlet    float64   // kPa at the header's inlet, height included
	total    float64   // L/h at the box outlet
	pressure []float64 // kPa at each outlet
	flow     []float64 // L/h in the tape before each outlet
	warm     bool      // the arrays hold a solution to start from
	nodes    *nodal    // made when first needed
}

// link is one reach of the header, linearised: loss = c + d·flow, and flow =
// a + b·level just before the tee.
type link struct{ a, b, c, d float64 }

func newSolver(l *layout) *solver {
	n, m := len(l.rows), len(l.coef)
	rows := make([]float64, 8*n)
	outlets := make([]float64, 2*m)
	cut := func(i int) []float64 { return rows[i*n : (i+1)*n : (i+1)*n] }
	return &solver{
		layout: l,
		end:    cut(0), ends: cut(1), step: cut(2), level: cut(3),
		inflow: cut(4), yield: cut(5), stiff: cut(6), tee: cut(7),
		reach:    make([]float64, n),
		links:    make([]link, n),
		pressure: outlets[:m:m],
		flow:     outlets[m:],
	}
}

// startFrom takes another solver's solution of the same layout as the first
// guess.
func (s *solver) startFrom(o *solver) {
	copy(s.end, o.end)
	copy(s.level, o.level)
	copy(s.inflow, o.inflow)
	copy(s.yield, o.yield)
	copy(s.stiff, o.stiff)
	copy(s.reach, o.reach)
	s.total, s.warm = o.total, o.warm
}

// solve balances the zone at box kPa. It allocates nothing.
func (s *solver) solve(box float64, b burst) error {
	if s.warm {
		s.balance(box, b)
		s.bend()
		s.balance(box, b)
		s.newton()
	} else {
		s.guess(box)
	}
	s.sweep(b)
	off := s.residual(box, b)
	for range maxSweeps {
		if math.IsNaN(off) || math.IsInf(off, 0) {
			break
		}
		if off < tolerance {
			s.warm = true
			return nil
		}
		s.balance(box, b)
		s.newton()
		s.sweep(b)
		off = s.damp(box, b, off)
	}
	return s.nodal(box, b)
}

// guess starts from no loss at all.
func (s *solver) guess(box float64) {
	for i := range s.rows {
		r := &s.rows[i]
		length := 0.0
		for _, d := range s.seg[r.outlets.from:r.outlets.to] {
			length += d
		}
		s.end[i] = box - r.rise - length*r.climb
	}
}

// bend moves every lateral along a power law through its last state instead of
// the straight line, to the pressure the first balance gave. Flows in a lateral
// nearly follow one, so that a solve at another pressure starts close enough to
// need two sweeps.
func (s *solver) bend() {
	for i := range s.rows {
		rise := s.rows[i].rise
		from, to := s.level[i]-rise, s.tee[i]-rise
		end, q := s.end[i], s.inflow[i]
		if !(from > 0 && to > 0 && end > 0 && q > 0) {
			continue
		}
		n, m := s.yield[i]*from/q, from/(s.stiff[i]*end)
		ratio := math.Log(to / from)
		s.inflow[i] = q * math.Exp(n*ratio)
		s.end[i] = end * math.Exp(m*ratio)
		s.level[i] = s.tee[i]
		s.yield[i] = n * s.inflow[i] / to
		s.stiff[i] = to / (m * s.end[i])
	}
}

// newton moves the closed ends to where the straight lines put them.
func (s *solver) newton() {
	copy(s.ends, s.end)
	for i := range s.end {
		s.step[i] = (s.tee[i] - s.level[i]) / s.stiff[i]
		s.end[i] += s.step[i]
	}
}

// damp halves the step as long as it made things worse.
func (s *solver) damp(box float64, b burst, before float64) float64 {
	off := s.residual(box, b)
	part := 1.0
	for range maxHalvings {
		if off < before || off < tolerance {
			break
		}
		part /= 2
		for i := range s.end {
			s.end[i] = s.ends[i] + part*s.step[i]
		}
		s.sweep(b)
		off = s.residual(box, b)
	}
	return off
}

// sweep marches all laterals.
func (s *solver) sweep(b burst) {
	for i := range s.rows {
		s.marchWith(i, b)
	}
}

// marchWith marches lateral i, with the burst if it is there.
func (s *solver) marchWith(i int, b burst) {
	if b.flow > 0 && b.row == i {
		s.march(i, b.outlet, b.flow)
		return
	}
	s.march(i, -1, 0)
}

// march follows one lateral from its closed end to its tee. Extra L/h leave at
// outlet at.
func (s *solver) march(i, at int, extra float64) {
	r := &s.rows[i]
	from, to := r.outlets.from, r.outlets.to
	coef, seg := s.coef[from:to], s.seg[from:to]
	pressure, flow := s.pressure[from:to], s.flow[from:to]
	c, sqrt := s.tape, s.law.x == 0.5
	p, dp, q, dq := s.end[i], 1.0, 0.0, 0.0
	for k := len(coef) - 1; k >= 0; k-- {
		pressure[k] = p
		if sqrt && p > s.law.knee {
			e := coef[k] * s.law.k * math.Sqrt(p)
			q += e
			dq += 0.5 * e / p * dp
		} else {
			e, de := s.law.flow(p)
			q += coef[k] * e
			dq += coef[k] * de * dp
		}
		if k+from == at {
			q += extra
		}
		flow[k] = q
		loss, slope := c.laminar*q, c.laminar
		if q > c.laminarTo {
			loss, slope = c.rougher(q)
		}
		p += seg[k] * (loss + r.climb)
		dp += seg[k] * slope * dq
	}
	p += s.entry * q * q
	dp += 2 * s.entry * q * dq
	s.level[i], s.inflow[i] = p+r.rise, q
	s.stiff[i], s.yield[i] = dp, dq/dp
}

// residual is the largest difference between the tees' pressures as the header
// gives them and as the laterals need them, kPa.
func (s *solver) residual(box float64, b burst) float64 {
	total := 0.0
	for _, br := range s.branches {
		q := 0.0
		for i := br.to - 1; i >= br.from; i-- {
			q += s.inflow[i] + b.atTee(i)
			s.reach[i] = q
		}
		total += q
	}
	s.total = total
	loss, _ := s.lead.gradient(total)
	s.inlet = box - float64(s.zone.Lead.Length)*loss
	worst := 0.0
	for _, br := range s.branches {
		p := s.inlet
		for i := br.from; i < br.to; i++ {
			loss, _ := s.header.gradient(s.reach[i])
			p -= s.rows[i].reach * loss
			s.tee[i] = p
			worst = math.Max(worst, math.Abs(p-s.level[i]))
		}
	}
	return worst
}

// atTee is what a burst takes from the header at row i's tee.
func (b burst) atTee(i int) float64 {
	if b.row == i && b.outlet < 0 {
		return b.flow
	}
	return 0
}

// balance finds the tees' pressures with every lateral replaced by its straight
// line. Three rounds settle the header's own friction well enough: the next
// sweep corrects the rest.
func (s *solver) balance(box float64, b burst) {
	for range 3 {
		a, slope := 0.0, 0.0
		for _, br := range s.branches {
			ba, bs := s.fold(br, b)
			a, slope = a+ba, slope+bs
		}
		loss, d := s.lead.gradient(s.total)
		length := float64(s.zone.Lead.Length)
		c := length * (loss - d*s.total)
		d *= length
		s.inlet = (box - c - d*a) / (1 + d*slope)
		s.total = math.Max(0, a+slope*s.inlet)
		for _, br := range s.branches {
			s.unfold(br)
		}
	}
}

// fold gives a branch's inflow as a straight line in the pressure at the
// header's inlet.
func (s *solver) fold(br span, b burst) (a, slope float64) {
	for i := br.to - 1; i >= br.from; i-- {
		a += s.inflow[i] - s.yield[i]*s.level[i] + b.atTee(i)
		slope += s.yield[i]
		loss, d := s.header.gradient(s.reach[i])
		length := s.rows[i].reach
		c := length * (loss - d*s.reach[i])
		d *= length
		s.links[i] = link{a, slope, c, d}
		k := 1 / (1 + d*slope)
		a, slope = a-slope*(c+d*a)*k, slope*k
	}
	return a, slope
}

// unfold walks back out along the branch.
func (s *solver) unfold(br span) {
	p := s.inlet
	for i := br.from; i < br.to; i++ {
		l := &s.links[i]
		p = (p - l.c - l.d*l.a) / (1 + l.d*l.b)
		s.tee[i] = p
		s.reach[i] = math.Max(0, l.a+l.b*p)
	}
}
