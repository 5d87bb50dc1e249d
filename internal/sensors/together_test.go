package sensors

// Channels judged by each other, and by their own past: jumps, probes that do
// not move, pairs that can't both be true. The limits are common practice, no
// source, but where a package above names one.

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"boxd/internal/box"
	"boxd/internal/units"
)

// plant is a box that runs: what each channel sends at second s.
type plant map[box.Channel]func(s int) float64

func steadily(v float64) func(int) float64 { return func(int) float64 { return v } }

// running is a box of 6 L/min with a branch of 2.4 and stock from second 60 on.
func running() plant {
	rnd := rand.New(rand.NewPCG(1, 0))
	about := func(v, sd float64) func(int) float64 {
		return func(int) float64 { return v + math.Round(10*sd*rnd.NormFloat64())/10 }
	}
	fed := func(clean, fed float64) func(int) float64 {
		return func(s int) float64 {
			if s < 60 {
				return clean
			}
			return fed
		}
	}
	return plant{
		box.SupplyPressure: about(290, 1), box.FilterOutPressure: about(280, 1), box.InjectorInPressure: about(279, 1),
		box.InjectorOutPressure: about(240, 1), box.HeaderPressure: about(69, 0.3),
		box.MainFlow: about(6, 0.05), box.InjectorFlow: about(2.4, 0.1),
		box.StockDraw: fed(0, 0.05), box.BoxEC: fed(420, 1800), box.EndEC: func(s int) float64 {
			if s < 360 { // 30 L at 6 L/min
				return 430
			}
			return 1790
		},
	}
}

func (p plant) until(c *Conditioner, from, to int) *box.Readings {
	var r *box.Readings
	for s := from; s < to; s++ {
		var in []box.Sample
		for ch := box.UnknownChannel + 1; ch < box.NumChannels; ch++ {
			if f := p[ch]; f != nil {
				in = append(in, box.Sample{Channel: ch, Value: f(s)})
			}
		}
		r = c.Readings(at(s), in)
	}
	return r
}

func newBox() *Conditioner {
	return New(Config{Silent: silent, Ranges: DefaultRanges(), GaugeError: 7, EndVolume: 30})
}

// verdict is a channel's quality, cause and why.
type verdict struct {
	q   box.Quality
	c   box.Cause
	why string
}

func of(r *box.Readings, ch box.Channel) verdict {
	switch ch {
	case box.SupplyPressure:
		return verdict{r.Supply.Quality, r.Supply.Cause, r.Supply.Why.String()}
	case box.FilterOutPressure:
		return verdict{r.FilterOut.Quality, r.FilterOut.Cause, r.FilterOut.Why.String()}
	case box.InjectorInPressure:
		return verdict{r.InjectorIn.Quality, r.InjectorIn.Cause, r.InjectorIn.Why.String()}
	case box.InjectorOutPressure:
		return verdict{r.InjectorOut.Quality, r.InjectorOut.Cause, r.InjectorOut.Why.String()}
	case box.HeaderPressure:
		return verdict{r.Header.Quality, r.Header.Cause, r.Header.Why.String()}
	case box.MainFlow:
		return verdict{r.Main.Quality, r.Main.Cause, r.Main.Why.String()}
	case box.InjectorFlow:
		return verdict{r.Branch.Quality, r.Branch.Cause, r.Branch.Why.String()}
	case box.BoxEC:
		return verdict{r.BoxEC.Quality, r.BoxEC.Cause, r.BoxEC.Why.String()}
	case box.EndEC:
		return verdict{r.EndEC.Quality, r.EndEC.Cause, r.EndEC.Why.String()}
	}
	panic("a channel this test does not look at")
}

// TestSoundBox: a box in order has nothing against it, from start to end.
func TestSoundBox(t *testing.T) {
	c, p := newBox(), running()
	for s := range 900 {
		r := p.until(c, s, s+1)
		for ch := box.SupplyPressure; ch <= box.EndEC; ch++ {
			if ch == box.StockDraw {
				continue
			}
			if v := of(r, ch); v.q != box.Good {
				t.Fatalf("%d s: %v is %v", s, ch, v)
			}
		}
	}
}

// TestContradictions: of two that can't both be true both are doubted, after
// half a minute of steady flow, and used on.
func TestContradictions(t *testing.T) {
	for name, c := range map[string]struct {
		change plant
		doubt  []box.Channel
	}{
		"filter out above supply":              {plant{box.FilterOutPressure: steadily(305)}, []box.Channel{box.SupplyPressure, box.FilterOutPressure}},
		"within the gauges' error":             {plant{box.FilterOutPressure: steadily(294)}, nil},
		"header above supply":                  {plant{box.SupplyPressure: steadily(50), box.FilterOutPressure: nil}, []box.Channel{box.SupplyPressure, box.HeaderPressure}},
		"header above filter out":              {plant{box.FilterOutPressure: steadily(55), box.InjectorInPressure: nil, box.InjectorOutPressure: nil}, []box.Channel{box.FilterOutPressure, box.HeaderPressure}},
		"injector in above filter out":         {plant{box.InjectorInPressure: steadily(289)}, []box.Channel{box.FilterOutPressure, box.InjectorInPressure}},
		"injector out above in":                {plant{box.InjectorOutPressure: steadily(289), box.FilterOutPressure: nil}, []box.Channel{box.InjectorInPressure, box.InjectorOutPressure}},
		"the same, the branch shut":            {plant{box.InjectorOutPressure: steadily(289), box.InjectorFlow: steadily(0)}, nil},
		"more in the branch than in all":       {plant{box.InjectorFlow: steadily(7.2)}, []box.Channel{box.MainFlow, box.InjectorFlow}},
		"all through the branch, 3 % high":     {plant{box.InjectorFlow: steadily(6.2)}, nil},
		"header above supply, no flow":         {plant{box.SupplyPressure: steadily(50), box.MainFlow: steadily(0), box.InjectorFlow: steadily(0)}, nil},
		"header above supply, flow dying away": {plant{box.SupplyPressure: steadily(50), box.MainFlow: func(s int) float64 { return 6 * math.Exp(-float64(s)/30) }, box.InjectorFlow: nil}, nil},
	} {
		p, k := running(), newBox()
		for ch, f := range c.change {
			p[ch] = f
		}
		if r := p.until(k, 0, 59); r.Contradicting != 0 {
			t.Errorf("%s: too early", name)
		}
		r := p.until(k, 59, 75)
		var want box.Channels
		for _, ch := range c.doubt {
			want = want.With(ch)
			if v := of(r, ch); v.q != box.Uncertain || v.c != box.OutOfSpecification || !strings.Contains(v.why, "one of the two is off") {
				t.Errorf("%s: %v is %v", name, ch, v)
			}
		}
		if r.Contradicting != want {
			t.Errorf("%s: %b, want %b", name, r.Contradicting, want)
		}
	}
}

// TestContradictionStands: once seen it stands through a pause, in which nothing
// can be judged, and is over when the two have agreed for a while.
func TestContradictionStands(t *testing.T) {
	c, p := newBox(), running()
	p[box.FilterOutPressure] = steadily(300)
	if r := p.until(c, 0, 70); !r.Contradicting.Has(box.FilterOutPressure) {
		t.Fatal("not seen")
	}
	p[box.MainFlow] = steadily(0)
	if r := p.until(c, 70, 170); !r.Contradicting.Has(box.FilterOutPressure) {
		t.Error("forgotten without flow")
	}
	p[box.MainFlow], p[box.FilterOutPressure] = steadily(6), steadily(280)
	if r := p.until(c, 170, 215); r.Contradicting != 0 {
		t.Errorf("still %b", r.Contradicting)
	}
}

// TestProbesThatDoNotMove: clean water may read the same for hours; not so while
// fertilizer must have gone past.
func TestProbesThatDoNotMove(t *testing.T) {
	for name, c := range map[string]struct {
		change   plant
		end      units.Litre
		box, far bool // stuck at the end
	}{
		"both move":                     {plant{}, 30, false, false},
		"clean water for hours":         {plant{box.StockDraw: steadily(0), box.BoxEC: steadily(420), box.EndEC: steadily(430)}, 30, false, false},
		"box stuck":                     {plant{box.BoxEC: steadily(420)}, 30, true, false},
		"fertilizer before we looked":   {plant{box.StockDraw: steadily(0.05), box.BoxEC: steadily(1800), box.EndEC: steadily(1790)}, 30, false, false},
		"tank empty":                    {plant{box.StockDraw: steadily(0), box.BoxEC: steadily(420), box.EndEC: steadily(430)}, 30, false, false},
		"end stuck":                     {plant{box.EndEC: steadily(430)}, 30, false, true},
		"end far away":                  {plant{box.EndEC: steadily(430)}, 90, false, false},
		"volume to the end not said":    {plant{box.EndEC: steadily(430)}, 0, false, false},
		"no flow since":                 {plant{box.EndEC: steadily(430), box.MainFlow: func(s int) float64 { return max(0, 6-float64(s/90)*6) }, box.InjectorFlow: nil}, 30, false, false},
		"a dash too small to be seen":   {plant{box.EndEC: steadily(430), box.BoxEC: func(s int) float64 { return 420 + 1000*float64(min(max(0, 68-s), 5)/5*min(s/60, 1)) }}, 30, false, false},
		"end dithers by its last digit": {plant{box.EndEC: func(s int) float64 { return 430 + float64(s%2) }}, 30, false, false},
	} {
		k, p := New(Config{Silent: silent, Ranges: DefaultRanges(), GaugeError: 7, EndVolume: c.end}), running()
		for ch, f := range c.change {
			p[ch] = f
		}
		r := p.until(k, 0, 600)
		near, far := of(r, box.BoxEC), of(r, box.EndEC)
		if (near.q == box.Bad) != c.box || c.box && (near.c != box.Failure || !strings.Contains(near.why, "EC can't see")) {
			t.Errorf("%s: box %v", name, near)
		}
		if (far.q == box.Bad) != c.far || c.far && (far.c != box.Failure || !strings.Contains(far.why, "no water gets there")) {
			t.Errorf("%s: end %v", name, far)
		}
	}
}

// TestStuckProbeMovesAgain: a probe that moves is well.
func TestStuckProbeMovesAgain(t *testing.T) {
	c, p := newBox(), running()
	p[box.BoxEC] = steadily(420)
	if r := p.until(c, 0, 119); r.BoxEC.Quality != box.Good {
		t.Errorf("after 59 s of stock: %v", r.BoxEC.Why)
	}
	if r := p.until(c, 119, 125); r.BoxEC.Quality != box.Bad {
		t.Error("not seen after a minute")
	}
	p[box.BoxEC] = steadily(1800)
	if r := p.until(c, 125, 300); r.BoxEC.Quality != box.Good {
		t.Errorf("moved, and is still %v", r.BoxEC)
	}
}

// TestJumps: a loose plug makes a reading leap to and fro; a spike, a step, a
// ramp and a pump's cycle do not.
func TestJumps(t *testing.T) {
	alternating := func(a, b float64, every int) func(int) float64 {
		return func(s int) float64 {
			if s%every == 0 {
				return b
			}
			return a
		}
	}
	for name, c := range map[string]struct {
		ch   box.Channel
		f    func(int) float64
		want box.Quality
	}{
		"supply, every second":   {box.SupplyPressure, alternating(290, 180, 2), box.Bad},
		"supply, now and then":   {box.SupplyPressure, alternating(290, 180, 4), box.Uncertain},
		"supply, a rare spike":   {box.SupplyPressure, alternating(290, 180, 10), box.Good},
		"supply, a little":       {box.SupplyPressure, alternating(290, 260, 2), box.Good},
		"supply, a pump's cycle": {box.SupplyPressure, func(s int) float64 { return 200 + 4*float64(s%40) }, box.Good},
		"supply, a step":         {box.SupplyPressure, func(s int) float64 { return 290 - 150*float64(s/580) }, box.Good},
		"flow":                   {box.MainFlow, alternating(6, 1, 2), box.Bad},
		"end of the line":        {box.EndEC, alternating(430, 1200, 2), box.Bad},
		"box, strokes":           {box.BoxEC, alternating(420, 3000, 2), box.Good},
		"injector, strokes":      {box.InjectorInPressure, alternating(279, 200, 2), box.Good},
		"branch, strokes":        {box.InjectorFlow, alternating(0.5, 5, 2), box.Good},
	} {
		k, p := newBox(), running()
		p[c.ch] = c.f
		if v := of(p.until(k, 0, 590), c.ch); v.q != c.want {
			t.Errorf("%s: %v, want %v", name, v, c.want)
		}
	}
}

// TestFarSamples: between samples ten seconds apart a pump's cycle leaps.
func TestFarSamples(t *testing.T) {
	c := newBox()
	var r *box.Readings
	for i := range 40 {
		r = c.Readings(at(10*i), []box.Sample{{Channel: box.SupplyPressure, Value: 200 + 150*float64(i%2)}})
	}
	if r.Supply.Quality != box.Good {
		t.Errorf("%v: %s", r.Supply.Quality, r.Supply.Why)
	}
}

// TestDoubt: a value with doubt is used, and the doubt shown.
func TestDoubt(t *testing.T) {
	c := newBox()
	h := c.Readings(0, []box.Sample{FromLoop(box.HeaderPressure, 3.7, Span{0, 400})}).Header
	if h.Quality != box.Uncertain || h.Cause != box.OutOfSpecification || math.Abs(float64(h.Value)+7.5) > 1e-9 || !strings.Contains(h.Why.String(), "end of what") {
		t.Errorf("%+v", h)
	}
	if h = c.Readings(at(1), []box.Sample{FromLoop(box.HeaderPressure, 4, Span{0, 400})}).Header; h.Quality != box.Good {
		t.Errorf("%+v", h)
	}
}

// TestPowerOnValue: one 85 °C is doubted, again and again it is bad.
func TestPowerOnValue(t *testing.T) {
	c := newBox()
	water := func(s int, v float64) box.Reading[units.Celsius] {
		return c.Readings(at(s), []box.Sample{{Channel: box.WaterTemp, Value: v}}).Water
	}
	water(0, 17)
	if w := water(1, 85); w.Quality != box.Uncertain || w.Value != 17 || !strings.Contains(w.Why.String(), "85 °C") {
		t.Errorf("isolated: %+v", w)
	}
	if w := water(2, 17); w.Quality != box.Good {
		t.Errorf("over: %+v", w)
	}
	for s := 3; s < 6; s++ {
		water(s, 85)
	}
	if w := water(6, 85); w.Quality != box.Bad || w.Cause != box.Failure {
		t.Errorf("again and again: %+v", w)
	}
}
