package dosing

import (
	"math"

	"boxd/internal/say"
	"boxd/internal/units"
)

// BedArea is the area a rate per area means in the linear-bed-foot convention
// (Mid-Atlantic vegetable guide; UF/IFAS SL303): length of bed × the bed
// spacing the guide was written for, which need not be the farm's.
func BedArea(length, guideSpacing units.Metre) units.M2 {
	return units.M2(float64(length) * float64(guideSpacing))
}

// BedLengthPerAcre is the length of bed in an acre at a spacing.
func BedLengthPerAcre(spacing units.Metre) units.Metre {
	return units.Metre(units.M2PerAcre / float64(spacing))
}

// OuncesPerGallons is the concentration of some ounces (av.) of product in
// some US gallons.
func OuncesPerGallons(oz, gal float64) units.GPerL {
	return units.GPerL(oz * units.GramPerOunce / (gal * units.LitrePerUSGallon))
}

// due is a target worked out for one event in one zone.
type due struct {
	grams units.Gram
	area  units.M2   // counted; 0 where the rate is not per area
	said  []say.Text // conventions used
	own   bool       // the guide's spacing was not said
}

// check holds the dose against what one zone could ever be due.
func (d due) check(t Target) Faults {
	var fs Faults
	if !(d.grams >= 1e-3 && d.grams <= 1e7) {
		fs.add("feed.target.rate", "a dose of grams to kilograms per event", "%q comes to %.4g g of %s for one event in this zone", t.Rate.Written, float64(d.grams), t.Nutrient)
	}
	return fs
}

// perEvent works out the dose of one event. The target must have been checked.
func (t Target) perEvent(z ZoneFacts) due {
	d := due{}
	k := 1.0
	switch t.Period {
	case PerDay:
		k = 7 / t.EventsPerWeek
	case PerWeek:
		k = 1 / t.EventsPerWeek
	case PerEvent, UnknownPeriod:
	}
	count, text := t.count(z, &d)
	d.grams = units.Gram(float64(t.Rate.Grams) * count * k)
	d.said = append(d.said, text)
	if t.Period != PerEvent {
		d.said = append(d.said, t.periodSays(k))
	}
	return d
}

// periodSays is the convention of a rate that isn't per event.
func (t Target) periodSays(k float64) say.Text {
	if t.Period == PerDay {
		return say.T("the rate is per day; with %g a week, one event gets %.4g times it", t.EventsPerWeek, k)
	}
	return say.T("the rate is per week; with %g a week, one event gets %.4g times it", t.EventsPerWeek, k)
}

// count is how often the rate's unit is in the zone, and the convention in words.
func (t Target) count(z ZoneFacts, d *due) (float64, say.Text) {
	switch t.Rate.Per {
	case PerArea:
		area, text := t.area(z, d)
		d.area = area
		return float64(area), text
	case PerBedLength:
		return float64(z.TotalBedLength), say.T("the rate counts length of bed: %v of it in %d beds", metres(z.TotalBedLength, 1), z.Beds)
	case PerPlant:
		n := t.plants(z)
		return n, say.T("the rate counts plants: %.0f of them", n)
	case PerZone, UnknownPer:
	}
	return 1, say.T("the rate is for the whole zone")
}

func (t Target) area(z ZoneFacts, d *due) (units.M2, say.Text) {
	if t.Area == AreaField {
		return t.FieldArea, say.T("an area is the field's gross area, drive rows included: %v", t.FieldArea)
	}
	if !(t.GuideSpacing > 0) {
		d.own = true
		a := BedArea(z.TotalBedLength, z.BedSpacing)
		return a, say.T("an area is length of bed × the zone's own bed spacing: %v × %v = %v", metres(z.TotalBedLength, 1), metres(z.BedSpacing, 3), a)
	}
	a := BedArea(z.TotalBedLength, t.GuideSpacing)
	return a, say.T("an area is length of bed × the guide's bed spacing: %v × %v = %v", metres(z.TotalBedLength, 1), metres(t.GuideSpacing, 3), a)
}

func (t Target) plants(z ZoneFacts) float64 {
	if t.Plants > 0 {
		return float64(t.Plants)
	}
	return math.Floor(float64(z.TotalBedLength)/float64(t.PlantSpacing)) * float64(max(1, t.RowsPerBed))
}

// PlantCount is the number of plants in the zone, as stated or by spacing; 0
// where neither is said.
func (t Target) PlantCount(z ZoneFacts) float64 {
	if t.Plants <= 0 && !(t.PlantSpacing > 0) {
		return 0
	}
	return t.plants(z)
}
