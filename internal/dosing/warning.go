package dosing

import "boxd/internal/say"

// Severity of a warning.
type Severity uint8

// The severities: a note to know, a caution to weigh, a stop to clear first.
const (
	UnknownSeverity Severity = iota
	Note
	Caution
	Stop
)

var severityNames = [...]string{"unknown", "note", "caution", "stop"}

func (s Severity) String() string { return nameOf(severityNames[:], s) }

// MarshalText writes the word.
func (s Severity) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// Warning is something a person should know before following a plan, as data:
// a sentence, in JSON in English and metric units, and the numbers in it.
type Warning struct {
	Code     string   `json:"code"`
	Severity Severity `json:"severity"`
	Text     say.Text `json:"text"`
	Numbers  []Number `json:"numbers,omitempty"`
}

// Number is a named value with its unit as written in the field of measurement
// ("g/L", "L", "min", "µS/cm", "L/h").
type Number struct {
	Name  string  `json:"name"`
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
}

// Codes of warnings.
const (
	CodeBeyondSolubility  = "stock-beyond-solubility"
	CodeSolubilityUnknown = "solubility-unknown"
	CodeIncompatible      = "incompatible-in-tank"
	CodeMayPrecipitate    = "may-precipitate"
	CodeHardWater         = "water-may-precipitate"
	CodeAcidChlorine      = "acid-with-chlorine"
	CodeUreaAcid          = "urea-with-strong-acid"
	CodeInjectionShort    = "injection-too-short"
	CodeRunLong           = "run-too-long"
	CodeTankSmall         = "stock-tank-too-small"
	CodeLineEC            = "line-ec-above-limit"
	CodeECUnknown         = "line-ec-unknown"
	CodeSupplyEC          = "supply-ec-not-said"
	CodeSupplySmall       = "supply-too-small"
	CodeUreaInvisible     = "urea-invisible-to-ec"
	CodeCools             = "dissolving-cools"
	CodeBypass            = "bypass-dilutes"
	CodeBranchHigh        = "branch-above-rated"
	CodeBranchLow         = "branch-below-lowest"
	CodeOwnSpacing        = "guide-spacing-not-said"
)

// Codes of standing cautions.
const (
	CautionEyes     = "eye-protection"
	CautionOxidiser = "oxidiser"
	CautionAcid     = "acid-to-water"
	CautionChlorine = "never-acid-with-chlorine"
	CautionLabel    = "label-is-law"
	CautionCode     = "local-code"
)

// HazardsOf are the hazards of any of the products. A nitrate is an oxidiser
// whether its label says so or not.
func HazardsOf(products []Product) (h Hazards) {
	for _, p := range products {
		h.StrongAcid = h.StrongAcid || p.Hazards.StrongAcid
		h.Chlorine = h.Chlorine || p.Hazards.Chlorine
		h.Oxidiser = h.Oxidiser || p.Hazards.Oxidiser || p.ions(1)[Nitrate] > 0
	}
	return h
}

// cautions are the standing ones that fit these products, where the hazard is.
// Acid to water: Alabama Extension ANR-652. The others: extension bulletins
// and safety data sheets, from memory.
func cautions(products []Product) []Warning {
	h := HazardsOf(products)
	out := []Warning{{Code: CautionEyes, Severity: Caution, Text: say.T("Wear eye protection and gloves with concentrated stock; follow the safety data sheet.")}}
	if h.StrongAcid {
		out = append(out,
			Warning{Code: CautionAcid, Severity: Caution, Text: say.T("Always add acid to water, never water to acid. Face shield, gloves, apron; keep everybody else away.")})
	}
	if h.StrongAcid || h.Chlorine {
		out = append(out,
			Warning{Code: CautionChlorine, Severity: Caution, Text: say.T("Never bring acid and chlorine together, in a tank or in the line: poisonous gas. Flush between.")})
	}
	if h.Oxidiser {
		out = append(out,
			Warning{Code: CautionOxidiser, Severity: Caution, Text: say.T("Nitrates and other oxidisers feed fire: keep fuel, sawdust and other organic matter away.")})
	}
	return append(out,
		Warning{Code: CautionLabel, Severity: Note, Text: say.T("The label decides: inject only what its label allows in this system, at its rates and re-entry times.")},
		Warning{Code: CautionCode, Severity: Note, Text: say.T("Check the local plumbing code, the state's chemigation rules and your water supplier; a licensed tester judges the backflow device.")})
}
