package dosing

// The plan against one dose worked by hand along published arithmetic, and
// against its own laws of conservation. Every warning is provoked once, and
// the plain plan provokes none.

import (
	"encoding/json"
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"boxd/internal/hydraulics"
	"boxd/internal/say"
	"boxd/internal/units"

	"pgregory.net/rapid"
)

func product(s Salt) Product { p, _ := s.Product(); return p }

// usual is four beds of 200 ft at 5 ft, tape of 0.45 gal/min per 100 ft, 3.5 lb
// N an acre a week from 15.5-0-0, stock of 75 g/L at 1:50 in total.
func usual() Request {
	rate, period, _ := ParseRate("3.5 lb/ac/week")
	const foot = units.MetrePerFoot
	return Request{
		Zone: ZoneFacts{Name: "east", TotalFlow: units.LPerMin(3.60 * units.LitrePerUSGallon), LineVolume: 66, FlushVolume: 13.627 * 22.6,
			TravelFar: time.Duration(22.6 * float64(time.Minute)), TotalBedLength: 800 * foot, Beds: 4, BedSpacing: 5 * foot, Emitters: 800},
		Feed: Feed{Name: "calcium nitrate", Products: []Portion{{Product: product(CalciumNitrateDouble), Parts: 1}},
			Tanks: []Tank{{Name: "A", Volume: 20, Strength: 75}}, Limits: DefaultLimits(),
			Target: Target{Nutrient: N, Rate: rate, Period: period, EventsPerWeek: 1, Area: AreaBedLength, GuideSpacing: 5 * foot}},
		Injector: Injector{Ratio: 0.02, Convention: StockInTotal, RatedFlow: units.LPerMin(20)},
		Supply:   Supply{Flow: 1200, EC: 300},
	}
}

func codes(ws []Warning) []string {
	out := make([]string, len(ws))
	for i, w := range ws {
		out[i] = w.Code
	}
	return out
}

// Bed-foot arithmetic of the Mid-Atlantic guide and UF/IFAS SL303, ratio of
// University of Maryland FS-1121; worked by hand to 0.2 %.
func TestWorkedDose(t *testing.T) {
	p := must(Make(usual()))(t)
	a := p.Tanks[0]
	within(t, "area in acres", float64(p.Wanted.Area)/units.M2PerAcre, 0.091827, 0.002)
	within(t, "N", p.Wanted.Mass, 145.78, 0.002)
	within(t, "product", a.Product, 940.5, 0.002)
	within(t, "stock", a.Stock, 12.540, 0.002)
	within(t, "water through the box", p.Stages[1].Pass, 627.0, 0.002)
	within(t, "injection, min", a.Inject.Minutes(), 46.0, 0.002)
	within(t, "line", a.Line, 1.500, 0.002)
	within(t, "N in the line", a.LineHolds.N, 232.5, 0.002)
	within(t, "EC rise", a.ECRise, 1740, 0.004) // 1.74 mS/cm, three figures
	within(t, "line EC", a.LineEC, 2040, 0.004)
	within(t, "N given", p.Gives.N, 145.78, 0.002)
	near(t, "dial", p.Injector.Dial, 0.02, 0)
	if len(p.Warnings) != 1 || p.Warnings[0].Code != CodeCools {
		t.Errorf("warnings %v, want the chill of dissolving alone", p.Warnings)
	}

	r := usual()
	r.Injector.Convention = StockPerWater
	p = must(Make(r))(t)
	within(t, "per water: total", p.Stages[1].Pass, 639.6, 0.002)
	within(t, "per water: min", p.Tanks[0].Inject.Minutes(), 46.9, 0.002)
}

// 0.10 in over 800 ft × 5 ft is 249.4 gal, 69.3 min at 3.6 gal/min: the depth
// of the plan's water by the same arithmetic.
func TestDepth(t *testing.T) {
	r := usual()
	p := must(Make(r))(t)
	perMM := 249.4 * units.LitrePerUSGallon / 2.54
	within(t, "depth", float64(p.Depth), float64(p.Applied)/perMM, 0.001)
	pass := units.Litre(0)
	for _, s := range p.Stages {
		pass += s.Pass
		within(t, s.Name, r.Zone.TotalFlow.Over(s.For.Duration()), s.Pass, 1e-9)
	}
	within(t, "applied", p.Applied, pass, 1e-12)
	within(t, "total", r.Zone.TotalFlow.Over(p.Total.Duration()), pass, 1e-9)
}

// The advance-time rule of Horticulturae 8(12):1103: with 22.65 min the needed
// 45.3 min just pass; a little more travel and the plan says what helps.
func TestInjectionTooShort(t *testing.T) {
	r := usual()
	r.Zone.TravelFar = 30 * time.Minute
	r.Injector.DialLow, r.Injector.DialHigh = 0.002, 0.02
	w := find(t, must(Make(r))(t), CodeInjectionShort)
	r.Feed.Tanks[0].Strength = units.GPerL(number(t, w, "weaker_stock"))
	p := must(Make(r))(t)
	within(t, "weaker stock: min", p.Tanks[0].Inject.Minutes(), 60, 1e-6)
	lacks(t, p, CodeInjectionShort)

	r = usual()
	r.Zone.TravelFar = 30 * time.Minute
	r.Injector.DialLow = 0.002
	r.Injector.Ratio = units.Percent(number(t, w, "lower_dial"))
	p = must(Make(r))(t)
	within(t, "lower dial: min", p.Tanks[0].Inject.Minutes(), 60, 1e-6)
	lacks(t, p, CodeInjectionShort)
}

func find(t *testing.T, p Plan, code string) Warning {
	t.Helper()
	i := slices.IndexFunc(p.Warnings, func(w Warning) bool { return w.Code == code })
	if i < 0 {
		t.Fatalf("no warning %s in %v", code, codes(p.Warnings))
	}
	return p.Warnings[i]
}

func lacks(t *testing.T, p Plan, code string) {
	t.Helper()
	if slices.Contains(codes(p.Warnings), code) {
		t.Errorf("unwanted warning %s", code)
	}
}

func number(t *testing.T, w Warning, name string) float64 {
	t.Helper()
	for _, n := range w.Numbers {
		if n.Name == name {
			return n.Value
		}
	}
	t.Fatalf("warning %s has no number %s: %v", w.Code, name, w.Numbers)
	return 0
}

func TestEveryWarning(t *testing.T) {
	acid := Product{Name: "acid", Form: Liquid, Density: 1580, Analysis: Analysis{Basis: Oxide, P: 0.61}, Hazards: Hazards{StrongAcid: true}, ECPerGPerL: 1500}
	bleach := Product{Name: "bleach", Form: Liquid, Density: 1200, Hazards: Hazards{Chlorine: true}}
	blend := Product{Name: "20-20-20", Form: Solid, Analysis: Analysis{Basis: Oxide, N: .2, P: .2, K: .2}}
	with := func(p Product) func(*Request) {
		return func(r *Request) { r.Feed.Products = append(r.Feed.Products, Portion{Product: p, Parts: 1}) }
	}
	for _, c := range []struct {
		code string
		sev  Severity
		how  func(*Request)
	}{
		{CodeBeyondSolubility, Stop, func(r *Request) { r.Feed.Tanks[0].Strength = 900 }},
		{CodeBeyondSolubility, Caution, func(r *Request) { r.Feed.Tanks[0].Strength = 600 }},
		{CodeSolubilityUnknown, Caution, func(r *Request) { r.Feed.Products[0].Product = blend }},
		{CodeIncompatible, Stop, with(product(MagnesiumSulfate))},
		{CodeMayPrecipitate, Caution, func(r *Request) {
			r.Feed.Products = []Portion{{Product: product(MagnesiumNitrate), Parts: 1}, {Product: product(MonoammoniumPhosphate), Parts: 1}}
		}},
		{CodeHardWater, Caution, func(r *Request) { r.Supply.Bicarbonate = 2.6 }},
		{CodeAcidChlorine, Stop, func(r *Request) { r.Supply.Chlorinated = true; with(acid)(r) }},
		{CodeAcidChlorine, Stop, func(r *Request) { with(acid)(r); with(bleach)(r) }},
		{CodeAcidChlorine, Stop, func(r *Request) { // in two tanks of one run as well
			with(acid)(r)
			with(bleach)(r)
			r.Feed.Products[2].Tank = "B"
			r.Feed.Tanks = append(r.Feed.Tanks, Tank{Name: "B", Strength: 10})
		}},
		{CodeUreaAcid, Caution, func(r *Request) { with(acid)(r); with(product(Urea))(r) }},
		{CodeInjectionShort, Caution, func(r *Request) { r.Zone.TravelFar = time.Hour }},
		{CodeInjectionShort, Caution, func(r *Request) { r.Feed.Limits.ShortestInject = time.Hour }},
		{CodeRunLong, Caution, func(r *Request) { r.Feed.Limits.LongestRun = time.Hour }},
		{CodeTankSmall, Caution, func(r *Request) { r.Feed.Tanks[0].Volume = 5 }},
		{CodeLineEC, Stop, func(r *Request) { r.Feed.Limits.LineEC = 1500 }},
		{CodeLineEC, Stop, func(r *Request) { r.Feed.Limits.LineEC = 250 }}, // the water alone is above
		{CodeECUnknown, Note, func(r *Request) { r.Feed.Products[0].Product = blend }},
		{CodeSupplyEC, Note, func(r *Request) { r.Supply.EC, r.Feed.Limits.LineEC = 0, 2500 }},
		{CodeSupplySmall, Stop, func(r *Request) { r.Supply.Flow = 700 }},
		{CodeUreaInvisible, Note, func(r *Request) { r.Feed.Products[0].Product = product(Urea) }},
		{CodeCools, Note, func(r *Request) {}},
		{CodeBypass, Note, func(r *Request) { r.Injector.RatedFlow = units.LPerMin(10) }},
		{CodeBranchHigh, Stop, func(r *Request) { r.Injector.RatedFlow, r.Injector.BranchFlow = 400, 600 }},
		{CodeBranchLow, Caution, func(r *Request) { r.Injector.LowestFlow = 900 }},
		{CodeOwnSpacing, Note, func(r *Request) { r.Feed.Target.GuideSpacing = 0 }},
	} {
		r := usual()
		c.how(&r)
		p, err := Make(r)
		if err != nil {
			t.Errorf("%s: %v", c.code, err)
			continue
		}
		if w := find(t, p, c.code); w.Severity != c.sev || w.Text.Empty() {
			t.Errorf("%s is a %s: %q, want %s", c.code, w.Severity, w.Text, c.sev)
		}
	}
}

// Two tanks: calcium apart from sulfate, injected one after the other with a
// flush between (University of California: best not to mix).
func TestTwoTanksKeepCalciumFromSulfate(t *testing.T) {
	r := usual()
	r.Feed.Tanks = []Tank{{Name: "A", Strength: 75}, {Name: "B", Strength: 100}}
	r.Feed.Products = append(r.Feed.Products, Portion{Product: product(MagnesiumSulfate), Tank: "B", Parts: 0.5})
	p := must(Make(r))(t)
	lacks(t, p, CodeIncompatible)
	var names []string
	for _, s := range p.Stages {
		names = append(names, s.Name+s.Tank)
	}
	if got, want := strings.Join(names, " "), "fill injectA clearA injectB flush"; got != want {
		t.Errorf("stages %q, want %q", got, want)
	}
	within(t, "half as much", p.Tanks[1].Product, p.Tanks[0].Product/2, 1e-12)
	within(t, "N from A alone", p.Gives.N, 145.78, 0.002)
	within(t, "Mg from B", p.Gives.Mg, units.Gram(0.0986*float64(p.Tanks[1].Product)), 1e-9)
	near(t, "clear", p.Stages[2].Pass, r.Zone.FlushVolume, 1e-9)
}

// A recipe by grams per litre draws equal volumes from each tank.
func TestRecipeDrawsEqualVolumes(t *testing.T) {
	r := usual()
	r.Feed.Tanks = []Tank{{Name: "A"}, {Name: "B"}}
	r.Feed.Products = []Portion{
		{Product: product(CalciumNitrateDouble), Tank: "A", GramsPerLitre: 60},
		{Product: product(PotassiumNitrate), Tank: "B", GramsPerLitre: 40},
		{Product: product(MagnesiumSulfate), Tank: "B", GramsPerLitre: 25}}
	p := must(Make(r))(t)
	within(t, "volumes", p.Tanks[0].Stock, p.Tanks[1].Stock, 1e-12)
	near(t, "A", p.Tanks[0].Strength, 60, 1e-9)
	near(t, "B", p.Tanks[1].Strength, 65, 1e-9)
	within(t, "N", p.Gives.N, 145.78, 0.002)
	within(t, "in the line", p.Tanks[1].Weigh[0].Mass, units.Gram(40*float64(p.Tanks[1].Stock)), 1e-9)
}

// As strong as is safe: each of the three bounds binds in turn, and the plan
// made has no warning of that kind.
func TestAsStrongAsIsSafe(t *testing.T) {
	for _, c := range []struct {
		from string
		how  func(*Request)
	}{
		{"time", func(*Request) {}},
		{"line EC", func(r *Request) { r.Feed.Limits.LineEC = 1200 }},
		{"solubility", func(r *Request) {
			r.Feed.Products[0].Product = product(PotassiumNitrate)
			r.Feed.Target.Rate.Grams *= 10
			r.Feed.Limits.ColdestStock = 10
		}},
	} {
		r := usual()
		r.Feed.Tanks[0].Strength = 0
		c.how(&r)
		p := must(Make(r))(t)
		if !strings.HasPrefix(p.Tanks[0].StrengthFrom.String(), c.from) {
			t.Errorf("strength set by %q, want %s", p.Tanks[0].StrengthFrom, c.from)
		}
		lacks(t, p, CodeInjectionShort)
		lacks(t, p, CodeBeyondSolubility)
		lacks(t, p, CodeLineEC)
		if c.from == "line EC" {
			within(t, "line EC", p.Tanks[0].LineEC, 1200, 1e-6)
		}
		if c.from == "solubility" {
			// 17.29 % w at 10 °C (J. Chem. 2018 8749345) in a solution of
			// about 1.115 g/mL (CRC, from memory) is 193 g/L; 80 % of it.
			within(t, "strength", p.Tanks[0].Strength, 0.8*193, 0.02)
		}
	}
	r := usual()
	r.Feed.Tanks = nil
	if p := must(Make(r))(t); len(p.Tanks) != 1 || p.Tanks[0].Strength <= 0 {
		t.Errorf("without tanks there is one, as strong as is safe: %+v", p.Tanks)
	}
}

func TestStrongestNeedsSolubility(t *testing.T) {
	r := usual()
	r.Feed.Tanks[0].Strength = 0
	r.Feed.Products[0].Product = Product{Name: "blend", Form: Solid, Analysis: Analysis{N: 0.2}}
	_, err := Make(r)
	var fs Faults
	if !errors.As(err, &fs) || len(fs) != 1 || fs[0].Field != "feed.tanks[0].strength" {
		t.Errorf("error %v", err)
	}
	r.Feed.Products[0].Product.Solubility = []Solubility{{0, 300, "label"}, {20, 500, "label"}}
	p := must(Make(r))(t)
	if p.Tanks[0].Strength <= 0 {
		t.Errorf("strength %v", p.Tanks[0].Strength)
	}
}

// A liquid is measured by volume: 7-0-7 of 1.25 kg/L, neat in the tank.
func TestLiquid(t *testing.T) {
	r := usual()
	r.Feed.Products[0].Product = Product{Name: "7-0-7", Form: Liquid, Density: 1250, Analysis: Analysis{Basis: Oxide, N: 0.07, K: 0.07}, ECPerGPerL: 500}
	r.Feed.Tanks[0].Strength = 1250
	p := must(Make(r))(t)
	w := p.Tanks[0].Weigh[0]
	within(t, "mass", w.Mass, units.Gram(145.78/0.07), 0.002)
	within(t, "volume", w.Volume, units.Litre(145.78/0.07/1250), 0.002)
	near(t, "neat: no water", p.Tanks[0].Dissolve, 0, 1e-9)
	lacks(t, p, CodeBeyondSolubility)
	r.Feed.Products[0].Product.Density = 0
	if _, err := Make(r); err == nil || !strings.Contains(err.Error(), "feed.products[0].product.density") {
		t.Errorf("a liquid without a density: %v", err)
	}
}

// The other conventions, worked by hand for 243.84 m of bed at 1.524 m.
func TestRateConventions(t *testing.T) {
	for _, c := range []struct {
		rate string
		how  func(*Target)
		want units.Gram
	}{
		{"4 kg/ha/event", func(g *Target) { g.Area, g.FieldArea = AreaField, 500 }, 200},
		{"4 kg/ha/event", func(g *Target) { g.GuideSpacing = 2 }, 0.4 * 243.84 * 2},
		{"0.75 lb/ac/day", func(g *Target) { g.EventsPerWeek = 7 }, 0.084064 * 371.61},
		{"0.75 lb/ac/day", func(g *Target) { g.EventsPerWeek = 2 }, 0.084064 * 371.61 * 3.5},
		{"0.4 g/m bed/event", func(*Target) {}, 0.4 * 243.84},
		{"0.25 g/plant/week", func(g *Target) { g.Plants, g.EventsPerWeek = 1600, 2 }, 200},
		{"0.25 g/plant/event", func(g *Target) { g.PlantSpacing, g.RowsPerBed = 0.3, 2 }, 0.25 * 2 * 812},
		{"0.3 kg/zone/event", func(*Target) {}, 300},
	} {
		r := usual()
		r.Feed.Target.Rate, r.Feed.Target.Period, _ = ParseRate(c.rate)
		c.how(&r.Feed.Target)
		p := must(Make(r))(t)
		within(t, c.rate, p.Wanted.Mass, c.want, 0.0005)
		if len(p.Conventions) < 2 {
			t.Errorf("%s: conventions %v", c.rate, p.Conventions)
		}
	}
}

func TestConventionsAreSaid(t *testing.T) {
	r := usual()
	r.Feed.Products = append(r.Feed.Products, Portion{Product: product(PotassiumNitrate), Parts: 1})
	text := strings.Join(say.Voice{}.Each(must(Make(r))(t).Conventions), "\n")
	for _, want := range []string{"length of bed × the guide's bed spacing", "per week;", "1 part of stock in 50 parts of the mixture", "P2O5 and K2O"} {
		if !strings.Contains(text, want) {
			t.Errorf("conventions lack %q:\n%s", want, text)
		}
	}
}

// Cautions stand where the hazard is (Alabama Extension ANR-652 for acid).
func TestCautions(t *testing.T) {
	has := func(ps []Product, code string) bool { return slices.Contains(codes(cautions(ps)), code) }
	acid := Product{Hazards: Hazards{StrongAcid: true}}
	for _, c := range []struct {
		p    Product
		code string
		want bool
	}{
		{product(PotassiumNitrate), CautionOxidiser, true}, {product(MonopotassiumPhosphate), CautionOxidiser, false},
		{product(Urea), CautionAcid, false}, {acid, CautionAcid, true}, {acid, CautionChlorine, true},
		{product(Urea), CautionEyes, true}, {product(Urea), CautionLabel, true}, {product(Urea), CautionCode, true},
	} {
		if has([]Product{c.p}, c.code) != c.want {
			t.Errorf("%s with %s: want %v", c.p.Name, c.code, c.want)
		}
	}
}

// All faults at once, each with its path and a plausible value.
func TestFaultsAllAtOnce(t *testing.T) {
	r := usual()
	r.Zone.TotalFlow = 0
	r.Feed.Target = Target{Rate: Rate{Per: PerArea}}
	r.Feed.Products = []Portion{
		{Product: Product{Form: Liquid, Analysis: Analysis{N: 0.7, P: 0.7}}, Tank: "Z"},
		{Product: product(Urea), GramsPerLitre: -4, Parts: 1},
		{Product: product(Urea), GramsPerLitre: 4},
	}
	r.Feed.Tanks = []Tank{{Name: "A", Strength: 5}, {Name: "A"}, {Name: "C"}}
	r.Feed.Limits = Limits{ColdestStock: -3, LongestRun: time.Minute, ShortestInject: time.Hour}
	r.Injector = Injector{Ratio: 2}
	r.Supply.Sulfate = -1
	_, err := Make(r)
	var fs Faults
	if !errors.As(err, &fs) {
		t.Fatalf("error %v", err)
	}
	got := map[string]bool{}
	for _, f := range fs {
		got[f.Field] = true
		if f.Problem == "" || f.Plausible == "" {
			t.Errorf("bare fault %+v", f)
		}
	}
	for _, want := range []string{
		"zone.total_flow", "feed.target.nutrient", "feed.target.rate", "feed.target.area", "feed.products[0].product.name",
		"feed.products[0].product.density", "feed.products[0].product.analysis", "feed.products[0].product.analysis.basis", "feed.products[0].parts",
		"feed.products[0].tank", "feed.products[1].grams_per_litre", "feed.products", "feed.tanks", "feed.tanks[0].strength", "feed.tanks[1].name",
		"feed.tanks[2]", "feed.limits.coldest_stock", "feed.limits.longest_run", "injector.ratio", "injector.rated_flow", "injector.convention", "supply.sulfate",
	} {
		if !got[want] {
			t.Errorf("no fault at %s in\n%v", want, err)
		}
	}
	moved := Faults{{Field: "products[1].grams_per_litre", Problem: "x"}}.Under("feeds[0]")
	if moved[0].Field != "feeds[0].products[1].grams_per_litre" {
		t.Errorf("path %q", moved[0].Field)
	}
}

func TestUnreasonableDoseIsAFault(t *testing.T) {
	r := usual()
	r.Feed.Target.Rate.Grams = 1e8
	if _, err := Make(r); err == nil || !strings.Contains(err.Error(), "feed.target.rate") {
		t.Errorf("tons for one zone: %v", err)
	}
	r = usual()
	r.Zone.TotalBedLength = 0
	if _, err := Make(r); err == nil || !strings.Contains(err.Error(), "zone.total_bed_length") {
		t.Errorf("no beds: %v", err)
	}
	r = usual()
	r.Feed.Tanks[0].Strength = 1e-4
	if _, err := Make(r); err == nil || !strings.Contains(err.Error(), "feed.tanks[0].strength") {
		t.Errorf("stock that never goes in: %v", err)
	}
	r = usual()
	r.Injector.Ratio = 1e-9
	if _, err := Make(r); err == nil || !strings.Contains(err.Error(), "injector.ratio") {
		t.Errorf("a ratio that never delivers: %v", err)
	}
}

func TestPlanAsJSON(t *testing.T) {
	b, err := json.Marshal(must(Make(usual()))(t))
	if err != nil {
		t.Fatal(err)
	}
	var got struct {
		Tanks []struct {
			Stock    float64 `json:"stock_l"`
			Inject   float64 `json:"inject_s"`
			Strength float64 `json:"strength_g_l"`
		}
		Injector struct {
			Dial  string  `json:"dial"`
			Field float64 `json:"field_ratio"`
			Conv  string  `json:"convention"`
		}
		Cautions []struct{ Severity string }
	}
	if err := json.Unmarshal(b, &got); err != nil {
		t.Fatal(err)
	}
	near(t, "inject_s", got.Tanks[0].Inject, 46.0*60, 6)
	near(t, "stock_l", got.Tanks[0].Stock, 12.54, 0.02)
	if got.Injector.Dial != "2 % (1:50, stock-in-total)" || got.Injector.Conv != "stock-in-total" || got.Cautions[0].Severity != "caution" {
		t.Errorf("%s", b)
	}
}

// drawRequest makes any reasonable request from the library.
func drawRequest(t *rapid.T) Request {
	r := usual()
	pos := func(name string, lo, hi float64) float64 { return rapid.Float64Range(lo, hi).Draw(t, name) }
	r.Zone.TotalFlow = units.LPerH(pos("flow", 50, 6000))
	r.Zone.TravelFar = time.Duration(pos("travel", 1, 90) * float64(time.Minute))
	r.Injector.Ratio = units.Ratio(pos("ratio", 0.002, 0.1))
	r.Injector.RatedFlow = units.LPerH(pos("rated", 100, 3000))
	r.Injector.Convention = rapid.SampledFrom([]Convention{StockInTotal, StockPerWater}).Draw(t, "convention")
	r.Feed.Target.Rate.Grams = units.Gram(pos("rate", 0.01, 5))
	if rapid.Bool().Draw(t, "given") {
		r.Feed.Tanks[0].Strength = units.GPerL(pos("strength", 5, 150))
	} else {
		r.Feed.Tanks[0].Strength = 0
	}
	if rapid.Bool().Draw(t, "limited") {
		r.Feed.Limits.LineEC = units.USPerCm(pos("limit", 400, 4000))
	}
	n := rapid.IntRange(0, 3).Draw(t, "more")
	for range n {
		s := Salt(rapid.IntRange(1, int(numSalts)-1).Draw(t, "salt"))
		r.Feed.Products = append(r.Feed.Products, Portion{Product: product(s), Parts: pos("parts", 0.05, 4)})
	}
	return r
}

// Nothing appears or vanishes: the weighed mass is stock × strength, the line
// carries it, the target's nutrient is what was wanted, and what leaves the
// tank in the injection time is the stock.
func TestPlanConserves(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := drawRequest(t)
		p, err := Make(r)
		if err != nil {
			t.Fatal(err)
		}
		close := func(what string, got, want float64) {
			if d := got - want; d > 1e-9*want+1e-9 || -d > 1e-9*want+1e-9 {
				t.Fatalf("%s: %v, want %v", what, got, want)
			}
		}
		a, s := p.Tanks[0], p.Injector.Split
		sum := 0.0
		for _, w := range a.Weigh {
			sum += float64(w.Mass)
		}
		close("weighed", sum, float64(a.Product))
		close("stock × strength", float64(a.Strength.Times(a.Stock)), float64(a.Product))
		close("line × water", float64(a.Line.Times(p.Stages[1].Pass)), float64(a.Product))
		close("N", float64(p.Gives.N), float64(p.Wanted.Mass))
		close("drawn in the time", float64(s.Stock.Over(a.Inject.Duration())), float64(a.Stock))
		close("flows", float64(s.Water+s.Stock), float64(s.Total))
		if a.Dissolve < 0 || a.Dissolve > a.Stock {
			t.Fatalf("%v L of water in %v L of stock", a.Dissolve, a.Stock)
		}
		if r.Feed.Tanks[0].Strength == 0 {
			for _, w := range p.Warnings {
				if w.Code == CodeBeyondSolubility || w.Code == CodeInjectionShort || (w.Code == CodeLineEC && r.Feed.Limits.LineEC > r.Supply.EC) {
					t.Fatalf("as strong as is safe, but: %s", w.Text)
				}
			}
		}
	})
}

// Whatever numbers come in, what comes out is a list of faults or a plan of
// real numbers: never a panic, never NaN.
func TestMakeOnAbsurdNumbers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := usual()
		odd := rapid.OneOf(rapid.Float64(), rapid.SampledFrom([]float64{0, -1, 1e-300, 1e300, math.NaN(), math.Inf(1), math.Inf(-1)}))
		fields := []*float64{(*float64)(&r.Zone.TotalFlow), (*float64)(&r.Zone.LineVolume), (*float64)(&r.Zone.FlushVolume), (*float64)(&r.Zone.TotalBedLength),
			(*float64)(&r.Zone.BedSpacing), (*float64)(&r.Feed.Target.Rate.Grams), &r.Feed.Target.EventsPerWeek, (*float64)(&r.Feed.Target.GuideSpacing),
			&r.Feed.Products[0].Parts, (*float64)(&r.Feed.Products[0].GramsPerLitre), (*float64)(&r.Feed.Products[0].Product.ECPerGPerL),
			(*float64)(&r.Feed.Products[0].Product.Analysis.N), (*float64)(&r.Feed.Tanks[0].Volume), (*float64)(&r.Feed.Tanks[0].Strength),
			(*float64)(&r.Feed.Limits.LineEC), (*float64)(&r.Feed.Limits.ColdestStock), (*float64)(&r.Feed.Limits.SolubilityShare), &r.Feed.Limits.AdvanceFactor,
			(*float64)(&r.Injector.Ratio), (*float64)(&r.Injector.RatedFlow), (*float64)(&r.Injector.BranchFlow), (*float64)(&r.Supply.Flow), (*float64)(&r.Supply.EC)}
		for range rapid.IntRange(1, 3).Draw(t, "how many") {
			*fields[rapid.IntRange(0, len(fields)-1).Draw(t, "field")] = odd.Draw(t, "value")
		}
		p, err := Make(r)
		var fs Faults
		if err != nil {
			if !errors.As(err, &fs) || len(fs) == 0 {
				t.Fatalf("an error that is no fault: %v", err)
			}
			return
		}
		if _, err := json.Marshal(p); err != nil { // JSON has no NaN or Inf
			t.Fatal(err)
		}
		if a := p.Tanks[0]; !(a.Stock > 0) || !(a.Product > 0) || a.Inject < 0 {
			t.Fatalf("%+v", a)
		}
	})
}

// A salt out of range is nobody's: no panic, no ions.
func TestUnknownSaltsAreHarmless(t *testing.T) {
	p := Product{Name: "x", Form: Solid, Salts: []SaltShare{{Salt(200), 1}}}
	if fs := p.Check(); len(fs) == 0 {
		t.Error("a salt out of range is a fault")
	}
	if got := Clashes([]Product{p, product(CalciumNitrateDouble)}); len(got) != 0 {
		t.Errorf("clashes %v", got)
	}
	if r := (Mix{{p, 1}}).ECRise(1); r.Known {
		t.Errorf("rise %+v", r)
	}
}

// The solved zone's facts: two tapes in a bed are one length of bed.
func TestFactsOf(t *testing.T) {
	z := hydraulics.Zone{Name: "east", Water: 20, Inlet: 68.95,
		Lead:   hydraulics.Pipe{Length: 8, Bore: 28, Roughness: 0.0015},
		Header: hydraulics.Header{Feed: hydraulics.FeedEnd, Beds: 6, BedSpacing: 1.25, FirstTee: 0.6, TapesPerBed: 2, TapeGap: 0.3, Bore: 28, Roughness: 0.0015},
		Laterals: hydraulics.Laterals{Lengths: []units.Metre{30}, LeadIn: 0.3, EmitterSpacing: 0.3,
			Bore: 15.9, Roughness: 0.0015},
		Emitters: hydraulics.Emitters{Flow: 0.98, At: 68.95, Exponent: 0.5}}
	m := must(hydraulics.NewModel(z))(t)
	f := FactsOf(m)
	near(t, "length of bed", f.TotalBedLength, 180, 1e-9)
	if fs := f.Check(); len(fs) > 0 {
		t.Errorf("facts: %v", fs)
	}
	z.Laterals.Lengths = []units.Metre{30, 30, 28, 26, 24, 22}
	near(t, "unequal beds", FactsOf(must(hydraulics.NewModel(z))(t)).TotalBedLength, 160, 1e-9)
	near(t, "spacing", f.BedSpacing, 1.25, 0)
}

func BenchmarkMake(b *testing.B) {
	r := usual()
	r.Feed.Tanks[0].Strength = 0
	r.Feed.Limits.LineEC = 1500
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Make(r); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkECRise(b *testing.B) {
	m := Mix{{product(CalciumNitrateDouble), 0.6}, {product(PotassiumNitrate), 0.4}}
	b.ReportAllocs()
	for b.Loop() {
		m.ECRise(1.5)
	}
}
