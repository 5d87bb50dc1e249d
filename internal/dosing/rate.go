package dosing

import (
	"fmt"
	"strconv"
	"strings"

	"boxd/internal/units"
)

// Rate is a nutrient rate: grams of nutrient for one unit of what it is per.
type Rate struct {
	Per     Per
	Grams   units.Gram // for 1 m² (PerArea), 1 m of bed, 1 plant, or the zone
	Written string     // as the person wrote it, for the output
}

// Per is what a rate counts.
type Per uint8

// What a rate may count.
const (
	UnknownPer Per = iota
	PerArea
	PerBedLength
	PerPlant
	PerZone
)

var perNames = [...]string{"unknown", "area", "bed length", "plant", "zone"}

func (p Per) String() string { return nameOf(perNames[:], p) }

// MarshalText writes the word.
func (p Per) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

// rateUnit is one way to write a rate: grams of Per in one unit.
type rateUnit struct {
	text  string
	per   Per
	grams float64
}

// rateUnits lists the accepted units, without blanks. One "LBF" is a linear
// foot of bed.
func rateUnits() []rateUnit {
	const lb, foot = units.GramPerPound, units.MetrePerFoot
	return []rateUnit{
		{"kg/ha", PerArea, 0.1}, {"g/m2", PerArea, 1}, {"g/m²", PerArea, 1}, {"kg/m2", PerArea, 1000},
		{"lb/ac", PerArea, lb / units.M2PerAcre}, {"lb/acre", PerArea, lb / units.M2PerAcre},
		{"lb/1000ft2", PerArea, lb / (1000 * units.M2PerSquareFoot)}, {"oz/1000ft2", PerArea, units.GramPerOunce / (1000 * units.M2PerSquareFoot)},
		{"g/mbed", PerBedLength, 1}, {"g/100mbed", PerBedLength, 0.01}, {"kg/100mbed", PerBedLength, 10},
		{"lb/100LBF", PerBedLength, lb / (100 * foot)}, {"lb/1000LBF", PerBedLength, lb / (1000 * foot)}, {"g/LBF", PerBedLength, 1 / foot},
		{"g/plant", PerPlant, 1}, {"mg/plant", PerPlant, 0.001}, {"oz/plant", PerPlant, units.GramPerOunce},
		{"g/zone", PerZone, 1}, {"kg/zone", PerZone, 1000}, {"lb/zone", PerZone, lb},
	}
}

// RateUnits are the units ParseRate reads, as a person may write them.
func RateUnits() string {
	us := rateUnits()
	names := make([]string, len(us))
	for i, u := range us {
		names[i] = u.text
	}
	return strings.Join(names, ", ")
}

// ParseRate reads a rate such as "3.5 lb/ac/week", "4 kg/ha/event",
// "0.04 lb/100 LBF/week" or "0.2 g/plant/day". Without a last part the period
// is UnknownPeriod, which the target must then say.
func ParseRate(text string) (Rate, Period, error) {
	t := strings.TrimSpace(text)
	i := strings.IndexFunc(t, func(r rune) bool { return !strings.ContainsRune("+-.0123456789", r) })
	if i <= 0 {
		return Rate{}, UnknownPeriod, fmt.Errorf("cannot read rate %q: write a number and a unit, one of %s, with /event, /day or /week behind", text, RateUnits())
	}
	v, err := strconv.ParseFloat(t[:i], 64)
	if err != nil {
		return Rate{}, UnknownPeriod, fmt.Errorf("cannot read rate %q: %q is no number", text, t[:i])
	}
	unit, period := cutPeriod(strings.Join(strings.Fields(t[i:]), ""))
	for _, u := range rateUnits() {
		if u.text == unit {
			return Rate{Per: u.per, Grams: units.Gram(v * u.grams), Written: t}, period, nil
		}
	}
	return Rate{}, UnknownPeriod, fmt.Errorf("cannot read rate %q: unit %q is none of %s", text, unit, RateUnits())
}

func cutPeriod(unit string) (string, Period) {
	for p := PerEvent; p <= PerWeek; p++ {
		if rest, ok := strings.CutSuffix(unit, "/"+p.String()); ok {
			return rest, p
		}
	}
	return unit, UnknownPeriod
}
