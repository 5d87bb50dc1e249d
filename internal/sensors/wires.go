package sensors

import (
	"fmt"
	"time"
)

// Line is a line of a GPIO chip, an input.
type Line struct {
	Chip     string // device file; empty: the first chip with a line of that name
	Name     string // as the board names it; empty: Offset counts
	Offset   uint32
	Bias     Bias
	Debounce time.Duration // the kernel's; 0: none
}

func (l Line) String() string {
	if l.Name != "" {
		return "line " + l.Name
	}
	return fmt.Sprintf("line %d", l.Offset)
}

// Bias is the resistor that the chip itself puts at a line.
type Bias uint8

// The biases.
const (
	UnknownBias Bias = iota
	BiasAsIs         // as the board was started
	BiasUp
	BiasDown
	BiasOff
)

func (b Bias) String() string {
	switch b {
	case BiasAsIs:
		return "as-is"
	case BiasUp:
		return "up"
	case BiasDown:
		return "down"
	case BiasOff:
		return "off"
	case UnknownBias:
	}
	return "unknown"
}

// Pulses is a flow meter that gives pulses on a GPIO line. Wiring.Bus is the
// chip, where Line doesn't leave it open.
type Pulses struct {
	Line  Line
	Meter PulseMeter // Most is said
	Least float64    // L/min, the smallest flow it measures: less is a standstill
}

// Name is the driver's in the configuration.
func (Pulses) Name() string { return "pulse" }

// Place says the line.
func (p Pulses) Place() string { return p.Line.String() }

// Standstill is how long after its last pulse the meter stands still: half as
// long again as a pulse takes at its smallest flow.
func (p Pulses) Standstill() time.Duration {
	return time.Duration(1.5 * 60 / (p.Meter.PerLitre * p.Least) * float64(time.Second))
}

// DS18B20 is a thermometer that the kernel's 1-Wire driver reads.
type DS18B20 struct {
	ID string // 28-0123456789ab, as the kernel names it
}

// Name is the driver's in the configuration.
func (DS18B20) Name() string { return "ds18b20" }

// Place says which one.
func (d DS18B20) Place() string { return d.ID }

// Modbus is a value in the registers of an instrument on a serial line that
// speaks Modbus RTU. Wiring.Bus is the port, or a pattern of names for one that
// may come back under another.
type Modbus struct {
	Serial   Serial
	Unit     byte
	Input    bool   // read input registers (function 4), not holding registers (3)
	Register uint16 // the first, as it goes over the wire: from 0
	Number   Number
	LowFirst bool // of a number in two registers, the low word comes first
	Scale    float64
	Offset   float64 // value = number·Scale + Offset, in the unit of the channel's column
}

// Name is the driver's in the configuration.
func (Modbus) Name() string { return "modbus" }

// Place says unit and register.
func (m Modbus) Place() string {
	kind := "holding"
	if m.Input {
		kind = "input"
	}
	return fmt.Sprintf("unit %d %s register %d", m.Unit, kind, m.Register)
}

// Serial is how a serial port is set.
type Serial struct {
	Baud     uint32
	Parity   Parity
	StopBits int           // 1 or 2
	Timeout  time.Duration // for the whole answer
}

// Parity of a serial line.
type Parity uint8

// The parities.
const (
	UnknownParity Parity = iota
	ParityNone
	ParityEven
	ParityOdd
)

func (p Parity) String() string {
	switch p {
	case ParityNone:
		return "none"
	case ParityEven:
		return "even"
	case ParityOdd:
		return "odd"
	case UnknownParity:
	}
	return "unknown"
}

// Number is how registers hold a number.
type Number uint8

// The kinds.
const (
	UnknownNumber Number = iota
	U16
	S16
	U32
	S32
	F32
)

func (n Number) String() string {
	switch n {
	case U16:
		return "u16"
	case S16:
		return "s16"
	case U32:
		return "u32"
	case S32:
		return "s32"
	case F32:
		return "f32"
	case UnknownNumber:
	}
	return "unknown"
}

// Registers is how many a number takes.
func (n Number) Registers() int {
	if n >= U32 {
		return 2
	}
	return 1
}
