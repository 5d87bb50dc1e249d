package engine

// Cautions stand where the hazard is. Where each belongs and what it must say
// follows extension bulletins and label statements, named in cautions.go.

import (
	"strings"
	"testing"

	"boxd/internal/dosing"
)

func at(ps ...place) (here [numPlaces]bool) {
	for _, p := range ps {
		here[p] = true
	}
	return here
}

func TestCautions(t *testing.T) {
	known := func(h dosing.Hazards) Stock { return Stock{Known: true, Hazards: h} }
	salt := known(dosing.Hazards{})
	for _, c := range []struct {
		name  string
		here  [numPlaces]bool
		stock Stock
		has   string // parts, by |
		not   string
	}{
		{"mixing a salt", at(atMixing), salt, "goggles|label is the law", "Acid|acid|fire|drinks|electrician|pit"},
		{"mixing a nitrate", at(atMixing), known(dosing.Hazards{Oxidiser: true}), "goggles|feed fire", "acid"},
		{"mixing an acid", at(atMixing), known(dosing.Hazards{StrongAcid: true}), "acid into water, never water into acid|poisonous gas", "fire"},
		{"mixing bleach", at(atMixing), known(dosing.Hazards{Chlorine: true}), "poisonous gas", "into water"},
		{"mixing nobody knows what", at(atMixing), Stock{}, "never water into acid|acid and chlorine never come together|label is the law", "fire"},
		{"at the tank", at(atStock), salt, "Goggles|nobody drinks", "acid"},
		{"injecting", at(injecting), salt, "able to stop at once", "acid"},
		{"injecting acid", at(injecting), known(dosing.Hazards{StrongAcid: true}), "Flush the lines before", ""},
		{"flushing", at(flushing), salt, "nobody drinks", "acid"},
		{"leaving", at(leaving), salt, "re-entry|children", "drinks"},
		{"filter", at(atFilter), salt, "let the pressure out", "electrician"},
		{"device", at(atDevice), salt, "licensed tester|local code|test the air", "electrician"},
		{"wiring", at(atWiring), salt, "electrician", "drinks"},
		{"heating", at(atHeating), salt, "ground-fault", "drinks"},
		{"nowhere", at(), Stock{}, "", "."},
	} {
		var all []string
		for _, x := range cautionsAt(c.here, c.stock) {
			all = append(all, x.String())
		}
		text := strings.Join(all, " ")
		for _, part := range strings.Split(c.has, "|") {
			if !strings.Contains(text, part) {
				t.Errorf("%s: %q lacks %q", c.name, text, part)
			}
		}
		for _, part := range strings.Split(c.not, "|") {
			if part != "" && strings.Contains(text, part) {
				t.Errorf("%s: %q has %q", c.name, text, part)
			}
		}
	}
}

// TestNoWallOfText: nowhere are more than two cautions said of a plain salt, and
// none is longer than two sentences.
func TestNoWallOfText(t *testing.T) {
	for p := nowhere; p < numPlaces; p++ {
		if n := len(cautionsAt(at(p), Stock{Known: true})); n > 2 {
			t.Errorf("place %d: %d cautions", p, n)
		}
	}
	for _, c := range cautionTable() {
		if n := strings.Count(c.text.String(), "."); n < 1 || n > 2 {
			t.Errorf("%q: %d sentences", c.text.String(), n)
		}
	}
}
