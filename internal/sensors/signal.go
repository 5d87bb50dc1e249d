package sensors

import (
	"math"
	"time"

	"boxd/internal/box"
)

// Span is what a transmitter with a linear signal means by the two ends of it,
// in the unit of its channel's trace column.
type Span struct{ Low, High float64 }

func (s Span) at(share float64) float64 { return s.Low + float64(share*(s.High-s.Low)) }

// The currents of NAMUR NE 43, mA: a measurement between the inner two, a
// failure of the instrument or its wiring at or beyond the outer two. Between
// them the instrument is at the end of its span.
const (
	loopBroken = 3.6
	loopLow    = 3.8
	loopHigh   = 20.5
	loopShort  = 21.0
)

// FromLoop reads a 4–20 mA signal. A failure current is a fault that names the
// raw number; a current beyond the measuring range is a value with doubt.
func FromLoop(c box.Channel, milliamps float64, s Span) box.Sample {
	switch {
	case math.IsNaN(milliamps) || math.IsInf(milliamps, 0):
		return box.Failed(c, 0, "the current can't be read: check the converter")
	case milliamps <= loopBroken:
		return box.Failed(c, milliamps, "%.4g mA, at or below 3.6: look for a broken wire, no power, a failed transmitter")
	case milliamps >= loopShort:
		return box.Failed(c, milliamps, "%.4g mA, at or above 21: look for a short circuit, a failed transmitter")
	}
	return doubted(c, s.at((milliamps-4)/16), milliamps < loopLow || milliamps > loopHigh)
}

// The ends of a ratiometric signal, as shares of its supply: 10 to 90 % is the
// span; below 5 % and above 95 % a wire is broken or shorted (common practice, no
// source). Between, beyond the shares of the span at which NE 43 ends a
// measurement (−1.25 %, +103.125 %), the transducer is at the end of its span.
const (
	ratioZero, ratioFull = 0.1, 0.9
	ratioBroken          = 0.05
	ratioShort           = 0.95
	ratioLow             = ratioZero - 0.0125*(ratioFull-ratioZero)
	ratioHigh            = ratioZero + 1.03125*(ratioFull-ratioZero)
	supplyLow            = 4.5 // V; 5 V ± 10 %, what such transducers bear (common practice, no source)
	supplyHigh           = 5.5
)

// FromRatiometric reads a transducer that gives 10 to 90 % of its supply. The
// supply is measured with it: a reading over a supposed 5 V is off as the
// supply is.
func FromRatiometric(c box.Channel, volts, supply float64, s Span) box.Sample {
	part := volts / supply
	switch {
	case !(supply >= supplyLow && supply <= supplyHigh): // also refuses NaN
		return box.Failed(c, supply, "its supply is %.4g V, not 4.5 to 5.5: check the power of the transducers")
	case math.IsNaN(volts):
		return box.Failed(c, 0, "the voltage can't be read: check the converter")
	case part < ratioBroken:
		return box.Failed(c, 100*part, "gives %.4g %% of its supply, below 5: look for a broken wire or a short to ground")
	case part > ratioShort:
		return box.Failed(c, 100*part, "gives %.4g %% of its supply, above 95: look for a short to the supply or a lost ground")
	}
	return doubted(c, s.at((part-ratioZero)/(ratioFull-ratioZero)), part < ratioLow || part > ratioHigh)
}

// FromVoltage reads a transmitter that gives a voltage, as 0–10 V, between two
// ends. The limits are those of NE 43 as shares of the span. With its lower end
// at 0 V a broken wire reads as that end: such a signal can't tell.
func FromVoltage(c box.Channel, volts float64, ends, s Span) box.Sample {
	share := (volts - ends.Low) / (ends.High - ends.Low)
	switch {
	case math.IsNaN(share) || math.IsInf(share, 0):
		return box.Failed(c, 0, "the voltage can't be read: check the converter")
	case share <= (loopBroken-4)/16:
		return box.Failed(c, volts, "%.4g V, below what the transmitter gives: look for a broken wire, no power, wires the wrong way round")
	case share >= (loopShort-4)/16:
		return box.Failed(c, volts, "%.4g V, above what the transmitter gives: look for a lost ground, a failed transmitter")
	}
	return doubted(c, s.at(share), share < (loopLow-4)/16 || share > (loopHigh-4)/16)
}

// PulseMeter is a flow meter that gives pulses.
type PulseMeter struct {
	PerLitre float64 // the K-factor
	Most     float64 // L/min it can turn at; 0: not said
}

// FromPulses reads a pulse meter: so many pulses were counted in so long. More
// than the meter can make are a disturbance or a bouncing contact, not water.
func FromPulses(c box.Channel, pulses uint64, in time.Duration, m PulseMeter) box.Sample {
	if in <= 0 || !(m.PerLitre > 0) {
		return box.Failed(c, 0, "pulses can't be made into a flow: check the pulses per litre in the configuration")
	}
	rate := float64(pulses) / in.Seconds()
	flow := rate * 60 / m.PerLitre
	if m.Most > 0 && flow > m.Most*pulseSlack+60/(m.PerLitre*in.Seconds()) {
		s := box.Failed(c, rate, "%.4g pulses a second, more than the meter can make: look for a bouncing contact, a lost shield, a wrong number of pulses per litre")
		s.Cause = box.OutOfSpecification
		return s
	}
	return box.Sample{Channel: c, Value: flow}
}

// pulseSlack is how far a meter may turn over its largest flow: Q4/Q3 = 1.25,
// ISO 4064 (from memory). One pulse more is the count's own uncertainty.
const pulseSlack = 1.25

// doubted is a value; at the end of the instrument's span, one with doubt.
func doubted(c box.Channel, v float64, doubt bool) box.Sample {
	s := box.Sample{Channel: c, Value: v}
	if doubt {
		s.Cause = box.OutOfSpecification
	}
	return s
}
