package dosing

import (
	"math"

	"boxd/internal/units"
)

// Ion is a dissolved ion.
type Ion uint8

// The ions.
const (
	Potassium Ion = iota
	Ammonium
	Sodium
	Calcium
	Magnesium
	Hydrogen
	Nitrate
	Chloride
	Sulfate
	DihydrogenPhosphate
	HydrogenPhosphate
	HydrogenCarbonate
	numIons
)

// ionFact is an ion's charge and its limiting conductivity.
type ionFact struct {
	symbol string
	charge float64 // signed
	lambda float64 // S·cm²/equivalent at 25 °C, infinite dilution
	molar  float64 // g/mol
}

// ionTable, to which nothing writes: limiting conductivities from the CRC Handbook, "Ionic Conductivity
// and Diffusion at Infinite Dilution" (Vanýsek); the anions, sodium and the
// phosphates are from memory of it.
var ionTable = [numIons]ionFact{
	Potassium:           {"K+", 1, 73.48, 39.0983},
	Ammonium:            {"NH4+", 1, 73.5, 18.039},
	Sodium:              {"Na+", 1, 50.08, 22.990},
	Calcium:             {"Ca2+", 2, 59.47, 40.078},
	Magnesium:           {"Mg2+", 2, 53.0, 24.305},
	Hydrogen:            {"H+", 1, 349.65, 1.008},
	Nitrate:             {"NO3-", -1, 71.42, 62.004},
	Chloride:            {"Cl-", -1, 76.31, 35.453},
	Sulfate:             {"SO42-", -2, 80.0, 96.06},
	DihydrogenPhosphate: {"H2PO4-", -1, 36.0, 96.986},
	HydrogenPhosphate:   {"HPO42-", -2, 57.0, 95.978},
	HydrogenCarbonate:   {"HCO3-", -1, 44.5, 61.017},
}

func (i Ion) String() string {
	if i >= numIons {
		return "unknown"
	}
	return ionTable[i].symbol
}

// IonConc is an amount of every ion.
type IonConc [numIons]MMolPerL

// Plus is the sum.
func (c IonConc) Plus(o IonConc) IonConc {
	for i := range c {
		c[i] += o[i]
	}
	return c
}

// Strength is the ionic strength, mol/L.
func (c IonConc) Strength() float64 {
	sum := 0.0
	for i, f := range &ionTable {
		sum += f.charge * f.charge * float64(c[i])
	}
	return sum / 2000
}

// side sums one side's charges.
type side struct {
	eq     float64 // meq/L
	charge float64 // equivalent-weighted mean charge
	lambda float64 // equivalent-weighted mean limiting conductivity
}

func (c IonConc) side(sign float64) side {
	var s side
	for i, f := range &ionTable {
		if f.charge*sign <= 0 {
			continue
		}
		z := math.Abs(f.charge)
		eq := z * float64(c[i])
		s.eq += eq
		s.charge += z * eq
		s.lambda += f.lambda * eq
	}
	if s.eq > 0 {
		s.charge /= s.eq
		s.lambda /= s.eq
	}
	return s
}

// EC is the conductivity at 25 °C of these ions in pure water by Kohlrausch's
// sum with Onsager's slope in Robinson and Stokes' form (Electrolyte
// Solutions, 2nd ed.):
//
//	Λ = Λ° − (B1·Λ° + B2)·√I/(1 + √I)
//
// Several cations (or anions) count by their charge-weighted means. Magnesium
// and sulfate pair (see pairs), which takes a fifth off. Good to 2 % for 1:1
// salts up to 0.1 mol/L, 4 % for 2:1 salts up to 0.05 eq/L.
func (c IonConc) EC() units.USPerCm {
	free := c.pairs()
	cat, an := free.side(1), free.side(-1)
	if cat.eq <= 0 || an.eq <= 0 {
		return 0
	}
	s := math.Sqrt(free.Strength())
	limit := cat.lambda + an.lambda
	b1, b2 := onsager(cat, an)
	lambda := limit - (b1*limit+b2)*s/(1+s)
	return units.USPerCm(lambda * (cat.eq + an.eq) / 2)
}

// onsager gives the relaxation and electrophoretic coefficients for water at
// 25 °C: permittivity 78.36, viscosity 0.8903 mPa·s (here in poise).
func onsager(cat, an side) (b1, b2 float64) {
	const epsT, viscosity = 78.36 * 298.15, 0.008903
	z, sum := cat.charge*an.charge, cat.charge+an.charge
	q := z * (cat.lambda + an.lambda) / (sum * (cat.charge*an.lambda + an.charge*cat.lambda))
	b1 = 2.801e6 * z * q / (math.Pow(epsT, 1.5) * (1 + math.Sqrt(q)))
	b2 = 41.25 * sum / (viscosity * math.Sqrt(epsT))
	return b1, b2
}

// mgSO4LogK is the association constant of MgSO4 (log10, L/mol); literature
// gives 2.2–2.4.
const mgSO4LogK = 2.23

// pairs takes the neutral magnesium sulfate pairs off, since they don't
// conduct. Activity coefficients after Davies.
func (c IonConc) pairs() IonConc {
	mg, so4 := float64(c[Magnesium])/1000, float64(c[Sulfate])/1000
	if mg <= 0 || so4 <= 0 {
		return c
	}
	free, pair := c, 0.0
	for range 100 {
		s := math.Sqrt(free.Strength())
		g := math.Pow(10, -0.509*4*(s/(1+s)-0.3*s*s))
		k := math.Pow(10, mgSO4LogK) * g * g
		b := k*(mg+so4) + 1
		next := 2 * k * mg * so4 / (b + math.Sqrt(b*b-4*k*k*mg*so4))
		free[Magnesium] = MMolPerL((mg - next) * 1000)
		free[Sulfate] = MMolPerL((so4 - next) * 1000)
		if math.Abs(next-pair) < 1e-12 {
			break
		}
		pair = next
	}
	return free
}

// AuditEC is APHA Standard Methods 2510's EC of a natural water from its
// analysis: k = k°·y², y from the ionic strength. It is for judging an
// analysis of raw water (calculated ÷ measured within 0.9–1.1, Standard
// Methods 1030 E); for fertilizer salts it is 5–28 % low, use EC.
func (c IonConc) AuditEC() units.USPerCm {
	k0 := 0.0
	for i, f := range &ionTable {
		k0 += math.Abs(f.charge) * f.lambda * float64(c[i])
	}
	return auditEC(k0, c.Strength())
}

func auditEC(k0, strength float64) units.USPerCm {
	s := math.Sqrt(strength)
	y := math.Pow(10, -0.5*(s/(1+s)-0.3*strength))
	return units.USPerCm(k0 * y * y)
}

// WaterReport is a raw-water analysis, mg/L.
type WaterReport struct {
	Ca, Mg, K, Na, HCO3, Cl, SO4, NO3 MgPerL
}

// EC is the quick estimate of APHA Standard Methods 1030 F (20th ed.), factors
// in µS/cm per mg/L.
func (w WaterReport) EC() units.USPerCm {
	sum := 2.60*w.Ca + 3.82*w.Mg + 1.84*w.K + 2.13*w.Na + 0.716*w.HCO3 + 2.14*w.Cl + 1.54*w.SO4 + 1.15*w.NO3
	return units.USPerCm(sum)
}

// TDS is the sum of the reported ions.
func (w WaterReport) TDS() MgPerL {
	return w.Ca + w.Mg + w.K + w.Na + w.HCO3 + w.Cl + w.SO4 + w.NO3
}

// Ions are the amounts behind the report.
func (w WaterReport) Ions() IonConc {
	f := &ionTable
	var c IonConc
	set := func(i Ion, m MgPerL) { c[i] = MMolPerL(float64(m) / f[i].molar) }
	set(Calcium, w.Ca)
	set(Magnesium, w.Mg)
	set(Potassium, w.K)
	set(Sodium, w.Na)
	set(HydrogenCarbonate, w.HCO3)
	set(Chloride, w.Cl)
	set(Sulfate, w.SO4)
	set(Nitrate, w.NO3)
	return c
}
