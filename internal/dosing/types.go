package dosing

import (
	"time"

	"boxd/internal/units"
)

// Quantities that only this package needs.
type (
	RawEC        float64 // electrical conductivity at the water's own temperature, µS/cm
	MgPerL       float64 // mass concentration, milligrams per litre (the trade's ppm)
	GPerKg       float64 // solubility, grams per kilogram of water
	MeqPerL      float64 // charge concentration, milliequivalents per litre
	MMolPerL     float64 // amount concentration, millimoles per litre
	PerCm        float64 // cell constant, 1/cm
	Microsiemens float64 // conductance, µS
	PerCelsius   float64 // temperature coefficient, a fraction per °C
)

// Feed is a fertilizer programme for one zone: how much of one nutrient is
// wanted, the products it comes from, and the stock tanks they are dissolved
// in. The remaining nutrients follow from the products.
type Feed struct {
	Name     string
	Target   Target
	Products []Portion
	Tanks    []Tank // empty: one tank, as strong as is safe; two are injected one after the other, with clear water between
	Limits   Limits
}

// Portion is one product of a feed. Say the mix either by Parts with the
// tank's strength, or by GramsPerLitre on every portion: a recipe for a litre
// of stock, where equal volumes are drawn from each tank.
type Portion struct {
	Product       Product
	Tank          string      // name of its tank; empty: the first
	Parts         float64     // share by mass, relative to the other portions
	GramsPerLitre units.GPerL // grams of product in a litre of stock
}

// Tank is a stock tank.
type Tank struct {
	Name     string
	Volume   units.Litre // usable: brim less what the suction screen can't reach; 0: not said
	Strength units.GPerL // all products together, g in a litre of stock; 0: as strong as is safe (unless portions give g/L)
}

// Target is the wanted dose of one nutrient.
type Target struct {
	Nutrient Nutrient
	Rate     Rate
	Period   Period
	// EventsPerWeek divides a daily or weekly rate; it is needed for those.
	EventsPerWeek float64

	// Area says which area a rate per area means. It is needed for those.
	Area AreaConvention
	// GuideSpacing is the bed spacing the guide's rate per area was written
	// for; 0: the zone's own, and the plan says so.
	GuideSpacing units.Metre
	// FieldArea is the gross area for AreaField.
	FieldArea units.M2

	// Plants is the number of plants in the zone, for a rate per plant; 0:
	// from PlantSpacing and RowsPerBed.
	Plants       int
	PlantSpacing units.Metre
	RowsPerBed   int
}

// Period is what a rate is per.
type Period uint8

// The periods.
const (
	UnknownPeriod Period = iota
	PerEvent
	PerDay
	PerWeek
)

var periodNames = [...]string{"unknown", "event", "day", "week"}

func (p Period) String() string { return nameOf(periodNames[:], p) }

// MarshalText writes the word.
func (p Period) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

// AreaConvention says which area a rate per area counts.
type AreaConvention uint8

// The conventions. The wetted strip or the mulch top is none of them.
const (
	UnknownArea AreaConvention = iota
	// AreaBedLength is the linear-bed-foot convention: length of bed × the
	// guide's bed spacing.
	AreaBedLength
	// AreaField is the gross area a person states, drive rows included.
	AreaField
)

var areaNames = [...]string{"unknown", "bed-length", "field"}

func (a AreaConvention) String() string { return nameOf(areaNames[:], a) }

// MarshalText writes the word.
func (a AreaConvention) MarshalText() ([]byte, error) { return []byte(a.String()), nil }

// Product is a fertilizer as its label describes it.
type Product struct {
	Name     string
	Form     Form
	Analysis Analysis
	// Density of a liquid, g of product in a litre of it. Needed for liquids.
	Density units.GPerL
	// ECPerGPerL is the label's EC of 1 g/L in pure water; 0: computed from
	// Salts, or unknown.
	ECPerGPerL units.USPerCm
	// Salts is what the product is made of, by mass, from the built-in salts;
	// empty for a blend whose label does not say.
	Salts []SaltShare
	// Solubility of the product in water, rising temperature; empty: from
	// Salts, or unknown.
	Solubility []Solubility
	Hazards    Hazards
	Source     string // where the analysis comes from
}

// Form is how a product is bought.
type Form uint8

// The forms.
const (
	UnknownForm Form = iota
	Solid
	Liquid
)

var formNames = [...]string{"unknown", "solid", "liquid"}

func (f Form) String() string { return nameOf(formNames[:], f) }

// MarshalText writes the word.
func (f Form) MarshalText() ([]byte, error) { return []byte(f.String()), nil }

// Analysis is what a label guarantees, as fractions of the mass.
type Analysis struct {
	// Basis says what P and K are counted as. It is needed where P or K is
	// given: 13-0-44 (oxides) and 13-0-38 (elements) are the same salt.
	Basis     Basis
	N, P, K   units.Ratio
	Ca, Mg, S units.Ratio // always elements
	// UreaN is the part of N that is urea: EC can't see it.
	UreaN units.Ratio
}

// Basis is the convention for P and K on a label.
type Basis uint8

// The conventions.
const (
	UnknownBasis Basis = iota
	Oxide              // P2O5 and K2O, as on labels in the United States
	Elemental          // P and K
)

var basisNames = [...]string{"unknown", "oxide", "elemental"}

func (b Basis) String() string { return nameOf(basisNames[:], b) }

// MarshalText writes the word.
func (b Basis) MarshalText() ([]byte, error) { return []byte(b.String()), nil }

// SaltShare is a share by mass of a built-in salt.
type SaltShare struct {
	Salt  Salt
	Share units.Ratio
}

// Solubility is one row of a solubility table.
type Solubility struct {
	At     units.Celsius
	GPerKg GPerKg
	Source string
}

// Hazards are what the label warns of beyond what the salts tell.
type Hazards struct {
	StrongAcid bool // nitric, phosphoric, sulfuric …
	Chlorine   bool // hypochlorite or chlorine
	Oxidiser   bool // nitrates, peroxides
}

// Injector is the water-driven injector as set.
type Injector struct {
	Ratio      units.Ratio // what the dial says: 0.02 is 2 %, 1:50
	Convention Convention
	RatedFlow  units.LPerH // the most the injector's branch may carry
	// LowestFlow is the least that drives it; 0: not said.
	LowestFlow units.LPerH
	// DialLow and DialHigh bound Ratio where the dial can be turned; 0: fixed.
	DialLow, DialHigh units.Ratio
	// BranchFlow is what the branch carries once the loop valve is set; 0: the
	// rated flow, or the whole block flow where that is less.
	BranchFlow units.LPerH
}

// Convention says what a ratio divides by.
type Convention uint8

// The conventions: 1:50 is 1 part in 50 parts of the mixture, or 1 part added
// to 50 parts of water.
const (
	UnknownConvention Convention = iota
	StockInTotal
	StockPerWater
)

var conventionNames = [...]string{"unknown", "stock-in-total", "stock-per-water"}

func (c Convention) String() string { return nameOf(conventionNames[:], c) }

// MarshalText writes the word.
func (c Convention) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// Supply is the water the zone is fed from. Zero values are "not said", but
// for Chlorinated.
type Supply struct {
	Flow units.LPerH   // what it can give at working pressure
	EC   units.USPerCm // of the clear water
	// Hardness ions and sulfate, for precipitation.
	Calcium, Magnesium, Bicarbonate, Sulfate MeqPerL
	// Chlorinated: chlorine or hypochlorite is dosed into this water.
	Chlorinated bool
}

// Limits are the bounds a plan is judged against. See DefaultLimits.
type Limits struct {
	LineEC units.USPerCm // most EC in the line, supply water included; 0: not said
	// ColdestStock is the lowest temperature the stock tank is expected at.
	ColdestStock units.Celsius
	// SolubilityShare is how much of saturation may be used.
	SolubilityShare units.Ratio
	// AdvanceFactor: injection lasts at least this many times the travel time
	// to the far end.
	AdvanceFactor  float64
	ShortestInject time.Duration // 0: none
	LongestRun     time.Duration // all stages; 0: none
}

// DefaultLimits are starting points of common practice (no source), but for
// AdvanceFactor: an advance-time experiment in drip fertigation, Horticulturae
// 8(12):1103 (2022), found injection over two advance times uniform.
func DefaultLimits() Limits {
	return Limits{ColdestStock: 5, SolubilityShare: 0.8, AdvanceFactor: 2, LongestRun: 8 * time.Hour}
}

// ZoneFacts is what a plan needs to know of the zone, from its hydraulics.
type ZoneFacts struct {
	Name        string
	TotalFlow   units.LPerH   // all emitters together, at working pressure
	LineVolume  units.Litre   // lead, header and laterals: what filling takes
	FlushVolume units.Litre   // that must pass before the farthest emitter has clear water
	TravelFar   time.Duration // to the farthest emitter at TotalFlow
	// TotalBedLength is the length of all beds together.
	TotalBedLength units.Metre
	Beds           int
	BedSpacing     units.Metre
	Emitters       int
}

func nameOf[T ~uint8](names []string, v T) string {
	if int(v) >= len(names) {
		return names[0]
	}
	return names[v]
}
