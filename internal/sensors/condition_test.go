package sensors

// The conditioner is walked through silence, absurdity, faults and spikes. The
// classes are those of NAMUR NE 107 (failure, check function, out of
// specification, maintenance required); the limits are common practice, no
// source, but for the 85 °C a DS18B20 reads before its first conversion (data
// sheet).

import (
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"boxd/internal/box"

	"pgregory.net/rapid"
)

const silent = 30 * time.Second

func at(sec int) time.Duration { return time.Duration(sec) * time.Second }

func header(v float64) box.Sample { return box.Sample{Channel: box.HeaderPressure, Value: v} }

// step is one second's sample of the header, or none, and what is to be read.
type step struct {
	sec     int
	sample  []box.Sample
	quality box.Quality
	cause   box.Cause
	value   float64 // where it may be used
	why     string  // part of it
}

func TestQuality(t *testing.T) {
	fault := box.Sample{Channel: box.HeaderPressure, Fault: "no answer on the bus", Cause: box.Failure}
	service := box.Sample{Channel: box.HeaderPressure, Fault: "membrane worn", Cause: box.MaintenanceRequired}
	is := func(v float64) []box.Sample { return []box.Sample{header(v)} }
	for name, story := range map[string][]step{
		"silence": {
			{0, nil, box.QualityUnknown, box.NoCause, 0, "nothing heard"},
			{1, is(60), box.Good, box.NoCause, 60, ""},
			{2, is(61), box.Good, box.NoCause, 61, ""},
			{4, nil, box.Good, box.NoCause, 61, ""}, // two samples late is no news
			{5, nil, box.Uncertain, box.CheckFunction, 61, "late"},
			{32, nil, box.Uncertain, box.CheckFunction, 61, "late"},
			{33, nil, box.Bad, box.Failure, 0, "silent"},
			{34, is(62), box.Good, box.NoCause, 61, ""},
		},
		"absurd": {
			{0, is(60), box.Good, box.NoCause, 60, ""},
			{1, is(9999), box.Uncertain, box.OutOfSpecification, 60, "reads 9999"},
			{2, is(-400), box.Uncertain, box.OutOfSpecification, 60, "reads -400"},
			{3, is(math.NaN()), box.Bad, box.OutOfSpecification, 0, "outside -105 to 1600"},
			{4, is(math.Inf(1)), box.Bad, box.OutOfSpecification, 0, "outside"},
			{5, is(61), box.Good, box.NoCause, 61, ""},
		},
		"absurd from the first": {
			{0, is(9999), box.Bad, box.OutOfSpecification, 0, "9999"},
			{1, is(60), box.Good, box.NoCause, 60, ""},
		},
		"fault": {
			{0, is(60), box.Good, box.NoCause, 60, ""},
			{1, []box.Sample{fault}, box.Uncertain, box.Failure, 60, "no answer"},
			{31, []box.Sample{fault}, box.Bad, box.Failure, 0, "no answer on the bus"},
			{32, is(60), box.Good, box.NoCause, 60, ""},
		},
		"fault after fault": {
			{0, is(60), box.Good, box.NoCause, 60, ""},
			{3, []box.Sample{fault}, box.Uncertain, box.Failure, 60, "no answer"},
			{4, []box.Sample{fault}, box.Uncertain, box.Failure, 60, "no answer"},
			{5, []box.Sample{fault}, box.Bad, box.Failure, 0, "no answer on the bus"},
			{6, is(60), box.Good, box.NoCause, 60, ""},
		},
		"fault from the first": {{0, []box.Sample{service}, box.Bad, box.MaintenanceRequired, 0, "membrane worn"}},
		"spike": {
			{0, is(60), box.Good, box.NoCause, 60, ""},
			{1, is(62), box.Good, box.NoCause, 62, ""},
			{2, is(61), box.Good, box.NoCause, 61, ""},  // the median of 60 62 61
			{3, is(900), box.Good, box.NoCause, 62, ""}, // of 62 61 900
			{4, is(63), box.Good, box.NoCause, 63, ""},  // of 61 900 63
		},
		"slow source": { // five seconds apart: late and silent stretch with it
			{0, is(60), box.Good, box.NoCause, 60, ""},
			{5, is(60), box.Good, box.NoCause, 60, ""},
			{10, is(60), box.Good, box.NoCause, 60, ""},
			{22, nil, box.Good, box.NoCause, 60, ""},
			{23, nil, box.Uncertain, box.CheckFunction, 60, "late"},
			{41, nil, box.Bad, box.Failure, 0, "silent"},
		},
	} {
		c := New(Config{Silent: silent, Ranges: DefaultRanges(), GaugeError: 7})
		for _, s := range story {
			for c.now+time.Second < at(s.sec) {
				c.Readings(c.now+time.Second, nil)
			}
			got := c.Readings(at(s.sec), s.sample).Header
			if got.Quality != s.quality || got.Cause != s.cause || !strings.Contains(got.Why.String(), s.why) {
				t.Errorf("%s, %d s: %v, %v, %q; want %v, %v, %q", name, s.sec, got.Quality, got.Cause, got.Why, s.quality, s.cause, s.why)
			}
			if got.Usable() != (s.quality == box.Good || s.quality == box.Uncertain) || got.Usable() && float64(got.Value) != s.value {
				t.Errorf("%s, %d s: %v, usable %v; want %v", name, s.sec, got.Value, got.Usable(), s.value)
			}
		}
	}
}

// TestOldNeighbours: values from before a long silence are no median's business.
func TestOldNeighbours(t *testing.T) {
	c := New(Config{Silent: silent, Ranges: DefaultRanges(), GaugeError: 7})
	for s := range 3 {
		c.Readings(at(s), []box.Sample{header(60)})
	}
	if got := c.Readings(at(300), []box.Sample{header(10)}).Header; got.Value != 10 || got.Quality != box.Good {
		t.Errorf("after five minutes of silence %v %v, want the new value", got.Value, got.Quality)
	}
}

// TestStrokes: stock that comes in strokes of three samples, drawn in the first
// half of each, keeps its mean; a median of three would keep one part of it.
func TestStrokes(t *testing.T) {
	c := New(Config{Silent: silent, Ranges: DefaultRanges()})
	sum := 0.0
	for s := range 300 {
		v := []float64{0.04, 0.008, 0}[s%3]
		r := c.Readings(at(s), []box.Sample{{Channel: box.StockDraw, Value: v}})
		sum += r.Stock.Value.LPerMin()
	}
	if mean := sum / 300; math.Abs(mean-0.016) > 1e-6 {
		t.Errorf("the mean is %.4f L/min of 0.0160", mean)
	}
}

// TestUnits: L/min on the wire are L/h inside, and every channel finds its
// reading.
func TestUnits(t *testing.T) {
	c := New(Config{Silent: silent, Ranges: DefaultRanges(), GaugeError: 7})
	var in []box.Sample
	for ch := box.UnknownChannel + 1; ch < box.NumChannels; ch++ {
		in = append(in, box.Sample{Channel: ch, Value: float64(ch)})
	}
	r := c.Readings(0, in)
	got := []float64{float64(r.Supply.Value), float64(r.FilterOut.Value), float64(r.InjectorIn.Value), float64(r.InjectorOut.Value),
		float64(r.Header.Value), r.Main.Value.LPerMin(), r.Branch.Value.LPerMin(), r.Stock.Value.LPerMin(),
		float64(r.BoxEC.Value), float64(r.EndEC.Value), float64(r.Water.Value), float64(r.BoxAir.Value), float64(r.OutsideAir.Value)}
	if want := []float64{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13}; !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
	if r.Main.Value != 360 {
		t.Errorf("6 L/min is %v L/h", r.Main.Value)
	}
	if !c.Fresh(box.MainFlow, 0) || c.Fresh(box.MainFlow, 1) {
		t.Error("a value is fresh in its turn alone")
	}
}

// TestStrangers: channels nobody knows are nobody's reading.
func TestStrangers(t *testing.T) {
	c := New(Config{Silent: silent, Ranges: DefaultRanges(), GaugeError: 7})
	before := *c.Readings(0, nil)
	after := *c.Readings(0, []box.Sample{{Channel: box.UnknownChannel, Value: 1}, {Channel: box.NumChannels, Value: 1}, {Channel: 200, Value: 1}})
	if !reflect.DeepEqual(before, after) {
		t.Error("an unknown channel changed a reading")
	}
}

func TestPowerOnTemperature(t *testing.T) {
	c := New(Config{Silent: silent, Ranges: DefaultRanges(), GaugeError: 7})
	if w := c.Readings(0, []box.Sample{{Channel: box.WaterTemp, Value: 85}}).Water; w.Usable() {
		t.Errorf("85 °C of a sensor just switched on was taken for water: %v", w.Value)
	}
}

// TestNeverInvents: whatever comes, a usable reading is one of the last three
// plausible samples, and its age is true.
func TestNeverInvents(t *testing.T) {
	rapid.Check(t, func(draw *rapid.T) {
		c := New(Config{Silent: silent, Ranges: DefaultRanges(), GaugeError: 7})
		var seen []float64
		now, last := time.Duration(0), time.Duration(0)
		for range rapid.IntRange(1, 40).Draw(draw, "turns") {
			now += time.Duration(rapid.IntRange(0, 20_000).Draw(draw, "ms")) * time.Millisecond
			var in []box.Sample
			if rapid.Bool().Draw(draw, "sampled") {
				v := rapid.OneOf(rapid.Float64(), rapid.Float64Range(-200, 2000)).Draw(draw, "value")
				in = append(in, header(v))
				if v >= -105 && v <= 1600 {
					seen, last = append(seen, v), now
				}
			}
			r := c.Readings(now, in).Header
			if !r.Usable() {
				continue
			}
			if r.Age != now-last {
				draw.Fatalf("age %v, true %v", r.Age, now-last)
			}
			if !slices.Contains(seen[max(0, len(seen)-3):], float64(r.Value)) {
				draw.Fatalf("%v was never sent lately: %v", r.Value, seen)
			}
		}
	})
}

// TestStuck: a flow or a header pressure that stays the same to the digit while
// the other moves far is stuck; it is well again when it moves. Alone it may be
// true, and so may a meter at rest.
func TestStuck(t *testing.T) {
	type second func(s int) (flow, header float64)
	falls := func(s int) float64 { return max(69-float64(s), 2) }
	for name, c := range map[string]struct {
		of           second
		flow, header bool // stuck after a minute and a half
	}{
		"both steady":           {func(int) (float64, float64) { return 2.4, 69 }, false, false},
		"both fall":             {func(s int) (float64, float64) { return 2.4 * falls(s) / 69, falls(s) }, false, false},
		"flow stuck":            {func(s int) (float64, float64) { return 2.4, falls(s) }, true, false},
		"flow at rest":          {func(s int) (float64, float64) { return 0, falls(s) }, false, false},
		"header stuck":          {func(s int) (float64, float64) { return 2.4 * falls(s) / 69, 69 }, false, true},
		"header at rest":        {func(s int) (float64, float64) { return 2.4 * falls(s) / 69, 0.3 }, false, false},
		"flow steady by itself": {func(s int) (float64, float64) { return 2.4, 69 + float64(s%2)*20 }, false, false},
	} {
		c1 := New(Config{Silent: silent, Ranges: DefaultRanges(), GaugeError: 7})
		var r *box.Readings
		for s := range 90 {
			flow, header := c.of(s)
			r = c1.Readings(at(s), []box.Sample{{Channel: box.MainFlow, Value: flow}, {Channel: box.HeaderPressure, Value: header}})
		}
		if r.Main.Usable() == c.flow || r.Header.Usable() == c.header {
			t.Errorf("%s: flow %v (%s), header %v (%s)", name, r.Main.Quality, r.Main.Why, r.Header.Quality, r.Header.Why)
		}
		if c.flow && r.Main.Cause != box.Failure {
			t.Errorf("%s: %v", name, r.Main.Cause)
		}
		r = c1.Readings(at(90), []box.Sample{{Channel: box.MainFlow, Value: 1.1}, {Channel: box.HeaderPressure, Value: 33}})
		if !r.Main.Usable() || !r.Header.Usable() {
			t.Errorf("%s: moves again and is still %v, %v", name, r.Main.Quality, r.Header.Quality)
		}
	}
}

func BenchmarkReadings(b *testing.B) {
	c := New(Config{Silent: silent, Ranges: DefaultRanges(), GaugeError: 7})
	var in []box.Sample
	for ch := box.UnknownChannel + 1; ch < box.NumChannels; ch++ {
		in = append(in, box.Sample{Channel: ch, Value: 50})
	}
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		c.Readings(at(i), in)
	}
}

// TestSlowThermometers: read every minute or every ten, a thermometer stays
// usable between its readings and gives the newest; a pressure read so seldom
// does not. Silent for longer than it may be, it is bad; a fault it reports is
// bad after the third.
func TestSlowThermometers(t *testing.T) {
	for _, every := range []int{60, 600} {
		c := New(Config{Silent: silent, SilentTemperature: 15 * time.Minute, Ranges: DefaultRanges()})
		for sec := 0; sec < 5*every; sec++ {
			var s []box.Sample
			if sec%every == 0 {
				s = append(s, box.Sample{Channel: box.BoxAirTemp, Value: 10 - float64(sec/every)})
			}
			r := c.Readings(at(sec), s)
			if r.BoxAir.Quality != box.Good {
				t.Fatalf("every %d s: %v after %d s (%v)", every, r.BoxAir.Quality, sec, r.BoxAir.Why)
			}
			if lag := float64(r.BoxAir.Value) - (10 - float64(sec/every)); math.Abs(lag) > 1 || every == 600 && lag != 0 {
				t.Fatalf("every %d s: %v °C after %d s", every, r.BoxAir.Value, sec)
			}
		}
		last := 4 * every
		if r := c.Readings(at(last+899), nil); !r.BoxAir.Usable() {
			t.Errorf("every %d s: %v after 899 s", every, r.BoxAir.Quality)
		}
		if r := c.Readings(at(last+901), nil); r.BoxAir.Quality != box.Bad {
			t.Errorf("every %d s: %v after 901 s of silence", every, r.BoxAir.Quality)
		}
	}
	c := New(Config{Silent: silent, SilentTemperature: 15 * time.Minute, Ranges: DefaultRanges()})
	c.Readings(0, []box.Sample{header(70), {Channel: box.WaterTemp, Value: 10}})
	if r := c.Readings(at(31), nil); r.Header.Quality != box.Bad || r.Water.Quality != box.Good {
		t.Errorf("after 31 s: header %v, water %v", r.Header.Quality, r.Water.Quality)
	}
	fault := []box.Sample{{Channel: box.WaterTemp, Fault: "no answer on the bus", Cause: box.Failure}}
	for i := 1; i <= 3; i++ {
		r := c.Readings(at(31+60*i), fault)
		if want := map[bool]box.Quality{true: box.Bad, false: box.Uncertain}[i == 3]; r.Water.Quality != want {
			t.Errorf("after %d faults: %v, want %v", i, r.Water.Quality, want)
		}
	}
}

// After time in which the core did not run, as in a restart, a channel that has
// not spoken yet is given its time again: its reading is bad, but nothing is
// said against the sensor. Then it is silent as any.
func TestNotHeardSinceTheCoreLooksAgain(t *testing.T) {
	c := New(Config{Silent: silent, Ranges: DefaultRanges()})
	c.Readings(0, []box.Sample{{Channel: box.BoxEC, Value: 400}})
	c.Readings(time.Second, []box.Sample{{Channel: box.BoxEC, Value: 400}})
	back := 10 * time.Minute
	for _, k := range []struct {
		at    time.Duration
		cause box.Cause
	}{{back, box.CheckFunction}, {back + silent, box.CheckFunction}, {back + silent + 2*time.Second, box.Failure}} {
		for now := c.now + time.Second; c.now > time.Minute && now < k.at; now += time.Second {
			c.Readings(now, nil)
		}
		if r := c.Readings(k.at, nil).BoxEC; r.Quality != box.Bad || r.Cause != k.cause {
			t.Errorf("%v after it looks again: %v, %v, %q", k.at-back, r.Quality, r.Cause, r.Why)
		}
	}
}

// What a source gave is kept as it came beside what is made of it.
func TestRawIsKept(t *testing.T) {
	c := New(Config{Silent: silent, Ranges: DefaultRanges()})
	if _, ok := c.Raw(box.SupplyPressure); ok {
		t.Error("a channel that never spoke has a raw number")
	}
	c.Readings(0, []box.Sample{{Channel: box.SupplyPressure, Value: -900}, {Channel: box.MainFlow, Fault: "no answer on the bus"}})
	if v, ok := c.Raw(box.SupplyPressure); !ok || v != -900 {
		t.Errorf("an absurd sample: %v, %v", v, ok)
	}
	if _, ok := c.Raw(box.MainFlow); ok {
		t.Error("a fault without a number has one")
	}
}
