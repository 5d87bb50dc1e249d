//go:build kernel && linux

package kernel

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"boxd/config"
	"boxd/hw/kernel/wiring"
	"boxd/internal/box"
	"boxd/internal/sensors"
	"boxd/internal/sensors/hwio"
)

// reader is the drivers with what judges them, as the daemon has them.
type reader struct {
	src   *hwio.Source
	judge *sensors.Conditioner
	begun time.Time
	heard [box.NumChannels]int // samples of a channel since count
	late  [box.NumChannels]int // turns in a row in which a meter read a wrong flow
	last  box.Readings
}

const beat = 100 * time.Millisecond

func open(t *testing.T) *reader {
	t.Helper()
	cfg := must[*config.Config](t)(config.Load("/testdata/box.yaml"))
	core, err := cfg.Engine("")
	if err != nil {
		t.Fatal(err)
	}
	src := must[*hwio.Source](t)(hwio.Open(cfg.Wirings(), nil))
	t.Cleanup(src.Close)
	return &reader{src: src, begun: time.Now(), judge: sensors.New(sensors.Config{Silent: core.Limits.Silent,
		SilentTemperature: core.Limits.SilentTemperature, Ranges: sensors.DefaultRanges()})}
}

// turn is one turn of the core.
func (r *reader) turn(t *testing.T) {
	t.Helper()
	time.Sleep(beat)
	samples, err := r.src.Samples(context.Background(), 0, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range samples {
		r.heard[s.Channel]++
	}
	r.last = *r.judge.Readings(time.Since(r.begun), samples)
}

// state is what is made of one channel.
type state struct {
	value   float64
	quality box.Quality
	cause   box.Cause
	why     string
}

func (r *reader) state(c box.Channel) state {
	x := &r.last
	switch c {
	case box.SupplyPressure:
		return stateOf(x.Supply, 1)
	case box.FilterOutPressure:
		return stateOf(x.FilterOut, 1)
	case box.InjectorInPressure:
		return stateOf(x.InjectorIn, 1)
	case box.InjectorOutPressure:
		return stateOf(x.InjectorOut, 1)
	case box.HeaderPressure:
		return stateOf(x.Header, 1)
	case box.MainFlow:
		return stateOf(x.Main, 60)
	case box.InjectorFlow:
		return stateOf(x.Branch, 60)
	case box.StockDraw:
		return stateOf(x.Stock, 60)
	case box.BoxEC:
		return stateOf(x.BoxEC, 1)
	case box.EndEC:
		return stateOf(x.EndEC, 1)
	case box.WaterTemp:
		return stateOf(x.Water, 1)
	}
	return stateOf(x.BoxAir, 1)
}

func stateOf[T ~float64](r box.Reading[T], per float64) state {
	return state{float64(r.Value) / per, r.Quality, r.Cause, r.Why.String()}
}

// sound is what each instrument of a healthy box feels, in its column's unit,
// and how far off it may be read.
func sound() map[box.Channel][2]float64 {
	return map[box.Channel][2]float64{
		box.SupplyPressure:      {312.5, 1.8}, // 0.3 % of 600 kPa
		box.FilterOutPressure:   {300, 1.8},
		box.InjectorInPressure:  {287.5, 1.8},
		box.InjectorOutPressure: {250, 1.8},
		box.HeaderPressure:      {68.95, 0.48}, // of 160 kPa
		box.MainFlow:            {8, 1.2},      // 15 %: it is made of a period or two, and the field's edges are late now and then
		box.InjectorFlow:        {4.7, 0.7},
		box.StockDraw:           {0.094, 0.014},
		box.BoxEC:               {1850, 18.5}, // 1 %
		box.EndEC:               {420, 4.2},
		box.WaterTemp:           {17.3, 0.1},
		box.BoxAirTemp:          {-3.2, 0.1},
	}
}

func healthy(t *testing.T, f *wiring.Field) {
	t.Helper()
	for c, v := range sound() {
		if err := f.Show(c, v[0]); err != nil {
			t.Fatal(err)
		}
	}
}

// off is what a channel reads that it should not; empty: it reads what it should.
func (r *reader) off(c box.Channel) string {
	s, want := r.state(c), sound()[c]
	if s.quality == box.Good && s.value >= want[0]-want[1] && s.value <= want[0]+want[1] {
		return ""
	}
	return fmt.Sprintf("%v reads %.5g (%v, %v: %s), not %.5g", c, s.value, s.quality, s.cause, s.why, want[0])
}

// patience is for how many turns a meter may read a wrong flow beside another
// channel's fault: field and drivers share a processor here, and an edge that
// the field makes late spoils two periods.
const patience = 3

// suffer names the channels that a fault of others has reached.
func (r *reader) suffer(hit []box.Channel) (out []string) {
	for c := range sound() {
		what := r.off(c)
		switch meter := c == box.MainFlow || c == box.InjectorFlow || c == box.StockDraw; {
		case slices.Contains(hit, c):
		case what == "":
			r.late[c] = 0
		case meter && r.state(c).quality == box.Good && r.late[c] < patience:
			r.late[c]++
		default:
			out = append(out, what)
		}
	}
	return out
}

// settle turns until all channels read what they should.
func (r *reader) settle(t *testing.T, within time.Duration) {
	t.Helper()
	var off []string
	for limit := time.Now().Add(within); time.Now().Before(limit); {
		r.turn(t)
		off = off[:0]
		for c := range sound() {
			if what := r.off(c); what != "" {
				off = append(off, what)
			}
		}
		if len(off) == 0 {
			return
		}
	}
	t.Fatalf("after %v: %s", within, strings.Join(off, "; "))
}

// fault is something wrong with the wiring and what has to be said of it.
type fault struct {
	name  string
	do    func(f *wiring.Field, on bool) error
	hits  []box.Channel
	cause box.Cause
	says  string // a part of the reason
}

func faults() []fault {
	none := func(do func(f *wiring.Field, on bool)) func(*wiring.Field, bool) error {
		return func(f *wiring.Field, on bool) error { do(f, on); return nil }
	}
	volts := func(c box.Channel, v float64) func(*wiring.Field, bool) error {
		return func(f *wiring.Field, on bool) error {
			if !on {
				return f.Show(c, sound()[c][0])
			}
			f.Volts(c, v)
			return nil
		}
	}
	ails := func(a wiring.Ailment) func(*wiring.Field, bool) error {
		return func(f *wiring.Field, on bool) error {
			if !on {
				return f.Thermometers.Ail(0, wiring.Sound)
			}
			return f.Thermometers.Ail(0, a)
		}
	}
	behaves := func(m wiring.Manner) func(*wiring.Field, bool) error {
		return none(func(f *wiring.Field, on bool) {
			if on {
				f.EndEC.Behave(m)
			} else {
				f.EndEC.Behave(wiring.Manner{})
			}
		})
	}
	first := []box.Channel{box.SupplyPressure, box.FilterOutPressure, box.InjectorInPressure}
	second := []box.Channel{box.InjectorOutPressure, box.HeaderPressure}
	allI2C := append(append([]box.Channel{box.BoxEC}, first...), second...)
	return []fault{
		{name: "converter does not answer", hits: first, cause: box.Failure, says: "no answer", do: none(func(f *wiring.Field, on bool) {
			if on {
				f.Bus.Attach(wiring.FirstAddress, nil)
			} else {
				f.Bus.Attach(wiring.FirstAddress, f.First)
			}
		})},
		{name: "text probe does not answer", hits: []box.Channel{box.BoxEC}, cause: box.Failure, says: "no answer", do: none(func(f *wiring.Field, on bool) {
			if on {
				f.Bus.Attach(wiring.BoxECAddress, nil)
			} else {
				f.Bus.Attach(wiring.BoxECAddress, f.BoxEC)
			}
		})},
		{name: "I2C bus hangs", hits: allI2C, cause: box.Failure, says: "hangs", do: none(func(f *wiring.Field, on bool) { f.Bus.Hang(on) })},
		{name: "current loop broken", hits: first[:1], cause: box.Failure, says: "broken wire", do: volts(box.SupplyPressure, 0)},
		{name: "current loop shorted", hits: first[1:2], cause: box.Failure, says: "short circuit", do: volts(box.FilterOutPressure, wiring.MilliAmps(22))},
		{name: "current loop saturates the converter", hits: second[1:], cause: box.OutOfSpecification, says: "end of the converter's range", do: volts(box.HeaderPressure, 4.9)},
		{name: "ratiometric wire broken", hits: second[:1], cause: box.Failure, says: "broken wire", do: volts(box.InjectorOutPressure, 0)},
		{name: "ratiometric wire at the supply", hits: second[:1], cause: box.Failure, says: "short to the supply", do: volts(box.InjectorOutPressure, wiring.ChipSupply)},
		{name: "thermometer unplugged: empty file", hits: []box.Channel{box.WaterTemp}, cause: box.Failure, says: "no thermometer answers", do: ails(wiring.Unplugged)},
		{name: "thermometer garbled: check sum", hits: []box.Channel{box.WaterTemp}, cause: box.Failure, says: "", do: ails(wiring.Garbled)},
		{name: "thermometer never converts: 85 °C", hits: []box.Channel{box.WaterTemp}, cause: box.Failure, says: "85", do: ails(wiring.BrownOut)},
		{name: "thermometer held low: all zeros", hits: []box.Channel{box.WaterTemp}, cause: box.Failure, says: "zeros", do: ails(wiring.HeldLow)},
		{name: "Modbus slave mute", hits: []box.Channel{box.EndEC}, cause: box.Failure, says: "no answer", do: behaves(wiring.Manner{Mute: true})},
		{name: "Modbus slave garbled", hits: []box.Channel{box.EndEC}, cause: box.Failure, says: "garbled", do: behaves(wiring.Manner{Garbled: true})},
		{name: "Modbus slave late", hits: []box.Channel{box.EndEC}, cause: box.CheckFunction, says: "late", do: behaves(wiring.Manner{Late: 450 * time.Millisecond})},
		{name: "USB serial adapter pulled out", hits: []box.Channel{box.EndEC}, cause: box.Failure, says: "serial port", do: replug()},
		{name: "pulse storm", hits: []box.Channel{box.MainFlow}, cause: box.OutOfSpecification, says: "more than the meter can make", do: storm()},
	}
}

// storm sends more pulses than the meter can make until it is told to end.
func storm() func(*wiring.Field, bool) error {
	over := make(chan error, 1)
	return func(f *wiring.Field, on bool) error {
		if !on {
			err := <-over
			return errors.Join(err, f.Show(box.MainFlow, sound()[box.MainFlow][0]))
		}
		f.Meters[box.MainFlow].Rate(0)
		go func() { over <- f.Lines.Pulses("FLOW_MAIN", 800, 200) }() // 60 a second are the most it can make
		return nil
	}
}

// replug pulls the adapter out, and has it come back under another name, since
// the old one is still taken.
func replug() func(*wiring.Field, bool) error {
	var old *os.File
	return func(f *wiring.Field, on bool) error {
		if on {
			was, err := f.Serial.Path()
			if err == nil {
				old, err = os.OpenFile(was, os.O_RDWR, 0)
			}
			return errors.Join(err, f.Serial.Plug(false))
		}
		defer old.Close()
		if err := f.Serial.Plug(true); err != nil {
			return err
		}
		if now, err := f.Serial.Path(); err != nil || now == old.Name() {
			return fmt.Errorf("%s came back as %q, %v", old.Name(), now, err)
		}
		return nil
	}
}

// Each fault is made on the wires. Within three samples of its channel the
// reading is no longer good, with the class and cause of the fault; all other
// channels stay good throughout; the fault taken away, all is good again without
// anybody's help. That at three samples the reading is doubted or bad, and not
// good with the old value, is the promise; that it turns from doubted to bad is
// package sensors' own test.
func TestFaults(t *testing.T) {
	f := wired(t)
	healthy(t, f)
	r := open(t)
	r.settle(t, 20*time.Second)
	for _, x := range faults() {
		t.Run(x.name, func(t *testing.T) {
			clear(r.heard[:])
			clear(r.late[:])
			if err := x.do(f, true); err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { // also where the test fails: the next one needs a healthy box
				if err := x.do(f, false); err != nil {
					t.Fatal(err)
				}
				healed := time.Now()
				r.settle(t, 20*time.Second)
				figure(t, "good again %.1f s after the fault", time.Since(healed).Seconds())
			})
			took := r.untilSaid(t, x)
			figure(t, "said after %d samples, %.1f s: %s", took.samples, took.after.Seconds(), took.why)
			for range 20 {
				r.turn(t)
				if off := r.suffer(x.hits); off != nil {
					t.Fatalf("others suffer: %s", strings.Join(off, "; "))
				}
			}
		})
	}
}

type said struct {
	samples int // the most of any channel hit
	after   time.Duration
	why     string
}

// untilSaid turns until all that the fault hits say so.
func (r *reader) untilSaid(t *testing.T, x fault) (out said) {
	t.Helper()
	began, pending := time.Now(), append([]box.Channel(nil), x.hits...)
	for len(pending) > 0 {
		r.turn(t)
		var left []box.Channel
		for _, c := range pending {
			s := r.state(c)
			if s.quality != box.Good && s.cause == x.cause && strings.Contains(s.why, x.says) {
				out.samples, out.why = max(out.samples, r.heard[c]), s.why
				continue
			}
			left = append(left, c)
			// The sample under way when the fault came may be a good one.
			if r.heard[c] > 1+3 || time.Since(began) > 20*time.Second {
				t.Fatalf("%v after %d samples, %.1f s: %v, %v %q; want %v, %q", c, r.heard[c], time.Since(began).Seconds(), s.quality, s.cause, s.why, x.cause, x.says)
			}
		}
		pending = left
	}
	out.after = time.Since(began)
	return out
}
