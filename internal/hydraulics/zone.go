package hydraulics

import "boxd/internal/units"

// Zone describes the planting one box feeds at a time, as its owner would draw
// it. The datum for pressure and height is the box outlet. Slopes are
// fractions, positive where the pipe climbs away from the box (lead) or from
// the header's inlet (header) or from the header (laterals).
type Zone struct {
	Name      string
	Water     units.Celsius // temperature the hydraulics are worked at
	Inlet     units.KPa     // regulated pressure at the box outlet
	Regulator *Regulator    // nil: Inlet is held, whatever the flow
	Lead      Pipe
	Header    Header
	Laterals  Laterals
	Emitters  Emitters
	Formula   Formula
	// Factors multiplies single emitters' flow (clogging, scatter): one row a
	// lateral in header order, one value an emitter. Nil means all 1.
	Factors [][]float64
	Leaks   []Leak
}

// Pipe is a plain pipe.
type Pipe struct {
	Length    units.Metre
	Bore      units.MM
	Roughness units.MM
	Slope     units.Ratio
}

// Feed says where the header's inlet is.
type Feed uint8

const (
	FeedUnknown Feed = iota
	FeedEnd
	FeedCentre
)

// String is the word the configuration file uses.
func (f Feed) String() string {
	switch f {
	case FeedEnd:
		return "end"
	case FeedCentre:
		return "centre"
	case FeedUnknown:
	}
	return "unknown"
}

// Header carries the tees the laterals start from.
type Header struct {
	Feed        Feed
	Beds        int
	BedSpacing  units.Metre
	FirstTee    units.Metre
	TapesPerBed int
	TapeGap     units.Metre
	Bore        units.MM
	Roughness   units.MM
	Slope       units.Ratio
}

// Laterals are the drip tapes. Lengths holds one value, or one per bed.
type Laterals struct {
	Lengths        []units.Metre
	LeadIn         units.Metre // tee to first emitter
	EmitterSpacing units.Metre
	Bore           units.MM
	Roughness      units.MM
	Slope          units.Ratio
	ConnectorLoss  float64 // minor-loss coefficient on the velocity head at the lateral's entry
}

// Emitters follow q = Flow·(p/At)^Exponent.
type Emitters struct {
	Flow     units.LPerH
	At       units.KPa
	Exponent float64
	CV       float64 // manufacturing coefficient of variation, for the emission uniformity
}

// Regulator is the pressure regulator between supply and box outlet.
type Regulator struct {
	Supply    units.KPa
	Setpoint  units.KPa
	PipeBore  units.MM
	PipeLen   units.Metre
	MinorLoss float64
	Roughness units.MM
}

// Leak is one extra outlet on a lateral, with the emitters' exponent.
type Leak struct {
	Lateral int         // index in header order, from 0
	At      units.Metre // distance from the tee
	Flow    units.LPerH // at the emitters' nominal pressure
}

// Formula is the friction law.
type Formula uint8

const (
	DarcyWeisbach Formula = iota // as EPANET does it
	HazenWilliams140
	HazenWilliams150
)
