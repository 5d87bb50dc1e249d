package main

import (
	"bytes"
	"fmt"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"testing"
	"time"

	"boxd/internal/engine"
	"boxd/internal/journal"
	"boxd/internal/web"
)

// BenchmarkSeasonPage opens the season page over an archive of 300 runs whose flow
// falls and whose row bursts, so that every search for a change is made in full.
func BenchmarkSeasonPage(b *testing.B) {
	h := web.New(still{}, archive{manyRuns(b, 300)}, web.Options{Box: "box"})
	for b.Loop() {
		w := httptest.NewRecorder()
		r := httptest.NewRequest("GET", "/season", nil)
		r.Host = "127.0.0.1"
		if h.ServeHTTP(w, r); w.Code != http.StatusOK || !bytes.Contains(w.Body.Bytes(), []byte("300 runs of east")) {
			b.Fatalf("%d: %s", w.Code, w.Body)
		}
	}
}

// manyRuns is an archive of runs whose flow falls by a part in 5000 each, and rises at
// the 201st.
func manyRuns(tb testing.TB, n int) *journal.Journal {
	tb.Helper()
	j, err := journal.Open(filepath.Join(tb.TempDir(), "boxd.sqlite"))
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { _ = j.Close() })
	start := time.Date(2026, 1, 1, 7, 0, 0, 0, time.UTC)
	num := func(v float64) *float64 { return &v }
	for i := range n {
		at := start.Add(time.Duration(i) * 29 * time.Hour)
		noise := float64(i*7919%101)/50 - 1
		flow := 588 * (1 + noise/100 - float64(i)/5000)
		if i > 200 {
			flow += 60
		}
		sum := &engine.Summary{VolumeL: 400, Flush: "done", StockL: engine.Weighings{Drawn: num(1.5 + noise/40), ByRatio: num(1.5)},
			Figures: &engine.Figures{ExpectedFlowLH: 588, FlushDoneL: num(230 + noise), Watch: engine.Watch{ObservedH: 29, Alarms: map[string]int{"stock-empty": 1}}}}
		sum.Learned = []engine.LearnedView{{Name: "steady_flow_l_h", Now: &flow}, {Name: "clean_filter_kpa", Now: num(5 + noise)}, {Name: "flush_volume_l", Now: num(210 + noise)}}
		id := fmt.Sprintf("run-%03d", i)
		err := j.Commit(tb.Context(), journal.Batch{Start: &journal.RunStart{ID: id, Zone: "east", Box: "box", Wall: at, Config: "zones: []"},
			Events: []engine.Event{{Kind: engine.SummaryEvent, Wall: at.Add(time.Hour), Sum: sum}}, End: &journal.RunEnd{Wall: at.Add(time.Hour)}})
		if err != nil {
			tb.Fatal(err)
		}
	}
	return j
}

// still is a core that nothing is asked of.
type still struct{ web.Core }
