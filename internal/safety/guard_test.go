package safety

// Every alarm's condition is put to the guard just inside and just outside its
// limit, and where it can't be judged. Limits are the defaults, with their
// sources in limits.go.

import (
	"slices"
	"strings"
	"testing"
	"time"

	"boxd/internal/alarm"
	"boxd/internal/box"
	"boxd/internal/estimate"
	"boxd/internal/say"
	"boxd/internal/units"
)

func known[T ~float64](v T) estimate.Value[T] { return estimate.Value[T]{V: v, Known: true} }

func good[T ~float64](v T) box.Reading[T] { return box.Reading[T]{Value: v, Quality: box.Good} }

func day(s string) time.Time {
	d, err := time.Parse(time.DateOnly, s)
	if err != nil {
		panic(err)
	}
	return d
}

func papers() Backflow {
	return Backflow{Declared: true, Device: "reduced-pressure-zone", LastTest: day("2026-04-02"), NextDue: day("2027-04-02")}
}

// bench is a guard with a quiet, pressurised box in front of it.
type bench struct {
	g *Guard
	r box.Readings
	e estimate.Estimates
	s Scene
	t time.Duration
	w time.Time
	a *Assessment
}

func newBench() *bench {
	l := DefaultLimits()
	l.Ratio, l.ECLimit = 0.02, 2500
	b := &bench{g: New(l, papers()), w: day("2026-05-04"), s: Scene{MainOpen: true, Running: true}}
	b.e = estimate.Estimates{
		Supply: known[units.KPa](290), FilterOut: known[units.KPa](270), Header: known[units.KPa](69),
		Main: known[units.LPerH](140), Branch: known[units.LPerH](56), Expected: known[units.LPerH](140), FlowRatio: known[units.Ratio](1),
		FilterDiff: known[units.KPa](20), FilterExcess: known[units.KPa](0), BoxEC: known[units.USPerCm](420),
		Flowing: estimate.Yes, Filled: estimate.Yes, Pressurised: estimate.Yes, Drawing: estimate.No,
	}
	b.r.Water, b.r.BoxAir = good[units.Celsius](15), good[units.Celsius](15)
	return b
}

// wait lets so many seconds pass and returns the alarms that rose.
func (b *bench) wait(seconds int) (rose []string) {
	for range seconds {
		b.a = b.g.Step(b.t, b.w, &b.r, &b.e, b.s)
		b.t += time.Second
		for _, c := range b.a.Changes {
			if c.To == alarm.Unacknowledged {
				rose = append(rose, c.Alarm.Def.ID)
			}
		}
	}
	return rose
}

func TestQuietBox(t *testing.T) {
	b := newBench()
	if rose := b.wait(600); len(rose) > 0 || len(b.a.Holds) > 0 {
		t.Errorf("raised %v, held %v", rose, b.a.Holds)
	}
}

func TestConditions(t *testing.T) {
	injecting := func(b *bench) { b.s.InjectorOn = true }
	for _, c := range []struct {
		id              string
		inside, outside func(b *bench)
		after           int // seconds until it must be raised, and not before
	}{
		{"backflow-sign", func(b *bench) { b.e.FilterOut.V, b.e.Supply.V = 97, 90 }, func(b *bench) { b.e.FilterOut.V, b.e.Supply.V = 97.1, 90 }, 5},
		{"backflow-sign", func(b *bench) { b.e.FilterOut.Known = false }, func(b *bench) { b.e.FilterOut.Known, b.e.Supply.V = false, 0 }, 5},
		{"supply-pressure-low", func(b *bench) { b.e.Supply.V = 70 }, func(b *bench) { b.e.Supply.V, b.e.FilterOut.V, b.e.Header.V = 69.9, 69, 69 }, 5},
		{"header-pressure-low", func(b *bench) { b.e.Header.V = 55 }, func(b *bench) { b.e.Header.V = 54.9 }, 20},
		{"header-pressure-high", func(b *bench) { b.e.Header.V = 83 }, func(b *bench) { b.e.Header.V = 83.1 }, 10},
		{"filter-clogging", func(b *bench) { b.e.FilterExcess.V = 20.6 }, func(b *bench) { b.e.FilterExcess.V = 20.7 }, 30}, // 3 psi is 20.68 kPa
		{"filter-torn", func(b *bench) { b.e.FilterDiff.V, b.e.FilterExcess.V = 10.1, -9.9 }, func(b *bench) { b.e.FilterDiff.V, b.e.FilterExcess.V = 9.9, -10.1 }, 60},
		{"injector-not-cycling", func(b *bench) {}, func(b *bench) { injecting(b); b.e.Branch.V = 0 }, 30},
		{"stock-empty", func(b *bench) { injecting(b); b.e.Branch.V, b.e.Drawing = 56, estimate.Yes }, injecting, 15},
		{"ratio-off", func(b *bench) { b.e.BranchRatio = known[units.Ratio](0.0219) }, func(b *bench) { b.e.BranchRatio = known[units.Ratio](0.0221) }, 180},
		{"ratio-off", func(b *bench) { b.e.BranchRatio = known[units.Ratio](0.0181) }, func(b *bench) { b.e.BranchRatio = known[units.Ratio](0.0179) }, 180},
		{"flow-above-expected", func(b *bench) { b.e.FlowRatio.V = 1.119 }, func(b *bench) { b.e.FlowRatio.V = 1.121 }, 15},
		// The last pockets of air leave: the flow falls towards what is expected.
		{"flow-above-expected", func(b *bench) { b.e.FlowRatio.V, b.e.FlowTrend = 1.15, known[units.Ratio](-0.03) }, func(b *bench) { b.e.FlowRatio.V, b.e.FlowTrend = 1.15, known[units.Ratio](-0.01) }, 15},
		{"flow-below-expected", func(b *bench) { b.e.FlowRatio.V = 0.881 }, func(b *bench) { b.e.FlowRatio.V = 0.879 }, 60},
		{"ec-above-limit", func(b *bench) { b.e.BoxEC.V = 2500 }, func(b *bench) { b.e.BoxEC.V = 2501 }, 30},
		{"freeze-risk", func(b *bench) { b.r.Water.Value = 3.1 }, func(b *bench) { b.r.Water.Value = 3 }, 60},
		{"freeze-risk", func(b *bench) { b.r.BoxAir.Value = 0.1 }, func(b *bench) { b.r.BoxAir.Value = 0 }, 60},
		{"freeze-risk", func(b *bench) { b.e.Freeze = freezing(2*time.Hour + time.Second) }, func(b *bench) { b.e.Freeze = freezing(2 * time.Hour) }, 60},
		{"sensor-fault", func(b *bench) { b.r.EndEC.Quality = box.QualityUnknown }, func(b *bench) { b.r.EndEC = box.Reading[units.USPerCm]{Quality: box.Bad, Why: say.T("silent")} }, 0},
		// What past runs taught counts beside this run's own start, where it says more.
		{"filter-clogging", func(b *bench) { b.e.FilterLoad = known[units.KPa](20.6) }, func(b *bench) { b.e.FilterLoad = known[units.KPa](20.7) }, 30},
		{"filter-clogging", func(b *bench) { b.e.FilterLoad = known[units.KPa](-9) }, func(b *bench) { b.e.FilterLoad, b.e.FilterExcess.V = known[units.KPa](-9), 20.7 }, 30},
		// Fertilizer of an earlier run is no news before water has run, and none once it is out.
		{"flush-incomplete", func(b *bench) {
			b.e.Carried.On, b.e.Filled, b.e.Flowing = true, estimate.No, estimate.No
		}, func(b *bench) { b.e.Carried.On, b.e.Flowing = true, estimate.No }, 30},
		{"flush-incomplete", func(b *bench) { b.e.Carried.On, b.e.Carried.Out, b.e.Flowing = true, true, estimate.No }, func(b *bench) { b.e.Carried.On, b.e.Flowing = true, estimate.No }, 30},
		{"flush-incomplete", func(b *bench) { b.e.Delivery.Known, b.e.EverDrawn = true, true }, func(b *bench) {
			b.e.Delivery.Known, b.e.EverDrawn, b.e.Flowing = true, true, estimate.No
		}, 30},
	} {
		b := newBench()
		c.inside(b)
		if rose := b.wait(c.after + 60); slices.Contains(rose, c.id) {
			t.Errorf("%s was raised inside its limit", c.id)
		}
		b = newBench()
		b.wait(3)
		c.outside(b)
		if rose := b.wait(c.after); slices.Contains(rose, c.id) {
			t.Errorf("%s was raised before %d s", c.id, c.after)
		}
		if rose := b.wait(1); !slices.Contains(rose, c.id) {
			t.Errorf("%s was not raised after %d s", c.id, c.after)
		}
		if text := b.g.Find(c.id).Text.String(); len(text) < 20 || !strings.HasSuffix(text, ".") {
			t.Errorf("%s says %q", c.id, text)
		}
	}
}

// TestUnjudged: unknown readings raise nothing but sensor faults, and clear
// nothing either.
func TestUnjudged(t *testing.T) {
	b := newBench()
	b.e.Header.V, b.e.Supply.V, b.e.FilterOut.V = 40, 30, 40
	b.wait(30)
	low := b.g.Find("header-pressure-low")
	if low.State != alarm.Unacknowledged {
		t.Fatalf("header-pressure-low is %v", low.State)
	}
	b.e = estimate.Estimates{} // nothing is known any more
	if rose := b.wait(600); len(rose) > 0 {
		t.Errorf("raised from nothing: %v", rose)
	}
	for _, id := range []string{"header-pressure-low", "supply-pressure-low", "backflow-sign"} {
		if s := b.g.Find(id).State; s != alarm.Unacknowledged {
			t.Errorf("%s became %v from nothing", id, s)
		}
	}
}

// TestAfterClosing: with the shutoff valve said closed, falling pressures are
// no fault.
func TestAfterClosing(t *testing.T) {
	b := newBench()
	b.wait(5)
	b.s.MainOpen, b.s.MainClosed = false, true
	b.e.Header.V, b.e.Supply.V, b.e.FilterOut.V, b.e.Flowing = 20, 0, 25, estimate.No
	if rose := b.wait(600); len(rose) > 0 {
		t.Errorf("raised %v", rose)
	}
}

func TestPapers(t *testing.T) {
	for _, c := range []struct {
		name string
		b    Backflow
		wall string
		part string // of the hold's reason; empty: none
	}{
		{"in order", papers(), "2026-05-04", ""},
		{"none", Backflow{}, "2026-05-04", "no backflow protection is declared"},
		{"no device", Backflow{Declared: true, LastTest: day("2026-04-02")}, "2026-05-04", "declared"},
		{"no test", Backflow{Declared: true, Device: "d"}, "2026-05-04", "no test"},
		{"due today", papers(), "2027-04-02", ""},
		{"overdue", papers(), "2027-04-04", "was due on 2027-04-02"},
		{"a year and a day", Backflow{Declared: true, Device: "d", LastTest: day("2025-04-01")}, "2026-05-04", "was due on 2026-04-01"},
		{"within the year", Backflow{Declared: true, Device: "d", LastTest: day("2025-06-01")}, "2026-05-04", ""},
	} {
		b := newBench()
		b.g, b.w = New(DefaultLimits(), c.b), day(c.wall)
		rose := b.wait(1)
		held := slices.IndexFunc(b.a.Holds, func(h Hold) bool { return h.ID == "backflow-protection-missing" })
		if (held >= 0) != (c.part != "") || slices.Contains(rose, "backflow-protection-missing") != (c.part != "") {
			t.Errorf("%s: held %v, raised %v", c.name, b.a.Holds, rose)
		} else if held >= 0 {
			h := b.a.Holds[held]
			if h.On != "inject" || !strings.Contains(h.Reason.String(), c.part) || !strings.Contains(h.WayOut.String(), "licensed tester") {
				t.Errorf("%s: %+v", c.name, h)
			}
		}
	}
}

func TestHolds(t *testing.T) {
	for id, spoil := range map[string]func(b *bench){
		"backflow-sign":       func(b *bench) { b.e.Supply.V = 0 },
		"header-unknown":      func(b *bench) { b.e.Header.Known = false },
		"header-pressure-low": func(b *bench) { b.e.Header.V = 40 },
		"supply-unknown":      func(b *bench) { b.r.Supply.Quality = box.Bad },
		"flow-unknown":        func(b *bench) { b.r.Main.Quality = box.Bad },
	} {
		b := newBench()
		spoil(b)
		b.wait(60)
		if i := slices.IndexFunc(b.a.Holds, func(h Hold) bool { return h.ID == id }); i < 0 || b.a.Holds[i].WayOut.Empty() {
			t.Errorf("%s does not hold, or shows no way out: %v", id, b.a.Holds)
		}
	}
}

// TestSignStaysHeld: a backflow sign that is over still holds until it is reset.
func TestSignStaysHeld(t *testing.T) {
	b := newBench()
	b.e.Supply.V = 0
	b.wait(10)
	b.e.Supply.V = 290
	b.wait(60)
	held := func() bool {
		return slices.ContainsFunc(b.a.Holds, func(h Hold) bool { return h.ID == "backflow-sign" })
	}
	if a, err := b.g.Panel().Acknowledge(b.t, "backflow-sign"); err != nil || a[0].State != alarm.LatchedAcknowledged {
		t.Fatalf("%v", err)
	}
	if b.wait(1); !held() {
		t.Error("acknowledged is not reset")
	}
	if _, err := b.g.Panel().Reset("backflow-sign"); err != nil {
		t.Fatal(err)
	}
	if b.wait(1); held() {
		t.Error("reset, and still held")
	}
	if _, err := b.g.Panel().Reset("no-such"); err == nil {
		t.Error("an unknown alarm was reset")
	}
}

// TestDefinitions: the contract's ids, each once, each with what to do.
func TestDefinitions(t *testing.T) {
	want := strings.Fields(`backflow-protection-missing backflow-sign supply-pressure-low header-pressure-low header-pressure-high
		filter-clogging filter-torn injector-not-cycling ratio-off flow-above-expected flow-below-expected ec-above-limit
		stock-empty flush-incomplete freeze-risk sensor-fault archive-failing link-down clock-jump`)
	var got []string
	for _, d := range Definitions() {
		got = append(got, d.ID)
		if d.Priority == alarm.UnknownPriority || d.Consequence.Empty() || !strings.HasSuffix(d.Do.String(), ".") {
			t.Errorf("%s: %+v", d.ID, d)
		}
		// Reverse flow and back pressure: within five seconds.
		if strings.HasPrefix(d.ID, "backflow") && d.OnDelay > 5*time.Second {
			t.Errorf("%s waits %v", d.ID, d.OnDelay)
		}
	}
	if !slices.Equal(got, want) {
		t.Errorf("%v", got)
	}
	if l := DefaultLimits(); l.HeaderTarget/units.KPaPerPsi < 9.9 || l.HeaderTarget/units.KPaPerPsi > 10.1 || l.FilterWarn != 3*units.KPaPerPsi {
		t.Errorf("tape is nominal at 10 psi, filters warn at 3 psi over clean: %+v", l)
	}
}

func TestFaultText(t *testing.T) {
	b := newBench()
	b.r.Header = box.Reading[units.KPa]{Quality: box.Bad, Why: say.T("silent")}
	b.r.Stock = box.Reading[units.LPerH]{Quality: box.Bad, Why: say.T("no answer")}
	b.wait(1)
	if got, want := b.g.FaultText().String(), "PT-201 header pressure (silent); FT-103 stock draw (no answer)"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

// TestAnotherFault: a second sensor that fails is said anew, even after the
// first was acknowledged; one that comes and goes is not.
func TestAnotherFault(t *testing.T) {
	b := newBench()
	silent := box.Reading[units.KPa]{Quality: box.Bad, Why: say.T("silent")}
	b.r.Header = silent
	if rose := b.wait(5); !slices.Equal(rose, []string{"sensor-fault"}) {
		t.Fatalf("raised %v", rose)
	}
	if _, err := b.g.Panel().Acknowledge(b.t, "sensor-fault"); err != nil {
		t.Fatal(err)
	}
	b.r.FilterOut = silent
	if rose := b.wait(5); !slices.Equal(rose, []string{"sensor-fault"}) {
		t.Errorf("a second fault raised %v", rose)
	}
	if a := b.g.Find("sensor-fault"); a.State != alarm.Unacknowledged || !strings.Contains(a.Text.String(), "PT-102") || !strings.Contains(a.Text.String(), "PT-201") {
		t.Errorf("%v: %s", a.State, a.Text)
	}
	b.r.FilterOut = good[units.KPa](270)
	b.wait(2)
	b.r.FilterOut = silent
	if rose := b.wait(5); len(rose) != 0 {
		t.Errorf("the same fault raised %v", rose)
	}
	b.r.FilterOut, b.r.Header = good[units.KPa](270), good[units.KPa](69)
	b.wait(10)
	b.r.FilterOut = silent
	if rose := b.wait(5); len(rose) != 1 {
		t.Errorf("a new fault after all was well raised %v", rose)
	}
}
