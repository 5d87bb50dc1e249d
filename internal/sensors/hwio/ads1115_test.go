package hwio

import (
	"context"
	"math"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/i2c/i2ctest"

	"boxd/internal/box"
	"boxd/internal/sensors"
)

// TestLoopReading plays one conversion of a loop back: 150 ohm, 12 mA is 1.8 V,
// code 14400 on ±4.096 V, and half of the span.
func TestLoopReading(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		play := &i2ctest.Playback{Ops: []i2ctest.IO{
			{Addr: 0x48, W: []byte{0x01, 0xc3, 0xa3}},            // begin: input 0, ±4.096 V, single shot, 250/s, no comparator
			{Addr: 0x48, W: []byte{0x01}, R: []byte{0x43, 0xa3}}, // under way
			{Addr: 0x48, W: []byte{0x01}, R: []byte{0xc3, 0xa3}}, // done
			{Addr: 0x48, W: []byte{0x00}, R: []byte{14400 >> 8, 14400 & 0xff}},
		}, DontPanic: true}
		w := sensors.Wiring{Channel: box.HeaderPressure, Bus: "/dev/i2c-1", Every: 100 * time.Millisecond, Driver: sensors.ADS1115{
			Address: 0x48, Minus: sensors.NoInput, FullScale: 4.096, Rate: 250,
			Signal: sensors.Signal{Kind: sensors.Loop, Span: sensors.Span{High: 200}, Shunt: 150, Divider: 1}}}
		s, err := open([]sensors.Wiring{w}, nil, openers{i2c: func(string) (i2c.BusCloser, error) { return play, nil }})
		if err != nil {
			t.Fatal(err)
		}
		time.Sleep(50 * time.Millisecond)
		got, err := s.Samples(context.Background(), 0, nil)
		if err != nil || len(got) != 1 || got[0].Fault != "" || math.Abs(got[0].Value-100) > 1e-9 {
			t.Errorf("%+v, %v; want 100 kPa", got, err)
		}
		s.Close()
		if err := play.Close(); err != nil { // operations left over
			t.Error(err)
		}
	})
}
