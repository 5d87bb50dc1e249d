//go:build linux

package wiring

import (
	"encoding/binary"
	"sync"
	"time"
)

// ADS1115 is the converter of its data sheet (TI SBAS444): pointer register,
// configuration with start, multiplexer, gain, mode and rate, the time a
// conversion takes, a two's complement result that ends at full scale.
type ADS1115 struct {
	mu      sync.Mutex
	vdd     float64
	volts   [4]float64 // at AIN0…3 against ground
	pointer byte
	regs    [4]uint16 // conversion, configuration, low and high threshold
	started time.Time
	busy    bool
}

// NewADS1115 is the chip after power-on, supplied with vdd.
func NewADS1115(vdd float64) *ADS1115 {
	return &ADS1115{vdd: vdd, regs: [4]uint16{0, 0x0583, 0x8000, 0x7fff}}
}

// Set puts a voltage on an input.
func (a *ADS1115) Set(input int, volts float64) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.volts[input] = volts
}

const startBit, singleShot = 0x8000, 0x0100

func (a *ADS1115) config() uint16 { return a.regs[1] }

// convert is what a conversion gives now. An input is clamped by the diodes to
// the chip's supply.
func (a *ADS1115) convert() uint16 {
	in := func(i int) float64 { return max(-0.3, min(a.volts[i], a.vdd+0.3)) }
	var v float64
	switch m := a.config() >> 12 & 7; m {
	case 0:
		v = in(0) - in(1)
	case 1, 2, 3:
		v = in(int(m-1)) - in(3)
	default:
		v = in(int(m - 4))
	}
	full := [8]float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256}[a.config()>>9&7]
	return uint16(int16(max(-32768, min(32767, v/full*32768))))
}

// advance finishes the conversion that is under way, if it has had its time.
func (a *ADS1115) advance() {
	rate := [8]float64{8, 16, 32, 64, 128, 250, 475, 860}[a.config()>>5&7]
	ready := time.Since(a.started) >= time.Duration(float64(time.Second)/rate)
	switch continuous := a.config()&singleShot == 0; {
	case ready && continuous:
		a.regs[0], a.started = a.convert(), time.Now()
	case ready && a.busy:
		a.regs[0], a.busy = a.convert(), false
	}
}

// Write implements Chip.
func (a *ADS1115) Write(b []byte) error {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.advance()
	if len(b) > 0 {
		a.pointer = b[0] & 3
	}
	if len(b) < 3 || a.pointer == 0 {
		return nil
	}
	v := binary.BigEndian.Uint16(b[1:])
	if a.pointer == 1 {
		if v&singleShot == 0 || v&startBit != 0 {
			a.started, a.busy = time.Now(), v&singleShot != 0
		}
		v &^= startBit
	}
	a.regs[a.pointer] = v
	return nil
}

// Read implements Chip.
func (a *ADS1115) Read(b []byte) error {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.advance()
	v := a.regs[a.pointer]
	if a.pointer == 1 && !a.busy {
		v |= startBit
	}
	for i := range b {
		b[i] = byte(v >> 8)
		v = v<<8 | 0xff
	}
	return nil
}
