package hwio

// A wire with simulated chips on it, and with what goes wrong on wires. Times are
// those of a synctest bubble, so a second that a bus hangs takes none.

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sync"
	"syscall"
	"testing"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"

	"boxd/internal/box"
	"boxd/internal/sensors"
)

// fakeChip is a device: it takes what is written and fills what is read.
type fakeChip interface {
	write(b []byte)
	read(b []byte)
}

// wire is an I2C bus as the kernel shows it.
type wire struct {
	mu     sync.Mutex
	chips  map[uint16]fakeChip
	fails  error // of every transfer
	breaks int   // one in so many is broken off by a signal; 0: none
	count  int
	hangs  time.Duration // how long a transfer hangs before it fails
	takes  time.Duration // of a transfer that ends well
	absent bool          // there is no such bus, or the open one was unplugged
	opened int
	stale  bool // what was opened in another epoch is dead
	epoch  int
}

func (w *wire) open(string) (i2c.BusCloser, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.opened++
	if w.absent {
		return nil, errors.New("i2c: bus #1 is not configured")
	}
	return &handle{wire: w, born: w.epoch}, nil
}

// set changes the wire while it is in use.
func (w *wire) set(change func()) {
	w.mu.Lock()
	defer w.mu.Unlock()
	change()
}

type handle struct {
	*wire
	born int
}

func (h *handle) Close() error                    { return nil }
func (h *handle) String() string                  { return "wire" }
func (h *handle) SetSpeed(physic.Frequency) error { return errors.New("not to be called") }

// Tx makes a transfer as periph does on Linux, errors flattened to text.
func (h *handle) Tx(addr uint16, w, r []byte) error {
	h.mu.Lock()
	d := h.takes + h.hangs
	h.mu.Unlock()
	time.Sleep(d)
	h.mu.Lock()
	defer h.mu.Unlock()
	if d > h.takes { // it hung
		return fmt.Errorf("i2c: %w", syscall.ETIMEDOUT)
	}
	if h.absent || h.stale && h.born != h.epoch {
		return fmt.Errorf("i2c: %w", syscall.ENODEV)
	}
	if h.count++; h.breaks > 0 && h.count%h.breaks == 0 {
		return fmt.Errorf("i2c: %w", syscall.EINTR)
	}
	if h.fails != nil {
		return fmt.Errorf("i2c: %w", h.fails)
	}
	c := h.chips[addr]
	if c == nil {
		return fmt.Errorf("i2c: %w", syscall.ENXIO)
	}
	if len(w) > 0 {
		c.write(w)
	}
	if len(r) > 0 {
		c.read(r)
	}
	return nil
}

// converter is an ADS1115 in single-shot mode, after its data sheet.
type converter struct {
	volts  [4]float64
	dead   bool    // never ends a conversion
	resets bool    // forgets what it is told, as after a dip of its supply
	hum    float64 // V, amplitude of what the mains put on every input
	mains  float64 // Hz

	pointer    byte
	config     uint16
	result     int16
	began      time.Time
	converting bool
}

func (c *converter) write(b []byte) {
	c.settle()
	c.pointer = b[0]
	if len(b) < 3 || c.pointer != adsConfig {
		return
	}
	c.config = uint16(b[1])<<8 | uint16(b[2])
	if c.resets {
		c.config = 0x8583
	}
	if !c.converting && c.config&adsStart != 0 {
		c.converting, c.began = true, time.Now()
	}
}

func (c *converter) read(b []byte) {
	c.settle()
	v := uint16(c.result)
	if c.pointer == adsConfig {
		if v = c.config | adsStart; c.converting {
			v = c.config &^ adsStart
		}
	}
	copy(b, []byte{byte(v >> 8), byte(v)})
}

// settle ends a conversion when its time is up; this one is 4 % slow.
func (c *converter) settle() {
	rate := sensors.ADS1115Rates()[c.config>>adsRateShift&7]
	if c.converting && !c.dead && time.Since(c.began) >= time.Second*104/100/time.Duration(rate) {
		full := sensors.ADS1115Ranges()[c.config>>adsGainShift&7]
		mux := c.config >> adsMuxShift & 7
		v := c.volts[mux&3]
		if mux < 4 {
			pair := [4][2]int{{0, 1}, {0, 3}, {1, 3}, {2, 3}}[mux]
			v = c.volts[pair[0]] - c.volts[pair[1]]
		}
		if c.hum > 0 { // the mean over the conversion
			from, to := c.began.Sub(epoch).Seconds(), c.began.Sub(epoch).Seconds()+1/float64(rate)
			w := 2 * math.Pi * c.mains
			v += c.hum * (math.Cos(w*from) - math.Cos(w*to)) / (w * (to - from))
		}
		c.result, c.converting = int16(max(-32768, min(32767, v/full*32768))), false
	}
}

// probe is a text probe.
type probe struct {
	takes   time.Duration
	reply   string // status byte and text
	ready   time.Time
	command string
}

func (p *probe) write(b []byte) { p.command, p.ready = string(b), time.Now().Add(p.takes) }

func (p *probe) read(b []byte) {
	clear(b)
	if b[0] = 254; !time.Now().Before(p.ready) {
		copy(b, p.reply)
	}
}

// epoch is when the mains' voltage crossed zero.
var epoch = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)

// loopOf wires a gauge of 0 to 1600 kPa, 4–20 mA through 150 ohm.
func loopOf(c box.Channel, path string, address uint16, input int) sensors.Wiring {
	return sensors.Wiring{Channel: c, Bus: path, Every: 100 * time.Millisecond, Driver: sensors.ADS1115{
		Address: address, Plus: input, Minus: sensors.NoInput, FullScale: 4.096, Rate: 64,
		Signal: sensors.Signal{Kind: sensors.Loop, Span: sensors.Span{High: 1600}, Shunt: 150, Divider: 1}}}
}

func textOf(c box.Channel, path string, address uint16) sensors.Wiring {
	return sensors.Wiring{Channel: c, Bus: path, Every: time.Second, Driver: sensors.ECText{
		Address: address, Command: "R", Wait: 600 * time.Millisecond, Scale: 1, Codes: sensors.TextCodes{Done: 1, Pending: 254, Failed: 2, NoData: 255}}}
}

// on opens the wirings on wires by path. In a test, not a benchmark, transfers
// take their time.
func on(t testing.TB, wires map[string]*wire, wirings ...sensors.Wiring) *Source {
	t.Helper()
	if _, ok := t.(*testing.T); ok {
		for _, w := range wires {
			w.takes = 500 * time.Microsecond // five bytes at 100 kHz
		}
	}
	s, err := open(wirings, nil, openers{i2c: func(path string) (i2c.BusCloser, error) { return wires[path].open(path) }})
	if err != nil {
		t.Fatal(err)
	}
	time.Sleep(53 * time.Millisecond) // the daemon's beat and a bus' are not in step
	return s
}

// collect takes samples at 10 Hz for d, as the daemon does, by channel.
func collect(t testing.TB, s *Source, d time.Duration) map[box.Channel][]box.Sample {
	t.Helper()
	got := map[box.Channel][]box.Sample{}
	for range d / (100 * time.Millisecond) {
		time.Sleep(100 * time.Millisecond)
		began := time.Now()
		samples, err := s.Samples(context.Background(), 0, nil)
		if err != nil {
			t.Fatal(err)
		}
		if time.Since(began) != 0 {
			t.Errorf("Samples waited %s", time.Since(began))
		}
		for _, x := range samples {
			got[x.Channel] = append(got[x.Channel], x)
		}
	}
	return got
}
