package engine

import (
	"math"

	"boxd/internal/dosing"
	"boxd/internal/estimate"
	"boxd/internal/say"
	"boxd/internal/units"
)

// weigh weighs the stock that went out in this run by every way there is.
func (g *Engine) weigh() dosing.Weighings {
	i, d := g.cfg.Injector, g.cfg.Dose
	ev := g.est.Evidence()
	ev.Mix, ev.Strength = d.Mix, i.Strength
	if len(ev.Mix) == 0 {
		// Nobody said what it is, but its EC may be known all the same.
		ev.Mix = dosing.Mix{{Product: dosing.Product{Name: "the stock", Form: dosing.Solid, ECPerGPerL: units.USPerCm(i.ECPerGPerL)}, Share: 1}}
	}
	ev.Ratio, ev.Convention, ev.Meter = i.Convention.FromTotal(i.Ratio), i.Convention, i.Meter
	ev.StrengthRel, ev.RatioRel = standard(d.StrengthError), standard(i.RatioError)
	return dosing.Weigh(ev)
}

// standard is the standard deviation behind a bound within which every error is
// as likely (JCGM 100:2008, 4.3.7).
func standard(bound units.Ratio) units.Ratio { return bound / units.Ratio(math.Sqrt(3)) }

// stockLitres are the three weighings as the contract has them.
func stockLitres(w *dosing.Weighings) Weighings {
	litres := func(x dosing.Weighing) *float64 {
		if !x.Known {
			return nil
		}
		return ptr(round(float64(x.Stock), 3))
	}
	return Weighings{Drawn: litres(w.All[0]), ByEC: litres(w.All[1]), ByRatio: litres(w.All[2])}
}

// sumDose writes the dose into the run's summary.
func (g *Engine) sumDose(s *Summary) {
	if !g.e.EverDrawn {
		return
	}
	w, out := g.weigh(), g.est.Whole()
	s.StockL, s.Dose = stockLitres(&w), g.dose(&w, out, true)
	if s.Dose.Delivered.Known {
		s.UndeliveredPct = ptr(round(100-out.V.Percent(), 3))
		s.LastEmitterDelivered = ptr(round(g.e.Delivery.LastEmitter.Percent(), 3))
	}
}

// dose makes the account of the run's dose. out is the part of it that has left
// the emitters; ended tells that the water was stopped.
func (g *Engine) dose(w *dosing.Weighings, out estimate.Value[units.Ratio], ended bool) *DoseView {
	d := &DoseView{Verdict: w.Verdict.String(), Best: weighingView(w.Best), Pairs: []PairView{}}
	d.Said.Text = w.Text
	for _, x := range w.All {
		d.Weighings = append(d.Weighings, weighingView(x))
	}
	for _, p := range w.Pairs {
		d.Pairs = append(d.Pairs, PairView{p.A.String(), p.B.String(), round(float64(p.Differ), 3), round(float64(p.Allowed), 3), p.Agree})
	}
	grams := g.grams(w)
	if d.Said.Why = g.noGrams(w); grams != nil {
		d.Nutrients = gramsView(*grams)
	}
	if due := g.cfg.Dose.Due; due > 0 && len(g.cfg.Dose.Mix) > 0 {
		d.Due = gramsView(g.cfg.Dose.Mix.Nutrients(due))
		if w.Best.Massed {
			d.DuePct = ptr(round(100*float64(w.Best.Product/due), 1))
		}
	}
	d.Delivered = g.delivered(w, out, grams)
	if d.Delivered.Known {
		d.PerPlant = g.perPlant(grams)
	}
	if !g.e.Flush.Done {
		d.StopNow = g.stopNow(out, ended)
	}
	d.put(g.voice)
	return d
}

func weighingView(x dosing.Weighing) WeighingView {
	v := WeighingView{Method: x.Method.String(), Known: x.Known}
	v.Said.Why, v.Said.Remark = x.Why, x.Remark
	if x.Known {
		v.StockL, v.StockStdL = ptr(round(float64(x.Stock), 3)), ptr(round(float64(x.StockStd), 3))
	}
	if x.Massed {
		v.ProductG, v.ProductStdG = ptr(round(float64(x.Product), 2)), ptr(round(float64(x.ProductStd), 2))
	}
	return v
}

// grams are the nutrients of the best weighing, nil where they can't be had.
func (g *Engine) grams(w *dosing.Weighings) *dosing.Nutrients {
	if !w.Best.Massed || len(g.cfg.Dose.Mix) == 0 {
		return nil
	}
	return &w.Best.Gives
}

// noGrams says why there are no grams of nutrients; empty where there are.
func (g *Engine) noGrams(w *dosing.Weighings) say.Text {
	d := g.cfg.Dose
	switch {
	case len(d.Mix) == 0 && !d.Why.Empty():
		return d.Why
	case len(d.Mix) == 0:
		return say.T("No feed is planned, so nothing says what the stock holds: name one under plan.")
	case !w.Best.Known:
		return say.T("Grams can't be told: %v.", w.Best.Why)
	case !w.Best.Massed:
		return say.T("Grams can't be told: the stock's strength is not known. Say it under plan or in the feed's tank.")
	}
	return say.Text{}
}

func gramsView(n dosing.Nutrients) *GramsView {
	r := func(m units.Gram) float64 { return round(float64(m), 2) }
	return &GramsView{r(n.N), r(n.P2O5), r(n.K2O), r(n.P), r(n.K), r(n.Ca), r(n.Mg), r(n.S)}
}

func scaled(n dosing.Nutrients, by float64) dosing.Nutrients {
	x := func(m units.Gram) units.Gram { return units.Gram(float64(float64(m) * by)) }
	return dosing.Nutrients{N: x(n.N), P2O5: x(n.P2O5), K2O: x(n.K2O), P: x(n.P), K: x(n.K), Ca: x(n.Ca), Mg: x(n.Mg), S: x(n.S)}
}

// lost says why what the emitters got can't be known; empty where it can.
func (g *Engine) lost() say.Text {
	switch e := g.e; {
	case !e.Flush.Degraded.Empty():
		return say.T("What each plant got can't be known: %v.", e.Flush.Degraded)
	case !e.Flush.Dispute.Empty():
		return say.T("What each plant got can't be known: %v.", e.Flush.Dispute)
	case !e.Delivery.Known:
		return say.T("What each plant got can't be known: the EC at the box has not shown the fertilizer.")
	}
	return say.Text{}
}

// delivered is what has left the emitters: the part of what passed the box, and
// that part of the best weighing. The two errors are independent, so their parts
// add by squares (JCGM 100:2008, 5.1.2).
func (g *Engine) delivered(w *dosing.Weighings, out estimate.Value[units.Ratio], grams *dosing.Nutrients) DeliveredView {
	var d DeliveredView
	if d.Said.Why = g.lost(); !d.Said.Why.Empty() {
		return d
	}
	d.Known, d.Pct, d.PctStd = true, optPct(out), ptr(round(out.Sigma.Percent(), 3))
	if b := w.Best; b.Massed {
		d.ProductG = ptr(round(float64(b.Product)*float64(out.V), 2))
		d.ProductStdG = ptr(round(math.Hypot(float64(b.ProductStd)*float64(out.V), float64(b.Product)*float64(out.Sigma)), 2))
	}
	if grams != nil {
		d.Nutrients = gramsView(scaled(*grams, float64(out.V)))
	}
	return d
}
