package dosing

import (
	"slices"

	"boxd/internal/say"
)

// Clash is a pair of products that should not meet.
type Clash struct {
	Code     string
	Severity Severity
	A, B     string // product names
	Why      say.Text
}

// group is a set of chemical traits that decide who may meet whom.
type group uint8

const (
	hasCalcium group = 1 << iota
	hasMagnesium
	hasPhosphate
	hasSulfate
	hasUrea
	isStrongAcid
	isChlorine
)

// groups are the product's traits: from its salts where they are known, else
// from its label.
func (p Product) groups() group {
	var g group
	set := func(bit group, on bool) {
		if on {
			g |= bit
		}
	}
	ions := p.ions(1)
	set(hasCalcium, p.Analysis.Ca > 0 || ions[Calcium] > 0)
	set(hasMagnesium, p.Analysis.Mg > 0 || ions[Magnesium] > 0)
	set(hasPhosphate, p.Analysis.P > 0 || ions[DihydrogenPhosphate] > 0 || ions[HydrogenPhosphate] > 0)
	set(hasSulfate, ions[Sulfate] > 0 || (len(p.Salts) == 0 && p.Analysis.S > 0))
	set(hasUrea, p.ureaN() > 0)
	set(isStrongAcid, p.Hazards.StrongAcid)
	set(isChlorine, p.Hazards.Chlorine)
	return g
}

// clashRule forbids or warns of two traits.
type clashRule struct {
	a, b     group
	code     string
	severity Severity
	why      say.Text
	anywhere bool // in two tanks of one run as well
}

// clashRules: what must not share a tank, after the University of California's
// microirrigation maintenance pages (calcium with sulfate or phosphate;
// magnesium with ammonium phosphate); acid with chlorine after extension
// bulletins on chlorination; urea with strong acid: common practice, no source.
func clashRules() []clashRule {
	return []clashRule{
		{hasCalcium, hasSulfate, CodeIncompatible, Stop, say.T("calcium and sulfate settle as gypsum"), false},
		{hasCalcium, hasPhosphate, CodeIncompatible, Stop, say.T("calcium and phosphate settle as calcium phosphate"), false},
		{hasMagnesium, hasPhosphate, CodeMayPrecipitate, Caution, say.T("magnesium and phosphate may settle, with ammonium above all: make a jar test first"), false},
		{isStrongAcid, isChlorine, CodeAcidChlorine, Stop, say.T("acid and chlorine make poisonous gas"), true},
		{hasUrea, isStrongAcid, CodeUreaAcid, Caution, say.T("urea and strong acid heat up: small amounts, slowly, or separate tanks"), false},
	}
}

// Clashes are the pairs among products dissolved in one tank that should not
// meet. What one labelled product holds together is the label's word.
func Clashes(products []Product) []Clash { return clashes(products, products, false) }

// clashes looks for pairs between two lists; when they are in different tanks
// only the rules for anywhere count.
func clashes(as, bs []Product, apart bool) []Clash {
	var out []Clash
	for _, r := range clashRules() {
		if apart && !r.anywhere {
			continue
		}
		for i, a := range as {
			for j, b := range bs {
				if (apart || i != j) && a.groups()&r.a != 0 && b.groups()&r.b != 0 {
					out = addClash(out, Clash{Code: r.code, Severity: r.severity, A: a.Name, B: b.Name, Why: r.why})
				}
			}
		}
	}
	return out
}

// addClash leaves out the mirror image of a pair already there.
func addClash(out []Clash, c Clash) []Clash {
	mirrored := func(o Clash) bool {
		return o.Why.Format == c.Why.Format && (o.A == c.B && o.B == c.A || o.A == c.A && o.B == c.B)
	}
	if slices.ContainsFunc(out, mirrored) {
		return out
	}
	return append(out, c)
}
