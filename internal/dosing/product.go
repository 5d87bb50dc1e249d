package dosing

import (
	"boxd/internal/say"
	"boxd/internal/units"
)

// looseVolume is the room a dissolved gram takes, mL/g, for solids the package
// doesn't know: urea's, the largest of the built-in ones.
const looseVolume = 0.75

// waterKgPerL is water's density for the room it takes in stock; it errs by
// 0.3 % at most from 0 to 25 °C.
const waterKgPerL = 1.0

// invisible reports whether all the product is urea.
func (p Product) invisible() bool {
	for _, s := range p.Salts {
		if s.Salt != Urea && s.Share > 0 {
			return false
		}
	}
	if len(p.Salts) > 0 {
		return true
	}
	a := p.Analysis
	return a.UreaN > 0 && a.UreaN >= a.N && a.P == 0 && a.K == 0 && a.Ca == 0 && a.Mg == 0 && a.S == 0
}

// ureaN is the nitrogen that is urea, as a fraction of the product's mass.
func (p Product) ureaN() units.Ratio {
	n := p.Analysis.UreaN
	for _, s := range p.Salts {
		if s.Salt == Urea {
			n = max(n, units.Ratio(float64(s.Share)*0.4665))
		}
	}
	return min(n, p.Analysis.N)
}

// volume is the room a dissolved gram of it takes, mL/g.
func (p Product) volume() float64 {
	if p.Form == Liquid {
		return 1000 / float64(p.Density)
	}
	sum, share := 0.0, 0.0
	for _, s := range p.Salts {
		sum += float64(s.Share) * s.Salt.fact().volume
		share += float64(s.Share)
	}
	return sum + max(0, 1-share)*looseVolume
}

// Saturation is the most of it a litre of solution holds at t. A liquid is its
// own limit. False where no solubility is known.
func (p Product) Saturation(t units.Celsius) (units.GPerL, bool) {
	if p.Form == Liquid {
		return p.Density, p.Density > 0
	}
	if len(p.Solubility) > 0 {
		s, ok := solubilityAt(p.Solubility, t)
		return perLitre(s, p.volume()), ok
	}
	// Shares of saturation add up: for salts with a common ion a rough rule,
	// common practice, no source; hence the share of it that a plan leaves.
	sum := 0.0
	for _, share := range p.Salts {
		s, ok := share.Salt.Solubility(t)
		if !ok {
			return 0, false
		}
		sum += float64(share.Share) / float64(perLitre(s, share.Salt.fact().volume))
	}
	if sum <= 0 {
		return 0, false
	}
	return units.GPerL(1 / sum), true
}

// perLitre turns g per kg of water into g per litre of solution.
func perLitre(s GPerKg, volume float64) units.GPerL {
	kg := float64(s) / 1000
	return units.GPerL(1000 * kg / (1/waterKgPerL + kg*volume))
}

// Mix is products dissolved together, as shares of their mass that add up to 1.
type Mix []MixPart

// MixPart is one product's share.
type MixPart struct {
	Product Product
	Share   units.Ratio
}

// ECRise is what a mix adds to the EC of the water it is dissolved in.
type ECRise struct {
	Rise units.USPerCm
	// Rel is the relative standard uncertainty of Rise.
	Rel units.Ratio
	// Known is false where it can't be told; Why says why.
	Known bool
	Why   say.Text
	// UreaN is the fraction of the mix's nitrogen that is urea: EC does not
	// see it.
	UreaN units.Ratio
}

// Standard uncertainties of an EC per g/L. Computed: fields differ from pure
// salts by up to 10 % (purity, moisture, pairing), taken as rectangular (GUM
// 4.3.7). Labelled: two makers' values for one grade differ by 12 %
// (Cooperative Extension of Delaware, from UMass), likewise.
const (
	relECComputed units.Ratio = 0.058 // 10 % ÷ √3
	relECLabel    units.Ratio = 0.035 // 6 % ÷ √3
)

// ECRise is the rise of EC, at 25 °C, from dissolving the mix to c. A label's
// value counts as it stands; the other products are worked out from their
// salts together, since real mixtures stay below the sum of their parts.
func (m Mix) ECRise(c units.GPerL) ECRise {
	out := ECRise{Known: true}
	var salts IonConc
	nitrogen, urea := 0.0, 0.0
	for _, p := range m {
		nitrogen += float64(p.Share) * float64(p.Product.Analysis.N)
		urea += float64(p.Share) * float64(p.Product.ureaN())
		g := units.GPerL(float64(c) * float64(p.Share))
		switch {
		case p.Product.ECPerGPerL > 0:
			out.Rise += units.USPerCm(float64(p.Product.ECPerGPerL) * float64(g))
			out.Rel = max(out.Rel, relECLabel)
		case p.Product.invisible():
		case len(p.Product.Salts) == 0:
			out.Known = false
			out.Why = say.T("the EC of %s is not on record: give the label's EC of 1 g/L", p.Product.Name)
		default:
			salts = salts.Plus(p.Product.ions(g))
			out.Rel = max(out.Rel, relECComputed)
		}
	}
	if nitrogen > 0 {
		out.UreaN = units.Ratio(urea / nitrogen)
	}
	out.Rise += salts.EC()
	if out.Known && out.Rise <= 0 {
		out.Known, out.Why = false, say.T("urea does not conduct: EC can't see this feed")
	}
	if !out.Known {
		out.Rise = 0
	}
	return out
}

// ions are the product's ions at c.
func (p Product) ions(c units.GPerL) IonConc {
	var out IonConc
	for _, s := range p.Salts {
		f := s.Salt.fact()
		if f.molar <= 0 {
			continue
		}
		mmol := float64(c) * float64(s.Share) / f.molar * 1000
		for _, i := range f.ions {
			out[i.ion] += MMolPerL(mmol * i.n)
		}
	}
	return out
}

// lineMost bounds the search for a concentration: no line carries more.
const lineMost units.GPerL = 200

// ConcFor is the concentration that makes this rise: ECRise backwards. False
// where EC can't see the mix or the rise is beyond 200 g/L.
func (m Mix) ConcFor(rise units.USPerCm) (units.GPerL, bool) {
	if top := m.ECRise(lineMost); !top.Known || !(rise >= 0) || rise > top.Rise {
		return 0, false
	}
	low, high := units.GPerL(0), lineMost
	for range 60 {
		mid := (low + high) / 2
		if m.ECRise(mid).Rise < rise {
			low = mid
		} else {
			high = mid
		}
	}
	return (low + high) / 2, true
}

// Nutrients are those in a mass of the mix.
func (m Mix) Nutrients(mass units.Gram) Nutrients {
	var sum Nutrients
	for _, p := range m {
		sum = sum.Plus(p.Product.Analysis.Nutrients(units.Gram(float64(mass) * float64(p.Share))))
	}
	return sum
}

// Share is the fraction of n in the mix's mass.
func (m Mix) Share(n Nutrient) units.Ratio {
	sum := units.Ratio(0)
	for _, p := range m {
		sum += units.Ratio(float64(p.Share) * float64(p.Product.Analysis.Share(n)))
	}
	return sum
}

// Strongest is the strength at which each solid's share of its own saturation
// at t, added up, reaches use (1 is saturation). Liquids count by their volume.
// False with the product's name where a solubility is not known.
func (m Mix) Strongest(t units.Celsius, use units.Ratio) (units.GPerL, string, bool) {
	sum := 0.0
	for _, p := range m {
		s, ok := p.Product.Saturation(t)
		if !ok || !(use > 0) {
			return 0, p.Product.Name, false
		}
		k := float64(use)
		if p.Product.Form == Liquid {
			k = 1
		}
		sum += float64(p.Share) / (float64(s) * k)
	}
	if sum <= 0 {
		return 0, "", false
	}
	return units.GPerL(1 / sum), "", true
}

// Water is the water in a volume of stock of this strength: an estimate for
// measuring out, 0 at least. The mark on the tank decides.
func (m Mix) Water(stock units.Litre, strength units.GPerL) units.Litre {
	room := 0.0
	for _, p := range m {
		room += float64(p.Share) * p.Product.volume()
	}
	return max(0, units.Litre(float64(stock)*(1-float64(strength)*room/1000)))
}

// MgPerL is the mass concentration of n in water that carries c of the mix.
func (m Mix) MgPerL(c units.GPerL, n Nutrient) MgPerL {
	return MgPerL(float64(c) * float64(m.Share(n)) * 1000)
}
