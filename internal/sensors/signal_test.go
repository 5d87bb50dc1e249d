package sensors

// Signals are checked against what is published: currents of NAMUR NE 43, the
// DS18B20's data sheet, worked numbers of ratiometric transducers and pulse
// meters (computed by hand, beside each).

import (
	"math"
	"strings"
	"testing"
	"time"

	"boxd/internal/box"
)

// signal is a signal's sample and what it must be.
type signal struct {
	name  string
	got   box.Sample
	value float64
	cause box.Cause
	part  string // of the fault; empty: the value counts
}

func (w signal) check(t *testing.T) {
	t.Helper()
	g := w.got
	if says := faultText(&g).String(); g.Cause != w.cause || (says == "") != (w.part == "") || !strings.Contains(says, w.part) {
		t.Errorf("%s: %+v; want %v, fault with %q", w.name, g, w.cause, w.part)
	}
	if w.part == "" && math.Abs(g.Value-w.value) > 5e-4*max(1, math.Abs(w.value)) {
		t.Errorf("%s: %v, want %v", w.name, g.Value, w.value)
	}
}

// TestLoop: NE 43: 3.8 to 20.5 mA measure, −1.25 to 103.125 % of span; 3.6 mA and
// below, 21 mA and above are failures.
func TestLoop(t *testing.T) {
	of := func(mA float64) box.Sample { return FromLoop(box.HeaderPressure, mA, Span{0, 100}) }
	for _, w := range []signal{
		{"broken", of(0), 0, box.Failure, "0 mA"},
		{"3.59", of(3.59), 0, box.Failure, "3.59 mA"},
		{"3.6", of(3.6), 0, box.Failure, "broken wire"},
		{"3.61", of(3.61), -2.4375, box.OutOfSpecification, ""},
		{"3.79", of(3.79), -1.3125, box.OutOfSpecification, ""},
		{"3.8", of(3.8), -1.25, box.NoCause, ""},
		{"4", of(4), 0, box.NoCause, ""},
		{"12", of(12), 50, box.NoCause, ""},
		{"20", of(20), 100, box.NoCause, ""},
		{"20.5", of(20.5), 103.125, box.NoCause, ""},
		{"20.51", of(20.51), 103.1875, box.OutOfSpecification, ""},
		{"21", of(21), 0, box.Failure, "21 mA"},
		{"shorted", of(24), 0, box.Failure, "short"},
		{"nothing", of(math.NaN()), 0, box.Failure, "can't be read"},
		{"a span that begins below", FromLoop(box.HeaderPressure, 8, Span{-100, 300}), 0, box.NoCause, ""},
		{"a span that falls", FromLoop(box.HeaderPressure, 8, Span{100, 0}), 75, box.NoCause, ""},
	} {
		w.check(t)
	}
}

// TestRatiometric: P = FS·(V/Vs − 0.1)/0.8: 2.5 V of 5.00 V is half the span, of
// 4.90 V it is 51.28 %.
func TestRatiometric(t *testing.T) {
	of := func(v, supply float64) box.Sample {
		return FromRatiometric(box.SupplyPressure, v, supply, Span{0, 100})
	}
	for _, w := range []signal{
		{"half", of(2.5, 5), 50, box.NoCause, ""},
		{"half, weak supply", of(2.5, 4.9), 51.276, box.NoCause, ""},
		{"zero", of(0.5, 5), 0, box.NoCause, ""},
		{"zero, a little low", of(0.46, 5), -1, box.NoCause, ""},
		{"full", of(4.5, 5), 100, box.NoCause, ""},
		{"under its span", of(0.4, 5), -2.5, box.OutOfSpecification, ""},
		{"over its span", of(4.7, 5), 105, box.OutOfSpecification, ""},
		{"below 5 %", of(0.24, 5), 0, box.Failure, "gives 4.8 % of its supply"},
		{"above 95", of(4.76, 5), 0, box.Failure, "above 95"},
		{"wire off", of(0, 5), 0, box.Failure, "broken wire"},
		{"supply sags", of(2.2, 4.4), 0, box.Failure, "its supply is 4.4 V"},
		{"no supply", of(0, 0), 0, box.Failure, "its supply"},
		{"supply unknown", of(2.5, math.NaN()), 0, box.Failure, "its supply"},
		{"nothing", of(math.NaN(), 5), 0, box.Failure, "can't be read"},
	} {
		w.check(t)
	}
}

// TestVoltage: 1–5 V is 4–20 mA through 250 ohm, so the currents of NE 43 are
// 0.9, 0.95, 5.125 and 5.25 V; 0–10 V has the same limits as shares of its span.
func TestVoltage(t *testing.T) {
	live := func(v float64) box.Sample {
		return FromVoltage(box.BoxEC, v, Span{Low: 1, High: 5}, Span{High: 5000})
	}
	dead := func(v float64) box.Sample { return FromVoltage(box.BoxEC, v, Span{High: 10}, Span{High: 5000}) }
	for _, w := range []signal{
		{"broken", live(0), 0, box.Failure, "0 V, below"},
		{"0.89 V", live(0.89), 0, box.Failure, "broken wire"},
		{"0.91 V", live(0.91), -112.5, box.OutOfSpecification, ""},
		{"0.96 V", live(0.96), -50, box.NoCause, ""},
		{"3 V", live(3), 2500, box.NoCause, ""},
		{"5.12 V", live(5.12), 5150, box.NoCause, ""},
		{"5.2 V", live(5.2), 5250, box.OutOfSpecification, ""},
		{"5.26 V", live(5.26), 0, box.Failure, "5.26 V, above"},
		{"0 of 10 V", dead(0), 0, box.NoCause, ""},
		{"a ground a little off", dead(-0.1), -50, box.NoCause, ""},
		{"wires the wrong way round", dead(-4), 0, box.Failure, "wrong way round"},
		{"10 V", dead(10), 5000, box.NoCause, ""},
		{"12 V", dead(12), 0, box.Failure, "12 V, above"},
		{"nothing", dead(math.NaN()), 0, box.Failure, "can't be read"},
		{"no span", FromVoltage(box.BoxEC, 1, Span{Low: 1, High: 1}, Span{High: 1}), 0, box.Failure, "can't be read"},
	} {
		w.check(t)
	}
}

// TestPulses: Q = 60·f/K. K = 450/L: 102.2 Hz is 13.627 L/min; a pulse in ten
// seconds is 0.0133 L/min. A meter of 30 L/min makes 281 Hz at its overload.
func TestPulses(t *testing.T) {
	of := func(n uint64, in time.Duration) box.Sample {
		return FromPulses(box.MainFlow, n, in, PulseMeter{PerLitre: 450, Most: 30})
	}
	for _, w := range []signal{
		{"running", of(1022, 10*time.Second), 13.627, box.NoCause, ""},
		{"creeping", of(1, 10*time.Second), 0.0133333, box.NoCause, ""},
		{"at rest", of(0, time.Second), 0, box.NoCause, ""},
		{"at overload", of(281, time.Second), 37.4667, box.NoCause, ""},
		{"faster than it can", of(2900, 10*time.Second), 0, box.OutOfSpecification, "290 pulses a second"},
		{"mains hum on a small meter", FromPulses(box.StockDraw, 60, time.Second, PulseMeter{PerLitre: 1000, Most: 1}), 0, box.OutOfSpecification, "bouncing contact"},
		{"no K", FromPulses(box.MainFlow, 10, time.Second, PulseMeter{}), 0, box.Failure, "pulses per litre"},
		{"no time", of(10, 0), 0, box.Failure, "can't be made"},
		{"most not said", FromPulses(box.MainFlow, 2900, 10*time.Second, PulseMeter{PerLitre: 450}), 38.6667, box.NoCause, ""},
	} {
		w.check(t)
	}
}

// scratchpad is the thermometer's answer with this temperature, the other bytes
// those of a sensor at power-on (data sheet), with the check sum worked out by
// long division of the bits.
func scratchpad(temperature uint16) (pad [9]byte) {
	copy(pad[:], []byte{byte(temperature), byte(temperature >> 8), 0x4b, 0x46, 0x7f, 0xff, 0x0c, 0x10})
	var remainder uint16
	for i := range 64 {
		bit := uint16(pad[i/8]>>(i%8)) & 1
		top := remainder >> 7 & 1
		remainder = remainder << 1 & 0xff
		if bit != top {
			remainder ^= 0x31 // x⁸ + x⁵ + x⁴ + 1
		}
	}
	for i := range 8 {
		pad[8] |= byte(remainder>>(7-i)&1) << i
	}
	return pad
}

// TestDS18B20: the data sheet's table of temperatures; its power-on value is no
// temperature.
func TestDS18B20(t *testing.T) {
	for raw, want := range map[uint16]float64{0x07d0: 125, 0x0191: 25.0625, 0x00a2: 10.125, 0x0008: 0.5, 0: 0,
		0xfff8: -0.5, 0xff5e: -10.125, 0xfe6f: -25.0625, 0xfc90: -55, 0xffff: -0.0625} {
		if s := FromDS18B20(box.WaterTemp, scratchpad(raw)); s.Fault != "" || s.Value != want {
			t.Errorf("%04x: %+v, want %v", raw, s, want)
		}
	}
	// A sensor's answer at power-on, as printed in many places with its check sum.
	on := [9]byte{0x50, 0x05, 0x4b, 0x46, 0x7f, 0xff, 0x0c, 0x10, 0x1c}
	if scratchpad(0x0550) != on {
		t.Fatalf("the test's check sum is wrong: %x", scratchpad(0x0550))
	}
	garbled, other := on, scratchpad(0x0191)
	garbled[0] ^= 1
	other[4], other[8] = 0, 0
	other[8] = crc8(other[:8])
	none := [9]byte{0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff}
	for part, pad := range map[string][9]byte{"before its first measurement": on, "garbled": garbled, "no thermometer": none, "all zeros": {}, "not as a DS18B20": other} {
		if s := FromDS18B20(box.BoxAirTemp, pad); s.Cause != box.Failure || !strings.Contains(s.Fault, part) {
			t.Errorf("%x: %+v, want %q", pad, s, part)
		}
	}
}
