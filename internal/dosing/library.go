package dosing

import "boxd/internal/units"

// saltFact is what is known of a pure compound.
type saltFact struct {
	label  string
	molar  float64 // g/mol
	ions   []ionCount
	grade  Analysis
	source string // of grade
	// solubility: g in a kg of water, rising temperature.
	solubility []Solubility
	// volume is the room a dissolved gram takes, mL/g, rounded up. From 20 °C
	// solution densities, CRC Handbook "Concentrative Properties of Aqueous
	// Solutions" (from memory); it estimates the water to measure out, the
	// mark on the tank decides.
	volume float64
	cools  bool // dissolving it chills the water strongly (from memory)
}

type ionCount struct {
	ion Ion
	n   float64
}

// Sources of the solubility rows.
const (
	srcNIST     = "NIST SRD 106 (IUPAC solubility data), mass per cent converted"
	srcJChem    = "Journal of Chemistry 2018, 8749345, table 2"
	srcReagent  = "reagent supplier's table, 36.8 g per 100 g at 20 °C"
	srcCRC      = "CRC Handbook, from memory"
	srcHydrate  = "CRC Handbook (anhydrous basis, from memory), taken for the hydrate as weighed: errs on the safe side"
	srcEpsom    = "handbooks differ by hydrate basis; the lowest, from memory"
	gradeLabel  = "common label grade"
	gradePure   = "computed from the formula"
	gradeMemory = "common label grade, from memory"
)

func rows(source string, values ...GPerKg) []Solubility {
	temps := [...]units.Celsius{0, 10, 20, 25}
	out := make([]Solubility, len(values))
	for i, v := range values {
		out[i] = Solubility{At: temps[i], GPerKg: v, Source: source}
	}
	return out
}

// saltTable is the built-in compounds; nothing writes to it. Solubility rows are at 0, 10,
// 20 and 25 °C. Beware of a much-copied fertigation table whose columns are
// mis-headed: its potassium nitrate "at 20 °C" (209) is the value at 10 °C.
var saltTable = [numSalts]saltFact{
	AmmoniumNitrate: {label: "ammonium nitrate 34-0-0", molar: 80.043, ions: []ionCount{{Ammonium, 1}, {Nitrate, 1}},
		grade: Analysis{N: 0.34}, source: gradeMemory, solubility: rows(srcCRC, 1180, 1500, 1920), volume: 0.65, cools: true},
	CalciumNitrateDouble: {label: "calcium nitrate 15.5-0-0", molar: 1080.7,
		ions:  []ionCount{{Calcium, 5}, {Ammonium, 1}, {Nitrate, 11}},
		grade: Analysis{N: 0.155, Ca: 0.19}, source: gradeLabel, solubility: rows(srcHydrate, 1020, 1150, 1290), volume: 0.52, cools: true},
	CalciumNitrateTetrahydrate: {label: "calcium nitrate tetrahydrate", molar: 236.149, ions: []ionCount{{Calcium, 1}, {Nitrate, 2}},
		grade: Analysis{N: 0.1186, Ca: 0.1697}, source: gradePure, solubility: rows(srcHydrate, 1020, 1150, 1290), volume: 0.5, cools: true},
	PotassiumNitrate: {label: "potassium nitrate 13-0-44", molar: 101.103, ions: []ionCount{{Potassium, 1}, {Nitrate, 1}},
		grade: Analysis{Basis: Oxide, N: 0.13, K: 0.44}, source: gradeLabel, solubility: potassiumNitrateRows(), volume: 0.42, cools: true},
	AmmoniumSulfate: {label: "ammonium sulfate 21-0-0", molar: 132.14, ions: []ionCount{{Ammonium, 2}, {Sulfate, 1}},
		grade: Analysis{N: 0.21, S: 0.24}, source: gradeMemory, solubility: rows(srcCRC, 706, 730, 754), volume: 0.54},
	Urea: {label: "urea 46-0-0", molar: 60.056,
		grade: Analysis{N: 0.46, UreaN: 0.46}, source: gradeMemory, solubility: rows(srcCRC, 670, 850, 1080, 1200), volume: 0.75, cools: true},
	MonoammoniumPhosphate: {label: "monoammonium phosphate 12-61-0", molar: 115.026,
		ions:  []ionCount{{Ammonium, 1}, {DihydrogenPhosphate, 1}},
		grade: Analysis{Basis: Oxide, N: 0.12, P: 0.61}, source: gradeMemory, solubility: mapRows(), volume: 0.48},
	MonopotassiumPhosphate: {label: "monopotassium phosphate 0-52-34", molar: 136.086,
		ions:  []ionCount{{Potassium, 1}, {DihydrogenPhosphate, 1}},
		grade: Analysis{Basis: Oxide, P: 0.52, K: 0.34}, source: gradeMemory, solubility: mkpRows(), volume: 0.35},
	PotassiumSulfate: {label: "potassium sulfate 0-0-50", molar: 174.259, ions: []ionCount{{Potassium, 2}, {Sulfate, 1}},
		grade: Analysis{Basis: Oxide, K: 0.50, S: 0.17}, source: gradeMemory, solubility: rows(srcCRC, 74, 93, 111, 120), volume: 0.25},
	PotassiumChloride: {label: "potassium chloride 0-0-60", molar: 74.551, ions: []ionCount{{Potassium, 1}, {Chloride, 1}},
		grade: Analysis{Basis: Oxide, K: 0.60}, source: gradeMemory, solubility: rows(srcCRC, 280, 312, 342, 355), volume: 0.4},
	MagnesiumSulfate: {label: "magnesium sulfate heptahydrate", molar: 246.475, ions: []ionCount{{Magnesium, 1}, {Sulfate, 1}},
		grade: Analysis{Mg: 0.0986, S: 0.1301}, source: gradePure, solubility: rows(srcEpsom, 600, 680, 710), volume: 0.54},
	MagnesiumNitrate: {label: "magnesium nitrate hexahydrate", molar: 256.41, ions: []ionCount{{Magnesium, 1}, {Nitrate, 2}},
		grade: Analysis{N: 0.109, Mg: 0.095}, source: gradePure, solubility: rows(srcHydrate, 620, 660, 695), volume: 0.56, cools: true},
}

func potassiumNitrateRows() []Solubility {
	return []Solubility{{0, 126, srcNIST}, {10, 209, srcJChem}, {20, 316, srcCRC}, {25, 375, srcJChem}}
}

func mapRows() []Solubility {
	return []Solubility{{0, 226, srcNIST}, {10, 271, srcNIST}, {20, 368, srcReagent}, {25, 404, srcCRC}}
}

func mkpRows() []Solubility {
	return []Solubility{{0, 148, srcCRC}, {10, 181, srcJChem}, {20, 226, srcCRC}, {25, 251, srcJChem}}
}

// Product is the compound as a product of its common grade. A label's own
// analysis should replace it.
func (s Salt) Product() (Product, bool) {
	if s == UnknownSalt || s >= numSalts {
		return Product{}, false
	}
	f := s.fact()
	return Product{Name: f.label, Form: Solid, Analysis: f.grade, Salts: []SaltShare{{s, 1}}, Source: f.source}, true
}

// Library is every built-in product.
func Library() []Product {
	out := make([]Product, 0, numSalts-1)
	for s := UnknownSalt + 1; s < numSalts; s++ {
		p, _ := s.Product()
		out = append(out, p)
	}
	return out
}

// Solubility is the compound's solubility at t: linear between the tabled
// temperatures, the last row above them. False below the first row and for
// compounds without a table.
func (s Salt) Solubility(t units.Celsius) (GPerKg, bool) {
	if s == UnknownSalt || s >= numSalts {
		return 0, false
	}
	return solubilityAt(s.fact().solubility, t)
}

func solubilityAt(table []Solubility, t units.Celsius) (GPerKg, bool) {
	if len(table) == 0 || !(t >= table[0].At) {
		return 0, false
	}
	for i := 1; i < len(table); i++ {
		a, b := table[i-1], table[i]
		if t <= b.At {
			k := float64(t-a.At) / float64(b.At-a.At)
			return a.GPerKg + GPerKg(k*float64(b.GPerKg-a.GPerKg)), true
		}
	}
	return table[len(table)-1].GPerKg, true
}

// fact is what is known of the compound; nothing where it is none of ours.
func (s Salt) fact() *saltFact {
	if s >= numSalts {
		s = UnknownSalt
	}
	return &saltTable[s]
}
