package calibration

import (
	"math"
	"slices"

	"boxd/internal/box"
	"boxd/internal/dosing"
	"boxd/internal/say"
	"boxd/internal/units"
)

// EC is a probe in one or two standard solutions: with one its gain, which is its
// cell constant, with two also its offset.
type EC struct {
	// By is how the readings were brought to 25 °C.
	By     Compensation `json:"compensated_by"`
	Points []Solution   `json:"points"`
}

// Compensation says who brings a reading to 25 °C.
type Compensation string

// The ways.
const (
	Nobody Compensation = "nobody" // the reading is at the solution's temperature
	Boxd   Compensation = "boxd"   // 1.9 %/°C, of an instrument that is not compensated by itself
	Probe  Compensation = "probe"  // by a rule of its own
)

// Solution is the probe in one standard.
type Solution struct {
	At25    float64 `json:"at_25_us_cm"` // the bottle's value
	Table   []Row   `json:"table,omitempty"`
	Celsius float64 `json:"celsius"` // of the solution
	// Water is the temperature that boxd compensated with, where the thermometer
	// is not in the solution.
	Water   *float64 `json:"water_c,omitempty"`
	Reading float64  `json:"reading"`
}

// Row is one of the bottle's own table.
type Row struct {
	Celsius float64 `json:"celsius"`
	EC      float64 `json:"us_cm"`
}

const (
	standardLimit = 0.01 // of a bottle, relative: takes in mol per litre against mol per kg
	probeTempRule = 0.002
	probeTempMost = 10   // °C from 25, where the probe's own rule is not known
	mostCell      = 0.30 // of a cell constant off its nominal
	mostCellMove  = 0.10 // since the last calibration
	leastApart    = 1.9  // quotient of two standards: bottles of 1413 and 2770 µS/cm are the common pair
	tempLimit     = 0.3  // °C, of the solution's thermometer
	mostTableOff  = 0.02 // of the bottle's table, from KCl as NIST has it
	mostRows      = 50
)

// At is the solution's EC at its temperature: by the bottle's own table, or by
// that of NIST for KCl.
func (s Solution) At(celsius float64) (float64, error) {
	if len(s.Table) == 0 {
		b, err := dosing.Bottle("KCl", dosing.RawEC(s.At25))
		if err != nil {
			return 0, err
		}
		v, err := b.At(units.Celsius(celsius))
		return float64(v), err
	}
	if err := s.plausible(); err != nil {
		return 0, err
	}
	first, last := s.Table[0].Celsius, s.Table[len(s.Table)-1].Celsius
	if !(celsius >= first && celsius <= last) {
		return 0, say.Refuse("the standard is at %v, its table covers %v to %v; bring it to the temperature of a room", units.Celsius(celsius), units.Celsius(first), units.Celsius(last))
	}
	i, exact := slices.BinarySearchFunc(s.Table, celsius, func(r Row, t float64) int {
		switch {
		case r.Celsius < t:
			return -1
		case r.Celsius > t:
			return 1
		}
		return 0
	})
	if exact {
		return s.Table[i].EC, nil
	}
	a, b := s.Table[i-1], s.Table[i]
	return a.EC + float64((b.EC-a.EC)*(celsius-a.Celsius)/(b.Celsius-a.Celsius)), nil
}

// plausible holds the bottle's table against that of NIST: labels round, and are
// known to carry a wrong cell.
func (s Solution) plausible() error {
	nist := Solution{At25: s.At25}
	if len(s.Table) < 2 || len(s.Table) > mostRows {
		return say.Refuse("the bottle's table has %d rows; give 2 to %d, or none", len(s.Table), mostRows)
	}
	for i, row := range s.Table {
		if !finite(row.Celsius, row.EC) || row.EC <= 0 || i > 0 && (row.Celsius <= s.Table[i-1].Celsius || row.EC <= s.Table[i-1].EC) {
			return say.Refuse("row %d of the bottle's table does not go up from the one before; check it for a misprint", i+1)
		}
		want, err := nist.At(row.Celsius)
		if err != nil {
			return say.Refuse("row %d of the bottle's table: %v", i+1, say.Of(err))
		}
		if off := row.EC/want - 1; math.Abs(off) > mostTableOff {
			return say.Refuse("row %d of the bottle's table, %g µS/cm at %g °C, is %+.1f %% off KCl that has %g at 25 °C (NIST: %.0f); check it for a misprint, and that the standard is KCl", i+1, row.EC, row.Celsius, 100*off, s.At25, want)
		}
	}
	return nil
}

// expected is what a right probe would have shown, and the relative standard
// uncertainty of that.
func (s Solution) expected(by Compensation, limit float64) (v, u float64, err error) {
	if v, err = s.At(s.Celsius); err != nil {
		return 0, 0, err
	}
	u = combined(rectangular(limit), rectangular(0.02*tempLimit)) // KCl rises by 2 % a degree
	switch by {
	case Nobody:
		return v, u, nil
	case Boxd:
		water := s.Celsius
		if s.Water != nil {
			water = *s.Water
		}
		c, err := dosing.Linear(dosing.RawEC(v), units.Celsius(water), dosing.AlphaFeed)
		return float64(c), u, err
	case Probe:
		d := math.Abs(s.Celsius - 25)
		if d > probeTempMost {
			return 0, 0, say.Refuse("the standard is at %v: a probe that compensates by a rule of its own is calibrated within 10 °C of 25", units.Celsius(s.Celsius))
		}
		if v, err = s.At(25); err != nil {
			return 0, 0, err
		}
		return v, combined(rectangular(limit), rectangular(probeTempRule*d)), nil
	}
	return 0, 0, say.Refuse("readings compensated by %q; say nobody, boxd or probe", string(by))
}

func (r *Request) ec(rec *Record, c box.Channel) error {
	rec.Kind = ECKind
	ps := r.EC.Points
	if c != box.BoxEC && c != box.EndEC {
		return say.Refuse("it is no EC; name an EC's column")
	}
	if len(ps) < 1 || len(ps) > 2 {
		return say.Refuse("%d standards; take one or two", len(ps))
	}
	worst := 0.0
	for i, p := range ps {
		want, u, err := p.expected(r.EC.By, r.Standard.limit(standardLimit))
		if err != nil {
			return say.Refuse("standard %d: %v", i+1, say.Of(err))
		}
		raw := r.uncorrected(p.Reading, rec.Before)
		if !finite(raw) || raw <= 0 {
			return say.Refuse("standard %d: the probe reads %g; check that it is in the solution and its wire", i+1, raw)
		}
		worst = max(worst, u*want)
		rec.Points = append(rec.Points, Point{Reference: want, Reading: raw})
	}
	after, err := cell(rec)
	if err != nil {
		return err
	}
	if math.Abs(after.Gain-1) > mostCell {
		return say.Refuse("the gain would be %.3f, more than %.0f %% off the probe's nominal cell; check that the standard is fresh and its value right, clean the probe, look for air in it", after.Gain, 100*mostCell)
	}
	if was := rec.Before; was != None() && math.Abs(after.Gain/was.Gain-1) > mostCellMove {
		return say.Refuse("the cell would move by %+.0f %% since the last calibration, more than %.0f %%; clean the probe, take a fresh standard, and look whether it is worn", 100*(after.Gain/was.Gain-1), 100*mostCellMove)
	}
	rec.After, rec.Expanded = after, 2*worst
	return nil
}

// cell is the correction of one or two standards.
func cell(rec *Record) (Correction, error) {
	a := rec.Points[0]
	if len(rec.Points) == 1 {
		return Correction{Gain: a.Reference / a.Reading}, nil
	}
	b := rec.Points[1]
	if q := max(a.Reference, b.Reference) / min(a.Reference, b.Reference); q < leastApart {
		return Correction{}, say.Refuse("the standards are too near together (1:%.2f); take one of about twice the other's EC or more", q)
	}
	l, err := Fit([]float64{a.Reading, b.Reading}, []float64{a.Reference, b.Reference}, 0)
	if err != nil {
		return Correction{}, say.Refuse("the probe reads the same in both standards: check the probe and its wire")
	}
	return Correction{Gain: l.Slope, Offset: l.Zero}, nil
}
