package season

// Whole seasons by seed, on all processors. A failure prints its seed and the
// smallest plan that still shows it:
//
//	go test ./internal/engine/enginetest/season -seeds 2000
//	go test ./internal/engine/enginetest/season -first 1234 -seeds 1 -v

import (
	"flag"
	"os"
	"runtime"
	"sync"
	"testing"

	"boxd/internal/engine"
	"boxd/internal/engine/enginetest"
)

var (
	seeds  = flag.Int("seeds", -1, "seasons to play; -1: 200, or 10 with the race detector")
	first  = flag.Uint64("first", 0, "the first season's seed")
	shrink = flag.Int("shrink", 1, "failing seasons to make small")
	report = flag.String("report", "", "write the table of hazards to this file")
)

// playAll plays every seed and gives the tallies in order.
func playAll(n int, from uint64) []Tally {
	out := make([]Tally, n)
	next := make(chan int)
	var wg sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for i := range next {
				out[i] = Play(Draw(from + uint64(i)))
			}
		})
	}
	for i := range n {
		next <- i
	}
	close(next)
	wg.Wait()
	return out
}

func TestSeasons(t *testing.T) {
	n := *seeds
	if n < 0 {
		n = 200
		if raced {
			n = 10
		}
	}
	var all Tally
	told := 0
	for i, tally := range playAll(n, *first) {
		all.Add(tally)
		if len(tally.Broken) > 0 {
			tell(t, Draw(*first+uint64(i)), tally, told < *shrink)
			told++
		}
	}
	for _, f := range all.Never {
		t.Logf("gave up: %v", f)
	}
	for _, f := range all.False {
		t.Logf("alarm without a fault: %v", f)
	}
	if 100*all.FalseInClean() >= max(all.Clean, 1) && all.FalseInClean() > 0 {
		t.Errorf("%d false alarms in %d clean runs; fewer than one in a hundred are allowed", all.FalseInClean(), all.Clean)
	}
	t.Log("\n" + all.Report())
	if *report != "" {
		if err := os.WriteFile(*report, []byte(all.Report()), 0o644); err != nil {
			t.Error(err)
		}
	}
}

// tell prints what broke, and the first of it in its smallest plan.
func tell(t *testing.T, p Plan, tally Tally, small bool) {
	for _, f := range tally.Broken {
		t.Errorf("%v", f)
	}
	if !small {
		return
	}
	what := tally.Broken[0].What
	least := Shrink(p, func(q Plan) bool {
		for _, f := range Play(q).Broken {
			if f.What == what {
				return true
			}
		}
		return false
	})
	t.Logf("smallest plan that shows it: %v", least)
}

// TestTell prints the events of one season, with -v and -first.
func TestTell(t *testing.T) {
	if !testing.Verbose() || *seeds != 1 {
		t.Skip("one season's events: -v -seeds 1 -first SEED")
	}
	t.Log(Draw(*first))
	Trace(Draw(*first), func(at float64, e *engine.Event) { t.Logf("%9.0f %s", at, enginetest.Line(e)) })
}
