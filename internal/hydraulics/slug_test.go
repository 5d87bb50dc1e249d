package hydraulics

// The slug is checked against EPANET's own transport: tracer runs at constant
// flow and a run whose flow changes, and against sums done the long way.

import (
	"math"
	"testing"
	"time"

	"boxd/internal/units"

	"pgregory.net/rapid"
)

// crossing is when a column last goes through level, rising or falling.
func crossing(clock, y []float64, level float64, rising bool) float64 {
	out := math.NaN()
	for i := 1; i < len(y); i++ {
		a, b := y[i-1]-level, y[i]-level
		if rising && a < 0 && b >= 0 || !rising && a > 0 && b <= 0 {
			out = clock[i-1] + (clock[i]-clock[i-1])*a/(a-b)
		}
	}
	return out
}

// run feeds a series to a slug and gives, at each step, what look returns.
func run(m *Model, clock, flow, strength []float64, look func(*Slug) []float64) [][]float64 {
	s := NewSlug(m)
	out := [][]float64{look(s)}
	for i := 1; i < len(clock); i++ {
		s.Pass(units.LPerMin(flow[i-1]).Over(seconds(clock[i]-clock[i-1])), strength[i-1])
		out = append(out, look(s))
	}
	return out
}

func column(rows [][]float64, i int) []float64 {
	out := make([]float64, len(rows))
	for k := range rows {
		out[k] = rows[k][i]
	}
	return out
}

func over(ec []float64, baseline float64) []float64 {
	out := make([]float64, len(ec))
	for i := range ec {
		out[i] = ec[i] - baseline
	}
	return out
}

// Front and tail at both line ends, within 15 s at the block's flow (in fact
// within one step of the table), and clean water foretold.
func TestSlugAsEPANET(t *testing.T) {
	for name, c := range map[string]struct{ baseline, rise float64 }{
		"tunnel-6x30": {420, 1400}, "wedge-10": {420, 1300}, "thin-header-16x40": {420, 1300},
	} {
		t.Run(name, func(t *testing.T) {
			m := model(t, name)
			s := readSeries(t, "tracer-"+name)
			clock := s["time_s"]
			flow := make([]float64, len(clock))
			for i := range flow {
				flow[i] = m.Summary().TotalFlow.LPerMin()
			}
			h := references(t)[name].Hydraulics
			end := func(lateral int) EmitterPath {
				r := m.Rows()[lateral-1]
				return m.Emitters()[r.First+r.Emitters-1]
			}
			near, far := end(h.Near), end(h.Far)
			got := run(m, clock, flow, over(s["ec_box_us_cm"], c.baseline), func(s *Slug) []float64 {
				left, _ := s.Left(Doubt{})
				return []float64{s.Strength(near), s.Strength(far), float64(left.Plug), float64(s.Delivered(far))}
			})
			for i, want := range [][]float64{s["ec_near_end_us_cm"], s["ec_far_end_us_cm"]} {
				for _, rising := range []bool{true, false} {
					a := crossing(clock, column(got, i), c.rise/2, rising)
					b := crossing(clock, want, c.baseline+c.rise/2, rising)
					if !(math.Abs(a-b) <= 15) {
						t.Errorf("end %d, rising %v: %.1f s, EPANET %.1f s", i, rising, a, b)
					}
				}
			}
			clean := crossing(clock, s["ec_far_end_us_cm"], c.baseline+c.rise/2, false)
			if got := crossing(clock, column(got, 2), 0.5, false); !(math.Abs(got-clean) <= 15) {
				t.Errorf("clean at %.1f s, EPANET %.1f s", got, clean)
			}
			delivered(t, clock, s["ec_far_end_us_cm"], column(got, 3), c.baseline)
		})
	}
}

// delivered compares an emitter's part of its due with EPANET's EC there summed
// up.
func delivered(t *testing.T, clock, ec, got []float64, baseline float64) {
	t.Helper()
	var sum, total float64
	for i := range ec {
		total += ec[i] - baseline
	}
	worst := 0.0
	for i := range ec {
		sum += ec[i] - baseline
		if clock[i] > 1600 { // all has passed the box
			worst = math.Max(worst, math.Abs(got[i]-sum/total))
		}
	}
	if worst > 0.015 { // 15 s of the 15 to 20 min it takes to pass
		t.Errorf("delivered off by up to %.4f of the due", worst)
	}
}

// A whole run with the flow changing: by volume nothing else is needed.
func TestSlugWithVaryingFlow(t *testing.T) {
	m := model(t, "pairs-8x45")
	s := readSeries(t, "varying-pairs-8x45")
	clock := s["time_s"]
	r := m.Rows()[m.far()]
	far := m.Emitters()[r.First+r.Emitters-1]
	got := column(run(m, clock, s["main_flow_lpm"], over(s["ec_box_us_cm"], 420), func(s *Slug) []float64 {
		return []float64{s.Strength(far)}
	}), 0)
	for _, rising := range []bool{true, false} {
		a, b := crossing(clock, got, 650, rising), crossing(clock, s["ec_far_end_us_cm"], 420+650, rising)
		if !(math.Abs(a-b) <= 15) {
			t.Errorf("rising %v: %.1f s, EPANET %.1f s", rising, a, b)
		}
	}
}

// A pause and another flow change nothing: only volume counts.
func TestSlugCountsVolumeNotTime(t *testing.T) {
	m := model(t, "tunnel-2x20")
	a, b := NewSlug(m), NewSlug(m)
	for range 1000 {
		a.Pass(0.02, 7)
	}
	for range 250 {
		b.Pass(0.08, 7)
		b.Pass(0, 7)
	}
	a.Pass(11, 0)
	b.Pass(11, 0)
	if x, y := a.Stop(), b.Stop(); math.Abs(float64(x.Undelivered-y.Undelivered)) > 1e-9 || math.Abs(a.Total()-b.Total()) > 1e-9 {
		t.Errorf("%+v and %+v", x, y)
	}
}

func TestSlugBeforeItBegins(t *testing.T) {
	s := NewSlug(model(t, "tunnel-2x20"))
	s.Pass(40, 0)
	s.Pass(-3, 5)
	s.Pass(units.Litre(math.NaN()), 5)
	s.Pass(1, math.NaN())
	s.Pass(1, -4)
	if s.Passed() != 42 {
		t.Errorf("passed %g L, want 42", s.Passed())
	}
	if _, ok := s.Left(Doubt{}); ok || s.Begun() || s.Stop() != (Stop{}) {
		t.Error("a slug where none was injected")
	}
	if _, ok := s.Front(); ok {
		t.Error("a front where none was injected")
	}
	if d := s.Delivered(s.model.Emitters()[5]); d != 0 {
		t.Errorf("delivered %g", d)
	}
	if p := s.Profile(99, nil); p != nil {
		t.Error("a lateral that is not there")
	}
}

func TestLeftAndItsDoubt(t *testing.T) {
	m := model(t, "field-20x100")
	s := NewSlug(m)
	s.Pass(500, 1)
	d := Doubt{Flow: 0.03, Geometry: 0.04, Tail: LaminarTail}
	left, _ := s.Left(d)
	flush := m.FlushVolume()
	if left.Plug != flush || math.Abs(off(float64(left.Spread), 0.05*float64(flush))) > 1e-9 {
		t.Errorf("%+v of %g", left, flush)
	}
	// The last stretch of 0.3 m of 15.9 mm at one emitter's flow: A·s/q.
	sum := m.Summary()
	last := m.Emitters()[len(m.Emitters())-1]
	want := 0.3 * float64(units.MM(15.9).Area()) * 1000 / last.Share
	if math.Abs(off(float64(left.Tail), 1.236*want)) > 0.01 {
		t.Errorf("tail %.5g L, want %.5g", left.Tail, 1.236*want)
	}
	if x := float64(left.Tail / sum.FlushVolume); x < 0.05 || x > 0.25 {
		t.Errorf("tail is %.2f of the flush", x)
	}
	s.Pass(flush/2, 0)
	if half, _ := s.Left(d); math.Abs(off(float64(half.Plug), float64(flush)/2)) > 1e-6 || half.Spread != left.Spread {
		t.Errorf("half way %+v", half)
	}
	s.Pass(flush/2+left.Spread+left.Tail+0.001, 0)
	if done, _ := s.Left(d); done.Safe != 0 || done.Plug != 0 {
		t.Errorf("in the end %+v", done)
	}
	// 5 % of what leaves a laminar pipe is older than 2.236 mean times.
	if x := math.Pow(1/(2*(1+float64(LaminarTail))), 2); math.Abs(x-0.05) > 1e-4 {
		t.Errorf("LaminarTail leaves %.4f", x)
	}
}

// Any history: memory is bounded, parts rise and end at 1, sums over emitters
// done one by one agree.
func TestSlugOfAnyHistory(t *testing.T) {
	m := model(t, "tunnel-2x20")
	rapid.Check(t, func(t *rapid.T) {
		s := NewSlug(m)
		total, before := 0.0, 0.0
		for range rapid.IntRange(1, 30).Draw(t, "phases") {
			strength := rapid.SampledFrom([]float64{0, 0, 3, 100}).Draw(t, "strength")
			dV := rapid.Float64Range(0.0001, 1).Draw(t, "dV")
			for range rapid.IntRange(1, 400).Draw(t, "steps") {
				s.Pass(units.Litre(dV), strength)
				total += dV * strength
			}
			if len(s.at) > slugKnots || cap(s.at) > slugKnots {
				t.Fatalf("%d knots", len(s.at))
			}
			if total == 0 {
				continue
			}
			sum, due := 0.0, 0.0
			for _, e := range m.Emitters() {
				sum += e.Share * float64(s.Delivered(e))
				due += e.Share
			}
			if st := s.Stop(); math.Abs(float64(st.Undelivered)-(1-sum/due)) > 1e-9 {
				t.Fatalf("undelivered %.9g, one by one %.9g", st.Undelivered, 1-sum/due)
			}
			if sum*total < before*(1-1e-9)-s.step*100 {
				t.Fatalf("less delivered than before: %g, %g", sum*total, before)
			}
			before = sum * total
		}
		if math.Abs(s.Total()-total) > 1e-6*total {
			t.Fatalf("total %.9g, want %.9g", s.Total(), total)
		}
		s.Pass(m.FlushVolume(), 0)
		if st := s.Stop(); total > 0 && (st.LastEmitter < 1-1e-9 || st.Undelivered > 1e-12 || st.Short != 0) {
			t.Fatalf("after a whole flush: %+v", st)
		}
	})
}

// Stopping when the slug has half reached the laterals leaves the far parts
// short: told as a share of emitters and what they lack.
func TestStopTellsWhoIsShort(t *testing.T) {
	m := model(t, "tunnel-6x30")
	s := NewSlug(m)
	s.Pass(m.FlushVolume(), 1)
	s.Pass(m.FlushVolume()/2, 0)
	st := s.Stop()
	n, lack := 0, 0.0
	for _, e := range m.Emitters() {
		if d := float64(s.Delivered(e)); d < 0.9 {
			n++
			lack += 1 - d
		}
	}
	if want := float64(n) / 600; n == 0 || n == 600 || math.Abs(float64(st.Short)-want) > 1e-12 || math.Abs(float64(st.ShortBy)-lack/float64(n)) > 1e-9 {
		t.Errorf("%+v, want %d of 600, lacking %.4f", st, n, lack/float64(n))
	}
	if math.Abs(float64(st.LastEmitter)-0.5) > 0.005 {
		t.Errorf("last emitter %.4f, want half", st.LastEmitter)
	}
	p := s.Profile(5, nil)
	if len(p) != 100 || p[0].Delivered != 1 || p[99].Strength == 0 || p[0].Strength != 0 {
		t.Errorf("profile %+v … %+v", p[0], p[len(p)-1])
	}
	for i := 1; i < len(p); i++ {
		if p[i].X <= p[i-1].X || p[i].Delivered > p[i-1].Delivered {
			t.Fatalf("profile out of order at %d", i)
		}
	}
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }
