package planview

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"boxd/config"
	"boxd/internal/dosing"
	"boxd/internal/hydraulics"
	"boxd/internal/units"
	"boxd/internal/web"
)

// writer writes in one system of units.
type writer struct{ u units.System }

// tied keeps a number and its unit on one line.
func tied(s fmt.Stringer) string { return strings.ReplaceAll(s.String(), " ", "\u00a0") }

func span(s dosing.Span) string {
	return strings.ReplaceAll(units.Elapsed(s.Duration()), " ", "\u00a0")
}

func (w writer) wanted(d dosing.Plan) []web.PlanFact {
	facts := []web.PlanFact{{Name: "wanted", Value: tied(w.u.Mass(d.Wanted.Mass)) + " of " + d.Wanted.Nutrient.String(), Aside: "in this event; written as " + d.Wanted.Rate}}
	if d.Wanted.Area > 0 {
		facts = append(facts, web.PlanFact{Name: "area counted", Value: tied(w.u.Area(d.Wanted.Area))})
	}
	return append(facts, web.PlanFact{Name: "gives in all", Value: w.gives(d.Gives)})
}

// gives lists the nutrients in the products: P and K as the oxides of labels.
func (w writer) gives(n dosing.Nutrients) string {
	var parts []string
	for _, x := range []struct {
		name string
		mass units.Gram
	}{{"N", n.N}, {"P₂O₅", n.P2O5}, {"K₂O", n.K2O}, {"Ca", n.Ca}, {"Mg", n.Mg}, {"S", n.S}} {
		if x.mass > 0 {
			parts = append(parts, x.name+"\u00a0"+tied(w.u.Mass(x.mass)))
		}
	}
	return strings.Join(parts, ", ")
}

func (w writer) tank(t dosing.TankPlan, tanks int) web.PlanTank {
	out := web.PlanTank{Name: t.Name}
	if out.Name == "" {
		out.Name = "of stock"
	}
	for _, x := range t.Weigh {
		f := web.PlanFact{Name: x.Product, Value: tied(w.u.Mass(x.Mass))}
		if x.Volume > 0 {
			f.Aside = "that is " + tied(w.volume(x.Volume))
		}
		out.Weigh = append(out.Weigh, f)
	}
	stock := web.PlanFact{Name: "make up to", Value: tied(w.volume(t.Stock)), Aside: "the mark decides"}
	if t.Fillings > 1 {
		stock.Aside = fmt.Sprintf("in %d fillings of the tank", t.Fillings)
	}
	out.Facts = []web.PlanFact{
		{Name: "dissolve in", Value: "about\u00a0" + tied(w.volume(t.Dissolve)), Aside: "clear water, to start with"}, stock,
		{Name: "stock", Value: tied(w.u.Concentration(t.Strength)), Aside: t.StrengthFrom},
		{Name: "in the line", Value: tied(w.thin(t.Line)), Aside: ppm(t.LineHolds)},
	}
	if tanks > 1 {
		out.Facts = append(out.Facts, web.PlanFact{Name: "inject for", Value: span(t.Inject)})
	}
	if t.ECKnown {
		out.Facts = append(out.Facts, web.PlanFact{Name: "line EC", Value: "+" + tied(w.u.Conductivity(t.ECRise)),
			Aside: fmt.Sprintf("to %s, give or take %.0f\u00a0%%", tied(w.u.Conductivity(t.LineEC)), t.ECRel.Percent())})
	} else {
		out.Facts = append(out.Facts, web.PlanFact{Name: "line EC", Value: "unknown", Aside: t.ECWhy})
	}
	return out
}

// ppm lists the line's nutrients in mg/L, the trade's ppm in either system.
func ppm(n dosing.NutrientConc) string {
	var parts []string
	for _, x := range []struct {
		name string
		conc dosing.MgPerL
	}{{"N", n.N}, {"P", n.P}, {"K", n.K}, {"Ca", n.Ca}, {"Mg", n.Mg}, {"S", n.S}} {
		if x.conc > 0 {
			parts = append(parts, fmt.Sprintf("%s\u00a0%.0f", x.name, float64(x.conc)))
		}
	}
	return strings.Join(parts, ", ") + "\u00a0mg/L (ppm)"
}

func (w writer) dial(d dosing.Plan) web.PlanDial {
	i := d.Injector
	n := 1 / float64(i.Dial)
	out := web.PlanDial{Set: fmt.Sprintf("%.3g\u00a0%%", i.Dial.Percent()), Through: 1 - float64(i.Bypass.Of(i.Total))}
	out.Words = fmt.Sprintf("that is 1:%.4g, taken as 1 part of stock in %.4g parts of the mixture", n, n)
	if i.Convention == dosing.StockPerWater {
		out.Words = fmt.Sprintf("that is 1:%.4g, taken as 1 part of stock added to %.4g parts of water", n, n)
	}
	out.Facts = []web.PlanFact{
		{Name: "block flow", Value: tied(w.u.Flow(i.Total)), Aside: "what all emitters take"},
		{Name: "through the branch", Value: tied(w.u.Flow(i.Branch)), Aside: branchCounts(i.Convention)},
		{Name: "round it", Value: tied(w.u.Flow(i.Bypass)), Aside: "through the loop valve"},
		{Name: "stock drawn", Value: tied(w.hourly(i.Stock))},
		{Name: "field ratio", Value: fmt.Sprintf("%.3g\u00a0%%", i.FieldInTotal.Percent()), Aside: fmt.Sprintf("stock in all the water, 1 part in %.4g", 1/float64(i.FieldInTotal))},
	}
	return out
}

// volume leaves the tenths out of what is counted in thousands.
func (w writer) volume(v units.Litre) units.Shown {
	s := w.u.Volume(v)
	if s.Value >= 1000 {
		s.Decimals = 0
	}
	return s
}

// thin writes the concentration in the line, a small one.
func (w writer) thin(c units.GPerL) units.Shown {
	s := w.u.Concentration(c)
	s.Decimals = 3
	return s
}

// hourly writes a small flow: L/h or gal/h.
func (w writer) hourly(q units.LPerH) units.Shown {
	s := w.u.EmitterFlow(q)
	s.Decimals = 1
	return s
}

func branchCounts(c dosing.Convention) string {
	if c == dosing.StockPerWater {
		return "water through the injector"
	}
	return "stock included"
}

func (w writer) stage(s dosing.Stage) web.PlanStage {
	says := map[string]string{
		"fill":   "clear water, until the lines are full and at pressure",
		"inject": "valves at the injector open, loop valve throttled",
		"clear":  "clear water between two tanks that must not meet",
		"flush":  "clear water, until the last emitter of the last row is clean",
	}
	return web.PlanStage{Name: s.Name, Tank: s.Tank, Minutes: s.For.Minutes(), For: span(s.For), Pass: tied(w.volume(s.Pass)), Says: says[s.Name]}
}

func (w writer) run(d dosing.Plan, m *hydraulics.Model) []web.PlanFact {
	facts := []web.PlanFact{
		{Name: "in all", Value: span(d.Total), Aside: "at the zone's own flow; the litres count, not the clock"},
		{Name: "through the box", Value: tied(w.volume(d.Applied)), Aside: "stock included"},
	}
	if d.Depth > 0 {
		facts = append(facts, web.PlanFact{Name: "on the beds", Value: tied(w.depth(d.Depth)), Aside: "deep, over length of bed × bed spacing"})
	}
	return append(facts, web.PlanFact{Name: "lines hold", Value: tied(w.volume(m.LineVolume())), Aside: "lead, header and rows"})
}

func (w writer) depth(d units.MM) units.Shown {
	s := w.u.Bore(d)
	if w.u == units.US {
		s.Decimals = 2
	}
	return s
}

func (w writer) travel(m *hydraulics.Model) []web.PlanFact {
	s := m.Summary()
	return []web.PlanFact{
		{Name: "to the near row's end", Value: span(dosing.Span(s.TravelNear)), Aside: "from the box to the last emitter of the row reached first"},
		{Name: "to the far row's end", Value: span(dosing.Span(s.TravelFar)), Aside: "from the box to the last emitter of all"},
		{Name: "to flush", Value: tied(w.volume(s.FlushVolume)), Aside: "has to pass the box before the last emitter gets its water; the lines hold less, for flow falls towards a closed end"},
	}
}

// notes puts every warning where it belongs.
func (w writer) notes(v *web.PlanView, d dosing.Plan) {
	for _, x := range d.Warnings {
		to := &v.MixNotes
		switch x.Code {
		case dosing.CodeBypass, dosing.CodeBranchHigh, dosing.CodeBranchLow, dosing.CodeSupplySmall, dosing.CodeAcidChlorine:
			to = &v.DialNotes
		case dosing.CodeInjectionShort, dosing.CodeRunLong:
			to = &v.RunNotes
		case dosing.CodeLineEC, dosing.CodeECUnknown, dosing.CodeSupplyEC, dosing.CodeUreaInvisible:
			to = &v.ECNotes
		case dosing.CodeOwnSpacing:
			to = &v.Means
		}
		*to = append(*to, web.PlanNote{Severity: x.Severity.String(), Text: x.Text, Aside: w.numbers(x)})
	}
	gravestFirst(v.MixNotes)
	gravestFirst(v.DialNotes)
	for _, c := range d.Conventions {
		v.Means = append(v.Means, web.PlanNote{Text: c, Aside: w.aside(c)})
	}
	for _, c := range d.Cautions {
		n := web.PlanNote{Severity: c.Severity.String(), Text: c.Text}
		if c.Code == dosing.CautionLabel || c.Code == dosing.CautionCode {
			n.Severity = ""
			v.Rules = append(v.Rules, n)
			continue
		}
		v.Care = append(v.Care, n)
	}
}

func gravestFirst(ns []web.PlanNote) {
	order := []string{dosing.Stop.String(), dosing.Caution.String()}
	rank := func(n web.PlanNote) int {
		if i := slices.Index(order, n.Severity); i >= 0 {
			return i
		}
		return len(order)
	}
	slices.SortStableFunc(ns, func(a, b web.PlanNote) int { return rank(a) - rank(b) })
}

// rowNotes judges the zone. Flow variation: up to 10 % is good and over 20 % is
// not acceptable (Wu and Gitlin 1974, from memory).
func (w writer) rowNotes(z *config.Zone, s hydraulics.Summary) []web.PlanNote {
	var out []web.PlanNote
	say := func(severity dosing.Severity, format string, args ...any) {
		out = append(out, web.PlanNote{Severity: severity.String(), Text: fmt.Sprintf(format, args...)})
	}
	switch v := s.FlowVariation; {
	case v > 0.20:
		say(dosing.Caution, "Emitter flow varies by %s, over the 20 %% a design should keep under: some plants get much less than others, of water and of fertilizer.", v.Shown())
	case v > 0.10:
		say(dosing.Note, "Emitter flow varies by %s; a good design keeps to 10 %%.", v.Shown())
	}
	if p, in := s.HeaderInlet, z.Window; p < in.Low || p > in.High {
		say(dosing.Caution, "The header's inlet is at %s, outside its window, %s to %s.", w.u.Pressure(p), w.u.Pressure(in.Low), w.u.Pressure(in.High))
	}
	return out
}

// numbers says a warning's numbers in US units; its text is metric.
func (w writer) numbers(x dosing.Warning) string {
	var parts []string
	for _, n := range x.Numbers {
		if text, ok := w.convert(n.Value, n.Unit); ok {
			parts = append(parts, strings.ReplaceAll(n.Name, "_", " ")+"\u00a0"+text)
		}
	}
	return strings.Join(parts, ", ")
}

// aside says in US units what a text says in metric ones.
func (w writer) aside(text string) string {
	quantity := regexp.MustCompile(`(\d+(?:\.\d+)?) (m²|m|L/h|L|g/L)(?:[^\pL/²]|$)`)
	var parts []string
	for _, q := range quantity.FindAllStringSubmatch(text, -1) {
		v, err := strconv.ParseFloat(q[1], 64)
		if err != nil {
			continue
		}
		if us, ok := w.convert(v, q[2]); ok {
			parts = append(parts, q[1]+"\u00a0"+q[2]+" is "+us)
		}
	}
	return strings.Join(parts, ", ")
}

func (w writer) convert(v float64, unit string) (string, bool) {
	if w.u != units.US {
		return "", false
	}
	switch unit {
	case "L/h":
		return tied(w.u.Flow(units.LPerH(v))), true
	case "L":
		return tied(w.volume(units.Litre(v))), true
	case "g/L":
		return tied(w.u.Concentration(units.GPerL(v))), true
	case "m":
		return tied(w.u.Length(units.Metre(v))), true
	case "m²":
		return tied(w.u.Area(units.M2(v))), true
	case "°C":
		return tied(w.u.Temperature(units.Celsius(v))), true
	}
	return "", false
}
