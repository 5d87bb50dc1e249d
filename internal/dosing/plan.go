package dosing

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"boxd/internal/say"
	"boxd/internal/units"
)

// Request is all a plan is made from.
type Request struct {
	Zone     ZoneFacts
	Feed     Feed
	Injector Injector
	Supply   Supply
}

// Plan is one fertigation event: what to weigh, dissolve and dial, how long
// each stage runs, what comes out, and what to beware of.
type Plan struct {
	Zone string `json:"zone"`
	Feed string `json:"feed"`
	// Conventions says in words what every rate, area, ratio and label was
	// taken to mean.
	Conventions []say.Text `json:"conventions"`
	Wanted      Wanted     `json:"wanted"`
	// Gives is everything the weighed products hold.
	Gives    Nutrients    `json:"gives"`
	Injector InjectorPlan `json:"injector"`
	Tanks    []TankPlan   `json:"tanks"`
	Stages   []Stage      `json:"stages"`
	Total    Span         `json:"total_s"`
	Applied  units.Litre  `json:"applied_l"` // through the box, all stages, stock included
	Depth    units.MM     `json:"depth_mm"`  // Applied over length of bed × the zone's spacing; 0: not known
	Warnings []Warning    `json:"warnings"`
	Cautions []Warning    `json:"cautions"`
}

// Wanted is the target worked out for this event.
type Wanted struct {
	Nutrient Nutrient   `json:"nutrient"`
	Rate     string     `json:"rate"` // as written
	Mass     units.Gram `json:"mass_g"`
	Area     units.M2   `json:"area_m2"` // counted; 0 where the rate is not per area
}

// InjectorPlan is what to set.
type InjectorPlan struct {
	Dial       units.Ratio `json:"dial_ratio"`
	DialText   string      `json:"dial"`
	Convention Convention  `json:"convention"`
	Split
}

// TankPlan is one stock tank's part of the plan.
type TankPlan struct {
	Name     string      `json:"name"`
	Weigh    []Weighed   `json:"weigh"`
	Product  units.Gram  `json:"product_g"` // all products together
	Strength units.GPerL `json:"strength_g_l"`
	// StrengthFrom says what set the strength.
	StrengthFrom say.Text    `json:"strength_from"`
	Stock        units.Litre `json:"stock_l"` // make up to this mark, and inject it
	// Dissolve is the water in it, an estimate to start from; the mark decides.
	Dissolve  units.Litre  `json:"dissolve_in_l"`
	Fillings  int          `json:"fillings"` // of the tank
	Inject    Span         `json:"inject_s"`
	Line      units.GPerL  `json:"line_g_l"`
	LineHolds NutrientConc `json:"line_holds"`
	// ECKnown is false where the EC can't be told: then the numbers after it
	// mean nothing, and are not written.
	ECKnown bool          `json:"ec_known"`
	ECWhy   say.Text      `json:"ec_why,omitzero"` // why not
	ECRise  units.USPerCm `json:"ec_rise_us_cm,omitempty"`
	ECRel   units.Ratio   `json:"ec_rise_rel_uncertainty,omitempty"` // standard, k = 1
	LineEC  units.USPerCm `json:"line_ec_us_cm,omitempty"`           // supply's included
	Gives   Nutrients     `json:"gives"`
	mix     Mix
}

// Mix is the tank's products by share of mass.
func (t TankPlan) Mix() Mix { return t.mix }

// Weighed is one product to weigh, or to measure where it is a liquid.
type Weighed struct {
	Product string      `json:"product"`
	Mass    units.Gram  `json:"mass_g"`
	Volume  units.Litre `json:"volume_l,omitempty"` // liquids
}

// NutrientConc is a concentration of each nutrient.
type NutrientConc struct {
	N    MgPerL `json:"n_mg_l"`
	P2O5 MgPerL `json:"p2o5_mg_l"`
	K2O  MgPerL `json:"k2o_mg_l"`
	P    MgPerL `json:"p_mg_l"`
	K    MgPerL `json:"k_mg_l"`
	Ca   MgPerL `json:"ca_mg_l"`
	Mg   MgPerL `json:"mg_mg_l"`
	S    MgPerL `json:"s_mg_l"`
}

// Stage is one stretch of the event.
type Stage struct {
	Name string      `json:"stage"` // fill, inject, clear, flush
	Tank string      `json:"tank,omitempty"`
	For  Span        `json:"for_s"`
	Pass units.Litre `json:"pass_l"` // that passes the box meanwhile; it counts, not the clock
}

// Span is a duration that is written in seconds.
type Span time.Duration

// Duration is the span as Go has it.
func (s Span) Duration() time.Duration { return time.Duration(s) }

// Minutes is the span in minutes.
func (s Span) Minutes() float64 { return time.Duration(s).Minutes() }

func (s Span) String() string { return time.Duration(s).Round(time.Second).String() }

// MarshalJSON writes seconds, to a tenth.
func (s Span) MarshalJSON() ([]byte, error) {
	return strconv.AppendFloat(nil, time.Duration(s).Round(100*time.Millisecond).Seconds(), 'f', -1, 64), nil
}

// Make works out the plan. The error is Faults, all of them at once, with
// paths under zone, feed, injector and supply.
func Make(r Request) (Plan, error) {
	r.Feed.Limits = r.Feed.Limits.withDefaults()
	if err := r.Check().Err(); err != nil {
		return Plan{}, err
	}
	p := Plan{Zone: r.Zone.Name, Feed: r.Feed.Name}
	want := r.Feed.Target.perEvent(r.Zone)
	if err := want.check(r.Feed.Target).Err(); err != nil {
		return Plan{}, err
	}
	p.Wanted = Wanted{Nutrient: r.Feed.Target.Nutrient, Rate: r.Feed.Target.Rate.Written, Mass: want.grams, Area: want.area}
	p.Injector = r.Injector.plan(r.Zone.TotalFlow)
	var fs Faults
	for _, b := range r.batches(want.grams) {
		t, faults := r.tank(b, p.Injector.Split)
		fs = append(fs, faults...)
		p.Tanks = append(p.Tanks, t)
		p.Gives = p.Gives.Plus(t.Gives)
	}
	if err := fs.Err(); err != nil {
		return Plan{}, err
	}
	p.time(r)
	p.Conventions = append(want.said, r.conventions()...)
	p.Warnings = r.warnings(p, want)
	p.Cautions = cautions(r.products())
	return p, nil
}

// Check finds every fault of the request.
func (r Request) Check() Faults {
	fs := r.Zone.Check().Under("zone")
	fs = append(fs, r.Feed.Check().Under("feed")...)
	fs = append(fs, r.Injector.Check().Under("injector")...)
	fs = append(fs, r.Supply.Check().Under("supply")...)
	t := r.Feed.Target
	byBeds := t.Rate.Per == PerArea && t.Area == AreaBedLength
	perPlant := t.Rate.Per == PerPlant && t.Plants <= 0
	if (byBeds || perPlant || t.Rate.Per == PerBedLength) && !(r.Zone.TotalBedLength > 0) {
		fs.add("zone.total_bed_length", "10 m to 3000 m", "this rate counts length of bed, and the zone has none")
	}
	if byBeds && !(t.GuideSpacing > 0) && !(r.Zone.BedSpacing > 0) {
		fs.add("feed.target.guide_spacing", "1.2 m to 2.1 m (4 ft to 7 ft)", "neither the guide's nor the zone's bed spacing is said")
	}
	return fs
}

func (l Limits) withDefaults() Limits {
	d := DefaultLimits()
	if l.SolubilityShare == 0 {
		l.SolubilityShare = d.SolubilityShare
	}
	if l.AdvanceFactor == 0 {
		l.AdvanceFactor = d.AdvanceFactor
	}
	return l
}

func (i Injector) plan(total units.LPerH) InjectorPlan {
	return InjectorPlan{Dial: i.Ratio, Convention: i.Convention, Split: i.Split(total),
		DialText: fmt.Sprintf("%.3g %% (1:%.4g, %s)", i.Ratio.Percent(), 1/float64(i.Ratio), i.Convention)}
}

func (r Request) products() []Product {
	out := make([]Product, len(r.Feed.Products))
	for i, p := range r.Feed.Products {
		out[i] = p.Product
	}
	return out
}

// batch is what goes into one tank.
type batch struct {
	index int
	tank  Tank
	mix   Mix
	mass  units.Gram
	// recipe is the strength the portions' grams per litre add up to; 0 where
	// they are given by parts.
	recipe units.GPerL
}

// batches parts the product mass among the tanks.
func (r Request) batches(nutrient units.Gram) []batch {
	tanks := r.Feed.Tanks
	if len(tanks) == 0 {
		tanks = []Tank{{}}
	}
	weight := func(p Portion) float64 { return p.Parts + float64(p.GramsPerLitre) }
	per := 0.0 // nutrient in the mass that the weights stand for
	for _, p := range r.Feed.Products {
		per += weight(p) * float64(p.Product.Analysis.Share(r.Feed.Target.Nutrient))
	}
	out := make([]batch, len(tanks))
	for i, t := range tanks {
		out[i] = batch{index: i, tank: t}
		sum := 0.0
		for _, p := range r.Feed.Products {
			if p.Tank == t.Name || (p.Tank == "" && i == 0) {
				out[i].mix = append(out[i].mix, MixPart{p.Product, units.Ratio(weight(p))})
				out[i].recipe += p.GramsPerLitre
				sum += weight(p)
			}
		}
		for j := range out[i].mix {
			out[i].mix[j].Share /= units.Ratio(sum)
		}
		out[i].mass = units.Gram(float64(nutrient) * sum / per)
	}
	return out
}

// tank works out one tank.
func (r Request) tank(b batch, s Split) (TankPlan, Faults) {
	var fs Faults
	strength, from, ok := r.strength(b, s)
	if !ok {
		fs.add(fmt.Sprintf("feed.tanks[%d].strength", b.index), "20 g/L to 200 g/L", "as strong as is safe can't be told: %s", from)
		return TankPlan{}, fs
	}
	t := TankPlan{Name: b.tank.Name, Product: b.mass, Strength: strength, StrengthFrom: from, mix: b.mix}
	t.Stock = units.Litre(float64(b.mass) / float64(strength))
	t.Dissolve = b.mix.Water(t.Stock, strength)
	inject, ok := t.Stock.At(s.Stock)
	if !ok {
		fs.add(fmt.Sprintf("feed.tanks[%d].strength", b.index), "20 g/L to 200 g/L", "%.4g L of stock at %.4g g/L (%s) would never go in at %.4g L/h",
			float64(t.Stock), float64(strength), from, float64(s.Stock))
	}
	t.Inject = Span(inject)
	t.Fillings = fillings(t.Stock, b.tank.Volume)
	t.Line = units.GPerL(float64(strength) * float64(s.FieldInTotal))
	t.Gives = b.mix.Nutrients(b.mass)
	t.LineHolds = b.mix.conc(t.Line)
	rise := b.mix.ECRise(t.Line)
	t.ECKnown, t.ECWhy, t.ECRise, t.ECRel = rise.Known, rise.Why, rise.Rise, rise.Rel
	if rise.Known {
		t.LineEC = r.Supply.EC + rise.Rise
	}
	for _, p := range b.mix {
		w := Weighed{Product: p.Product.Name, Mass: units.Gram(float64(b.mass) * float64(p.Share))}
		if p.Product.Form == Liquid {
			w.Volume = units.Litre(float64(w.Mass) / float64(p.Product.Density))
		}
		t.Weigh = append(t.Weigh, w)
	}
	return t, fs
}

func fillings(stock, tank units.Litre) int {
	if !(tank > 0) || stock <= tank {
		return 1
	}
	return int(math.Ceil(min(float64(stock)/float64(tank)-1e-9, 9999)))
}

func (m Mix) conc(c units.GPerL) NutrientConc {
	return NutrientConc{N: m.MgPerL(c, N), P2O5: m.MgPerL(c, P2O5), K2O: m.MgPerL(c, K2O), P: m.MgPerL(c, P),
		K: m.MgPerL(c, K), Ca: m.MgPerL(c, Ca), Mg: m.MgPerL(c, Mg), S: m.MgPerL(c, S)}
}

// strength is the tank's strength and what set it; false with the reason where
// it has to be as strong as is safe and that can't be told.
func (r Request) strength(b batch, s Split) (units.GPerL, say.Text, bool) {
	if b.recipe > 0 {
		return b.recipe, say.T("the recipe's grams per litre"), true
	}
	if b.tank.Strength > 0 {
		return b.tank.Strength, say.T("given"), true
	}
	l := r.Feed.Limits
	best, name, ok := b.mix.Strongest(l.ColdestStock, l.SolubilityShare)
	if !ok {
		return 0, say.T("the solubility of %s is not known; say a strength", name), false
	}
	from := say.T("solubility: %.0f %% of saturation at %v", l.SolubilityShare.Percent(), l.ColdestStock)
	if c, ok := r.strengthByEC(b.mix, s); ok && c < best {
		best, from = c, say.T("line EC: at most %v", micro(l.LineEC))
	}
	if c, why, ok := r.strengthByTime(b.mass, s); ok && c < best {
		best, from = c, why
	}
	return best, from, true
}

// strengthByEC is the strength that brings the line to its EC limit.
func (r Request) strengthByEC(m Mix, s Split) (units.GPerL, bool) {
	room := r.Feed.Limits.LineEC - r.Supply.EC
	if !(r.Feed.Limits.LineEC > 0) || !(room > 0) {
		return 0, false
	}
	c, ok := m.ConcFor(room)
	return units.GPerL(float64(c) / float64(s.FieldInTotal)), ok
}

// strengthByTime is the strength that makes the injection just long enough.
func (r Request) strengthByTime(mass units.Gram, s Split) (units.GPerL, say.Text, bool) {
	need, why := r.shortest()
	stock := s.Stock.Over(need)
	if !(stock > 0) {
		return 0, say.Text{}, false
	}
	return units.GPerL(float64(mass) / float64(stock)), why, true
}

// shortest is the least time an injection should take, and why.
func (r Request) shortest() (time.Duration, say.Text) {
	l := r.Feed.Limits
	need := time.Duration(l.AdvanceFactor * float64(r.Zone.TravelFar))
	if l.ShortestInject > need {
		return l.ShortestInject, say.T("time: injection lasts at least %s", l.ShortestInject.String())
	}
	return need, say.T("time: injection lasts at least %g × the travel time to the far end, %s", l.AdvanceFactor, need.Round(time.Second).String())
}

// time lays out the stages. Volumes rule; the durations are those at the
// zone's own flow. Filling is reckoned at that flow too.
func (p *Plan) time(r Request) {
	q := r.Zone.TotalFlow
	add := func(name, tank string, v units.Litre) {
		d, _ := v.At(q)
		p.Stages = append(p.Stages, Stage{Name: name, Tank: tank, For: Span(d), Pass: v})
		p.Total += Span(d)
		p.Applied += v
	}
	add("fill", "", r.Zone.LineVolume)
	for i, t := range p.Tanks {
		if i > 0 {
			add("clear", p.Tanks[i-1].Name, r.Zone.FlushVolume)
		}
		add("inject", t.Name, units.Litre(float64(t.Stock)/float64(p.Injector.FieldInTotal)))
	}
	add("flush", "", r.Zone.FlushVolume)
	if area := float64(r.Zone.TotalBedLength) * float64(r.Zone.BedSpacing); area > 0 {
		p.Depth = units.MM(float64(p.Applied) / area) // 1 L/m² is 1 mm
	}
}

// conventions says what ratios and labels were taken to mean.
func (r Request) conventions() []say.Text {
	n := 1 / float64(r.Injector.Ratio)
	ratio := say.T("the injector's 1:%.4g is 1 part of stock in %.4g parts of the mixture", n, n)
	if r.Injector.Convention == StockPerWater {
		ratio = say.T("the injector's 1:%.4g is 1 part of stock added to %.4g parts of water", n, n)
	}
	out := []say.Text{ratio}
	for _, p := range r.products() {
		switch {
		case p.Analysis.P == 0 && p.Analysis.K == 0:
		case p.Analysis.Basis == Elemental:
			out = append(out, say.T("%s: the label's P and K are elements", p.Name))
		default:
			out = append(out, say.T("%s: the label's P and K are P2O5 and K2O", p.Name))
		}
	}
	return out
}
