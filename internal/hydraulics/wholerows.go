package hydraulics

import (
	"slices"

	"boxd/internal/units"
)

// cells is how many parts of the flush volume WholeRows tells apart. Along a tape
// the time left is nearly a straight line over V_e, for flow and share fall alike: a
// straight line between two marks is off by less than a thousandth (the package's test).
const cells = 128

// WholeRows is how the whole rows of a zone are flushed while a known excess of
// water leaves at an unknown place.
type WholeRows struct {
	flush float64            // L; 0: nothing is known
	hours [cells + 1]float64 // that clean water at k/cells of it has still to go
}

// WholeRows works out how the whole rows are flushed at a pressure at the box outlet,
// kPa, while `extra` L/h leave at an unknown place: for the worst row the leak can
// be in.
//
// What lies beyond a burst in its own row is left out: how that tape is flushed
// depends on where it is torn, which no reading at the box can tell. The person
// has to walk the rows.
//
// The leak is taken as large as the measured excess. It is larger, for behind it
// the emitters pass less: on a header as thin as that of the reference burst the
// pace comes out up to 3 % too fast, elsewhere 0.1 % (the package's test). Who
// counts by it needs a margin for that. Where no such state of the zone can be worked
// out there is no pace.
func (m *Model) WholeRows(boxOutlet units.KPa, extra units.LPerH) WholeRows {
	if !(m.ExpectedFlow(boxOutlet) > 0) || !(extra >= 0) || boxOutlet > maxPressure {
		return WholeRows{}
	}
	w := WholeRows{flush: float64(m.summary.FlushVolume)}
	s := newSolver(m.layout)
	s.startFrom(m.design)
	for _, row := range m.suspects() {
		if err := s.solve(float64(boxOutlet), burst{row: row, outlet: -1, flow: float64(extra)}); err != nil {
			return WholeRows{}
		}
		w.slower(m, s, row)
	}
	return w
}

// Pace is the mean pace, in L/h of V_e, at which clean water that has come as far
// as `from` reaches the last emitter of every whole row. False where no row is
// left whole, or nothing is known.
func (w *WholeRows) Pace(from units.Litre) (units.LPerH, bool) {
	if w.flush == 0 {
		return 0, false
	}
	start := min(max(float64(from), 0), w.flush*0.999)
	at := start / w.flush * cells
	k := int(at)
	hours := w.hours[k] + (at-float64(k))*(w.hours[k+1]-w.hours[k])
	if !(hours > 0) {
		return 0, false
	}
	return units.LPerH((w.flush - start) / hours), true
}

// slower takes in the paths to the last emitters of all rows but one, at the flows
// of s.
func (w *WholeRows) slower(m *Model, s *solver, but int) {
	l, cell := m.layout, w.flush/cells
	for _, br := range l.branches {
		var trunk walk
		trunk.run(float64(m.summary.LeadVolume), s.total, 1, cell)
		for i := br.from; i < br.to; i++ {
			trunk.run(l.rows[i].reach*l.header.area, s.reach[i], m.shares.reach[i], cell)
			if i == but {
				continue
			}
			path := trunk
			for k := l.rows[i].outlets.from; k < l.rows[i].outlets.to; k++ {
				path.run(l.seg[k]*l.tape.area, s.flow[k], m.shares.outlets[k], cell)
			}
			for k, passed := range path.passed[:path.marks] {
				w.hours[k] = max(w.hours[k], path.hours-passed)
			}
		}
	}
}

// walk is clean water on its way along one path, and when it passed each mark.
type walk struct {
	volume, hours float64 // of V_e, L, and since it set out
	passed        [cells + 1]float64
	marks         int
}

// run goes on through v litres of pipe, of whose flow q the part `share` is this path's V_e.
func (w *walk) run(v, q, share, cell float64) {
	if !(share > 0 && v > 0) {
		return // a dead end, or no way at all
	}
	v /= share
	took := v / max(q/share, 1e-9)
	for ; w.marks <= cells && float64(w.marks)*cell <= w.volume+v; w.marks++ {
		w.passed[w.marks] = w.hours + (float64(w.marks)*cell-w.volume)/v*took
	}
	w.volume += v
	w.hours += took
}

// shares is the design flow of every stretch of pipe over the box's.
type shares struct {
	reach   []float64 // header, before each tee
	outlets []float64 // tape, before each outlet
}

func (s *solver) shares() shares {
	out := shares{make([]float64, len(s.reach)), make([]float64, len(s.flow))}
	for i, q := range s.reach {
		out.reach[i] = q / s.total
	}
	for k, q := range s.flow {
		out.outlets[k] = q / s.total
	}
	return out
}

// suspects is the laterals leaks are tried on.
func (m *Model) suspects() []int {
	const between = 3
	n := len(m.layout.rows)
	out := []int{m.far()}
	for _, b := range m.layout.branches {
		out = append(out, b.from, max(b.from, b.to-2), b.to-1)
	}
	for k := range between {
		out = append(out, (k+1)*n/(between+1))
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// far is the lateral whose last emitter is reached last.
func (m *Model) far() int {
	far := 0
	for i := range m.rows {
		if m.rows[i].EndVolume > m.rows[far].EndVolume {
			far = i
		}
	}
	return far
}
