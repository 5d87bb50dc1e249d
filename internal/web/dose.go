package web

import (
	"fmt"
	"math"

	"boxd/internal/engine"
	"boxd/internal/units"
)

func (d display) mass(g *float64) string {
	if d.us {
		return d.written(g, 1/units.GramPerOunce, 2, "oz")
	}
	return d.written(g, 1, 1, "g")
}

// nutrients writes what a label writes: N, P2O5 and K2O.
func (d display) nutrients(n *engine.GramsView) string {
	return d.mass(&n.N) + " N, " + d.mass(&n.P2O5) + " P2O5, " + d.mass(&n.K2O) + " K2O"
}

// doseFacts are how the weighings agree, and the grams they come to.
func (s visit) doseFacts(v *engine.DoseView) []fact {
	if v == nil {
		return nil
	}
	d := s.show
	facts := []fact{{d.say("weighings"), d.word(v.Verdict), v.Text}}
	past := d.say("past the box")
	switch n := v.Nutrients; {
	case n == nil:
		facts = append(facts, fact{past, d.unknown(), v.Why})
	case v.DuePct != nil:
		facts = append(facts, fact{past, d.nutrients(n), d.say("%s of what is due", digits(*v.DuePct, 0)+"\u00a0%")})
	default:
		facts = append(facts, fact{past, d.nutrients(n), d.give(v.Best.ProductG, v.Best.ProductStdG)})
	}
	if out := v.Delivered; out.Nutrients != nil {
		facts = append(facts, fact{d.say("out of the emitters"), d.nutrients(out.Nutrients), d.give(out.ProductG, out.ProductStdG)})
	}
	return facts
}

// give is twice the standard uncertainty of a mass, as a part of it.
func (d display) give(g, std *float64) string {
	if g == nil || std == nil || *g <= 0 {
		return ""
	}
	return d.say("give or take %s", digits(200**std/(*g), 1)+"\u00a0%")
}

// stopText is what stopping now would cost, when it is worth a sentence.
func stopText(v engine.View) string {
	if v.Dose == nil || v.Dose.StopNow == nil || v.Step != "inject" && v.Step != "flush" {
		return ""
	}
	return v.Dose.StopNow.Text
}

// doseLine is a kept run's dose in one line, empty where nothing was injected.
func (d display) doseLine(v *engine.DoseView) string {
	if v == nil {
		return ""
	}
	out := d.say("%s of stock", d.volume(v.Best.StockL))
	if v.Nutrients != nil {
		out = d.nutrients(v.Nutrients)
	}
	return d.say("%s · weighings: %s", out, d.word(v.Verdict))
}

// plantBars is what the plants of a row, or of rows that are alike, have had:
// a bar for each point along it, in a drawing 260 wide and 30 high.
type plantBars struct {
	Label, Says string
	Y           float64
	Had         string // the bars, as one path: rectangles one by one cost a fifth of the page
}

const plantPitch = 46.0

// alongRows draws what each plant has had, while that can be known.
func (s visit) alongRows(v engine.View) ([]plantBars, float64) {
	if v.Dose == nil || v.Dose.PerPlant == nil {
		return nil, 0
	}
	var out []plantBars
	for i, r := range v.Dose.PerPlant.Rows {
		if len(r.Points) == 0 {
			continue
		}
		g := plantBars{Y: float64(i) * plantPitch, Label: s.rowLabel(r), Says: s.plantSays(r)}
		wide, had := rowWide/float64(len(r.Points)), []byte(nil)
		for k, p := range r.Points {
			high := 30 * min(1, max(0, p.Pct/100))
			had = fmt.Appendf(had, "M%.1f 30V%.1fh%.1fV30", float64(k)*wide, 30-high, wide-2)
		}
		g.Had = string(had)
		out = append(out, g)
	}
	return out, float64(len(out)) * plantPitch
}

func (s visit) rowLabel(r engine.RowDoseView) string {
	if r.From == r.To {
		return s.show.say("row %d", r.From)
	}
	return s.show.say("rows %d to %d", r.From, r.To)
}

// plantSays is the first and the last plant of a row, in words.
func (s visit) plantSays(r engine.RowDoseView) string {
	one := func(p engine.PlantDoseView) string {
		pct := digits(math.Floor(p.Pct), 0) + "\u00a0%"
		if p.N == nil {
			return pct
		}
		return s.show.say("%s, %s mg N", pct, digits(*p.N, 0))
	}
	return s.show.say("first plant %s, last plant %s", one(r.Points[0]), one(r.Points[len(r.Points)-1]))
}
