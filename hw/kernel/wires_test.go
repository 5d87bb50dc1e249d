//go:build kernel && linux

package kernel

import (
	"os"
	"sync"
	"testing"

	"boxd/hw/kernel/wiring"
)

// field is the machine's wiring. It is made once: a kernel keeps its chips.
var field = sync.OnceValues(wiring.NewField)

// wired is a box whose instruments all feel something sound.
func wired(t *testing.T) *wiring.Field {
	t.Helper()
	return must[*wiring.Field](t)(field())
}

// What the test machine's wires look like to a program, before any of the
// drivers is asked: a later failure is then theirs.
func TestWires(t *testing.T) {
	f := wired(t)
	for _, path := range []string{must[string](t)(f.Bus.Path()), f.Lines.Path(), must[string](t)(f.Serial.Path())} {
		if _, err := os.Stat(path); err != nil {
			t.Error(err)
		}
	}
	if err := f.Thermometers.Set(0, 12.34); err != nil {
		t.Fatal(err)
	}
	a := must[string](t)(f.Thermometers.Address(0))
	text, err := os.ReadFile("/sys/bus/w1/devices/" + a + "/w1_slave")
	// 12.34 °C is 197.44 sixteenths; 197 is 0x00c5.
	if err != nil || len(text) < 5 || string(text[:5]) != "c5 00" {
		t.Errorf("the thermometer reads %q, %v", text, err)
	}
}

// TestReplug: an adapter that was pulled out while a program had it open comes
// back under another name, as on a real board.
func TestReplug(t *testing.T) {
	f := wired(t)
	was := must[string](t)(f.Serial.Path())
	tty, err := os.OpenFile(was, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer tty.Close()
	if err := f.Serial.Plug(false); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(was); err == nil {
		t.Errorf("%s is still there", was)
	}
	if err := f.Serial.Plug(true); err != nil {
		t.Fatal(err)
	}
	if now := must[string](t)(f.Serial.Path()); now == was {
		t.Errorf("%s came back as %q", was, now)
	}
}
