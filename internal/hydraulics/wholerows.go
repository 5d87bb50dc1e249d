package hydraulics

import "boxd/internal/units"

// WholeRowsPace is how fast the count-down of a flush runs while `extra` L/h
// leave at an unknown place: the mean pace, in L/h of V_e, at which clean water
// that has come as far as `from` reaches the last emitter served of every whole
// row, for the worst row the leak can be in.
//
// What lies beyond a burst in its own row is left out: how that tape is flushed
// depends on where it is torn, which no reading at the box can tell. The person
// has to walk the rows.
//
// The leak is taken as large as the measured excess. It is larger, for behind it
// the emitters pass less: on a header as thin as that of the reference burst the
// pace comes out up to 3 % too fast, elsewhere 0.1 % (the package's test). Who
// counts by it needs a margin for that. False where no such state of the zone can be worked out.
func (m *Model) WholeRowsPace(boxOutlet units.KPa, extra units.LPerH, from units.Litre) (units.LPerH, bool) {
	flush := float64(m.summary.FlushVolume)
	start := min(max(float64(from), 0), flush*0.999)
	if !(m.ExpectedFlow(boxOutlet) > 0) || !(extra >= 0) || boxOutlet > maxPressure {
		return 0, false
	}
	s := newSolver(m.layout)
	s.startFrom(m.design)
	worst := 0.0
	for _, row := range m.suspects() {
		if err := s.solve(float64(boxOutlet), burst{row: row, outlet: -1, flow: float64(extra)}); err != nil {
			return 0, false
		}
		worst = max(worst, m.hoursFrom(s, start, row))
	}
	if !(worst > 0) {
		return 0, false
	}
	return units.LPerH((flush - start) / worst), true
}

// hoursFrom is the longest time clean water at V_e = start takes to the last
// emitters of all rows but one, at the flows of s.
func (m *Model) hoursFrom(s *solver, start float64, but int) float64 {
	l, longest := m.layout, 0.0
	for _, br := range l.branches {
		trunk := walk{start: start}
		trunk.run(float64(m.summary.LeadVolume), s.total, 1)
		for i := br.from; i < br.to; i++ {
			trunk.run(l.rows[i].reach*l.header.area, s.reach[i], m.shares.reach[i])
			if i == but {
				continue
			}
			w := trunk
			for k := l.rows[i].outlets.from; k < l.rows[i].outlets.to; k++ {
				w.run(l.seg[k]*l.tape.area, s.flow[k], m.shares.outlets[k])
			}
			longest = max(longest, w.hours)
		}
	}
	return longest
}

// walk is clean water on its way along one path, timed from V_e = start.
type walk struct{ start, volume, hours float64 }

func (w *walk) run(v, q, share float64) {
	if !(share > 0) {
		return // a dead end
	}
	v /= share
	ahead := v - max(0, min(v, w.start-w.volume))
	w.volume += v
	w.hours += ahead / max(q/share, 1e-9)
}
