package hwio

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"boxd/internal/box"
)

// Board tells how the board under boxd fares: its temperature and supply, and
// what its meters have counted. It is read seldom, apart from the instruments.
type Board struct {
	Source *Source // nil: no instruments
	Button *Button // nil: none
	Least  float64 // V, of the supply; 0: not said

	root string
	mu   sync.Mutex // Run writes, anybody reads
	read []box.Vital
}

const (
	boardBeat = 10 * time.Second
	// boardHot is where boards for this kind of use begin to slow themselves down.
	// Common practice, no source.
	boardHot = 80.0
)

// Run reads until ctx ends.
func (b *Board) Run(ctx context.Context) {
	tick := time.NewTicker(boardBeat)
	defer tick.Stop()
	for {
		b.look()
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// look reads what the kernel tells.
func (b *Board) look() {
	var out []box.Vital
	if v, ok := b.temperature(); ok {
		out = append(out, v)
	}
	if v, ok := b.supply(); ok {
		out = append(out, v)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.read = out
}

// Vitals are the newest readings.
func (b *Board) Vitals() []box.Vital {
	b.mu.Lock()
	out := slices.Clone(b.read)
	b.mu.Unlock()
	if b.Button != nil {
		if why := b.Button.Trouble(); why != "" {
			out = append(out, box.Vital{Name: "button", Why: why})
		}
	}
	if b.Source != nil {
		for _, m := range b.Source.meters {
			litres := math.Round(100*float64(m.counted.Load())/m.Meter.PerLitre) / 100
			out = append(out, box.Vital{Name: strings.TrimSuffix(m.channel.Info().Column, "_lpm") + "_total_l", Unit: "L", Value: litres, Known: true})
		}
	}
	return out
}

// temperature is that of the processor, or of the first place that has one.
func (b *Board) temperature() (box.Vital, bool) {
	zones, _ := filepath.Glob(filepath.Join(b.root, "/sys/class/thermal/thermal_zone*")) // the pattern is sound
	slices.Sort(zones)
	i := slices.IndexFunc(zones, func(zone string) bool { return strings.Contains(line1(zone, "type"), "cpu") })
	if len(zones) == 0 {
		return box.Vital{}, false
	}
	v := box.Vital{Name: "board_c", Unit: "°C"}
	milli, err := strconv.Atoi(line1(zones[max(0, i)], "temp"))
	if err != nil {
		v.Why = box.Failed(0, 0, "the board doesn't tell its temperature").Fault
		return v, true
	}
	if v.Value, v.Known = float64(milli)/1000, true; v.Value >= boardHot {
		v.Why = box.Failed(0, 0, "the board is so hot that it slows itself down: shade the box, let air to it").Fault
	}
	return v, true
}

// supply is the voltage that a converter measures of it, and the warning of a
// board that watches its own.
func (b *Board) supply() (box.Vital, bool) {
	v := box.Vital{Name: "board_supply_v", Unit: "V"}
	sags, watched := b.sags()
	s, wired := box.Sample{}, false
	if b.Source != nil {
		s, wired = b.Source.supply()
	}
	switch {
	case !wired && !watched:
		return v, false
	case wired:
		v.Value, v.Known, v.Why = s.Value, s.Fault == "", s.Fault
	}
	if sags || v.Known && v.Value < b.Least {
		v.Why = box.Failed(0, 0, "the supply of the board is too low: check battery, power supply and wires").Fault
	}
	return v, true
}

// sags asks the board's own watch of its supply, where it has one.
func (b *Board) sags() (low, watched bool) {
	alarms, _ := filepath.Glob(filepath.Join(b.root, "/sys/class/hwmon/hwmon*/in0_lcrit_alarm"))
	for _, a := range alarms {
		low = low || line1(filepath.Dir(a), filepath.Base(a)) == "1"
	}
	return low, len(alarms) > 0
}

// line1 is what a file of the kernel says.
func line1(dir, name string) string {
	text, err := os.ReadFile(filepath.Join(dir, name))
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(text))
}
