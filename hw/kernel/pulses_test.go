//go:build kernel && linux

package kernel

import (
	"slices"
	"strings"
	"testing"
	"time"

	"boxd/hw/kernel/wiring"
	"boxd/internal/box"
	"boxd/internal/sensors"
	"boxd/internal/sensors/hwio"
)

// countPulses opens a meter on the fast line as boxd does.
func countPulses(t *testing.T) *hwio.Source {
	t.Helper()
	w := sensors.Wiring{Channel: box.MainFlow, Every: beat, Driver: sensors.Pulses{Line: sensors.Line{Name: wiring.FastMeter},
		Meter: sensors.PulseMeter{PerLitre: 6000, Most: 30}, Least: 0.3}}
	src := must[*hwio.Source](t)(hwio.Open([]sensors.Wiring{w}, nil))
	t.Cleanup(src.Close)
	time.Sleep(3 * beat) // the line is taken with the first reading
	return src
}

func total(src *hwio.Source) uint64 {
	time.Sleep(3 * beat) // what the kernel has kept is taken at the next beat
	return src.Totals()[box.MainFlow].Pulses
}

// No pulse is lost at 2 kHz, ten times what meters of drip irrigation give, while
// the same program keeps the only processor busy.
func TestNoPulseLost(t *testing.T) {
	f, src := wired(t), countPulses(t)
	var quit = make(chan struct{})
	go func() {
		var keep [][]byte // garbage, as pages and logs make it
		for {
			select {
			case <-quit:
				return
			default:
				keep = append(keep[:len(keep)%1000], make([]byte, 512))
			}
		}
	}()
	const n, hz = 8000, 2000
	began := time.Now()
	err := f.Lines.Pulses(wiring.FastMeter, n, hz)
	took := time.Since(began)
	close(quit)
	if err != nil {
		t.Fatal(err)
	}
	if got := total(src); got != n {
		t.Errorf("%d pulses counted of %d", got, n)
	}
	figure(t, "%d pulses in %.2f s, beside a busy loop: %d counted", n, took.Seconds(), total(src))
}

// What was counted goes on from where an earlier life left it. Pulses while
// nobody holds the line are nobody's.
func TestTotalsGoOn(t *testing.T) {
	f, src := wired(t), countPulses(t)
	if err := f.Lines.Pulses(wiring.FastMeter, 250, 500); err != nil {
		t.Fatal(err)
	}
	before := total(src)
	kept := src.Totals()
	src.Close()
	src = countPulses(t)
	src.Restore(kept)
	if err := f.Lines.Pulses(wiring.FastMeter, 130, 500); err != nil {
		t.Fatal(err)
	}
	if got := total(src); before != 250 || got != 380 {
		t.Errorf("counted %d of 250, then %d of 380", before, got)
	}
}

// While boxd's drivers hold the lines, the kernel itself says that all of them
// are inputs.
func TestLinesAreInputs(t *testing.T) {
	f := wired(t)
	healthy(t, f)
	open(t).settle(t, 20*time.Second)
	inputs(t, f, "FLOW_MAIN", "FLOW_BRANCH", "FLOW_STOCK")
}

// inputs checks which lines boxd holds, and how.
func inputs(t *testing.T, f *wiring.Field, want ...string) {
	t.Helper()
	var held []string
	for limit := time.Now().Add(10 * time.Second); len(held) != len(want) && time.Now().Before(limit); time.Sleep(beat) {
		lines, err := f.Lines.Held()
		if err != nil {
			t.Fatal(err)
		}
		held = nil
		for _, l := range lines {
			if l.By == "boxd" {
				held = append(held, l.Name)
			}
			if l.Output {
				t.Errorf("%s is an output, held by %q", l.Name, l.By)
			}
		}
	}
	if !slices.Equal(held, want) {
		t.Errorf("boxd holds %q, not %q", held, want)
	}
	debug := must[string](t)(wiring.DebugGPIO())
	for _, name := range want {
		at := strings.Index(debug, name)
		line, _, _ := strings.Cut(debug[max(at, 0):], "\n")
		if at < 0 || !strings.Contains(line, ") in ") {
			t.Errorf("debugfs says of %s: %q", name, line)
		}
	}
}
