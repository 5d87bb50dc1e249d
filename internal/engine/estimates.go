package engine

import (
	"boxd/internal/box"
	"boxd/internal/estimate"
)

// EstimateView is one estimate with what it stands on: a number in Unit, or a
// word. Null, or the word unknown, is unknown.
type EstimateView struct {
	Name    string   `json:"name"`
	Value   *float64 `json:"value"`
	Word    string   `json:"word,omitempty"`
	Unit    string   `json:"unit,omitempty"`
	Sigma   *float64 `json:"sigma"` // standard deviation, in Unit
	AgeS    float64  `json:"age_s"` // of the oldest reading behind it
	Quality string   `json:"quality"`
	SinceT  *float64 `json:"since_t,omitempty"` // core seconds: since when the word is said
}

// estimates lists them in the order of the water's way.
func (g *Engine) estimates() []EstimateView {
	e := g.est.Weighed()
	s := &e.Standing
	out := make([]EstimateView, 0, 32)
	out = append(out,
		worded("supply_state", e.SupplyState, e.Supply.Basis), worded("water", e.Water, s.Flowing.Basis),
		judged("flowing", e.Flowing, s.Flowing), judged("lines_full", e.Filled, s.Filled), judged("at_pressure", e.Pressurised, s.Pressurised),
		judged("drawing", e.Drawing, s.Drawing), judged("clean_at_box", answer(e.CleanAtBox), s.CleanAtBox), judged("clean_at_line_end", e.CleanAtEnd, s.CleanAtEnd),
		worded("filter", e.Filter, e.FilterExcess.Basis))
	out = appendValue(out, "supply_kpa", e.Supply, unit{"kPa", 1, 1})
	out = appendValue(out, "header_kpa", e.Header, unit{"kPa", 1, 1})
	out = appendValue(out, "main_flow_lpm", e.Main, unit{"L/min", 60, 3})
	out = appendValue(out, "expected_flow_lpm", e.Expected, unit{"L/min", 60, 3})
	out = appendValue(out, "flow_ratio_pct", e.FlowRatio, unit{"%", 0.01, 2})
	out = appendValue(out, "filled_pct", e.FilledPct, unit{"%", 0.01, 1})
	out = appendValue(out, "filter_diff_kpa", e.FilterDiff, unit{"kPa", 1, 1})
	out = appendValue(out, "filter_excess_kpa", e.FilterExcess, unit{"kPa", 1, 2})
	out = appendValue(out, "injector_diff_kpa", e.InjectorDiff, unit{"kPa", 1, 1})
	out = appendValue(out, "strokes_per_min", e.Cycling, unit{"/min", 1, 1})
	out = appendValue(out, "branch_flow_lpm", e.Branch, unit{"L/min", 60, 3})
	out = appendValue(out, "stock_draw_lpm", e.Stock, unit{"L/min", 60, 4})
	out = appendValue(out, "branch_ratio_pct", e.BranchRatio, unit{"%", 0.01, 3})
	out = appendValue(out, "field_ratio_pct", e.FieldRatio, unit{"%", 0.01, 3})
	out = appendValue(out, "ec_box_us_cm", e.BoxEC, unit{"µS/cm", 1, 0})
	out = appendValue(out, "ec_end_us_cm", e.EndEC, unit{"µS/cm", 1, 0})
	out = appendValue(out, "baseline_us_cm", e.Baseline, unit{"µS/cm", 1, 1})
	return appendValue(out, "rise_us_cm", e.Rise, unit{"µS/cm", 1, 0})
}

func answer(yes bool) estimate.Tri {
	if yes {
		return estimate.Yes
	}
	return estimate.No
}

func judged(name string, t estimate.Tri, s estimate.Standing) EstimateView {
	v := worded(name, t, s.Basis)
	v.SinceT = ptr(seconds(s.Since))
	return v
}

func worded(name string, word interface{ String() string }, b estimate.Basis) EstimateView {
	return EstimateView{Name: name, Word: word.String(), AgeS: seconds(b.Age), Quality: b.Quality.String()}
}

// unit is how a value is shown: per of the inner unit make one of it.
type unit struct {
	name   string
	per    float64
	digits int
}

func appendValue[T ~float64](out []EstimateView, name string, v estimate.Value[T], as unit) []EstimateView {
	e := EstimateView{Name: name, Unit: as.name, Quality: box.Bad.String()}
	if v.Known {
		e.Value, e.Sigma = ptr(round(float64(v.V)/as.per, as.digits)), ptr(round(float64(v.Sigma)/as.per, as.digits))
		e.AgeS, e.Quality = seconds(v.Age), v.Quality.String()
	}
	return append(out, e)
}
