package hydraulics

import (
	"math"
	"slices"

	"boxd/internal/units"
)

// Advance bounds how fast clean water comes on towards the last emitter while
// water leaves the zone in a place nobody knows.
//
// The count-down of a flush runs in litres of V_e. In a stretch of pipe it runs
// at the stretch's flow over its share of the zone's design flow: with no leak
// that is the flow through the box, everywhere. Beyond a leak it is less, before
// it more.
type Advance struct {
	// Low is the slowest any stretch is run through. Counting at Low is late,
	// never early, wherever the clean water is when the leak starts, stops or
	// changes. The mean over a path would be sooner, but is right only for one
	// who knows how far the water had come.
	Low units.LPerH
	// High is the best case: the fastest constant rate at which the count-down
	// could end with the true arrival at the last emitter served.
	High units.LPerH
	// Cut says that a leak of this size may be a pipe cut through or nearly so:
	// what lies beyond gets less than half its flow, or none, and no volume can
	// tell when it is flushed. Low is then half the expected flow and speaks for
	// the other places only.
	Cut bool
}

// cutBelow is the part of the expected flow below which a stretch counts as cut
// off. Common practice, no source.
const cutBelow = 0.5

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

// SlowestAdvance is the Low and High of Advance.
func (m *Model) SlowestAdvance(boxOutlet units.KPa, extra units.LPerH) (low, high units.LPerH) {
	a := m.Advance(boxOutlet, extra)
	return a.Low, a.High
}

// Advance works out the bounds for a leak of extra L/h at the measured pressure.
// Places tried: the box outlet itself, and on some laterals (first and last of
// each branch, the last but one, the far one, a few between) the tee, the middle and the end.
//
// Less flow than expected (extra < 0) is read as emitters clogging alike: shares
// hold, the flow through the box counts. A row shut off can't be told from that.
// A pressure at which no water comes gives zero.
func (m *Model) Advance(boxOutlet units.KPa, extra units.LPerH) Advance {
	expected := m.ExpectedFlow(boxOutlet)
	if !(expected > 0) || !units.Finite(extra) || boxOutlet > maxPressure {
		return Advance{}
	}
	if extra <= 0 {
		q := max(0, expected+extra)
		return Advance{Low: q, High: q}
	}
	s := newSolver(m.layout)
	s.startFrom(m.design)
	t := &trial{m: m, s: s, box: float64(boxOutlet), expected: expected, out: Advance{Low: expected, High: expected}}
	for _, i := range m.suspects() {
		r := m.layout.rows[i].outlets
		for _, at := range [...]int{-1, (r.from + r.to) / 2, r.to - 1} {
			t.try(burst{row: i, outlet: at, flow: float64(extra)}, float64(expected+extra))
		}
	}
	return t.out
}

// solveLeak balances the zone with a leak at b's place so large that total L/h
// flow through the box, to a hundredth of what is unexplained, b.flow. The leak
// is larger than that, as the emitters take less beside it. One that can't be so
// large is left as large as the search found.
func (s *solver) solveLeak(box float64, b burst, total float64) error {
	extra := b.flow
	for range 6 {
		if err := s.solve(box, b); err != nil {
			return err
		}
		missing := total - s.total
		if math.Abs(missing) < extra/100 {
			break
		}
		// Of a larger leak the part seen before shows in the total.
		seen := (extra - missing) / b.flow
		b.flow += missing / math.Min(1, math.Max(seen, 0.25))
	}
	return nil
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

// trial tries leaks one after the other.
type trial struct {
	m   *Model
	s   *solver
	box float64
	out Advance

	expected units.LPerH
}

// try widens the bounds by one leak.
func (t *trial) try(b burst, total float64) {
	if err := t.s.solveLeak(t.box, b, total); err != nil {
		// No state of the zone with this leak: the same as a pipe cut.
		t.s.startFrom(t.m.design)
		t.cut()
		return
	}
	if low := units.LPerH(t.slowest()); low < t.expected.Scale(cutBelow) {
		t.cut()
	} else {
		t.out.Low = min(t.out.Low, low)
	}
	t.out.High = max(t.out.High, units.LPerH(t.fastest()))
}

func (t *trial) cut() {
	t.out.Cut, t.out.Low = true, t.expected.Scale(cutBelow)
}

// slowest is the least rate of any stretch that leads to an emitter.
func (t *trial) slowest() float64 {
	low := t.s.total
	for i, share := range t.m.shares.reach {
		if share > 0 {
			low = min(low, t.s.reach[i]/share)
		}
	}
	for k, share := range t.m.shares.outlets {
		if share > 0 {
			low = min(low, t.s.flow[k]/share)
		}
	}
	return low
}

// starts is how many places of the clean water's front, evenly spread over the
// flush volume, the best case is looked for at.
const starts = 8

// fastest is, over places where the front may be when the leak starts, the
// greatest constant rate that ends with the last emitter served.
func (t *trial) fastest() float64 {
	m, s := t.m, t.s
	l, flush := m.layout, float64(m.summary.FlushVolume)
	var slowest [starts]float64 // h the last path takes from each start
	for _, br := range l.branches {
		var trunk front
		trunk.run(float64(m.summary.LeadVolume), s.total, 1, flush)
		for i := br.from; i < br.to; i++ {
			trunk.run(l.rows[i].reach*l.header.area, s.reach[i], m.shares.reach[i], flush)
			f := trunk
			for k := l.rows[i].outlets.from; k < l.rows[i].outlets.to; k++ {
				f.run(l.seg[k]*l.tape.area, s.flow[k], m.shares.outlets[k], flush)
			}
			for j := range f.next {
				slowest[j] = max(slowest[j], f.time-f.passed[j])
			}
		}
	}
	best := 0.0
	for j, h := range slowest {
		if h > 0 {
			best = max(best, flush*(1-float64(j)/starts)/h)
		}
	}
	return best
}

// front is clean water on its way out along one path.
type front struct {
	volume float64 // V_e of where it is, L
	time   float64 // since it left the box, h
	next   int     // starts passed
	passed [starts]float64
}

// run takes the front through a stretch holding v litres, at flow q, with a
// share of the design flow.
func (f *front) run(v, q, share, flush float64) {
	if !(share > 0) {
		return // a dead end
	}
	v /= share
	rate := math.Max(q/share, 1e-9) // where nothing flows: longer than any season, yet a number
	for f.next < starts {
		start := flush * float64(f.next) / starts
		if start > f.volume+v {
			break
		}
		f.passed[f.next] = f.time + (start-f.volume)/rate
		f.next++
	}
	f.volume += v
	f.time += v / rate
}
