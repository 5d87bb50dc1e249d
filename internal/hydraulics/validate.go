package hydraulics

import (
	"fmt"
	"math"
	"strings"

	"boxd/internal/units"
)

// Bounds of what this package takes for a zone. They catch slips of unit or
// decimal point and keep memory bounded; they are no design rules. Common
// practice, no source.
const (
	maxPressure    units.KPa   = 1600
	maxBore        units.MM    = 500
	maxLength      units.Metre = 5000
	maxSlope       units.Ratio = 1
	maxBeds                    = 1000
	maxTapesPerBed             = 8
	maxEmitters                = 300_000
	maxExponent                = 2
)

// Fault is one thing wrong with a zone's data.
type Fault struct {
	Field     string // dotted path as in the configuration file: laterals.lengths[2]
	Problem   string
	Plausible string // a value that would do, with its unit
}

// Faults is every fault of a zone.
type Faults []Fault

// Error lists them, one a line.
func (f Faults) Error() string {
	var b strings.Builder
	for i, x := range f {
		if i > 0 {
			b.WriteByte('\n')
		}
		fmt.Fprintf(&b, "%s %s; plausible: %s", x.Field, x.Problem, x.Plausible)
	}
	return b.String()
}

// checker collects faults.
type checker struct{ faults Faults }

func (c *checker) add(field, plausible, problem string, args ...any) {
	c.faults = append(c.faults, Fault{field, fmt.Sprintf(problem, args...), plausible})
}

// above wants low < v ≤ high.
func (c *checker) above(field string, v, low, high float64, unit, plausible string) {
	if !(v > low && v <= high) {
		c.add(field, plausible, "is %.6g%s; it must be above %g and at most %g%s", v, unit, low, high, unit)
	}
}

// within wants low ≤ v ≤ high.
func (c *checker) within(field string, v, low, high float64, unit, plausible string) {
	if !(v >= low && v <= high) {
		c.add(field, plausible, "is %.6g%s; it must be %g to %g%s", v, unit, low, high, unit)
	}
}

// Validate finds everything wrong with the zone, at once. Nil means that it can
// be drawn out and solved.
func (z Zone) Validate() Faults {
	c := &checker{}
	c.within("water", float64(z.Water), 0, 40, " °C", "20 °C")
	c.inlet(z)
	c.pipe("lead", z.Lead)
	c.header(z.Header)
	c.tapes(z)
	c.law(z.Emitters)
	if z.Formula.String() == "unknown" {
		c.add("formula", DarcyWeisbach.String(), "is not a friction law boxd knows")
	}
	if len(c.faults) > 0 {
		return c.faults // what follows needs a zone that can be drawn
	}
	c.factors(z)
	c.leaks(z)
	c.reach(z)
	return c.faults
}

func (c *checker) inlet(z Zone) {
	r := z.Regulator
	if r == nil {
		c.above("inlet", float64(z.Inlet), 0, float64(maxPressure), " kPa", "68.95 kPa (10 psi)")
		return
	}
	c.above("regulator.supply", float64(r.Supply), 0, float64(maxPressure), " kPa", "250 kPa")
	c.above("regulator.setpoint", float64(r.Setpoint), 0, float64(maxPressure), " kPa", "68.95 kPa (10 psi)")
	c.within("regulator.length", float64(r.PipeLen), 0, float64(maxLength), " m", "0.5 m")
	c.within("regulator.minor_loss", r.MinorLoss, 0, 1e5, "", "10")
	c.bore("regulator", r.PipeBore, r.Roughness, "25 mm")
}

// bore checks an inside diameter and a roughness.
func (c *checker) bore(where string, d, roughness units.MM, plausible string) {
	c.above(where+".inside_diameter", float64(d), 0, float64(maxBore), " mm", plausible)
	if !(roughness >= 0) || d > 0 && roughness > d/20 {
		c.add(where+".roughness", "0.0015 mm", "is %.6g mm; it must be 0 to a twentieth of the inside diameter", float64(roughness))
	}
}

func (c *checker) slope(field string, s units.Ratio) {
	if !(s >= -maxSlope && s <= maxSlope) {
		c.add(field, "0 %", "is %.6g %%; it must be -100 to 100 %%", s.Percent())
	}
}

func (c *checker) pipe(where string, p Pipe) {
	c.above(where+".length", float64(p.Length), 0, float64(maxLength), " m", "5 m")
	c.bore(where, p.Bore, p.Roughness, "28 mm")
	c.slope(where+".slope", p.Slope)
}

func (c *checker) header(h Header) {
	if h.Feed != FeedEnd && h.Feed != FeedCentre {
		c.add("header.feed", "end", "must be end or centre")
	}
	c.within("header.beds", float64(h.Beds), 1, maxBeds, "", "6")
	c.within("header.tapes_per_bed", float64(h.TapesPerBed), 1, maxTapesPerBed, "", "1")
	c.within("header.first_tee", float64(h.FirstTee), 0, float64(maxLength), " m", "0.6 m")
	c.bore("header", h.Bore, h.Roughness, "28 mm")
	c.slope("header.slope", h.Slope)
	c.within("header.tape_gap", float64(h.TapeGap), 0, float64(maxLength), " m", "0.3 m")
	if h.Beds > 1 {
		c.above("header.bed_spacing", float64(h.BedSpacing), 0, float64(maxLength), " m", "1.5 m")
		if width := h.TapeGap * units.Metre(h.TapesPerBed-1); h.BedSpacing > 0 && width >= h.BedSpacing {
			c.add("header.tape_gap", fmt.Sprintf("%.3g m", float64(h.BedSpacing)/4/float64(h.TapesPerBed)),
				"is %.6g m: the tapes of one bed would reach the next one, %.6g m on", float64(h.TapeGap), float64(h.BedSpacing))
		}
	}
}

func (c *checker) tapes(z Zone) {
	l := z.Laterals
	c.within("laterals.lead_in", float64(l.LeadIn), 0, float64(maxLength), " m", "0.3 m")
	c.above("laterals.emitter_spacing", float64(l.EmitterSpacing), 0, 100, " m", "0.3 m")
	c.bore("laterals", l.Bore, l.Roughness, "15.9 mm")
	c.slope("laterals.slope", l.Slope)
	c.within("laterals.connector_loss", l.ConnectorLoss, 0, 1e5, "", "0")
	if n := len(l.Lengths); n != 1 && n != z.Header.Beds {
		c.add("laterals.lengths", fmt.Sprintf("%d lengths, or laterals.length once for all beds", z.Header.Beds),
			"has %d lengths for %d beds", n, z.Header.Beds)
	}
	total := 0.0
	for i, length := range l.Lengths {
		c.length(l, i, length)
		total += float64(length/l.EmitterSpacing) + 1
	}
	if len(l.Lengths) == 1 {
		total *= float64(z.Header.Beds)
	}
	if total *= float64(z.Header.TapesPerBed); l.EmitterSpacing > 0 && total > maxEmitters {
		c.add("laterals.emitter_spacing", "0.3 m", "makes %.0f emitters; boxd takes at most %d in a zone", total, maxEmitters)
	}
}

func (c *checker) length(l Laterals, i int, length units.Metre) {
	field := "laterals.length"
	if len(l.Lengths) > 1 {
		field = fmt.Sprintf("laterals.lengths[%d]", i)
	}
	c.above(field, float64(length), 0, float64(maxLength), " m", "60 m")
	if length > 0 && length < l.LeadIn {
		c.add(field, fmt.Sprintf("%.6g m or more", float64(l.LeadIn)), "is %.6g m: too short for a first emitter at %.6g m", float64(length), float64(l.LeadIn))
	}
}

func (c *checker) law(e Emitters) {
	c.above("emitters.flow", float64(e.Flow), 0, 1000, " L/h", "1 L/h")
	c.above("emitters.at", float64(e.At), 0, float64(maxPressure), " kPa", "68.95 kPa (10 psi)")
	c.within("emitters.exponent", e.Exponent, 0, maxExponent, "", "0.5")
	c.within("emitters.cv", e.CV, 0, 0.78, "", "0.03")
}

func (c *checker) factors(z Zone) {
	if z.Factors == nil {
		return
	}
	if len(z.Factors) != z.laterals() {
		c.add("factors", fmt.Sprintf("%d rows", z.laterals()), "has %d rows for %d laterals", len(z.Factors), z.laterals())
		return
	}
	for i, row := range z.Factors {
		want := z.Laterals.emitters(i / z.Header.TapesPerBed)
		if len(row) != want {
			c.add(fmt.Sprintf("factors[%d]", i), fmt.Sprintf("%d values", want), "has %d values for %d emitters", len(row), want)
		}
		for j, f := range row {
			c.within(fmt.Sprintf("factors[%d][%d]", i, j), f, 0, 100, "", "1")
		}
	}
}

func (c *checker) leaks(z Zone) {
	for i, k := range z.Leaks {
		field := fmt.Sprintf("leaks[%d]", i)
		if k.Lateral < 0 || k.Lateral >= z.laterals() {
			c.add(field+".lateral", "0", "is %d; the zone's laterals are 0 to %d", k.Lateral, z.laterals()-1)
			continue
		}
		length := float64(z.Laterals.length(k.Lateral / z.Header.TapesPerBed))
		c.within(field+".at", float64(k.At), 0, length, " m", fmt.Sprintf("%.4g m", length/2))
		c.within(field+".flow", float64(k.Flow), 0, 1e6, " L/h", "60 L/h")
	}
}

// reach looks for a place so high that still water at the inlet's pressure
// doesn't rise to it.
func (c *checker) reach(z Zone) {
	inlet := float64(z.Inlet)
	if z.Regulator != nil {
		inlet = math.Min(float64(z.Regulator.Setpoint), float64(z.Regulator.Supply))
	}
	lead := height(z.Lead.Length, z.Lead.Slope)
	for i := range z.laterals() {
		bed := i / z.Header.TapesPerBed
		header := height(z.Header.tee(bed%z.Header.branchBeds(), i%z.Header.TapesPerBed), z.Header.Slope)
		tape := math.Max(0, height(z.Laterals.length(bed), z.Laterals.Slope))
		if rise := lead + header + tape; rise >= inlet {
			c.tooHigh(i, inlet, rise, lead, header, tape)
			return
		}
	}
}

// tooHigh names the slope that costs most.
func (c *checker) tooHigh(lateral int, inlet, rise, lead, header, tape float64) {
	field := "laterals.slope"
	switch math.Max(tape, math.Max(lead, header)) {
	case lead:
		field = "lead.slope"
	case header:
		field = "header.slope"
	}
	c.add(field, fmt.Sprintf("0 %%, or an inlet of %.0f kPa", math.Ceil(rise)+70),
		"takes lateral %d to %.3g m above the box outlet; %.4g kPa there lifts water only %.3g m",
		lateral+1, rise/units.KPaPerMetreWater, inlet, inlet/units.KPaPerMetreWater)
}
