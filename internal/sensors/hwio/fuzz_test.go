// Whatever comes over a wire becomes a number that can be written down, or a fault
// that says why: no panic, no endless reading, no number that is none.
package hwio

import (
	"math"
	"testing"

	"boxd/internal/box"
	"boxd/internal/sensors"
)

func sound(t *testing.T, s box.Sample) {
	t.Helper()
	if s.Fault == "" && (math.IsNaN(s.Value) || math.IsInf(s.Value, 0)) {
		t.Fatalf("a value of %v without a fault", s.Value)
	}
	if s.Fault != "" && s.Cause == box.NoCause {
		t.Fatalf("a fault without its class: %q", s.Fault)
	}
}

func FuzzModbusNumber(f *testing.F) {
	f.Add([]byte{0x7f, 0xc0, 0, 0}, true, 1.0, 0.0)
	f.Add([]byte{0xff, 0xff, 0xff, 0xff}, false, 1e300, 1e300)
	f.Fuzz(func(t *testing.T, data []byte, low bool, scale, offset float64) {
		for n := sensors.Number(0); n < 8; n++ {
			if n.Registers() == 0 || len(data) != 2*n.Registers() || math.Abs(scale) > 1e6 || math.Abs(offset) > 1e6 || math.IsNaN(scale) || math.IsNaN(offset) {
				continue // the configuration takes no others
			}
			r := register{channel: box.BoxEC, Modbus: sensors.Modbus{Number: n, LowFirst: low, Scale: scale, Offset: offset}}
			s := r.sample(data)
			if s.Fault == "" && math.Abs(s.Value) < math.MaxFloat32*1.1e6 {
				continue
			}
			sound(t, s)
		}
	})
}

func FuzzScratchpad(f *testing.F) {
	f.Add("72 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n72 01 4b 46 7f ff 0e 10 57 t=23125\n")
	f.Add("")
	f.Add("00 00 00 00 00 00 00 00 00 : crc=00 YES\n")
	f.Fuzz(func(t *testing.T, text string) {
		if pad, ok := scratchpad(text); ok {
			sound(t, sensors.FromDS18B20(box.WaterTemp, pad))
		}
	})
}

func FuzzTextProbe(f *testing.F) {
	f.Add([]byte("\x011413.0,25.0\x00"), 0)
	f.Add([]byte("\x01Inf\x00"), 0)
	f.Add([]byte("\x01nan"), 0)
	f.Fuzz(func(t *testing.T, reply []byte, field int) {
		if field < 0 || field > 16 {
			return
		}
		e := ecText{channel: box.BoxEC, is: sensors.ECText{Field: field, Codes: sensors.TextCodes{Done: 1, Failed: 2, Pending: 254, NoData: 255}}}
		copy(e.reply[:], reply)
		if v, err := e.parse(); err == nil && (math.IsNaN(v) || math.IsInf(v, 0)) {
			t.Fatalf("%q reads as %v", reply, v)
		}
	})
}
