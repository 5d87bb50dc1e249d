//go:build linux

package wiring

import (
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"sync"
)

// Ailment is what is wrong with a thermometer; the numbers are those of
// kmod/bench-w1.c.
type Ailment int

// The ailments.
const (
	Sound Ailment = iota
	Unplugged
	Garbled
	BrownOut // never converts: reads 85 °C
	HeldLow  // the bus is held low while it is read: all zeros
)

// Thermometers are the DS18B20 of the bench's 1-wire bus.
type Thermometers struct {
	mu     sync.Mutex
	milli  []string
	ailing []string
}

// NewThermometers is the bus with n of them.
func NewThermometers(n int) *Thermometers {
	t := &Thermometers{milli: make([]string, n), ailing: make([]string, n)}
	for i := range n {
		t.milli[i], t.ailing[i] = "20000", "0"
	}
	return t
}

// Address is the i-th one's, as the kernel writes it.
func (t *Thermometers) Address(i int) (string, error) {
	found, _ := filepath.Glob(fmt.Sprintf("/sys/bus/w1/devices/28-*%02x", i+1))
	if len(found) != 1 {
		return "", fmt.Errorf("thermometer %d is not on the 1-wire bus: found %q", i, found)
	}
	return filepath.Base(found[0]), nil
}

// Set is the temperature the i-th one has, °C.
func (t *Thermometers) Set(i int, celsius float64) error {
	return t.put("temp", t.milli, i, fmt.Sprint(math.Round(celsius*1000)))
}

// Ail makes the i-th one ill, or sound again.
func (t *Thermometers) Ail(i int, a Ailment) error {
	return t.put("fault", t.ailing, i, fmt.Sprint(int(a)))
}

func (t *Thermometers) put(parameter string, all []string, i int, v string) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	if all[i] == v {
		return nil
	}
	all[i] = v
	return write("/sys/module/bench_w1/parameters/"+parameter, strings.Join(all, ","))
}
