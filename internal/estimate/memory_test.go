package estimate

// What is carried from run to run, and what runs teach, on made-up readings.

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"boxd/internal/hydraulics"
	"boxd/internal/units"
)

// stop stops the water for so long.
func (b *bench) stop(seconds int) {
	b.set(0, 0)
	b.turn(seconds)
}

// again opens full lines at once.
func (b *bench) again(design units.LPerH, seconds int) {
	b.set(design, 68.95)
	b.turn(seconds)
}

// TestCarried: 120 s of 1000 µS/cm at the design flow are Q·120/3600 L of
// fertilized water; stopped before the first emitter has any, all of the dose
// stands in the lines, and it is out of them once its tail has come past V_e.
func TestCarried(t *testing.T) {
	b := newBench(t)
	b.r.EndEC = bad[units.USPerCm]()
	design := b.full()
	b.inject(120, design)
	b.turn(60)
	want, ok := b.e.Whole(), b.o.CleanAtBox
	b.stop(60)
	if c := b.o.Remaining; !ok || !c.On || !c.Sure || math.Abs(float64(c.OfDose)-(1-float64(want.V))) > 0.01 || math.Abs(float64(c.Rise)-1000) > 30 {
		t.Fatalf("clean at the box %v; %+v, %v of the dose is delivered", ok, c, want.V)
	}
	passed := b.o.Flush.Passed
	b.e.BeginRun("second")
	b.again(design, 60)
	c := b.o.Carried
	if !c.Pending() || c.Since != "" || b.o.EverDrawn || b.o.Flush.Done || b.o.Flush.Needed <= b.e.flush.last.Scale(1.04) || b.o.Flush.Passed < passed {
		t.Fatalf("%+v, flush %+v", c, b.o.Flush)
	}
	if b.o.EndBase.Known || len(c.Words().Format) == 0 {
		t.Errorf("end baseline %+v; %v", b.o.EndBase, c.Words())
	}
	left, _, ok := b.e.Left()
	d, _ := left.At(design)
	b.turn(int(d.Seconds()) - 3)
	if b.o.Flush.Done || !ok {
		t.Error("done before the count is full")
	}
	b.turn(6)
	if c := b.o.Carried; !b.o.Flush.Done || !c.Out || c.Delivered < 0.999 || c.LastEmitter < 0.999 || b.e.Held() != 0 {
		t.Errorf("flush %v, %+v, %v L held", b.o.Flush.Done, c, b.e.Held())
	}
	if _, some := b.e.Contents(); some {
		t.Error("something stands in flushed lines")
	}
}

// TestCarriedAway: written down and read back by another estimator, it is the
// same; one that was damaged on the way is unknown, and is flushed from the box.
func TestCarriedAway(t *testing.T) {
	b := newBench(t)
	design := b.full()
	b.inject(120, design)
	b.turn(60)
	b.stop(60)
	c, some := b.e.Settle()
	text, err := json.Marshal(c)
	var back Contents
	if !some || err != nil || json.Unmarshal(text, &back) != nil || !back.Water.HasEnd || back.Water.Box != 420 || back.Water.End != 430 {
		t.Fatalf("%v, %v: %s", some, err, text)
	}
	n := newBench(t)
	n.e.Remember(back)
	if got, want := n.o.Carried, b.o.Remaining; got.Litres != want.Litres || got.Rise != want.Rise || got.OfDose != want.OfDose {
		t.Errorf("%+v, want %+v", got, want)
	}
	back.Profile[1].Mass, back.Since = math.NaN(), "before"
	n = newBench(t)
	n.e.Remember(back)
	n.r.EndEC = bad[units.USPerCm]()
	n.again(design, 60)
	if c := n.o.Carried; c.Sure || !strings.Contains(c.Words().String(), "can't be told") || n.o.Flush.Passed > design.Over(time.Minute) {
		t.Errorf("damaged: %+v, %v passed", c, n.o.Flush.Passed)
	}
	if d, ok := n.o.Flush.Needed.At(design); ok {
		n.turn(int(d.Seconds()))
	}
	if !n.o.Carried.Out {
		t.Error("a whole flush does not end what is unknown")
	}
}

// TestRanEmpty: lines that take half their volume before they are full had run
// empty. Ones that take little had not.
func TestRanEmpty(t *testing.T) {
	for _, c := range []struct {
		name    string
		filling int // s at 1.6 times the design flow and nearly no pressure
		drained bool
	}{{"little", 20, false}, {"most", 140, true}} {
		b := newBench(t)
		b.r.EndEC = bad[units.USPerCm]()
		design := b.full()
		b.inject(120, design)
		b.turn(60)
		b.stop(60)
		b.e.BeginRun("second")
		b.set(design.Scale(1.6), 20)
		b.turn(c.filling)
		b.again(design, 30)
		if got := b.o.Carried; got.Drained != c.drained || got.Sure == c.drained || !got.Pending() {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
}

// TestRanEmptyInTheRun: the same in the middle of a run. The flush begins anew,
// and what was delivered can't be known.
func TestRanEmptyInTheRun(t *testing.T) {
	b := newBench(t)
	b.r.EndEC = bad[units.USPerCm]()
	design := b.full()
	b.inject(120, design)
	b.turn(600)
	before := b.o.Flush.Passed
	b.stop(60)
	b.set(design.Scale(1.6), 20)
	b.turn(140)
	b.again(design, 60)
	if f := b.o.Flush; f.Degraded.Empty() || !b.o.CleanAtBox || before < 20 || f.Passed > design.Over(2*time.Minute) {
		t.Errorf("%v passed before, %v now; %v", before, f.Passed, f.Degraded)
	}
	if c, some := b.e.Settle(); !some || c.Sure {
		t.Errorf("%+v", c)
	}
}

// TestProbeKeepsItsBaseline: with fertilizer at the line end the probe's clean
// water is not learned anew, but moved with the supply's.
func TestProbeKeepsItsBaseline(t *testing.T) {
	b := newBench(t)
	design := b.full()
	b.inject(120, design)
	b.turn(60)
	b.stop(60)
	b.e.BeginRun("second")
	b.r.EndEC, b.r.BoxEC = good[units.USPerCm](1400), good[units.USPerCm](450)
	b.again(design, 60)
	if got := b.o.EndBase; !got.Known || got.V != 460 || b.o.Flush.Probe == Clean {
		t.Errorf("%+v, probe %v", got, b.o.Flush.Probe)
	}
}

// TestUsual: the median absolute deviation of 1, 1, 2, 2, 4, 6, 9 is 1 (a common
// textbook example, from memory), here ten times that around a hundred.
func TestUsual(t *testing.T) {
	e := newBench(t).e
	var l Lessons
	for _, x := range []float64{1, 1, 2, 2} {
		l = l.With(SteadyFlow, 130+x)
	}
	e.Know(l)
	if u, ok := e.Usual(SteadyFlow); ok {
		t.Errorf("four runs make %+v", u)
	}
	for _, x := range []float64{4, 6, 9} {
		l = l.With(SteadyFlow, 130+x)
	}
	for _, wild := range []float64{math.NaN(), math.Inf(1), -5, 0, 100, 200} {
		l = l.With(SteadyFlow, wild)
	}
	e.Know(l)
	if u, ok := e.Usual(SteadyFlow); !ok || u.Runs != 7 || u.Value != 132 || math.Abs(u.Spread-1.4826) > 1e-9 {
		t.Errorf("%+v, %v", u, ok)
	}
	for range 100 {
		l = l.With(SteadyFlow, 140)
	}
	if len(l.SteadyFlow) != maxLessons {
		t.Errorf("%d runs are kept", len(l.SteadyFlow))
	}
}

// TestLearnOnlySound: what is out of bounds, and what an alarm spoke of, is not
// learned.
func TestLearnOnlySound(t *testing.T) {
	e := newBench(t).e
	e.shown[SteadyFlow], e.shown[FillVolume], e.shown[CleanFilter] = known(142.0, 0), known(1e6, 0), known(12.0, 0)
	l := e.Learn(func(w Lesson) bool { return w == CleanFilter })
	if len(l.SteadyFlow) != 1 || len(l.FillVolume) != 0 || len(l.CleanFilter) != 0 || len(l.FlushVolume) != 0 {
		t.Errorf("%+v", l)
	}
}

// TestLoadedAtTheStart: a filter that begins the run at 40 kPa passes for clean
// without memory. With runs that began at 10, it is loaded by 30.
func TestLoadedAtTheStart(t *testing.T) {
	for _, taught := range []bool{false, true} {
		b := newBench(t)
		if taught {
			var l Lessons
			for range 6 {
				l = l.With(CleanFilter, 10)
			}
			b.e.Know(l)
		}
		design := b.full()
		b.r.FilterOut = good[units.KPa](250)
		b.again(design, 120)
		if x := b.o.FilterExcess.V; math.Abs(float64(x)) > 0.5 {
			t.Errorf("this run's own excess is %v", x)
		}
		if got, want := float64(b.o.FilterLoad.V), map[bool]float64{true: 30}[taught]; math.Abs(got-want) > 0.5 {
			t.Errorf("taught %v: load %v, want %v kPa", taught, got, want)
		}
	}
}

// TestLearnedFlush: what the probe taught can lengthen the flush, never shorten it.
func TestLearnedFlush(t *testing.T) {
	b := newBench(t)
	model := float64(b.e.flush.last)
	for _, c := range []struct{ taught, want float64 }{{0.85, 1.03}, {1.01, 1.03}, {1.1, 1.1}, {1.5, 1.03}} {
		var l Lessons
		for range 6 {
			l = l.With(FlushVolume, c.taught*model)
		}
		b.e.Know(l)
		b.turn(1)
		if got := float64(b.o.Flush.Needed) / model; math.Abs(got-c.want) > 0.001 {
			t.Errorf("taught %v: %v of the model's is needed, want %v", c.taught, got, c.want)
		}
	}
}

// TestDepartureWords: numbers, and what to look for, on either side.
func TestDepartureWords(t *testing.T) {
	for which := FillVolume; which < NumLessons; which++ {
		for _, now := range []float64{30, 50} {
			s := Shown{Now: known(now, 0), Usual: Usual{Value: 40, Spread: 1, Runs: 9}, Learned: true, Departs: true}
			if w := s.Words(which).String(); !strings.Contains(w, "9 runs") || !strings.HasSuffix(w, ".") || math.Abs(float64(s.Off()))-0.25 > 1e-9 {
				t.Errorf("%v: %s", which, w)
			}
		}
		if which.String() == "unknown" {
			t.Errorf("lesson %d has no name", which)
		}
	}
	if s := (Shown{}); !s.Words(FillVolume).Empty() || s.Off() != 0 {
		t.Error("nothing shown departs")
	}
}

// TestBoundsOfContents: what has no number is unknown, and a tail is never ahead
// of the fertilizer it follows.
func TestBoundsOfContents(t *testing.T) {
	z := zone(t)
	at := []hydraulics.Knot{{At: 20}, {At: 8, Mass: 5000}}
	for _, c := range []struct {
		c    Contents
		sure bool
		tail float64
	}{
		{Contents{}, false, 0},
		{Contents{Sure: true, Tail: units.Litre(math.NaN()), Profile: at}, false, 0},
		{Contents{Sure: true, Tail: 5, Profile: at[:1]}, false, 0},
		{Contents{Sure: true, Tail: -5, Profile: at}, true, 0},
		{Contents{Sure: true, Tail: 5, Profile: at}, true, 5},
		{Contents{Sure: true, Tail: 500, Profile: at}, true, 8},
	} {
		k, got := carryOf(z, c.c)
		if got.Sure != c.sure || k.tail != c.tail || !got.On || got.OfDose < 0 || got.OfDose > 1 {
			t.Errorf("%+v: %+v, tail %v", c.c, got, k.tail)
		}
	}
}
