package planview

import (
	"boxd/internal/dosing"
	"boxd/internal/hydraulics"
	"boxd/internal/units"
	"boxd/internal/web"
)

// curves foresees the EC at the box and, the flush volume later, at the last
// emitter. Where a tank's EC can't be told it is the product's concentration.
func (w writer) curves(d dosing.Plan, m *hydraulics.Model, supply dosing.Supply) web.PlanCurves {
	strength, base, c := w.strengths(d, supply)
	c.Box = boxCurve(d.Stages, strength, base)
	c.End = endCurve(c.Box, d, m, base)
	c.Says = append(c.Says, w.say("Foreseen as plug flow with full mixing at the box: in real tape the front comes rounder and the tail is longer. The run page tells when the line is clean."))
	return c
}

// strengths is what each tank adds to the line, the value of clear water, and
// what it is that's drawn.
func (w writer) strengths(d dosing.Plan, supply dosing.Supply) (map[string]float64, float64, web.PlanCurves) {
	known := true
	for _, t := range d.Tanks {
		known = known && t.ECKnown
	}
	add := map[string]float64{}
	if !known {
		c := web.PlanCurves{What: w.say("Fertilizer in the line"), Decimals: 1, Says: []string{w.say("EC can't be told for this feed, so the products' concentration is drawn.")}}
		for _, t := range d.Tanks {
			s := w.u.Concentration(t.Line)
			add[t.Name], c.Unit = s.Value, s.Unit
		}
		return add, 0, c
	}
	c := web.PlanCurves{What: w.say("EC"), Unit: w.say("mS/cm at 25 °C"), Decimals: 1}
	for _, t := range d.Tanks {
		add[t.Name] = w.u.Conductivity(t.ECRise).Value
	}
	base := w.u.Conductivity(supply.EC).Value
	if supply.EC == 0 {
		c.What = w.say("EC over that of the clear water")
	} else {
		c.Says = append(c.Says, w.say("Clear water has %s.", tied(w.u.Conductivity(supply.EC))))
	}
	return add, base, c
}

// boxCurve rises while stock is injected.
func boxCurve(stages []dosing.Stage, strength map[string]float64, base float64) []web.PlanPoint {
	out := []web.PlanPoint{{Minute: 0, Value: base}}
	at := 0.0
	for _, s := range stages {
		v := base
		if s.Name == "inject" {
			v += strength[s.Tank]
		}
		if v != out[len(out)-1].Value {
			out = append(out, web.PlanPoint{Minute: at, Value: out[len(out)-1].Value}, web.PlanPoint{Minute: at, Value: v})
		}
		at += s.For.Minutes()
	}
	return append(out, web.PlanPoint{Minute: at, Value: out[len(out)-1].Value})
}

// endCurve is the box's, as much later as the flush volume takes to pass, from
// when the lines are full; before that there is no water to tell of.
func endCurve(box []web.PlanPoint, d dosing.Plan, m *hydraulics.Model, base float64) []web.PlanPoint {
	late, ok := m.FlushVolume().At(m.Summary().TotalFlow)
	if !ok || len(d.Stages) == 0 {
		return nil
	}
	out := []web.PlanPoint{{Minute: d.Stages[0].For.Minutes(), Value: base}}
	for _, p := range box[1 : len(box)-1] {
		out = append(out, web.PlanPoint{Minute: p.Minute + late.Minutes(), Value: p.Value})
	}
	if last := out[len(out)-1]; last.Minute >= d.Total.Minutes() {
		return append(out, web.PlanPoint{Minute: last.Minute * 1.04, Value: last.Value})
	}
	return append(out, web.PlanPoint{Minute: d.Total.Minutes() * 1.04, Value: base})
}

// The picture's bounds: more rows than maxRows are drawn one in so many, more
// emitters than maxStretches are drawn in stretches.
const (
	maxRows      = 24
	maxStretches = 100
)

// rows is every lateral's flow against the mean of all.
func (w writer) rows(m *hydraulics.Model) web.PlanRows {
	s, all := m.Summary(), m.Emitters()
	total := 0.0
	for _, e := range all {
		total += e.Share
	}
	mean := total / float64(max(1, len(all)))
	least, most := all[0].Share, all[0].Share
	for _, e := range all {
		least, most = min(least, e.Share), max(most, e.Share)
	}
	flow := func(share float64) units.LPerH { return s.TotalFlow.Scale(units.Ratio(share)) }
	out := web.PlanRows{Facts: []web.PlanFact{
		{Name: w.say("least emitter"), Value: tied(w.u.EmitterFlow(flow(least))), Aside: w.say("%.2g\u00a0%% under the mean", 100*(1-least/mean))},
		{Name: w.say("mean"), Value: tied(w.u.EmitterFlow(flow(mean))), Aside: w.say("of %d emitters", len(all))},
		{Name: w.say("greatest"), Value: tied(w.u.EmitterFlow(flow(most))), Aside: w.say("%.2g\u00a0%% over the mean", 100*(most/mean-1))},
		{Name: w.say("emission uniformity EU"), Value: tied(s.EmissionUniformity.Shown()), Aside: w.say("least over mean, with the maker's scatter where it is said")},
		{Name: w.say("distribution uniformity DU"), Value: tied(s.LowerQuarterDU.Shown()), Aside: w.say("the lowest quarter over the mean")},
		{Name: w.say("flow variation q_var"), Value: tied(s.FlowVariation.Shown()), Aside: w.say("greatest less least, over greatest; designs aim for under 10\u00a0%")},
	}}
	rows := m.Rows()
	every := (len(rows) + maxRows - 1) / maxRows
	for i, r := range rows {
		if i%every != 0 && i != len(rows)-1 {
			continue
		}
		out.Rows = append(out.Rows, web.PlanRow{Number: i + 1, OffPct: offs(all[r.First:r.First+r.Emitters], mean), End: w.arrives(r.EndVolume, s.TotalFlow)})
	}
	if every > 1 {
		out.LeftOut = w.say("One in %d of %d rows is drawn, and the last.", every, len(rows))
	}
	return out
}

func (w writer) arrives(v units.Litre, q units.LPerH) string {
	d, ok := v.At(q)
	if !ok {
		return w.say("no time that can be told")
	}
	return span(dosing.Span(d))
}

// offs is the flow over the mean, less one, in per cent, for each emitter or
// stretch of emitters.
func offs(es []hydraulics.EmitterPath, mean float64) []float64 {
	n := min(len(es), maxStretches)
	out := make([]float64, 0, n)
	for i := range n {
		from, to := i*len(es)/n, (i+1)*len(es)/n
		sum := 0.0
		for _, e := range es[from:to] {
			sum += e.Share
		}
		out = append(out, 100*(sum/float64(to-from)/mean-1))
	}
	return out
}
