package dosing

// Conversions, rates, solubilities and compatibility against published values,
// with the source beside each.

import (
	"slices"
	"strings"
	"testing"

	"boxd/internal/units"
)

// IUPAC atomic weights; 43.6 % and 83 % are the rounded figures of extension
// teaching.
func TestOxideConversions(t *testing.T) {
	for name, want := range map[string]units.Ratio{"P2O5": 0.4364, "K2O": 0.8301, "CaO": 0.7147, "MgO": 0.6030, "SO3": 0.4004, "NO3": 0.2259, "NH4": 0.7765} {
		got, ok := ElementShare(name)
		if !ok {
			t.Fatalf("%s is not known", name)
		}
		near(t, name, got, want, 0.0005)
	}
	if _, ok := ElementShare("C2H6O"); ok {
		t.Error("C2H6O should not be known")
	}
}

// Potassium nitrate is 13-0-46 by oxide and 13-0-38 by element in makers'
// literature: the same salt.
func TestAnalysisBasis(t *testing.T) {
	byOxide := Analysis{Basis: Oxide, N: 0.13, K: 0.458}
	byElement := Analysis{Basis: Elemental, N: 0.13, K: 0.38}
	near(t, "K", byOxide.Share(K), byElement.Share(K), 0.001)
	near(t, "K2O", byOxide.Share(K2O), byElement.Share(K2O), 0.001)
	n := Analysis{Basis: Oxide, P: 0.61}.Nutrients(1000)
	near(t, "P2O5", n.P2O5, 610, 1e-9)
	near(t, "P", n.P, 610*0.4364, 0.5)
	for which := N; which <= S; which++ {
		a := Analysis{Basis: Oxide, N: .1, P: .1, K: .1, Ca: .1, Mg: .1, S: .1}
		near(t, which.String(), a.Nutrients(100).Of(which), units.Gram(100*float64(a.Share(which))), 1e-12)
		if back, ok := NutrientByName(which.String()); !ok || back != which {
			t.Errorf("name %s does not lead back", which)
		}
	}
}

// The grades against the compounds' formulas (IUPAC weights): a label can't
// guarantee more than the pure salt holds, nor much less.
func TestLibraryGradesFitTheFormulas(t *testing.T) {
	pure := map[Salt]map[Nutrient]units.Ratio{
		AmmoniumNitrate:        {N: 0.3500},
		CalciumNitrateDouble:   {N: 0.1555, Ca: 0.1854}, // labels claim 19 % Ca
		PotassiumNitrate:       {N: 0.1385, K2O: 0.4658},
		AmmoniumSulfate:        {N: 0.2120, S: 0.2426},
		Urea:                   {N: 0.4665},
		MonoammoniumPhosphate:  {N: 0.1218, P2O5: 0.6170},
		MonopotassiumPhosphate: {P2O5: 0.5215, K2O: 0.3461},
		PotassiumSulfate:       {K2O: 0.5405, S: 0.1840},
		PotassiumChloride:      {K2O: 0.6317},
		MagnesiumSulfate:       {Mg: 0.0986, S: 0.1301},
		MagnesiumNitrate:       {N: 0.1093, Mg: 0.0948},
	}
	for salt, shares := range pure {
		p, ok := salt.Product()
		if !ok {
			t.Fatalf("%v is not in the library", salt)
		}
		for n, want := range shares {
			got := p.Analysis.Share(n)
			if got > want*1.03 || got < want*0.90 {
				t.Errorf("%s: %s %.4f, pure salt %.4f", p.Name, n, got, want)
			}
		}
	}
	for _, p := range Library() {
		if fs := p.Check(); len(fs) > 0 {
			t.Errorf("%s: %v", p.Name, fs)
		}
	}
	for s := UnknownSalt + 1; s < numSalts; s++ {
		if back, ok := SaltByName(s.String()); !ok || back != s {
			t.Errorf("name %s does not lead back", s)
		}
	}
	if _, ok := UnknownSalt.Product(); ok {
		t.Error("the unknown salt is no product")
	}
}

// NIST SRD 106 (KNO3 11.2 % at 0 °C; MAP 18.4 and 21.3 %), J. Chem. 2018
// 8749345 table 2 (KNO3 17.29, 27.25 %; KH2PO4 15.35, 20.05 %); w % is
// 1000w/(100−w) g/kg. KNO3 at 20 °C is 316 (CRC, from memory), not the 209 of
// the mis-headed table.
func TestSolubility(t *testing.T) {
	perKg := func(w float64) GPerKg { return GPerKg(1000 * w / (100 - w)) }
	for _, c := range []struct {
		salt Salt
		at   units.Celsius
		want GPerKg
	}{
		{PotassiumNitrate, 0, perKg(11.2)}, {PotassiumNitrate, 10, perKg(17.29)}, {PotassiumNitrate, 25, perKg(27.25)}, {PotassiumNitrate, 20, 316},
		{MonopotassiumPhosphate, 10, perKg(15.35)}, {MonopotassiumPhosphate, 25, perKg(20.05)},
		{MonoammoniumPhosphate, 0, perKg(18.4)}, {MonoammoniumPhosphate, 10, perKg(21.3)}, {MonoammoniumPhosphate, 20, 368},
		{PotassiumNitrate, 5, 170}, {PotassiumNitrate, 40, 375},
	} {
		got, ok := c.salt.Solubility(c.at)
		if !ok {
			t.Fatalf("%v at %v: not known", c.salt, c.at)
		}
		within(t, c.salt.String(), got, c.want, 0.03)
	}
	if _, ok := PotassiumNitrate.Solubility(-1); ok {
		t.Error("below the table nothing is known")
	}
	if s, ok := Salt(99).Solubility(20); ok {
		t.Errorf("a salt out of range has solubility %v", s)
	}
}

// Densities at 20 °C from the CRC Handbook (from memory): KNO3 10 % 1.0627, so
// 106.3 g and 956.4 g of water a litre; KCl 10 % 1.0633; KH2PO4 10 % 1.0704.
func TestDissolvedRoom(t *testing.T) {
	for salt, density := range map[Salt]float64{PotassiumNitrate: 1.0627, PotassiumChloride: 1.0633, MonopotassiumPhosphate: 1.0704} {
		p, _ := salt.Product()
		m := Mix{{p, 1}}
		within(t, salt.String()+" water in a litre of 10 % solution", m.Water(1, units.GPerL(density*100)), units.Litre(density*0.9/0.9982), 0.01)
	}
	if w := (Mix{{Product{Form: Solid}, 1}}).Water(1, 5000); w != 0 {
		t.Errorf("more solid than room: %v L of water", w)
	}
}

// 1 lb/ac is 1.120851 kg/ha; guides' weekly rates converted.
func TestParseRate(t *testing.T) {
	for _, c := range []struct {
		text   string
		per    Per
		grams  units.Gram
		period Period
	}{
		{"3.5 lb/ac/week", PerArea, 0.3923, PerWeek}, {"5 lb/acre/week", PerArea, 0.5604, PerWeek}, {"7lb/ac", PerArea, 0.7846, UnknownPeriod},
		{"4 kg/ha/event", PerArea, 0.4, PerEvent}, {"0.75 lb/ac/day", PerArea, 0.08406, PerDay}, {"1.5 g/m2/event", PerArea, 1.5, PerEvent},
		{"0.0402 lb/100 LBF/week", PerBedLength, 0.598, PerWeek}, {"0.2 g/plant/day", PerPlant, 0.2, PerDay}, {"12 g/m bed/event", PerBedLength, 12, PerEvent},
		{"1 lb/1000 ft2/week", PerArea, 4.8824, PerWeek}, {"0.5 kg/zone/event", PerZone, 500, PerEvent},
	} {
		r, p, err := ParseRate(c.text)
		if err != nil {
			t.Errorf("%s: %v", c.text, err)
			continue
		}
		if r.Per != c.per || p != c.period || r.Written != c.text {
			t.Errorf("%s: per %v, period %v, written %q", c.text, r.Per, p, r.Written)
		}
		within(t, c.text, r.Grams, c.grams, 0.0005)
	}
	for _, text := range []string{"", "lb/ac", "3.5", "3.5 lb", "3..5 lb/ac", "3.5 lb/ac/fortnight", "1e3 lb/ac"} {
		if r, _, err := ParseRate(text); err == nil {
			t.Errorf("%q reads as %v, want an error", text, r)
		}
	}
}

// Mid-Atlantic vegetable guide and UF/IFAS SL303: feet of bed in an acre
// (the guide truncates 6 222.9), and 3.5 lb/ac at 5 ft as 0.0402 lb per 100 ft.
func TestLinearBedFeet(t *testing.T) {
	for feet, want := range map[float64]float64{4: 10890, 5: 8712, 6: 7260, 7: 6222} {
		got := float64(BedLengthPerAcre(units.Metre(feet*units.MetrePerFoot))) / units.MetrePerFoot
		near(t, "bed feet in an acre", got, want, 1)
	}
	rate := must(rateOf("3.5 lb/ac/week"))(t)
	per100m := float64(rate.Grams) * float64(BedArea(100, 5*units.MetrePerFoot))
	near(t, "g N per 100 m of bed", per100m, 59.8, 0.1)
	near(t, "lb N per 100 LBF", per100m*units.MetrePerFoot/units.GramPerPound, 0.0402, 0.00005)
}

func rateOf(text string) (Rate, error) {
	r, _, err := ParseRate(text)
	return r, err
}

// Texas A&M horticulture: 1 oz of 15 % in 100 gal is 11.25 ppm by rule, 11.23
// exactly; 13.33 oz of 20 % a gallon at 1:100 is 200 ppm, 13.5 oz 202.2.
func TestPartsPerMillion(t *testing.T) {
	ppm := func(c units.GPerL, n units.Ratio) MgPerL {
		return Mix{{Product{Analysis: Analysis{N: n}}, 1}}.MgPerL(c, N)
	}
	within(t, "1 oz of 15 %", ppm(OuncesPerGallons(1, 100), 0.15), 11.23, 0.002)
	within(t, "1 oz of 100 %", ppm(OuncesPerGallons(1, 100), 1), 74.891, 0.002)
	within(t, "13.33 oz at 1:100", ppm(OuncesPerGallons(13.3333, 100), 0.20), 199.7, 0.002)
	within(t, "13.5 oz at 1:100", ppm(OuncesPerGallons(13.5, 100), 0.20), 202.2, 0.002)
	within(t, "0.33 oz: 24.75, where the page misprints 29.75", ppm(OuncesPerGallons(1, 100), 0.33), 24.75, 0.003)
}

// mS/cm at 0.5, 1, 2 and 5 g/L: Robinson and Stokes' formula worked
// independently; real products may be 10 % off.
func TestECPerGramPerLitre(t *testing.T) {
	rows := map[Salt][4]float64{
		CalciumNitrateDouble:       {0.616, 1.19, 2.27, 5.20},
		CalciumNitrateTetrahydrate: {0.509, 0.985, 1.88, 4.31},
		PotassiumNitrate:           {0.686, 1.35, 2.64, 6.32},
		AmmoniumNitrate:            {0.862, 1.69, 3.30, 7.88},
		AmmoniumSulfate:            {1.05, 2.01, 3.82, 8.64},
		MonoammoniumPhosphate:      {0.453, 0.888, 1.73, 4.12},
		MonopotassiumPhosphate:     {0.384, 0.755, 1.47, 3.52},
		MagnesiumSulfate:           {0.40, 0.72, 1.23, 0}, // paired; beyond 2 g/L the model reads low
		PotassiumSulfate:           {0.81, 1.55, 2.96, 6.78},
		PotassiumChloride:          {0.956, 1.88, 3.66, 8.74},
	}
	for salt, want := range rows {
		p, _ := salt.Product()
		for i, c := range []units.GPerL{0.5, 1, 2, 5} {
			if want[i] > 0 {
				within(t, p.Name, Mix{{p, 1}}.ECRise(c).Rise, units.USPerCm(1000*want[i]), 0.01)
			}
		}
	}
}

// CRC Handbook, "Electrical conductivity of aqueous solutions", 20 °C, mass per
// cent, brought to 25 °C by 1.9 %/°C: the model against measurement, as far
// off as it is known to be.
func TestECAgainstMeasuredSolutions(t *testing.T) {
	for _, c := range []struct {
		salt   Salt
		gPerL  units.GPerL
		at20   RawEC
		within float64
	}{
		{AmmoniumSulfate, 5, 7400, 0.08}, {AmmoniumSulfate, 10, 14200, 0.10}, {MagnesiumSulfate, 5 * 246.475 / 120.37, 4100, 0.17},
	} {
		p, _ := c.salt.Product()
		within(t, p.Name, Mix{{p, 1}}.ECRise(c.gPerL).Rise, must(Linear(c.at20, 20, AlphaFeed))(t), c.within)
	}
}

// Label values override; 20-20-20 reads 0.41–0.46 mS/cm at 100 ppm N (Delaware
// Cooperative Extension, after UMass), so 0.82–0.92 mS/cm per g/L.
func TestLabelECOverrides(t *testing.T) {
	p := Product{Name: "20-20-20", Form: Solid, Analysis: Analysis{Basis: Oxide, N: .2, P: .2, K: .2}, ECPerGPerL: 870}
	m := Mix{{p, 1}}
	c := units.GPerL(0.5) // 100 mg/L N
	near(t, "N", m.MgPerL(c, N), 100, 1e-9)
	r := m.ECRise(c)
	if !r.Known || r.Rise < 410 || r.Rise > 460 {
		t.Errorf("rise %v, want 410–460", r)
	}
	kno3, _ := PotassiumNitrate.Product()
	kno3.ECPerGPerL = 1300
	near(t, "label over composition", Mix{{kno3, 1}}.ECRise(2).Rise, 2600, 1e-9)
	p.ECPerGPerL = 0
	if r := (Mix{{p, 1}}).ECRise(c); r.Known || !strings.Contains(r.Why.String(), "label") {
		t.Errorf("a blend without a label value: %+v", r)
	}
}

// Urea is a non-electrolyte: EC can't see it, and that must be said.
func TestUreaIsInvisible(t *testing.T) {
	urea, _ := Urea.Product()
	kno3, _ := PotassiumNitrate.Product()
	r := Mix{{urea, 1}}.ECRise(2)
	if r.Known || r.Rise != 0 || r.UreaN != 1 || r.Why.Empty() {
		t.Errorf("urea: %+v", r)
	}
	half := Mix{{urea, 0.5}, {kno3, 0.5}}.ECRise(2)
	near(t, "half urea: the nitrate's rise", half.Rise, Mix{{kno3, 1}}.ECRise(1).Rise, 1e-9)
	near(t, "urea's part of N", half.UreaN, 0.46/(0.46+0.13), 1e-9)
	byLabel := Product{Name: "46-0-0", Form: Solid, Analysis: Analysis{N: 0.46, UreaN: 0.46}}
	if r := (Mix{{byLabel, 1}}).ECRise(1); r.Known || r.UreaN != 1 {
		t.Errorf("urea by label: %+v", r)
	}
}

// University of California, microirrigation maintenance: calcium with sulfate
// or phosphate; magnesium with ammonium phosphate. Extension bulletins: acid
// with chlorine.
func TestCompatibility(t *testing.T) {
	of := func(s Salt) Product { p, _ := s.Product(); return p }
	acid := Product{Name: "phosphoric acid", Form: Liquid, Density: 1500, Hazards: Hazards{StrongAcid: true}, Analysis: Analysis{Basis: Oxide, P: 0.54}}
	bleach := Product{Name: "sodium hypochlorite", Form: Liquid, Density: 1200, Hazards: Hazards{Chlorine: true}}
	blend := Product{Name: "blend with S", Form: Solid, Analysis: Analysis{N: .1, S: .05}}
	for _, c := range []struct {
		a, b Product
		code string
		sev  Severity
	}{
		{of(CalciumNitrateDouble), of(MagnesiumSulfate), CodeIncompatible, Stop},
		{of(CalciumNitrateTetrahydrate), of(PotassiumSulfate), CodeIncompatible, Stop},
		{of(CalciumNitrateDouble), of(AmmoniumSulfate), CodeIncompatible, Stop},
		{of(CalciumNitrateDouble), blend, CodeIncompatible, Stop},
		{of(CalciumNitrateDouble), of(MonopotassiumPhosphate), CodeIncompatible, Stop},
		{of(MagnesiumNitrate), of(MonoammoniumPhosphate), CodeMayPrecipitate, Caution},
		{acid, bleach, CodeAcidChlorine, Stop},
		{of(Urea), acid, CodeUreaAcid, Caution},
		{of(CalciumNitrateDouble), of(PotassiumNitrate), "", UnknownSeverity},
		{of(PotassiumNitrate), of(MonopotassiumPhosphate), "", UnknownSeverity},
		{of(CalciumNitrateDouble), of(PotassiumChloride), "", UnknownSeverity},
	} {
		for _, pair := range [][]Product{{c.a, c.b}, {c.b, c.a}} {
			got := Clashes(pair)
			if c.code == "" && len(got) > 0 {
				t.Errorf("%s with %s: %v, want none", c.a.Name, c.b.Name, got)
			}
			if c.code != "" && !slices.ContainsFunc(got, func(x Clash) bool { return x.Code == c.code && x.Severity == c.sev }) {
				t.Errorf("%s with %s: %v, want %s", c.a.Name, c.b.Name, got, c.code)
			}
		}
	}
	both := []Product{{Name: "x", Analysis: Analysis{Ca: .1, S: .1}}, {Name: "y", Analysis: Analysis{Ca: .1, S: .1}}}
	if got := Clashes(both); len(got) != 1 {
		t.Errorf("a pair is reported once, got %v", got)
	}
}
