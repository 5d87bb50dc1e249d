package hwio

// The converter is held to its data sheet (Texas Instruments SBAS444, tables of
// the input range, of the output codes and of the config register), and its
// traffic on the bus is played back byte by byte, with nothing left over.

import (
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/i2c/i2ctest"

	"boxd/internal/box"
	"boxd/internal/sensors"
)

// Least significant bits of the six ranges: the data sheet's table "Full-Scale
// Range and Corresponding LSB Size".
func TestCodes(t *testing.T) {
	lsb := map[float64]float64{6.144: 187.5e-6, 4.096: 125e-6, 2.048: 62.5e-6, 1.024: 31.25e-6, 0.512: 15.625e-6, 0.256: 7.8125e-6}
	for _, full := range sensors.ADS1115Ranges() {
		v := conversionOf(0, sensors.NoInput, full, 128)
		for _, c := range []struct {
			code  int16
			volts float64
			err   error
		}{ // the table "Input Signal Versus Ideal Output Code"
			{0, 0, nil}, {1, lsb[full], nil}, {-1, -lsb[full], nil}, {0x7ffe, full - 2*lsb[full], nil},
			{0x7fff, full - lsb[full], errBeyond}, {-0x8000, -full, errBeyond},
		} {
			if v.took(c.code); math.Abs(v.volts-c.volts) > 1e-12 || v.err != c.err {
				t.Errorf("±%g V: code %d is %.9g V, %v; want %.9g, %v", full, c.code, v.volts, v.err, c.volts, c.err)
			}
		}
	}
}

// The config register: at power-on it reads 8583h, which is AIN0 against AIN1,
// ±2.048 V, 128 a second, single-shot, comparator off (data sheet, table of the
// Config Register fields); the other rows change one field each.
func TestConfigBits(t *testing.T) {
	for _, c := range []struct {
		plus, minus int
		full        float64
		rate        int
		want        uint16
	}{
		{0, 1, 2.048, 128, 0x8583},
		{0, 3, 2.048, 128, 0x9583}, {1, 3, 2.048, 128, 0xa583}, {2, 3, 2.048, 128, 0xb583},
		{0, -1, 2.048, 128, 0xc583}, {1, -1, 2.048, 128, 0xd583}, {2, -1, 2.048, 128, 0xe583}, {3, -1, 2.048, 128, 0xf583},
		{0, 1, 6.144, 128, 0x8183}, {0, 1, 4.096, 128, 0x8383}, {0, 1, 1.024, 128, 0x8783}, {0, 1, 0.512, 128, 0x8983}, {0, 1, 0.256, 128, 0x8b83},
		{0, 1, 2.048, 8, 0x8503}, {0, 1, 2.048, 16, 0x8523}, {0, 1, 2.048, 32, 0x8543}, {0, 1, 2.048, 64, 0x8563},
		{0, 1, 2.048, 250, 0x85a3}, {0, 1, 2.048, 475, 0x85c3}, {0, 1, 2.048, 860, 0x85e3},
	} {
		if got := conversionOf(c.plus, c.minus, c.full, c.rate).config; got != c.want {
			t.Errorf("%+v: %04x", c, got)
		}
	}
}

// TestBusTraffic: a loop, a ratiometric transducer with its supply measured, a
// 0–10 V transmitter and a difference, at two converters. The supply is converted once for
// both that stand on it, and while one converter works the other has its turn.
func TestBusTraffic(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ops := []i2ctest.IO{
			start(0x48, 0xf3a3), start(0x49, 0xc3a3), // the supply at AIN3; the loop at AIN0
			state(0x48, 0xf3a3), result(0x48, 20000), start(0x48, 0xe3a3), // 2.5 V of a halved 5 V; then AIN2
			state(0x49, 0x43a3),                                           // a slow one: still converting
			state(0x49, 0xc3a3), result(0x49, 14400), start(0x49, 0x8ba3), // 1.8 V: 12 mA; then AIN0-AIN1, ±0.256 V
			state(0x48, 0xe3a3), result(0x48, 10000), start(0x48, 0xd3a3), // 1.25 V of 2.5 V: half; then AIN1
			state(0x49, 0x8ba3), result(0x49, -16384), // -0.128 V
			state(0x48, 0xd3a3), result(0x48, 8000), // 1 V, a quarter of 10 V behind a divider by 2.5
		}
		play := &i2ctest.Playback{Ops: ops, DontPanic: true}
		loop := sensors.Signal{Kind: sensors.Loop, Span: sensors.Span{High: 1600}, Shunt: 150}
		ratio := sensors.Signal{Kind: sensors.Ratiometric, Span: sensors.Span{High: 1000}, Divider: 2, Supply: 3, SupplyDivider: 2}
		volts := sensors.Signal{Kind: sensors.Voltage, Span: sensors.Span{High: 5000}, Divider: 2.5, Volts: sensors.Span{High: 10}}
		tiny := sensors.Signal{Kind: sensors.Voltage, Span: sensors.Span{High: 100}, Divider: 1, Volts: sensors.Span{Low: -0.256, High: 0.256}}
		wirings := []sensors.Wiring{
			adsOf(box.SupplyPressure, 0x48, 2, sensors.NoInput, 4.096, ratio),
			adsOf(box.BoxEC, 0x48, 1, sensors.NoInput, 4.096, volts),
			adsOf(box.HeaderPressure, 0x49, 0, sensors.NoInput, 4.096, loop),
			adsOf(box.WaterTemp, 0x49, 0, 1, 0.256, tiny),
		}
		s, err := open(wirings, nil, openers{i2c: func(string) (i2c.BusCloser, error) { return play, nil }})
		if err != nil {
			t.Fatal(err)
		}
		got := collect(t, s, 200*time.Millisecond)
		s.Close()
		if err := play.Close(); err != nil { // operations left over
			t.Error(err)
		}
		// P = FS·(V/Vs − 0.1)/0.8; (mA − 4)/16; a share of 10 V; a quarter of the span.
		for c, want := range map[box.Channel]float64{box.SupplyPressure: 500, box.BoxEC: 1250, box.HeaderPressure: 800, box.WaterTemp: 25} {
			if x := got[c]; len(x) != 1 || x[0].Fault != "" || math.Abs(x[0].Value-want) > 1e-9 {
				t.Errorf("%s: %+v, want %g", c, x, want)
			}
		}
	})
}

func adsOf(c box.Channel, address uint16, plus, minus int, full float64, s sensors.Signal) sensors.Wiring {
	return sensors.Wiring{Channel: c, Bus: "/dev/i2c-1", Every: time.Second, Driver: sensors.ADS1115{Address: address, Plus: plus, Minus: minus, FullScale: full, Rate: 250, Signal: s}}
}

func start(addr, config uint16) i2ctest.IO {
	return i2ctest.IO{Addr: addr, W: []byte{adsConfig, byte(config >> 8), byte(config)}}
}

func state(addr, config uint16) i2ctest.IO {
	return i2ctest.IO{Addr: addr, W: []byte{adsConfig}, R: []byte{byte(config >> 8), byte(config)}}
}

func result(addr uint16, code int16) i2ctest.IO {
	return i2ctest.IO{Addr: addr, W: []byte{adsConversion}, R: []byte{byte(code >> 8), byte(code)}}
}

// TestConverterFaults: what each trouble is called, and that the channel is well
// again within three samples of its end.
func TestConverterFaults(t *testing.T) {
	for _, c := range []struct {
		name       string
		set, clear func(*wire, *converter)
		fault      string
		cause      box.Cause
	}{
		{"unplugged", func(w *wire, _ *converter) { delete(w.chips, 0x48) }, func(w *wire, c *converter) { w.chips[0x48] = c }, "no answer at its address", box.Failure},
		{"hung bus", func(w *wire, _ *converter) { w.hangs = time.Second }, func(w *wire, _ *converter) { w.hangs = 0 }, "the bus hangs", box.Failure},
		{"garbled", func(w *wire, _ *converter) { w.fails = errGarbled }, func(w *wire, _ *converter) { w.fails = nil }, "the transfer on the bus fails", box.Failure},
		{"no bus", func(w *wire, _ *converter) { w.absent = true }, func(w *wire, _ *converter) { w.absent = false }, "its bus can't be opened", box.Failure},
		{"never done", func(_ *wire, c *converter) { c.dead = true }, func(_ *wire, c *converter) { c.dead = false }, "never ends a conversion", box.Failure},
		{"dips of its supply", func(_ *wire, c *converter) { c.resets = true }, func(_ *wire, c *converter) { c.resets = false }, "lost its settings", box.Failure},
		{"beyond the range", func(_ *wire, c *converter) { c.volts[0] = 5 }, func(_ *wire, c *converter) { c.volts[0] = 1.8 }, "range of ±%.4g V", box.OutOfSpecification},
		{"broken loop", func(_ *wire, c *converter) { c.volts[0] = 0 }, func(_ *wire, c *converter) { c.volts[0] = 1.8 }, "broken wire", box.Failure},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				chip := &converter{volts: [4]float64{1.8}}
				w := &wire{chips: map[uint16]fakeChip{0x48: chip}}
				s := on(t, map[string]*wire{"/dev/i2c-1": w}, loopOf(box.HeaderPressure, "/dev/i2c-1", 0x48, 0))
				defer s.Close()
				good := func(x box.Sample) bool { return x.Fault == "" && math.Abs(x.Value-800) < 0.1 }
				if got := collect(t, s, time.Second)[box.HeaderPressure]; len(got) < 7 || !good(got[0]) || !good(got[len(got)-1]) {
					t.Fatalf("before: %+v", got)
				}
				w.set(func() { c.set(w, chip) })
				got := collect(t, s, 5*time.Second)[box.HeaderPressure]
				if len(got) < 3 {
					t.Fatalf("only %d samples while in trouble", len(got))
				}
				for _, x := range got[2:] {
					if !strings.Contains(x.Fault, c.fault) || x.Cause != c.cause {
						t.Fatalf("in trouble: %+v", x)
					}
				}
				w.set(func() { c.clear(w, chip) })
				// A transfer that hangs ends first.
				got = collect(t, s, 2*time.Second)[box.HeaderPressure]
				for i, x := range got {
					if !good(x) && i >= 3 {
						t.Errorf("sample %d afterwards: %+v", i, x)
					}
				}
				if len(got) < 8 {
					t.Errorf("%d samples afterwards", len(got))
				}
			})
		})
	}
}

// TestHum: of a hum of the mains, 10 % of the signal, a steady error of less than
// half a per cent is left in the mean of a few seconds, whatever the phase. The
// conversion averages over its time (data sheet, frequency response of the digital filter).
func TestHum(t *testing.T) {
	for _, mains := range []float64{50, 60} {
		for phase := range 8 {
			synctest.Test(t, func(t *testing.T) {
				time.Sleep(time.Duration(float64(phase) / 8 / mains * float64(time.Second)))
				w := &wire{chips: map[uint16]fakeChip{0x48: &converter{volts: [4]float64{1.8}, hum: 0.18, mains: mains}}}
				s := on(t, map[string]*wire{"/dev/i2c-1": w}, loopOf(box.HeaderPressure, "/dev/i2c-1", 0x48, 0))
				defer s.Close()
				collect(t, s, time.Second)
				got, sum := collect(t, s, 10*time.Second)[box.HeaderPressure], 0.0
				for _, x := range got {
					sum += x.Value
				}
				// 0.18 V of 1.8 V is 1.2 mA, 7.5 % of a span of 1600 kPa: 120 kPa.
				if off := sum/float64(len(got)) - 800; len(got) < 99 || math.Abs(off) > 0.05*120 {
					t.Errorf("%g Hz, phase %d: %d samples are off by %.2f kPa in the mean", mains, phase, len(got), off)
				}
			})
		}
	}
}
