package planview

import (
	"fmt"
	"slices"
	"strings"

	"boxd/config"
	"boxd/internal/dosing"
	"boxd/internal/hydraulics"
	"boxd/internal/say"
	"boxd/internal/units"
	"boxd/internal/web"
)

// writer writes in a person's language and system of units.
type writer struct {
	u     units.System
	voice say.Voice
}

// say writes a sentence; its format is a constant.
func (w writer) say(format string, args ...any) string {
	return w.voice.Say(say.Text{Format: format, Args: args})
}

// tied keeps a number and its unit on one line.
func tied(s fmt.Stringer) string { return strings.ReplaceAll(s.String(), " ", "\u00a0") }

func span(s dosing.Span) string {
	return strings.ReplaceAll(units.Elapsed(s.Duration()), " ", "\u00a0")
}

func (w writer) wanted(d dosing.Plan) []web.PlanFact {
	facts := []web.PlanFact{{Name: w.say("wanted"), Value: w.say("%s of %s", tied(w.u.Mass(d.Wanted.Mass)), d.Wanted.Nutrient), Aside: w.say("in this event; written as %s", d.Wanted.Rate)}}
	if d.Wanted.Area > 0 {
		facts = append(facts, web.PlanFact{Name: w.say("area counted"), Value: tied(w.u.Area(d.Wanted.Area))})
	}
	return append(facts, web.PlanFact{Name: w.say("gives in all"), Value: w.gives(d.Gives)})
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
	for _, x := range t.Weigh {
		f := web.PlanFact{Name: x.Product, Value: tied(w.u.Mass(x.Mass))}
		if x.Volume > 0 {
			f.Aside = w.say("that is %s", tied(w.volume(x.Volume)))
		}
		out.Weigh = append(out.Weigh, f)
	}
	stock := web.PlanFact{Name: w.say("make up to"), Value: tied(w.volume(t.Stock)), Aside: w.say("the mark decides")}
	if t.Fillings > 1 {
		stock.Aside = w.say("in %d fillings of the tank", t.Fillings)
	}
	out.Facts = []web.PlanFact{
		{Name: w.say("dissolve in"), Value: w.say("about\u00a0%s", tied(w.volume(t.Dissolve))), Aside: w.say("clear water, to start with")}, stock,
		{Name: w.say("stock strength"), Value: tied(w.u.Concentration(t.Strength)), Aside: w.voice.Say(t.StrengthFrom)},
		{Name: w.say("in the line"), Value: tied(w.thin(t.Line)), Aside: ppm(t.LineHolds)},
	}
	if tanks > 1 {
		out.Facts = append(out.Facts, web.PlanFact{Name: w.say("inject for"), Value: span(t.Inject)})
	}
	if t.ECKnown {
		out.Facts = append(out.Facts, web.PlanFact{Name: w.say("line EC"), Value: "+" + tied(w.u.Conductivity(t.ECRise)),
			Aside: w.say("to %s, give or take %.0f\u00a0%%", tied(w.u.Conductivity(t.LineEC)), t.ECRel.Percent())})
	} else {
		out.Facts = append(out.Facts, web.PlanFact{Name: w.say("line EC"), Value: w.say("unknown"), Aside: w.voice.Say(t.ECWhy)})
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
	out.Words = w.say("that is 1:%.4g, taken as 1 part of stock in %.4g parts of the mixture", n, n)
	if i.Convention == dosing.StockPerWater {
		out.Words = w.say("that is 1:%.4g, taken as 1 part of stock added to %.4g parts of water", n, n)
	}
	out.Facts = []web.PlanFact{
		{Name: w.say("block flow"), Value: tied(w.u.Flow(i.Total)), Aside: w.say("what all emitters take")},
		{Name: w.say("through the branch"), Value: tied(w.u.Flow(i.Branch)), Aside: w.branchCounts(i.Convention)},
		{Name: w.say("round it"), Value: tied(w.u.Flow(i.Bypass)), Aside: w.say("through the loop valve")},
		{Name: w.say("stock drawn"), Value: tied(w.hourly(i.Stock))},
		{Name: w.say("field ratio"), Value: fmt.Sprintf("%.3g\u00a0%%", i.FieldInTotal.Percent()), Aside: w.say("stock in all the water, 1 part in %.4g", 1/float64(i.FieldInTotal))},
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

func (w writer) branchCounts(c dosing.Convention) string {
	if c == dosing.StockPerWater {
		return w.say("water through the injector")
	}
	return w.say("stock included")
}

func (w writer) stage(s dosing.Stage) web.PlanStage {
	says := map[string]string{
		"fill":   w.say("clear water, until the lines are full and at pressure"),
		"inject": w.say("valves at the injector open, loop valve throttled"),
		"clear":  w.say("clear water between two tanks that must not meet"),
		"flush":  w.say("clear water, until the last emitter of the last row is clean"),
	}
	return web.PlanStage{Name: s.Name, Tank: s.Tank, Minutes: s.For.Minutes(), For: span(s.For), Pass: tied(w.volume(s.Pass)), Says: says[s.Name]}
}

func (w writer) run(d dosing.Plan, m *hydraulics.Model) []web.PlanFact {
	facts := []web.PlanFact{
		{Name: w.say("in all"), Value: span(d.Total), Aside: w.say("at the zone's own flow; the litres count, not the clock")},
		{Name: w.say("through the box"), Value: tied(w.volume(d.Applied)), Aside: w.say("stock included")},
	}
	if d.Depth > 0 {
		facts = append(facts, web.PlanFact{Name: w.say("on the beds"), Value: tied(w.depth(d.Depth)), Aside: w.say("deep, over length of bed × bed spacing")})
	}
	return append(facts, web.PlanFact{Name: w.say("lines hold"), Value: tied(w.volume(m.LineVolume())), Aside: w.say("lead, header and rows")})
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
		{Name: w.say("to the near row's end"), Value: span(dosing.Span(s.TravelNear)), Aside: w.say("from the box to the last emitter of the row reached first")},
		{Name: w.say("to the far row's end"), Value: span(dosing.Span(s.TravelFar)), Aside: w.say("from the box to the last emitter of all")},
		{Name: w.say("to flush"), Value: tied(w.volume(s.FlushVolume)), Aside: w.say("has to pass the box before the last emitter gets its water; the lines hold less, for flow falls towards a closed end")},
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
		*to = append(*to, web.PlanNote{Severity: x.Severity.String(), Text: w.voice.Say(x.Text)})
	}
	gravestFirst(v.MixNotes)
	gravestFirst(v.DialNotes)
	for _, c := range d.Conventions {
		v.Means = append(v.Means, web.PlanNote{Text: w.voice.Say(c)})
	}
	for _, c := range d.Cautions {
		n := web.PlanNote{Severity: c.Severity.String(), Text: w.voice.Say(c.Text)}
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
	add := func(severity dosing.Severity, text string) {
		out = append(out, web.PlanNote{Severity: severity.String(), Text: text})
	}
	switch v := s.FlowVariation; {
	case v > 0.20:
		add(dosing.Caution, w.say("Emitter flow varies by %v, over the 20 %% a design should keep under: some plants get much less than others, of water and of fertilizer.", v))
	case v > 0.10:
		add(dosing.Note, w.say("Emitter flow varies by %v; a good design keeps to 10 %%.", v))
	}
	if p, in := s.HeaderInlet, z.Window; p < in.Low || p > in.High {
		add(dosing.Caution, w.say("The header's inlet is at %v, outside its window, %v to %v.", p, in.Low, in.High))
	}
	return out
}
