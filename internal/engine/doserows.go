package engine

import (
	"math"

	"boxd/internal/dosing"
	"boxd/internal/estimate"
	"boxd/internal/hydraulics"
	"boxd/internal/say"
	"boxd/internal/units"
)

// Bounds of what is shown: rows that are nearly alike are shown as one until so
// few are left.
const (
	mostRowGroups = 8
	mostParts     = 4
)

// places are where along a row a plant is looked at, as fractions: closer to each
// other towards the end, where the water takes longest.
func places() [12]float64 { return [...]float64{0, .2, .4, .55, .7, .8, .87, .92, .95, .97, .99, 1} }

// along is a row, or the mean of rows alike, at the places.
type along struct {
	from, to int         // rows
	at       [12]float64 // m from the tee
	part     [12]float64 // of its due, delivered
	share    [12]float64 // of the flow through the box
}

// apart is the most that a plant's part of its due, its share of the flow or its
// place differs between two rows, as a fraction.
func (a *along) apart(b *along) float64 {
	worst := 0.0
	for i := range a.at {
		worst = max(worst, math.Abs(a.part[i]-b.part[i]), unlike(a.share[i], b.share[i]), unlike(a.at[i], b.at[i]))
	}
	return worst
}

func unlike(x, y float64) float64 { return math.Abs(x-y) / max(x, y, 1e-9) }

// join takes the next row in, by the mean.
func (a *along) join(b *along) {
	k := float64(a.to - a.from + 1)
	mean := func(x, y *[12]float64) {
		for i := range x {
			x[i] = (float64(x[i]*k) + y[i]) / (k + 1)
		}
	}
	mean(&a.at, &b.at)
	mean(&a.part, &b.part)
	mean(&a.share, &b.share)
	a.to = b.to
}

// grouped joins neighbours that are apart by no more than tolerance, which is
// doubled until at most so many groups are left.
func grouped[T any](rows []T, most int, tolerance float64, apart func(a, b *T) float64, join func(a, b *T)) []T {
	for {
		var out []T
		for i := range rows {
			if n := len(out); n > 0 && apart(&out[n-1], &rows[i]) <= tolerance {
				join(&out[n-1], &rows[i])
				continue
			}
			out = append(out, rows[i])
		}
		if len(out) <= most || tolerance > 1e6 {
			return out
		}
		tolerance *= 2
	}
}

func (g *Engine) rowsAlong() []along {
	slug, paths := g.est.Slug(), g.cfg.Zone.Emitters()
	rows := make([]along, 0, len(g.cfg.Zone.Rows()))
	for i, r := range g.cfg.Zone.Rows() {
		a := along{from: i + 1, to: i + 1}
		for k, f := range places() {
			e := paths[r.First+int(math.Round(f*float64(r.Emitters-1)))]
			a.at[k], a.part[k], a.share[k] = float64(e.X), float64(slug.Delivered(e)), e.Share
		}
		rows = append(rows, a)
	}
	return rows
}

// perPlant is what each plant along the rows has had. Where the plants are not
// counted it is what each emitter gave.
func (g *Engine) perPlant(grams *dosing.Nutrients) *PerPlantView {
	v := &PerPlantView{Of: "emitter", Emitters: 1}
	if n := g.cfg.Dose.Plants; n > 0 {
		v.Of, v.Emitters = "plant", float64(len(g.cfg.Zone.Emitters()))/n
	}
	for _, a := range grouped(g.rowsAlong(), mostRowGroups, 0.01, (*along).apart, (*along).join) {
		row := RowDoseView{From: a.from, To: a.to}
		for k := range a.at {
			if k > 0 && a.at[k] == a.at[k-1] {
				continue // a short row has fewer emitters than places
			}
			p := PlantDoseView{AtM: round(a.at[k], 2), Pct: round(100*a.part[k], 1)}
			if grams != nil {
				each := 1000 * a.part[k] * a.share[k] * v.Emitters
				mg := func(m units.Gram) *float64 { return ptr(round(float64(m)*each, 1)) }
				p.N, p.P2O5, p.K2O = mg(grams.N), mg(grams.P2O5), mg(grams.K2O)
			}
			row.Points = append(row.Points, p)
		}
		v.Rows = append(v.Rows, row)
	}
	return v
}

// stopNow is what stopping the water costs: which part of which rows gets less.
func (g *Engine) stopNow(out estimate.Value[units.Ratio], ended bool) *StopView {
	v := &StopView{Parts: []PartView{}}
	if v.Said.Text = g.lost(); !v.Said.Text.Empty() {
		return v
	}
	left := max(0, 1-out.V)
	v.Undelivered = ptr(round(left.Percent(), 3))
	v.Parts = append(v.Parts, shortParts(g.est.Slug(), g.cfg.Zone.Rows())...)
	v.Said.Text = stopText(v.Parts, left, ended)
	return v
}

// shortParts are the parts of rows that lack more than a tenth, rows alike as one.
func shortParts(slug *hydraulics.Slug, rows []hydraulics.Row) []PartView {
	var parts []PartView
	for i, r := range rows {
		if s := slug.Short(i); s.From < r.Emitters {
			parts = append(parts, PartView{i + 1, i + 1, 100 * float64(s.From) / float64(r.Emitters), 100, s.Lack.Percent()})
		}
	}
	parts = grouped(parts, mostParts, 3, partsApart, joinParts)
	for i := range parts {
		parts[i].FromPct, parts[i].MissingPct = round(parts[i].FromPct, 1), round(parts[i].MissingPct, 1)
	}
	return parts
}

// partsApart is in points of a per cent; rows that are not neighbours are never
// one.
func partsApart(a, b *PartView) float64 {
	if b.FromRow != a.ToRow+1 {
		return math.Inf(1)
	}
	return max(math.Abs(a.FromPct-b.FromPct), math.Abs(a.MissingPct-b.MissingPct))
}

func joinParts(a, b *PartView) {
	k := float64(a.ToRow - a.FromRow + 1)
	a.FromPct, a.MissingPct = (float64(a.FromPct*k)+b.FromPct)/(k+1), (float64(a.MissingPct*k)+b.MissingPct)/(k+1)
	a.ToRow = b.ToRow
}

// nearlyAll is what may be left in the lines for the count to call it nearly
// all out. Common practice, no source.
const nearlyAll units.Ratio = 0.0005

// stopText says what stopping costs or, once ended, cost.
func stopText(parts []PartView, left units.Ratio, ended bool) say.Text {
	said := make([]say.Text, 0, mostParts+1)
	for i, p := range parts {
		if i == mostParts {
			said = append(said, say.T("and %d other parts of rows too", len(parts)-i))
			break
		}
		said = append(said, p.text(ended))
	}
	which := say.List{Of: said, Sep: ", "}
	switch {
	case len(parts) > 0 && ended:
		return say.T("The water was stopped early: %v. %v of what was injected stayed in the lines.", which, left)
	case len(parts) > 0:
		return say.T("Stop now and %v. %v of what was injected stays in the lines.", which, left)
	case left < nearlyAll:
		return say.T("By the count nearly all has left the emitters; only the flush tells whether the lines are clean.")
	case ended:
		return say.T("The water was stopped early: %v of what was injected stayed in the lines; no plant lacks more than a tenth of its share.", left)
	}
	return say.T("Stop now and %v of what was injected stays in the lines; no plant lacks more than a tenth of its share.", left)
}

// text says which part gets, or got, how much less.
func (p PartView) text(ended bool) say.Text {
	last, less := max(1, int(math.Round(100-p.FromPct))), int(math.Round(p.MissingPct))
	whole, one := p.FromPct == 0, p.FromRow == p.ToRow
	switch {
	case whole && one && ended:
		return say.T("all of row %d got %d %% less", p.FromRow, less)
	case whole && one:
		return say.T("all of row %d gets %d %% less", p.FromRow, less)
	case whole && ended:
		return say.T("all of rows %d to %d got %d %% less", p.FromRow, p.ToRow, less)
	case whole:
		return say.T("all of rows %d to %d get %d %% less", p.FromRow, p.ToRow, less)
	case one && ended:
		return say.T("the last %d %% of row %d got %d %% less", last, p.FromRow, less)
	case one:
		return say.T("the last %d %% of row %d gets %d %% less", last, p.FromRow, less)
	case ended:
		return say.T("the last %d %% of rows %d to %d got %d %% less", last, p.FromRow, p.ToRow, less)
	}
	return say.T("the last %d %% of rows %d to %d get %d %% less", last, p.FromRow, p.ToRow, less)
}
