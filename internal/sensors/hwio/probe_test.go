package hwio

// A board made of files, links and simulated chips. What is written on the wire
// is kept, as that is what the probe promises.

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/i2c"
)

// heard is a bus that keeps what it was asked.
type heard struct {
	i2c.BusCloser
	asked  *[]uint16
	writes *[]string
}

func (h heard) Tx(addr uint16, w, r []byte) error {
	*h.asked = append(*h.asked, addr)
	if len(w) > 0 {
		*h.writes = append(*h.writes, fmt.Sprintf("%02x: % x", addr, w))
	}
	return h.BusCloser.Tx(addr, w, r)
}

// boardFiles puts files and links below a new root.
func boardFiles(t *testing.T, files, links map[string]string) string {
	t.Helper()
	root := t.TempDir()
	for path, text := range files {
		path = filepath.Join(root, path)
		if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o755), os.WriteFile(path, []byte(text), 0o644)); err != nil {
			t.Fatal(err)
		}
	}
	for path, to := range links {
		path = filepath.Join(root, path)
		if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o755), os.Symlink(to, path)); err != nil {
			t.Fatal(err)
		}
	}
	return root
}

// looking looks at a board with one bus.
func looking(t *testing.T, w *wire, volts bool) (bus FoundBus, asked []uint16, writes []string) {
	t.Helper()
	root := boardFiles(t, map[string]string{"dev/i2c-1": ""}, map[string]string{"sys/bus/i2c/devices/1-0068/driver": "../../../drivers/rtc-x"})
	l := look{root: root, volts: volts, i2c: func(path string) (i2c.BusCloser, error) {
		b, err := w.open(path)
		return heard{b, &asked, &writes}, err
	}}
	f := l.all(t.Context())
	if len(f.Buses) != 1 || f.Buses[0].Path != "/dev/i2c-1" {
		t.Fatalf("buses %+v", f.Buses)
	}
	return f.Buses[0], asked, writes
}

// The power-on configuration is of the data sheet (SBAS444, config register: 8583h).
func chipsOnWire() map[uint16]fakeChip {
	return map[uint16]fakeChip{
		0x48: &converter{config: 0x8583, volts: [4]float64{0.6, 1.234, 3.3, 0}},
		0x4a: &probe{reply: "\x01"}, // something else at a converter's address
		0x64: &probe{reply: "\x01"},
		0x33: &probe{}, 0x50: &probe{}, 0x68: &probe{},
	}
}

func TestProbeReadsOnly(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus, asked, writes := looking(t, &wire{chips: chipsOnWire()}, false)
		for _, a := range asked {
			if a < 0x08 || a > 0x77 || a >= 0x30 && a <= 0x37 || a >= 0x50 && a <= 0x5f || a == 0x68 {
				t.Errorf("0x%02x was asked", a)
			}
		}
		for _, w := range writes {
			if w != "48: 01" && w != "4a: 01" {
				t.Errorf("wrote %s", w)
			}
		}
		var got []string
		for _, d := range bus.Answers {
			got = append(got, fmt.Sprintf("%02x %t %s %d", d.Address, d.Converter, d.Driver, len(d.Inputs)))
		}
		if want := []string{"48 true  0", "4a false  0", "64 false  0", "68 false rtc-x 0"}; !slices.Equal(got, want) || bus.Trouble != "" {
			t.Errorf("found %q %s, want %q", got, bus.Trouble, want)
		}
	})
}

func TestProbeVolts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus, _, writes := looking(t, &wire{chips: chipsOnWire()}, true)
		in := bus.Answers[0].Inputs
		if len(in) != 4 {
			t.Fatalf("%+v", bus)
		}
		for i, want := range []float64{0.6, 1.234, 3.3, 0} { // within a step of 6.144 V / 32768
			if in[i].Input != i || in[i].Volts == nil || math.Abs(*in[i].Volts-want) > 0.0002 {
				t.Errorf("input %d: %+v, want %g V", i, in[i], want)
			}
		}
		for _, w := range writes {
			if !strings.HasPrefix(w, "48: ") && w != "4a: 01" {
				t.Errorf("wrote %s", w)
			}
		}
	})
}

// TestProbeLeavesBusy: a converter that another program reads keeps its settings.
func TestProbeLeavesBusy(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &converter{config: 0x8583, dead: true, converting: true}
		bus, _, writes := looking(t, &wire{chips: map[uint16]fakeChip{0x48: c}}, true)
		if !bus.Answers[0].Busy || bus.Answers[0].Inputs != nil || slices.ContainsFunc(writes, func(w string) bool { return w != "48: 01" }) {
			t.Errorf("%+v, wrote %q", bus, writes)
		}
	})
}

func TestProbeBusTrouble(t *testing.T) {
	all := map[uint16]fakeChip{}
	for a := range uint16(0x80) {
		all[a] = &probe{}
	}
	for want, w := range map[string]*wire{
		"the bus hangs":         {hangs: time.Second},
		"held low":              {chips: all},
		"went away":             {fails: syscall.ENODEV},
		"no I2C bus that does":  {absent: true},
		"join the group i2c (s": nil,
	} {
		synctest.Test(t, func(t *testing.T) {
			if w == nil {
				l := look{root: boardFiles(t, map[string]string{"dev/i2c-1": ""}, nil), i2c: func(string) (i2c.BusCloser, error) { return nil, &fs.PathError{Err: syscall.EACCES} }}
				if f := l.all(t.Context()); !strings.Contains(f.Buses[0].Trouble, want) {
					t.Errorf("%+v", f)
				}
				return
			}
			if bus, _, _ := looking(t, w, false); !strings.Contains(bus.Trouble, want) || len(bus.Answers) > 1 {
				t.Errorf("%+v, want %q", bus, want)
			}
		})
	}
}

// TestProbeFiles looks at what the kernel tells in files.
func TestProbeFiles(t *testing.T) {
	root := boardFiles(t, map[string]string{
		"dev/gpiochip0": "", "dev/gpiochip1": "",
		"sys/bus/w1/devices/28-0123456789ab/w1_slave": thermGood,
		"sys/bus/w1/devices/28-0000000000ff/w1_slave": "",
		"sys/class/thermal/thermal_zone0/type":        "cpu-thermal\n", "sys/class/thermal/thermal_zone0/temp": "48312\n",
		"dev/ttyUSB0": "", "dev/ttyS0": "", "dev/ttyS1": "", "sys/class/tty/ttyS1/type": "0\n",
	}, map[string]string{
		"dev/gpiochip4":                       "gpiochip0",
		"dev/serial/by-id/usb-adapter":        "../../ttyUSB0",
		"sys/class/tty/ttyUSB0/device/driver": "../../drivers/ftdi_sio",
		"sys/class/tty/ttyS1/device/driver":   "../../drivers/serial8250",
	})
	l := look{root: root, may: func(string) bool { return false }, chip: func(path string) (FoundChip, error) {
		if strings.HasSuffix(path, "1") {
			return FoundChip{}, errNoRight
		}
		return FoundChip{Label: "pins", Lines: []FoundLine{{Name: "GPIO17"}}}, nil
	}}
	f := l.all(context.Background())
	if len(f.Chips) != 2 || f.Chips[0].Path != "/dev/gpiochip0" || f.Chips[0].Lines[0].Name != "GPIO17" || !strings.Contains(f.Chips[1].Trouble, "group gpio ") {
		t.Errorf("chips %+v", f.Chips)
	}
	if t1 := f.Thermometers; len(t1) != 2 || t1[0].Celsius != nil || !strings.Contains(t1[0].Trouble, "no thermometer answers") || *t1[1].Celsius != 23.125 {
		t.Errorf("thermometers %+v", t1)
	}
	if p := f.Ports; len(p) != 1 || p[0].ByID != "/dev/serial/by-id/usb-adapter" || p[0].Driver != "ftdi_sio" || !strings.Contains(p[0].Trouble, "group dialout") {
		t.Errorf("ports %+v", p)
	}
	if len(f.Zones) != 1 || *f.Zones[0].Celsius != 48.312 {
		t.Errorf("zones %+v", f.Zones)
	}
}
