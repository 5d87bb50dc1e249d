package dosing

import "boxd/internal/units"

// Nutrient is what a rate counts.
type Nutrient uint8

// The nutrients; P2O5 and K2O are the label's way to write P and K.
const (
	UnknownNutrient Nutrient = iota
	N
	P2O5
	K2O
	P
	K
	Ca
	Mg
	S
)

var nutrientNames = [...]string{"unknown", "N", "P2O5", "K2O", "P", "K", "Ca", "Mg", "S"}

func (n Nutrient) String() string { return nameOf(nutrientNames[:], n) }

// MarshalText writes the symbol.
func (n Nutrient) MarshalText() ([]byte, error) { return []byte(n.String()), nil }

// NutrientByName finds a nutrient by its symbol, "P2O5" for instance.
func NutrientByName(name string) (Nutrient, bool) { return byName[Nutrient](nutrientNames[:], name) }

// Mass fractions of an element in the form labels and reports write it, from
// the IUPAC standard atomic weights (abridged, 2021).
const (
	pInP2O5 = 2 * 30.973762 / (2*30.973762 + 5*15.999)
	kInK2O  = 2 * 39.0983 / (2*39.0983 + 15.999)
	caInCaO = 40.078 / (40.078 + 15.999)
	mgInMgO = 24.305 / (24.305 + 15.999)
	sInSO3  = 32.06 / (32.06 + 3*15.999)
	nInNO3  = 14.007 / (14.007 + 3*15.999)
	nInNH4  = 14.007 / (14.007 + 4*1.008)
)

// ElementShare is the mass fraction of the element in a compound that labels
// and water reports use: P2O5, K2O, CaO, MgO, SO3, NO3, NH4.
func ElementShare(compound string) (units.Ratio, bool) {
	switch compound {
	case "P2O5":
		return pInP2O5, true
	case "K2O":
		return kInK2O, true
	case "CaO":
		return caInCaO, true
	case "MgO":
		return mgInMgO, true
	case "SO3":
		return sInSO3, true
	case "NO3":
		return nInNO3, true
	case "NH4":
		return nInNH4, true
	}
	return 0, false
}

// Share is the mass fraction of n in the product, whatever the label's basis.
func (a Analysis) Share(n Nutrient) units.Ratio {
	p, k := a.P, a.K
	if a.Basis != Elemental {
		p, k = p*pInP2O5, k*kInK2O
	}
	switch n {
	case N:
		return a.N
	case P2O5:
		return p / pInP2O5
	case K2O:
		return k / kInK2O
	case P:
		return p
	case K:
		return k
	case Ca:
		return a.Ca
	case Mg:
		return a.Mg
	case S:
		return a.S
	case UnknownNutrient:
	}
	return 0
}

// Nutrients are masses of each nutrient. P2O5 and P are the same phosphorus
// written twice, and so are K2O and K.
type Nutrients struct {
	N    units.Gram `json:"n_g"`
	P2O5 units.Gram `json:"p2o5_g"`
	K2O  units.Gram `json:"k2o_g"`
	P    units.Gram `json:"p_g"`
	K    units.Gram `json:"k_g"`
	Ca   units.Gram `json:"ca_g"`
	Mg   units.Gram `json:"mg_g"`
	S    units.Gram `json:"s_g"`
}

// Nutrients are those in a mass of a product.
func (a Analysis) Nutrients(m units.Gram) Nutrients {
	of := func(n Nutrient) units.Gram { return units.Gram(float64(m) * float64(a.Share(n))) }
	return Nutrients{N: of(N), P2O5: of(P2O5), K2O: of(K2O), P: of(P), K: of(K), Ca: of(Ca), Mg: of(Mg), S: of(S)}
}

// Plus is the sum.
func (n Nutrients) Plus(o Nutrients) Nutrients {
	return Nutrients{N: n.N + o.N, P2O5: n.P2O5 + o.P2O5, K2O: n.K2O + o.K2O,
		P: n.P + o.P, K: n.K + o.K, Ca: n.Ca + o.Ca, Mg: n.Mg + o.Mg, S: n.S + o.S}
}

// Of is the mass of one nutrient.
func (n Nutrients) Of(which Nutrient) units.Gram {
	switch which {
	case N:
		return n.N
	case P2O5:
		return n.P2O5
	case K2O:
		return n.K2O
	case P:
		return n.P
	case K:
		return n.K
	case Ca:
		return n.Ca
	case Mg:
		return n.Mg
	case S:
		return n.S
	case UnknownNutrient:
	}
	return 0
}

func byName[T ~uint8](names []string, name string) (T, bool) {
	for i := 1; i < len(names); i++ {
		if names[i] == name {
			return T(i), true
		}
	}
	return 0, false
}
