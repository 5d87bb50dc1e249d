package sensors

import (
	"fmt"
	"time"

	"boxd/internal/box"
)

// Wiring is one channel's instrument as the configuration describes it.
type Wiring struct {
	Channel box.Channel
	Bus     string        // device file, such as /dev/i2c-1; empty where the driver needs none
	Every   time.Duration // between two readings
	Raw     bool          // EC at the temperature of the water, to be brought to 25 °C
	Driver  Driver
}

func (w Wiring) String() string {
	s := w.Driver.Name()
	if w.Bus != "" {
		s += " " + w.Bus
	}
	if p := w.Driver.Place(); p != "" {
		s += " " + p
	}
	return s
}

// Driver is how an instrument is read, with what only this way needs to know.
// The types that implement it are in this package; hwio has the code for each.
type Driver interface {
	Name() string  // as in the configuration
	Place() string // where on the bus, for a person; may be empty
}

// Correction is what a calibration found: true = Gain·reading + Offset, in the
// unit of the channel's trace column. At is when.
type Correction struct {
	Gain, Offset float64
	At           time.Time
}

// Corrections are those of the channels that have one.
type Corrections map[box.Channel]Correction

// Apply corrects the value of a sample that has one.
func (c Corrections) Apply(s box.Sample) box.Sample {
	if k, ok := c[s.Channel]; ok && s.Fault == "" {
		s.Value = float64(k.Gain*s.Value) + k.Offset
	}
	return s
}

// ADS1115 is an input of that converter (data sheet SBAS444).
type ADS1115 struct {
	Address   uint16
	Plus      int
	Minus     int     // NoInput: against ground
	FullScale float64 // V, one of ADS1115Ranges
	Rate      int     // conversions a second, one of ADS1115Rates
	Signal    Signal
}

// NoInput is in the place of an input's number where there is none.
const NoInput = -1

// Name is the driver's in the configuration.
func (ADS1115) Name() string { return "ads1115" }

// Place says address and input.
func (a ADS1115) Place() string {
	if a.Minus != NoInput {
		return fmt.Sprintf("0x%02x input %d-%d", a.Address, a.Plus, a.Minus)
	}
	return fmt.Sprintf("0x%02x input %d", a.Address, a.Plus)
}

// ADS1115Ranges are the full scales, V (data sheet, table of the PGA bits), in
// the order of the bits.
func ADS1115Ranges() []float64 { return []float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256} }

// ADS1115Rates are the data rates, conversions a second, in the order of the
// bits.
func ADS1115Rates() []int { return []int{8, 16, 32, 64, 128, 250, 475, 860} }

// Signal is what a voltage at a converter means.
type Signal struct {
	Kind    SignalKind
	Span    Span    // in the unit of the channel's trace column, at the ends of the signal
	Shunt   float64 // ohm; of a loop
	Divider float64 // of the voltage before it reaches the input; 1: none
	// Supply is the input that measures the transducer's supply, behind a divider
	// of its own; of a ratiometric signal.
	Supply        int
	SupplyDivider float64
	Volts         Span // of a voltage: the ends of the signal, V
}

// SignalKind is how a signal carries its value.
type SignalKind uint8

// The kinds.
const (
	UnknownSignal SignalKind = iota
	Loop                     // 4–20 mA through a shunt
	Ratiometric              // 10 to 90 % of the transducer's supply
	Voltage                  // between two voltages, as 0–10 V
)

func (k SignalKind) String() string {
	switch k {
	case Loop:
		return "loop"
	case Ratiometric:
		return "ratiometric"
	case Voltage:
		return "voltage"
	case UnknownSignal:
	}
	return "unknown"
}

// ECText is an EC probe on I2C that takes a command in ASCII, needs its time and
// answers with a status byte and a number in ASCII.
type ECText struct {
	Address uint16
	Command string        // asks for one reading
	Wait    time.Duration // the time a reading needs, by the data sheet
	Field   int           // of the comma-separated numbers of the answer, from 0
	Scale   float64       // µS/cm in one unit of the number
	Codes   TextCodes
}

// TextCodes are the status bytes of an ECText probe's answers.
type TextCodes struct{ Done, Pending, Failed, NoData byte }

// Name is the driver's in the configuration.
func (ECText) Name() string { return "ec-text" }

// Place says the address.
func (e ECText) Place() string { return fmt.Sprintf("0x%02x", e.Address) }
