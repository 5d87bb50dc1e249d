//go:build kernel && linux

package kernel

import (
	"encoding/json"
	"math"
	"os/exec"
	"slices"
	"strings"
	"testing"

	"boxd/hw/kernel/wiring"
	"boxd/internal/box"
	"boxd/internal/sensors/hwio"
)

// What boxd probe tells of this machine is what the wiring has, with nothing said
// to it; its draft passes boxd check as it is. It comes first, while nothing
// holds a line or a bus.
func TestProbe(t *testing.T) {
	f := wired(t)
	healthy(t, f)
	var found hwio.Finds
	if err := json.Unmarshal(boxdSays(t, "probe", "-volts", "-json", "-draft", "/tmp/draft.yaml"), &found); err != nil {
		t.Fatal(err)
	}
	bus := must[string](t)(f.Bus.Path())
	var at []uint16
	for _, b := range found.Buses {
		if b.Path != bus {
			continue
		}
		for _, d := range b.Answers {
			at = append(at, d.Address)
			if d.Converter != (d.Address != wiring.BoxECAddress) {
				t.Errorf("0x%02x: told for a converter: %v", d.Address, d.Converter)
			}
			if d.Converter && (len(d.Inputs) != 4 || d.Inputs[3].Volts == nil || math.Abs(*d.Inputs[3].Volts-wiring.ChipSupply) > 0.01) {
				t.Errorf("0x%02x reads %+v; its last input is at %v V", d.Address, d.Inputs, wiring.ChipSupply)
			}
		}
	}
	if !slices.Equal(at, []uint16{wiring.FirstAddress, wiring.SecondAddress, wiring.BoxECAddress}) {
		t.Errorf("on %s answer %#x: %+v", bus, at, found.Buses)
	}
	var lines []string
	for _, c := range found.Chips {
		if c.Path == f.Lines.Path() {
			for _, l := range c.Lines {
				lines = append(lines, l.Name)
				if l.Used || l.Output {
					t.Errorf("%+v is free, and nobody's output", l)
				}
			}
		}
	}
	if !slices.Equal(lines, []string{"FLOW_MAIN", "FLOW_BRANCH", "FLOW_STOCK", wiring.Button, wiring.FastMeter}) {
		t.Errorf("%s has the lines %q: %+v", f.Lines.Path(), lines, found.Chips)
	}
	for i, c := range []box.Channel{box.WaterTemp, box.BoxAirTemp} {
		id, want := must[string](t)(f.Thermometers.Address(i)), sound()[c]
		if !slices.ContainsFunc(found.Thermometers, func(x hwio.FoundThermometer) bool {
			return x.ID == id && x.Celsius != nil && math.Abs(*x.Celsius-want[0]) < want[1]
		}) {
			t.Errorf("no %s at %v °C: %+v", id, want[0], found.Thermometers)
		}
	}
	tty := must[string](t)(f.Serial.Path())
	if !slices.ContainsFunc(found.Ports, func(p hwio.FoundPort) bool { return p.Path == tty && p.Driver != "" }) {
		t.Errorf("no %s: %+v", tty, found.Ports)
	}
	boxdSays(t, "check", "-config", "/tmp/draft.yaml")
	figure(t, "%d I2C addresses, %d lines, %d thermometers, %d serial ports; the draft passes boxd check", len(at), len(lines), len(found.Thermometers), len(found.Ports))
}

// boxdSays runs the real program to its end.
func boxdSays(t *testing.T, args ...string) []byte {
	t.Helper()
	var trouble strings.Builder
	c := exec.CommandContext(t.Context(), "/boxd", args...)
	c.Stderr = &trouble
	out, err := c.Output()
	if err != nil {
		t.Fatalf("boxd %q: %v: %s", args, err, trouble.String())
	}
	return out
}
