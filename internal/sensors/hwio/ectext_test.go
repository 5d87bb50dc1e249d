package hwio

// A text probe's traffic is played back with nothing left over; what it may say
// beyond a number is tried with answers made up after the common form: a status
// byte, then ASCII ended by a zero byte.

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/i2c/i2ctest"

	"boxd/internal/box"
	"boxd/internal/sensors"
)

func TestTextTraffic(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		reply := func(s string) []byte { return append([]byte(s), make([]byte, maxReply-len(s))...) }
		play := &i2ctest.Playback{DontPanic: true, Ops: []i2ctest.IO{
			{Addr: 0x64, W: []byte("R")},
			{Addr: 0x64, R: reply("\xfe")}, // after 600 ms: pending
			{Addr: 0x64, R: reply("\x0121.5,1.852")},
		}}
		w := textOf(box.EndEC, "/dev/i2c-1", 0x64)
		d := w.Driver.(sensors.ECText)
		d.Field, d.Scale = 1, 1000 // the second number, in mS/cm
		w.Driver = d
		s, err := open([]sensors.Wiring{w}, nil, openers{i2c: func(string) (i2c.BusCloser, error) { return play, nil }})
		if err != nil {
			t.Fatal(err)
		}
		got := collect(t, s, 900*time.Millisecond)[box.EndEC]
		s.Close()
		if err := play.Close(); err != nil { // operations left over
			t.Error(err)
		}
		if len(got) != 1 || got[0] != (box.Sample{Channel: box.EndEC, Value: 1852}) {
			t.Errorf("%+v", got)
		}
	})
}

func TestTextAnswers(t *testing.T) {
	for _, c := range []struct {
		name, reply string
		takes       time.Duration
		value       float64
		fault       string
	}{
		{"a number", "\x011413\x00garbage", 500 * time.Millisecond, 1413, ""},
		{"nought", "\x010.00", 0, 0, ""},
		{"slower than said", "\x011413", 1900 * time.Millisecond, 1413, ""},
		{"never ready", "\x011413", time.Hour, 0, "never ends its measurement"},
		{"refused", "\x02", 0, 0, "refuses the command"},
		{"no data", "\xff", 0, 0, "no measurement to tell"},
		{"unknown status", "\x07", 0, 0, "no number"},
		{"empty", "\x01", 0, 0, "no number"},
		{"not a number", "\x01NaN", 0, 0, "no number"},
		{"without end", "\x01" + strings.Repeat("9", 400), 0, 0, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p := &probe{takes: c.takes, reply: c.reply}
				w := &wire{chips: map[uint16]fakeChip{0x64: p}}
				s := on(t, map[string]*wire{"/dev/i2c-1": w}, textOf(box.BoxEC, "/dev/i2c-1", 0x64))
				defer s.Close()
				got := collect(t, s, 3*time.Second)[box.BoxEC]
				if len(got) == 0 {
					t.Fatal("no sample")
				}
				x := got[0]
				if c.name == "without end" { // as long as it was read, a number; the conditioner finds it absurd
					if !(x.Value > 1e30) {
						t.Errorf("%+v", x)
					}
					return
				}
				if x.Value != c.value || c.fault == "" && x.Fault != "" || !strings.Contains(x.Fault, c.fault) {
					t.Errorf("%+v, want %g, %q", x, c.value, c.fault)
				}
				if p.command != "R" {
					t.Errorf("asked %q", p.command)
				}
			})
		})
	}
}

// TestTextRecovers: a probe that was unplugged is well within three samples of
// its return.
func TestTextRecovers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &probe{takes: 500 * time.Millisecond, reply: "\x011413"}
		w := &wire{chips: map[uint16]fakeChip{0x64: p}}
		s := on(t, map[string]*wire{"/dev/i2c-1": w}, textOf(box.BoxEC, "/dev/i2c-1", 0x64))
		defer s.Close()
		collect(t, s, 3*time.Second)
		w.set(func() { delete(w.chips, 0x64) })
		got := collect(t, s, 5*time.Second)[box.BoxEC]
		if n := len(got); n < 4 || !strings.Contains(got[n-1].Fault, "no answer at its address") {
			t.Errorf("%+v", got)
		}
		w.set(func() { w.chips[0x64] = p })
		got = collect(t, s, 6*time.Second)[box.BoxEC]
		if len(got) < 5 {
			t.Fatalf("%+v", got)
		}
		for _, x := range got[3:] {
			if x.Fault != "" {
				t.Errorf("%+v", got)
			}
		}
	})
}
