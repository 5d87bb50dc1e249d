package hwio

// EC that an instrument gives at the temperature of the water is held against
// 0.01 mol/L potassium chloride: 1413 µS/cm at 25 °C, 1278 at 20 °C (table on the
// bottles of calibration standards, from memory).

import (
	"errors"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"boxd/internal/box"
	"boxd/internal/sensors"
)

func TestRawEC(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		chip := &converter{volts: [4]float64{1.8}} // 12 mA: the middle of a thermometer of 0 to 40 °C
		w := &wire{chips: map[uint16]fakeChip{0x48: chip, 0x64: &probe{reply: "\x011278"}}}
		water, ec := loopOf(box.WaterTemp, "/dev/i2c-1", 0x48, 0), textOf(box.BoxEC, "/dev/i2c-1", 0x64)
		d := water.Driver.(sensors.ADS1115)
		d.Signal.Span.High = 40
		water.Driver, ec.Raw = d, true
		s := on(t, map[string]*wire{"/dev/i2c-1": w}, ec, water)
		defer s.Close()
		last := func(d time.Duration) box.Sample {
			got := collect(t, s, d)[box.BoxEC]
			return got[len(got)-1]
		}
		if x := last(2 * time.Second); x.Fault == "" || x.Value != 1278 {
			t.Errorf("with no way to compensate: %+v", x)
		}
		s.Compensate(func(ec, celsius float64) (float64, error) {
			if celsius > 30 {
				return 0, errors.New("too warm")
			}
			return ec / (1 + 0.019*(celsius-25)), nil
		})
		if x := last(2 * time.Second); x.Fault != "" || math.Abs(x.Value/1413-1) > 0.002 {
			t.Errorf("%+v, want 1413", x)
		}
		// A thermometer that reads 5 degrees low is corrected before it is used.
		s.Correct(sensors.Corrections{box.WaterTemp: {Gain: 1, Offset: 5}, box.BoxEC: {Gain: 1.01}})
		if x := last(2 * time.Second); math.Abs(x.Value-1.01*1278) > 0.5 {
			t.Errorf("%+v, want 1.01 × 1278", x)
		}
		s.Correct(sensors.Corrections{box.WaterTemp: {Gain: 1, Offset: 15}})
		if x := last(2 * time.Second); !strings.Contains(x.Fault, "beyond what that is known for") {
			t.Errorf("%+v", x)
		}
		s.Correct(nil)
		last(2 * time.Second)
		w.set(func() { chip.volts[0] = 0 }) // its wire breaks
		if x := last(2 * time.Minute); x.Fault != "" {
			t.Errorf("with a temperature of two minutes ago: %+v", x)
		}
		if x := last(2 * time.Minute); !strings.Contains(x.Fault, "temperature isn't known") {
			t.Errorf("with none for four minutes: %+v", x)
		}
	})
}
