package hwio

// The schedule is tried in a bubble of simulated time on wires that are slow,
// hang, or aren't there: what one bus suffers must not be felt on another.

import (
	"context"
	"math"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"boxd/internal/box"
	"boxd/internal/sensors"
)

// TestSlowDelaysNobody: a probe that takes 900 ms, on the same bus, and another
// bus that hangs for ever leave a gauge its ten readings a second.
func TestSlowDelaysNobody(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := &wire{chips: map[uint16]fakeChip{0x48: &converter{volts: [4]float64{1.8}}, 0x64: &probe{takes: 900 * time.Millisecond, reply: "\x01500"}}}
		b := &wire{hangs: time.Minute}
		s := on(t, map[string]*wire{"/dev/i2c-1": a, "/dev/i2c-3": b},
			loopOf(box.HeaderPressure, "/dev/i2c-1", 0x48, 0), textOf(box.BoxEC, "/dev/i2c-1", 0x64), loopOf(box.SupplyPressure, "/dev/i2c-3", 0x48, 0))
		collect(t, s, time.Second)
		got := collect(t, s, 10*time.Second)
		if n := len(got[box.HeaderPressure]); n < 99 || n > 101 {
			t.Errorf("%d readings of the gauge in 10 s", n)
		}
		if n := len(got[box.BoxEC]); n < 9 || n > 11 {
			t.Errorf("%d readings of the slow probe in 10 s", n)
		}
		faulty := got[box.SupplyPressure]
		if n := len(faulty); n < 55 || n > 62 || !strings.Contains(faulty[0].Fault, "where something hangs") || faulty[0].Cause != box.Failure {
			t.Errorf("%d words of the bus that hangs: %+v", n, faulty)
		}
		for _, v := range s.Stats() {
			if v.Bus == "/dev/i2c-1" && (v.Missed > 1 || v.Faults != 0 || v.Readings < 115) { // the first beat waits out what may have been under way
				t.Errorf("%+v", v)
			}
		}
		began := time.Now()
		s.Close()
		if d := time.Since(began); d > closeWithin {
			t.Errorf("Close took %s", d)
		}
		time.Sleep(2 * time.Minute) // the transfer that hung ends, and with it its goroutine
	})
}

// TestAbsentAtStart: a bus that isn't there is no fatal error; its channel says
// why, and is well within three samples of the bus' coming.
func TestAbsentAtStart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := &wire{absent: true, chips: map[uint16]fakeChip{0x48: &converter{volts: [4]float64{1.8}}}}
		s := on(t, map[string]*wire{"/dev/i2c-1": w}, loopOf(box.HeaderPressure, "/dev/i2c-1", 0x48, 0))
		defer s.Close()
		got := collect(t, s, time.Minute)[box.HeaderPressure]
		if len(got) < 590 || !strings.Contains(got[0].Fault, "can't be opened") {
			t.Fatalf("%d samples, %+v", len(got), got[:1])
		}
		if w.opened > 600 {
			t.Errorf("opened %d times in a minute", w.opened)
		}
		w.set(func() { w.absent = false })
		got = collect(t, s, time.Second)[box.HeaderPressure]
		for _, x := range got[3:] {
			if x.Fault != "" {
				t.Errorf("%+v", got)
				break
			}
		}
	})
}

// TestUnplugged: an adapter that is taken out and put in again is another one;
// what is open of the old never answers again.
func TestUnplugged(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := &wire{stale: true, chips: map[uint16]fakeChip{0x48: &converter{volts: [4]float64{1.8}}}}
		s := on(t, map[string]*wire{"/dev/i2c-1": w}, loopOf(box.HeaderPressure, "/dev/i2c-1", 0x48, 0))
		defer s.Close()
		collect(t, s, time.Second)
		w.set(func() { w.epoch++ })
		got := collect(t, s, 2*time.Second)[box.HeaderPressure]
		n := 0
		for _, x := range got {
			if x.Fault != "" {
				n++
			}
		}
		if n == 0 || n > 4 || got[len(got)-1].Fault != "" {
			t.Errorf("%d faulty: %+v", n, got)
		}
	})
}

// TestSignals: transfers that a signal to the program breaks off are made again.
func TestSignals(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := &wire{breaks: 7, chips: map[uint16]fakeChip{0x48: &converter{volts: [4]float64{1.8}}}}
		s := on(t, map[string]*wire{"/dev/i2c-1": w}, loopOf(box.HeaderPressure, "/dev/i2c-1", 0x48, 0))
		defer s.Close()
		got := collect(t, s, 10*time.Second)[box.HeaderPressure]
		if v := s.Stats()[0]; len(got) < 97 || v.Faults > 0 || w.count < 300 {
			t.Errorf("%d samples, %+v", len(got), v)
		}
	})
}

// TestBeatsMeet: every second reading of a converter ends 9 ms later than the
// others. Asked in between, the source still has one for each call.
func TestBeatsMeet(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := &wire{chips: map[uint16]fakeChip{0x48: &converter{volts: [4]float64{1.8}}}}
		s := on(t, map[string]*wire{"/dev/i2c-1": w}, loopOf(box.HeaderPressure, "/dev/i2c-1", 0x48, 0))
		defer s.Close()
		time.Sleep(1023*time.Millisecond - 53*time.Millisecond) // one conversion of 17 ms is over, or 9 ms are left of it
		collect(t, s, time.Second)
		for range 100 {
			if got := collect(t, s, 100*time.Millisecond)[box.HeaderPressure]; len(got) != 1 {
				t.Fatalf("%d readings in a call", len(got))
			}
		}
	})
}

// TestMissedBeats: at 8 conversions a second, two inputs take 278 ms; of ten
// beats a second a third at most can be kept, and the others are counted.
func TestMissedBeats(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := &wire{chips: map[uint16]fakeChip{0x48: &converter{volts: [4]float64{1.8, 1.8}}}}
		slow := func(c box.Channel, input int) sensors.Wiring {
			x := loopOf(c, "/dev/i2c-1", 0x48, input)
			d := x.Driver.(sensors.ADS1115)
			d.Rate = 8
			x.Driver = d
			return x
		}
		s := on(t, map[string]*wire{"/dev/i2c-1": w}, slow(box.HeaderPressure, 0), slow(box.SupplyPressure, 1))
		defer s.Close()
		collect(t, s, time.Minute)
		v := s.Stats()[0]
		if v.Readings < 190 || v.Readings > 216 || v.Readings+v.Missed < 597 || v.Readings+v.Missed > 601 {
			t.Errorf("%+v; want about 60/0.28 readings and 600 beats in all", v)
		}
		if v.MostLate > 100*time.Millisecond || v.MeanLate <= 0 || v.MostLong < 270*time.Millisecond {
			t.Errorf("%+v", v)
		}
	})
}

// TestCorrections: what a calibration found holds from the moment it is given,
// and never for a fault.
func TestCorrections(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		chip := &converter{volts: [4]float64{1.8}}
		w := &wire{chips: map[uint16]fakeChip{0x48: chip}}
		s := on(t, map[string]*wire{"/dev/i2c-1": w}, loopOf(box.HeaderPressure, "/dev/i2c-1", 0x48, 0))
		defer s.Close()
		collect(t, s, time.Second)
		s.Correct(sensors.Corrections{box.HeaderPressure: {Gain: 1.01, Offset: -3}})
		got := collect(t, s, time.Second)[box.HeaderPressure]
		if x := got[len(got)-1]; math.Abs(x.Value-(1.01*800-3)) > 0.1 {
			t.Errorf("%+v", x)
		}
		w.set(func() { chip.volts[0] = 0 })
		got = collect(t, s, time.Second)[box.HeaderPressure]
		if x := got[len(got)-1]; x.Fault == "" || x.Value != 0 {
			t.Errorf("%+v", x)
		}
	})
}

// BenchmarkTwelveChannels is what twelve channels at 10 Hz cost: ten at three
// converters on one bus, two probes on another, on wires that take no time. An
// operation is a beat of 100 ms in real time, with the taking of its samples.
func BenchmarkTwelveChannels(b *testing.B) {
	wires := map[string]*wire{"/dev/i2c-1": {chips: map[uint16]fakeChip{}}, "/dev/i2c-3": {chips: map[uint16]fakeChip{0x64: &probe{reply: "\x01500"}, 0x65: &probe{reply: "\x01500"}}}}
	var wirings []sensors.Wiring
	for i := range 10 {
		address := uint16(0x48 + i/4)
		wires["/dev/i2c-1"].chips[address] = &converter{volts: [4]float64{1.8, 1.8, 1.8, 1.8}}
		wirings = append(wirings, loopOf(box.SupplyPressure+box.Channel(i), "/dev/i2c-1", address, i%4))
	}
	for i := range 2 {
		x := textOf(box.WaterTemp+box.Channel(i), "/dev/i2c-3", 0x64+uint16(i))
		d := x.Driver.(sensors.ECText)
		d.Wait, x.Every = time.Millisecond, 100*time.Millisecond
		x.Driver = d
		wirings = append(wirings, x)
	}
	s := on(b, wires, wirings...)
	defer s.Close()
	time.Sleep(300 * time.Millisecond)
	var dst []box.Sample
	samples, began, missed := 0, processorTime(b), s.Stats()
	b.ReportAllocs()
	b.ResetTimer()
	for range b.N {
		time.Sleep(100 * time.Millisecond)
		dst, _ = s.Samples(context.Background(), 0, dst[:0])
		samples += len(dst)
	}
	b.StopTimer()
	b.ReportMetric(float64(samples)/float64(b.N), "samples/op")
	b.ReportMetric(float64((processorTime(b)-began).Microseconds())/float64(samples), "cpu-µs/sample")
	for i, v := range s.Stats() {
		b.ReportMetric(float64(v.Missed-missed[i].Missed), "missed-"+strings.TrimPrefix(v.Bus, "/dev/"))
	}
}

// processorTime is what this process has used of the processors.
func processorTime(b *testing.B) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
