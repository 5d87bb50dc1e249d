package web

import (
	"context"
	"fmt"
	"net/http"
	"testing"
	"time"

	"boxd/internal/engine"
	"boxd/internal/season"
)

// Season is a half year of a clogging zone whose row bursts, told by its sums.
func (f *fakeLibrary) Season(_ context.Context, zone string, from, _ time.Time) (*season.Season, error) {
	var runs []season.Run
	start := time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)
	for i := range 26 {
		at := start.AddDate(0, 0, 7*i)
		if at.Before(from) {
			continue
		}
		noise := []float64{0.3, -0.5, 0.1, 0.6, -0.4, -0.1}[i%6]
		flow := 588 * (99 - 0.4*float64(i) + noise) / 100
		if i >= 15 {
			flow += 588 * 0.12
		}
		fig := engine.Figures{ExpectedFlowLH: 588, RunsPerWeek: num(1), Plants: num(600), FlushDoneL: num(230 + noise), FlushNeededL: num(228),
			Watch: engine.Watch{ObservedH: 160, Alarms: map[string]int{"filter-clogging": i % 3, "stock-empty": i % 2}, FreezeKnown: true}}
		if i < 4 {
			fig.Watch.LeastFreezeH = num(3 + float64(i))
		}
		one := season.Run{ID: fmt.Sprintf("run-%04d", i), Start: at, Sum: season.Summary{
			StockL: engine.Weighings{Drawn: num(1.45), ByRatio: num(1.5 + noise/50)}, Figures: &fig,
			Learned: []engine.LearnedView{{Name: "steady_flow_l_h", Now: &flow}, {Name: "clean_filter_kpa", Now: num(5 + noise)}},
			Dose:    &season.Dose{Nutrients: &engine.GramsView{N: 190}, Due: &engine.GramsView{N: 200}}}}
		runs = append(runs, one)
	}
	return season.Make(zone, runs), nil
}

func TestSeasonPage(t *testing.T) {
	h := newLibrary().handler()
	page := get(t, h, "/season").Body.String()
	// 26 weekly runs were due 26 times 200 g of N; 26 times 190 g went out, 95 %.
	has(t, page, `<option value="east" selected>`, `data-series="flow"`, "From the run of 2026-06-15 on it is", "It falls steadily", "changed from here on", `href="/runs/run-0015"`,
		"95\u00a0%", "fewer than 144 a day", "very clear", `aria-current="page">season`)
	has(t, get(t, h, "/season?from=2026-08-01").Body.String(), "Not enough runs to tell: 4 of at least 10.", `value="2026-08-01"`)
	if w := get(t, New(newFakeCore(viewAt("ready")), nil, Options{Box: "north-box"}), "/season"); w.Code != http.StatusOK {
		t.Errorf("without an archive: %d", w.Code)
	} else {
		has(t, w.Body.String(), "keeps no archive")
	}
}
