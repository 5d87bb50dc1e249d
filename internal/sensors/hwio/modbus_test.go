package hwio

// Telegrams are those of the Modbus application protocol V1.1b3 (6.3, 6.4) and of
// Modbus over serial line V1.02; a fake instrument answers as late and as badly
// as it is told, in a time of the test's own.

import (
	"bytes"
	"encoding/binary"
	"math"
	"math/rand/v2"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"boxd/internal/box"
	"boxd/internal/sensors"
)

// bite is bytes on their way from the instrument.
type bite struct {
	at   time.Time
	data []byte
}

// fakePort is a port with instruments behind it.
type fakePort struct {
	mu      sync.Mutex
	answer  func(question []byte) []bite
	coming  []bite
	asked   [][]byte
	gone    bool
	opened  []string
	there   []string // device files
	isOpen  int
	problem string
}

func (p *fakePort) open(path string, _ sensors.Serial) (port, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, there := range p.there {
		if there == path {
			p.opened = append(p.opened, path)
			p.isOpen++
			p.gone, p.coming = false, nil
			return p, nil
		}
	}
	return nil, errNoPort
}

func (p *fakePort) find(string) []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.there
}

func (p *fakePort) write(b []byte) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.gone {
		return errPortGone
	}
	if f := b[1]; f != 3 && f != 4 {
		p.problem = "a function that doesn't read"
	}
	p.asked = append(p.asked, bytes.Clone(b))
	p.coming = append(p.coming, p.answer(b)...)
	return nil
}

func (p *fakePort) read(b []byte, until time.Time) (int, error) {
	for {
		p.mu.Lock()
		if p.gone {
			p.mu.Unlock()
			return 0, errPortGone
		}
		now, next := time.Now(), until
		for i := range p.coming {
			c := &p.coming[i]
			if len(c.data) > 0 && !c.at.After(now) {
				n := copy(b, c.data)
				c.data = c.data[n:]
				p.mu.Unlock()
				return n, nil
			}
			if len(c.data) > 0 && c.at.Before(next) {
				next = c.at
			}
		}
		p.mu.Unlock()
		if !now.Before(until) {
			return 0, nil
		}
		time.Sleep(next.Sub(now))
	}
}

func (p *fakePort) close() { p.mu.Lock(); p.isOpen--; p.mu.Unlock() }

func (p *fakePort) set(f func()) { p.mu.Lock(); f(); p.mu.Unlock() }

// telegramOf is an answer with its check sum.
func telegramOf(b ...byte) []byte { return binary.LittleEndian.AppendUint16(b, crc16(b)) }

// in is bytes that come after so long.
func in(d time.Duration, b []byte) []bite { return []bite{{time.Now().Add(d), b}} }

func ecMeter() sensors.Modbus {
	return sensors.Modbus{Unit: 7, Register: 0x6b, Number: sensors.U16, Scale: 1, Serial: sensors.Serial{Baud: 9600, Parity: sensors.ParityNone, StopBits: 1, Timeout: 300 * time.Millisecond}}
}

func onPort(t *testing.T, p *fakePort, f func(s *Source), wirings ...sensors.Wiring) {
	t.Helper()
	if p.there == nil {
		p.there = []string{"/dev/ttyUSB0"}
	}
	synctest.Test(t, func(t *testing.T) {
		s, err := open(wirings, nil, openers{port: p.open, find: p.find})
		if err != nil {
			t.Fatal(err)
		}
		f(s)
		s.Close()
		if p.isOpen != 0 || p.problem != "" {
			t.Errorf("%d ports left open; %s", p.isOpen, p.problem)
		}
	})
}

func wiredTo(c box.Channel, m sensors.Modbus, every time.Duration) sensors.Wiring {
	return sensors.Wiring{Channel: c, Bus: "/dev/ttyUSB*", Every: every, Driver: m}
}

// TestCRC: the check sum of 02 07 is 41 12 on the wire (Modbus over serial line
// V1.02, 6.2.2).
func TestCRC(t *testing.T) {
	if got := telegramOf(2, 7); !bytes.Equal(got, []byte{2, 7, 0x41, 0x12}) {
		t.Errorf("% x", got)
	}
}

// TestNumbers: a question as in the protocol's example of function 3 (register
// 107), and what the registers mean.
func TestNumbers(t *testing.T) {
	f32 := binary.BigEndian.AppendUint32(nil, math.Float32bits(1.25))
	for name, c := range map[string]struct {
		number   sensors.Number
		input    bool
		lowFirst bool
		data     []byte
		want     float64
		fault    string
	}{
		"u16":            {sensors.U16, false, false, []byte{0x02, 0x2b}, 555, ""}, // 022B hex = 555, the example's first register
		"s16":            {sensors.S16, true, false, []byte{0xff, 0xfe}, -2, ""},
		"u32":            {sensors.U32, true, false, []byte{0x00, 0x01, 0x00, 0x02}, 65538, ""},
		"u32, low first": {sensors.U32, true, true, []byte{0x00, 0x02, 0x00, 0x01}, 65538, ""},
		"s32":            {sensors.S32, false, false, []byte{0xff, 0xff, 0xff, 0xfe}, -2, ""},
		"f32":            {sensors.F32, false, false, f32, 1.25, ""},
		"no number":      {sensors.F32, false, false, []byte{0x7f, 0xc0, 0, 0}, 0, "gives no number"},
	} {
		t.Run(name, func(t *testing.T) {
			m := ecMeter()
			m.Number, m.Input, m.LowFirst, m.Scale, m.Offset = c.number, c.input, c.lowFirst, 2, 10
			function := byte(3)
			if c.input {
				function = 4
			}
			p := &fakePort{answer: func([]byte) []bite {
				a := telegramOf(append([]byte{7, function, byte(len(c.data))}, c.data...)...)
				return append(in(20*time.Millisecond, a[:2]), in(60*time.Millisecond, a[2:])...) // in two pieces
			}}
			onPort(t, p, func(s *Source) {
				time.Sleep(200 * time.Millisecond)
				got := newest(t, s)
				if len(got) != 1 || !strings.Contains(got[0].Fault, c.fault) || (got[0].Fault == "") != (c.fault == "") || c.fault == "" && got[0].Value != 2*c.want+10 {
					t.Errorf("%+v, want 2·%g + 10 %q", got, c.want, c.fault)
				}
			}, wiredTo(box.BoxEC, m, time.Second))
			if want := telegramOf(7, function, 0, 0x6b, 0, byte(c.number.Registers())); len(p.asked) != 1 || !bytes.Equal(p.asked[0], want) {
				t.Errorf("asked % x, want % x", p.asked, want)
			}
		})
	}
}

// TestModbusTrouble: each is a fault at every beat from its first, and the next
// good answers count again within three beats of its end.
func TestModbusTrouble(t *testing.T) {
	good := telegramOf(7, 3, 2, 0x07, 0x3c) // 1852
	bad := bytes.Clone(good)
	bad[4] ^= 1
	for name, c := range map[string]struct {
		answer func() []bite
		want   string
	}{
		"mute":          {func() []bite { return nil }, "no answer on the serial line"},
		"check sum":     {func() []bite { return in(20*time.Millisecond, bad) }, "garbled"},
		"half":          {func() []bite { return in(20*time.Millisecond, good[:4]) }, "garbled"},
		"other unit":    {func() []bite { return in(20*time.Millisecond, telegramOf(9, 3, 2, 1, 1)) }, "no answer"},
		"other number":  {func() []bite { return in(20*time.Millisecond, telegramOf(7, 3, 4, 1, 1, 1, 1)) }, "no answer"},
		"exception":     {func() []bite { return in(20*time.Millisecond, telegramOf(7, 0x83, 2)) }, "refuses with exception"},
		"noise":         {func() []bite { return in(20*time.Millisecond, bytes.Repeat([]byte{0x55}, 300)) }, "garbled"},
		"never silent":  {func() []bite { return in(0, bytes.Repeat([]byte{9, 3, 0, 0xe0, 0xb1}, 20000)) }, ""},
		"late":          {func() []bite { return in(350*time.Millisecond, good) }, ""},
		"later":         {func() []bite { return in(700*time.Millisecond, good) }, ""},
		"a second late": {func() []bite { return in(1100*time.Millisecond, good) }, ""},
	} {
		t.Run(name, func(t *testing.T) {
			sound := true
			p := new(fakePort)
			p.answer = func([]byte) []bite {
				if !sound {
					return c.answer()
				}
				return in(20*time.Millisecond, good)
			}
			onPort(t, p, func(s *Source) {
				beat := func() box.Sample {
					time.Sleep(time.Second)
					if got := newest(t, s); len(got) == 1 {
						return got[0]
					}
					return box.Sample{Fault: "nothing"}
				}
				time.Sleep(500 * time.Millisecond)
				for range 3 {
					if got := beat(); got.Fault != "" || got.Value != 1852 {
						t.Fatalf("%+v before", got)
					}
				}
				p.set(func() { sound = false })
				for i := range 6 {
					if got := beat(); got.Fault == "" || !strings.Contains(got.Fault, c.want) {
						t.Errorf("beat %d of the trouble: %+v, want %q", i, got, c.want)
					}
				}
				p.set(func() { sound, p.coming = true, nil })
				beat()
				beat()
				if got := beat(); got.Fault != "" || got.Value != 1852 {
					t.Errorf("%+v after", got)
				}
			}, wiredTo(box.BoxEC, ecMeter(), time.Second))
		})
	}
}

// TestLateIsNoAnswer: an instrument whose value rises with every question, and
// that answers late now and then, by up to ten times the time it has. No value of
// an earlier question is ever taken.
func TestLateIsNoAnswer(t *testing.T) {
	for _, every := range []time.Duration{100 * time.Millisecond, 700 * time.Millisecond, time.Second, 3 * time.Second} {
		for late := 310 * time.Millisecond; late < 3*time.Second; late += 170 * time.Millisecond {
			const seed = 8
			chance := rand.New(rand.NewPCG(seed, uint64(late)))
			var asked atomic.Uint32
			p := &fakePort{answer: func([]byte) []bite {
				n := uint16(asked.Add(1))
				d := 20 * time.Millisecond
				if n < 4 || chance.IntN(4) == 0 {
					d = late
				}
				return in(d, telegramOf(7, 3, 2, byte(n>>8), byte(n)))
			}}
			good := 0
			onPort(t, p, func(s *Source) {
				for range 300 {
					time.Sleep(every / 3)
					for _, got := range newest(t, s) {
						if got.Fault != "" {
							continue
						}
						good++
						if n := asked.Load(); uint32(got.Value) != n {
							t.Errorf("seed %d, every %v, late %v: the answer to question %g is taken for that to %d", seed, every, late, got.Value, n)
						}
					}
				}
			}, wiredTo(box.BoxEC, ecMeter(), every))
			if every > 500*time.Millisecond && late < time.Second && good == 0 {
				t.Errorf("every %v, late %v: no answer is ever taken", every, late)
			}
		}
	}
}

// TestAdapterPulled: the adapter goes, comes back under another name, and an
// adapter without an instrument beside it doesn't keep it from being found.
func TestAdapterPulled(t *testing.T) {
	p := new(fakePort)
	p.there = []string{"/dev/ttyUSB0"}
	p.answer = func([]byte) []bite {
		if p.opened[len(p.opened)-1] == "/dev/ttyUSB1" {
			return nil
		}
		return in(20*time.Millisecond, telegramOf(7, 3, 2, 0, 100))
	}
	onPort(t, p, func(s *Source) {
		beat := func(n int, want string) {
			t.Helper()
			var got []box.Sample
			for range n {
				time.Sleep(time.Second)
				got = newest(t, s)
			}
			if len(got) != 1 || !strings.Contains(got[0].Fault, want) || (got[0].Fault == "") != (want == "") {
				t.Errorf("%+v, want %q", got, want)
			}
		}
		time.Sleep(500 * time.Millisecond)
		beat(1, "")
		p.set(func() { p.gone, p.there = true, nil })
		beat(1, "unplugged")
		beat(1, "no such serial port")
		p.set(func() { p.there = []string{"/dev/ttyUSB1", "/dev/ttyUSB2"} })
		beat(1, "no answer")
		beat(7, "")
	}, wiredTo(box.BoxEC, ecMeter(), time.Second))
}

// TestTwoUnits: a dead instrument doesn't disturb its neighbour on the line.
func TestTwoUnits(t *testing.T) {
	p := &fakePort{answer: func(q []byte) []bite {
		if q[0] == 9 {
			return nil
		}
		return in(20*time.Millisecond, telegramOf(7, 3, 2, 0, 100))
	}}
	dead := ecMeter()
	dead.Unit = 9
	onPort(t, p, func(s *Source) {
		time.Sleep(500 * time.Millisecond)
		for range 10 {
			time.Sleep(time.Second)
			got := newest(t, s)
			if len(got) != 2 || got[0].Fault == "" || got[1].Fault != "" || got[1].Value != 100 {
				t.Errorf("%+v", got)
			}
		}
	}, wiredTo(box.EndEC, dead, time.Second), wiredTo(box.BoxEC, ecMeter(), time.Second))
}
