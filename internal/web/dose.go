package web

import (
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
