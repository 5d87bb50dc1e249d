package dosing

import (
	"fmt"

	"boxd/internal/units"
)

// Check finds every fault of a feed that can be seen without its zone. Field
// names are those of the YAML file, from the feed down.
func (f Feed) Check() Faults {
	var fs Faults
	fs = append(fs, f.Target.Check().Under("target")...)
	if len(f.Products) == 0 {
		fs.add("products", "one or more", "there are none")
	}
	for i, p := range f.Products {
		fs = append(fs, p.check(f.Tanks).Under(fmt.Sprintf("products[%d]", i))...)
	}
	f.checkMix(&fs)
	f.checkTanks(&fs)
	return append(fs, f.Limits.Check().Under("limits")...)
}

// checkMix: all by grams per litre, or all by parts; and the target's nutrient
// is in it.
func (f Feed) checkMix(fs *Faults) {
	recipe, supplies := 0, false
	for _, p := range f.Products {
		if p.GramsPerLitre > 0 {
			recipe++
		}
		supplies = supplies || p.Product.Analysis.Share(f.Target.Nutrient) > 0
	}
	if recipe > 0 && recipe < len(f.Products) {
		fs.add("products", "grams_per_litre on every product, or parts and the tank's strength", "%d of %d products say grams_per_litre", recipe, len(f.Products))
	}
	if len(f.Products) > 0 && f.Target.Nutrient != UnknownNutrient && !supplies {
		fs.add("products", "at least one product with "+f.Target.Nutrient.String(), "none supplies %s, which the target asks for", f.Target.Nutrient)
	}
}

func (f Feed) checkTanks(fs *Faults) {
	if len(f.Tanks) > 2 {
		fs.add("tanks", "one or two", "there are %d", len(f.Tanks))
	}
	for i, t := range f.Tanks {
		at := fmt.Sprintf("tanks[%d]", i)
		nonNegative(fs, at+".volume", t.Volume, 10000, "5 L to 1000 L")
		nonNegative(fs, at+".strength", t.Strength, 2000, "20 g/L to 200 g/L")
		recipe, used := false, false
		for _, p := range f.Products {
			in := p.Tank == t.Name || (p.Tank == "" && i == 0)
			used = used || in
			recipe = recipe || (in && p.GramsPerLitre > 0)
		}
		if recipe && t.Strength > 0 {
			fs.add(at+".strength", "leave it out where products say grams_per_litre", "said twice: here and on the products")
		}
		if !used && len(f.Products) > 0 {
			fs.add(at, "a tank that a product names", "no product goes into tank %q", t.Name)
		}
		for j := range i {
			if f.Tanks[j].Name == t.Name {
				fs.add(at+".name", "a name of its own", "%q is taken by tanks[%d]", t.Name, j)
			}
		}
	}
}

func (p Portion) check(tanks []Tank) Faults {
	fs := p.Product.Check().Under("product")
	nonNegative(&fs, "grams_per_litre", p.GramsPerLitre, 2000, "20 g/L to 200 g/L")
	nonNegative(&fs, "parts", p.Parts, 1e6, "1")
	if p.GramsPerLitre == 0 && p.Parts == 0 {
		fs.add("parts", "1 where it is the only product", "neither parts nor grams_per_litre is said")
	}
	if p.GramsPerLitre > 0 && p.Parts > 0 {
		fs.add("parts", "one of the two", "both parts and grams_per_litre are said")
	}
	known := p.Tank == ""
	for _, t := range tanks {
		known = known || t.Name == p.Tank
	}
	if !known {
		fs.add("tank", "the name of one of the feed's tanks", "there is no tank %q", p.Tank)
	}
	return fs
}

// Check finds every fault of a product.
func (p Product) Check() Faults {
	var fs Faults
	if p.Name == "" {
		fs.add("name", "the label's name", "it is missing")
	}
	if p.Form == UnknownForm {
		fs.add("form", "solid or liquid", "it is not said")
	}
	if p.Form == Liquid && !(p.Density >= 500 && p.Density <= 2500) {
		fs.add("density", "1.05 kg/L to 1.6 kg/L, from the label", "a liquid needs its density, %.4g g/L can't be: its label is per mass", float64(p.Density))
	}
	nonNegative(&fs, "ec_per_gram_per_litre", p.ECPerGPerL, 5000, "700 µS/cm to 2000 µS/cm")
	fs = append(fs, p.Analysis.Check().Under("analysis")...)
	p.checkSalts(&fs)
	for i, s := range p.Solubility {
		at := fmt.Sprintf("solubility[%d]", i)
		positive(&fs, at+".grams_per_kg", s.GPerKg, 5000, "100 to 1500 g per kg of water")
		if !units.Finite(s.At) || (i > 0 && s.At <= p.Solubility[i-1].At) {
			fs.add(at+".at", "rising temperatures", "%v °C does not rise", float64(s.At))
		}
	}
	return fs
}

func (p Product) checkSalts(fs *Faults) {
	sum := 0.0
	for i, s := range p.Salts {
		at := fmt.Sprintf("salts[%d]", i)
		if s.Salt == UnknownSalt || s.Salt >= numSalts {
			fs.add(at+".salt", "a built-in salt such as potassium-nitrate", "it is not known")
		}
		positive(fs, at+".share", s.Share, 1, "50 %")
		sum += float64(s.Share)
	}
	if sum > 1.001 {
		fs.add("salts", "100 % or less together", "the shares make %.1f %%", 100*sum)
	}
}

// Check finds every fault of an analysis.
func (a Analysis) Check() Faults {
	var fs Faults
	sum := 0.0
	for _, v := range []struct {
		name  string
		share units.Ratio
	}{{"n", a.N}, {"p", a.P}, {"k", a.K}, {"ca", a.Ca}, {"mg", a.Mg}, {"s", a.S}} {
		nonNegative(&fs, v.name, v.share, 1, "0 % to 62 %")
		sum += float64(v.share)
	}
	if sum > 1 {
		fs.add("", "less than 100 % together", "the nutrients make %.1f %% of the mass", 100*sum)
	}
	if !(a.UreaN >= 0 && a.UreaN <= a.N) {
		fs.add("urea_n", "0 % to the label's n", "%.2f %% is not a part of n, %.2f %%", a.UreaN.Percent(), a.N.Percent())
	}
	if (a.P > 0 || a.K > 0) && a.Basis != Oxide && a.Basis != Elemental {
		fs.add("basis", "oxide (P2O5 and K2O, United States labels) or elemental", "it is not said what p and k are counted as")
	}
	return fs
}

// Check finds every fault of a target.
func (t Target) Check() Faults {
	var fs Faults
	if t.Nutrient == UnknownNutrient || int(t.Nutrient) >= len(nutrientNames) {
		fs.add("nutrient", "N, P2O5, K2O, P, K, Ca, Mg or S", "it is not said")
	}
	positive(&fs, "rate", t.Rate.Grams, 1e9, "3.5 lb/ac/week or 4 kg/ha/week")
	if t.Rate.Per == UnknownPer {
		fs.add("rate", "3.5 lb/ac/week or 4 kg/ha/week", "its unit is not known")
	}
	switch t.Period {
	case PerDay, PerWeek:
		positive(&fs, "events_per_week", t.EventsPerWeek, 70, "1 to 7")
	case PerEvent:
	case UnknownPeriod:
		fs.add("rate", "/event, /day or /week behind the rate", "it is not said what it is per")
	}
	nonNegative(&fs, "guide_spacing", t.GuideSpacing, 20, "1.2 m to 2.1 m (4 ft to 7 ft)")
	if t.Rate.Per == PerArea {
		t.checkArea(&fs)
	}
	if t.Rate.Per == PerPlant && t.Plants <= 0 {
		positive(&fs, "plant_spacing", t.PlantSpacing, 20, "0.3 m, or plants: 2400")
	}
	return fs
}

func (t Target) checkArea(fs *Faults) {
	switch t.Area {
	case AreaBedLength:
	case AreaField:
		positive(fs, "field_area", t.FieldArea, 1e7, "400 m² or 0.1 ac")
	case UnknownArea:
		fs.add("area", "bed-length (length of bed × the guide's spacing) or field (gross area)", "a rate per area needs to say which area; this is the commonest large dosing error")
	}
}

// Check finds every fault of the limits; zero values take their defaults.
func (l Limits) Check() Faults {
	var fs Faults
	nonNegative(&fs, "line_ec", l.LineEC, 20000, "1500 µS/cm to 3000 µS/cm")
	if !(l.ColdestStock >= 0 && l.ColdestStock <= 50) {
		fs.add("coldest_stock", "2 °C to 20 °C; keep stock from freezing", "%v °C is outside 0 to 50 °C", float64(l.ColdestStock))
	}
	nonNegative(&fs, "solubility_share", l.SolubilityShare, 1, "80 %")
	nonNegative(&fs, "advance_factor", l.AdvanceFactor, 20, "2")
	if l.ShortestInject < 0 || l.LongestRun < 0 || (l.LongestRun > 0 && l.LongestRun < l.ShortestInject) {
		fs.add("longest_run", "longer than shortest_inject, neither negative", "%v and %v can't both hold", l.LongestRun, l.ShortestInject)
	}
	return fs
}

// Check finds every fault of the injector.
func (i Injector) Check() Faults {
	var fs Faults
	if !(i.Ratio >= 1e-4 && i.Ratio <= 0.2) {
		fs.add("ratio", "0.2 % to 10 %", "%.4g %% is outside 0.01 to 20 %%", i.Ratio.Percent())
	}
	positive(&fs, "rated_flow", i.RatedFlow, 1e6, "13 L/min (3.5 gal/min)")
	nonNegative(&fs, "lowest_flow", i.LowestFlow, 1e6, "0.1 L/min")
	nonNegative(&fs, "branch_flow", i.BranchFlow, 1e6, "at most the rated flow")
	if i.Convention != StockInTotal && i.Convention != StockPerWater {
		fs.add("convention", "stock-in-total (1:50 is 1 part in 50) or stock-per-water (1 part to 50)", "it is not said what the ratio divides by")
	}
	nonNegative(&fs, "dial_low", i.DialLow, 0.2, "0.2 %")
	nonNegative(&fs, "dial_high", i.DialHigh, 0.2, "2 %")
	if i.DialLow > i.Ratio || (i.DialHigh > 0 && i.DialHigh < i.Ratio) {
		fs.add("ratio", "within dial_low and dial_high", "%.3g %% is outside %.3g to %.3g %%", i.Ratio.Percent(), i.DialLow.Percent(), i.DialHigh.Percent())
	}
	return fs
}

// Check finds every fault of the supply.
func (s Supply) Check() Faults {
	var fs Faults
	nonNegative(&fs, "flow", s.Flow, 1e6, "1000 L/h (4.4 gal/min) or more than the block takes")
	nonNegative(&fs, "ec", s.EC, 10000, "100 µS/cm to 1000 µS/cm")
	for _, v := range []struct {
		name string
		meq  MeqPerL
	}{{"calcium", s.Calcium}, {"magnesium", s.Magnesium}, {"bicarbonate", s.Bicarbonate}, {"sulfate", s.Sulfate}} {
		nonNegative(&fs, v.name, v.meq, 100, "0 to 10 meq/L")
	}
	return fs
}

// Check finds every fault of the zone's facts for any target.
func (z ZoneFacts) Check() Faults {
	var fs Faults
	positive(&fs, "total_flow", z.TotalFlow, 1e6, "140 L/h to 5000 L/h")
	positive(&fs, "line_volume", z.LineVolume, 1e6, "10 L to 1000 L")
	positive(&fs, "flush_volume", z.FlushVolume, 1e7, "more than the line volume")
	positive(&fs, "travel_far", z.TravelFar.Hours(), 100, "10 min to 60 min")
	nonNegative(&fs, "total_bed_length", z.TotalBedLength, 1e6, "10 m to 3000 m")
	nonNegative(&fs, "bed_spacing", z.BedSpacing, 20, "1.2 m to 2.1 m")
	return fs
}

// positive adds a fault unless 0 < v ≤ most.
func positive[T ~float64](fs *Faults, field string, v, most T, plausible string) {
	if !(v > 0 && v <= most) {
		fs.add(field, plausible, "%v is not above 0 and at most %v", float64(v), float64(most))
	}
}

// nonNegative adds a fault unless 0 ≤ v ≤ most.
func nonNegative[T ~float64](fs *Faults, field string, v, most T, plausible string) {
	if !(v >= 0 && v <= most) {
		fs.add(field, plausible, "%v is not within 0 and %v", float64(v), float64(most))
	}
}
