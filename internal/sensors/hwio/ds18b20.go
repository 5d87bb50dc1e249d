package hwio

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"boxd/internal/box"
	"boxd/internal/sensors"
)

// thermometer is a DS18B20 that the kernel reads. A reading takes it 750 ms, the
// time of a conversion of twelve bits (data sheet); they share a goroutine, one
// after another, as they share the wire.
type thermometer struct {
	channel box.Channel
	file    string
	tries   int // of the reading under way that came to nothing
}

// A reading is tried so often, so far apart: the kernel gives an empty file when
// a signal or a disturbance cut the reading short, and 85 °C when the
// thermometer had lost its power for a moment.
const (
	thermTries = 3
	thermPause = 100 * time.Millisecond
)

func (b *builder) ds18b20(w sensors.Wiring, d sensors.DS18B20) error {
	file := filepath.Join(b.root, "sys/bus/w1/devices", filepath.Base(d.ID), "w1_slave")
	b.on("1-wire").put(&thermometer{channel: w.Channel, file: file}, w.Every, w.Channel)
	return nil
}

// step reads once.
func (t *thermometer) step(_ context.Context, dst []box.Sample) ([]box.Sample, time.Duration) {
	s := t.read()
	if t.tries++; s.Fault != "" && t.tries < thermTries {
		return dst, thermPause
	}
	t.tries = 0
	return append(dst, s), 0
}

func (t *thermometer) read() box.Sample {
	text, err := os.ReadFile(t.file)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return box.Failed(t.channel, 0, "the kernel finds no thermometer of that number: check its wires, that 1-Wire is switched on in the board's settings, and address in the configuration")
	case err != nil:
		return box.Failed(t.channel, 0, "the kernel can't read the thermometer: check its wires")
	case len(strings.TrimSpace(string(text))) == 0:
		return box.Failed(t.channel, 0, "no thermometer answers: check its wires")
	}
	pad, ok := scratchpad(string(text))
	if !ok {
		return box.Failed(t.channel, 0, "the kernel's words on the thermometer are not understood: check that its driver is w1_therm")
	}
	return sensors.FromDS18B20(t.channel, pad)
}

// scratchpad finds the nine bytes in what w1_therm writes:
//
//	72 01 4b 46 7f ff 0e 10 57 : crc=57 YES
//	72 01 4b 46 7f ff 0e 10 57 t=23125
//
// The first line is what came over the wire now; the second may be older. That
// the kernel finds the check sum right is not taken from it: zeros pass that.
func scratchpad(text string) (pad [9]byte, ok bool) {
	first, _, _ := strings.Cut(text, "\n")
	words := strings.Fields(first)
	if len(words) < 10 || words[9] != ":" {
		return pad, false
	}
	for i := range pad {
		v, err := strconv.ParseUint(words[i], 16, 8)
		if err != nil {
			return pad, false
		}
		pad[i] = byte(v)
	}
	return pad, true
}
