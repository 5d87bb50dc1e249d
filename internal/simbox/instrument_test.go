package simbox

import (
	"math"
	"slices"
	"testing"
	"time"

	"boxd/internal/box"
)

// at rest: an hour of samples a second apart with the main valve closed.
func atRest(t *testing.T, seed uint64) (by [box.NumChannels][]float64, n int) {
	t.Helper()
	s := loadReference(t).spec()
	s.Quiet = false
	p := New(s, seed)
	for n = range 20000 {
		p.Step(time.Second)
		for _, v := range p.Samples(nil) {
			by[v.Channel] = append(by[v.Channel], v.Value)
		}
	}
	return by, n + 1
}

// spread is the standard deviation estimated from quartiles, which spikes
// cannot move: (Q3−Q1)/1.349 for a normal distribution (standard tables).
func spread(v []float64) (median, sd float64) {
	s := slices.Clone(v)
	slices.Sort(s)
	at := func(q float64) float64 { return s[int(q*float64(len(s)-1))] }
	return at(0.5), (at(0.75) - at(0.25)) / 1.349
}

// TestNoiseAtRest: the noise is that of the reference's instrument model
// (testdata), offsets within their limits, spikes and drop-outs as rare as
// they are said to be.
func TestNoiseAtRest(t *testing.T) {
	r := loadReference(t)
	by, n := atRest(t, 3)
	median, sd := spread(by[box.HeaderPressure])
	near(t, "header noise, kPa", sd, r.SD["header"], 0.05)
	if math.Abs(median) > 0.6+0.1 {
		t.Errorf("header offset %v, at most 0.6", median)
	}
	_, sd = spread(by[box.FilterOutPressure])
	near(t, "box pressure noise, kPa", sd, r.SD["box"], 0.06)
	_, sd = spread(by[box.SupplyPressure])
	near(t, "supply noise with wander, kPa", sd, math.Hypot(r.SD["supply"], supplyWander), 0.3)
	_, sd = spread(by[box.BoxEC])
	near(t, "box EC noise, µS/cm", sd, 4, 0.8)
	spikes := 0
	for _, v := range by[box.HeaderPressure] {
		if math.Abs(v-median) > 10 {
			spikes++
		}
	}
	// 0.03 % of 20,000 is 6; Poisson keeps that within 0 and 15 of 6 almost surely.
	if spikes < 1 || spikes > 15 {
		t.Errorf("%d spikes in %d samples, about 6 expected", spikes, n)
	}
	// 0.1 % starts of 4.5 samples on average.
	missing := 1 - float64(len(by[box.HeaderPressure]))/float64(n)
	near(t, "missing share", missing, 0.0045, 0.0025)
	for _, v := range by[box.MainFlow] {
		if v != 0 {
			t.Fatalf("flow %v with the valve closed", v)
		}
	}
}

// TestOffsetsStayAndSpread: an instrument keeps its error through a run; a
// hundred boxes fill the range.
func TestOffsetsStayAndSpread(t *testing.T) {
	s := loadReference(t).spec()
	s.Quiet = false
	lo, hi := 0.0, 0.0
	for seed := range uint64(100) {
		o := New(s, seed).inst.ch[box.HeaderPressure].offset
		lo, hi = min(lo, o), max(hi, o)
	}
	if lo < -0.6 || hi > 0.6 || lo > -0.5 || hi < 0.5 {
		t.Errorf("header offsets from %v to %v, want most of ±0.6", lo, hi)
	}
}

// TestRipple: strokes swing the branch by 12 %, the stock by 50 % and the EC by
// 2.5 %, around the truth.
func TestRipple(t *testing.T) {
	s := loadReference(t).spec()
	s.Quiet, s.LinesFull = false, true
	p := New(s, 2)
	for _, d := range []box.Deed{box.MainOpen, box.InjectorOn, box.LoopThrottled} {
		p.Do(d)
	}
	run(p, 5*time.Minute)
	var by [box.NumChannels][]float64
	for range 1000 {
		p.Step(700 * time.Millisecond)
		for _, v := range p.Samples(nil) {
			by[v.Channel] = append(by[v.Channel], v.Value)
		}
	}
	for c, want := range map[box.Channel]float64{box.InjectorFlow: 0.12, box.StockDraw: 0.5} {
		lo, hi := slices.Min(by[c]), slices.Max(by[c])
		near(t, c.String()+" swing", (hi-lo)/(hi+lo), want, 0.1*want+0.01)
	}
	_, sd := spread(by[box.BoxEC])
	// A sine's quartiles are at ±amplitude/√2.
	near(t, "box EC swing", sd*1.349/2*math.Sqrt2/1820, 0.025, 0.006)
}

// TestResolution: values stand on the instruments' steps.
func TestResolution(t *testing.T) {
	by, _ := atRest(t, 8)
	for c, step := range map[box.Channel]float64{box.SupplyPressure: 0.5, box.HeaderPressure: 0.1, box.WaterTemp: 0.0625, box.BoxEC: 1} {
		for _, v := range by[c][:500] {
			if d := math.Abs(v/step - math.Round(v/step)); d > 1e-6 {
				t.Fatalf("%v sends %v, off its step of %v", c, v, step)
			}
		}
	}
}

// TestDryEnd: a probe in air reads 4 to 6 until the lines are full.
func TestDryEnd(t *testing.T) {
	s := loadReference(t).spec()
	s.Quiet, s.EndDry = false, true
	p := New(s, 4)
	for range 300 {
		p.Step(time.Second)
		if v, ok := sampleOf(p, box.EndEC); ok && (v.Value < 3 || v.Value > 7) {
			t.Fatalf("dry probe reads %v", v.Value)
		}
	}
	p.Do(box.MainOpen)
	run(p, 10*time.Minute)
	v, _ := sampleOf(p, box.EndEC)
	near(t, "wet probe, µS/cm", v.Value, 420, 50)
}

func BenchmarkStepSecond(b *testing.B) {
	p := New(loadReference(b).spec(), 1)
	p.Do(box.MainOpen)
	var buf []box.Sample
	for b.Loop() {
		p.Step(time.Second)
		buf = p.Samples(buf[:0])
	}
}
