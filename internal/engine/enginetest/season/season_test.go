package season

// Slices of seasons by seed, and whole seasons, on all processors. A failure
// prints its seed, the smallest part of its plan that still shows it, and the
// command that plays that:
//
//	go test ./internal/engine/enginetest/season -seeds 2000
//	go test ./internal/engine/enginetest/season -seeds 0 -seasons 200 -report table.md
//	go test ./internal/engine/enginetest/season -v -seeds 1 -seasons 0 -first 17 -only "1:2"

import (
	"flag"
	"os"
	"runtime"
	"slices"
	"strconv"
	"sync"
	"testing"

	"boxd/internal/engine"
	"boxd/internal/engine/enginetest"
)

var (
	seeds   = flag.Int("seeds", -1, "slices of seasons to play; -1: BOXD_SEEDS, or 200, or 5 with the race detector")
	seasons = flag.Int("seasons", -1, "whole seasons to play; -1: 5, or one with the race detector")
	first   = flag.Uint64("first", 0, "the first one's seed")
	only    = flag.String("only", "", "play only this part of the plan, as a failure prints it")
	shrink  = flag.Int("shrink", 1, "failing plans to make small")
	report  = flag.String("report", "", "write the table of hazards to this file")
)

// many is how many slices and seasons to play.
func many(t *testing.T) (slices, whole int) {
	slices, whole = 200, 5
	if raced {
		slices, whole = 5, 1
	}
	if text := os.Getenv("BOXD_SEEDS"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil {
			t.Fatalf("cannot read BOXD_SEEDS: %v; give a number", err)
		}
		slices = n
	}
	if *seeds >= 0 {
		slices = *seeds
	}
	if *seasons >= 0 {
		whole = *seasons
	}
	return slices, whole
}

// part is what is asked of a plan.
func part(t *testing.T, p Plan) Plan {
	if *only == "" {
		return p
	}
	p, err := p.Only(*only)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// plans are those asked for.
func plans(t *testing.T) (list []Plan) {
	slices, whole := many(t)
	for i := range slices {
		list = append(list, part(t, DrawSlice(*first+uint64(i))))
	}
	for i := range whole {
		list = append(list, part(t, Draw(*first+uint64(i))))
	}
	return list
}

// playAll plays every plan and gives the tallies in order.
func playAll(list []Plan) []Tally {
	out := make([]Tally, len(list))
	next := make(chan int)
	var wg sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for i := range next {
				out[i] = Play(list[i])
			}
		})
	}
	for i := range list {
		next <- i
	}
	close(next)
	wg.Wait()
	return out
}

func TestSeasons(t *testing.T) {
	list := plans(t)
	var all Tally
	told := 0
	for i, tally := range playAll(list) {
		all.Add(tally)
		if len(tally.Broken) > 0 {
			tell(t, list[i], tally, told < *shrink)
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

// lesson is the smallest plan that once failed, and what it showed.
type lesson struct {
	seed  uint64
	slice bool
	part  string
	what  string
}

func mended() []lesson {
	return []lesson{
		{15, false, "1:1/16 2:", "the rest of a run with stock too strong passed for noise of the end probe: flush done early the day after"},
		{720, true, "1:1", "37 s without power after a drop-out passed for a silent gauge"},
		{935, true, "1:1", "28 s without power counted towards alarms of an injector that had just been started"},
		{1026, true, "2:1,2", "107 s without power did, a wire broken meanwhile"},
		{1703, true, "1:1", "a broken wire's last value, nothing drawn, passed for an empty tank"},
		{519, true, "1:1/16", "a gap in the stock meter began the delay of ratio-off anew"},
		{116, true, "2:1 3:", "stock drawn just when the last run's water had left the box: no clean water known, and a flush without end"},
	}
}

// TestMended plays them: no promise is broken, no alarm comes without a fault, and
// nobody gives up waiting.
func TestMended(t *testing.T) {
	for _, m := range mended() {
		p := Draw(m.seed)
		if m.slice {
			p = DrawSlice(m.seed)
		}
		p, err := p.Only(m.part)
		if err != nil {
			t.Fatal(err)
		}
		tally := Play(p)
		for _, f := range slices.Concat(tally.Broken, tally.False, tally.Never) {
			t.Errorf("%s: %v", m.what, f)
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
	count := "-seeds 1 -seasons 0"
	if !least.Slice {
		count = "-seeds 0 -seasons 1"
	}
	t.Logf("smallest plan that shows it: %v\ngo test ./internal/engine/enginetest/season -v %s -first %d -only %q", least, count, least.Seed, least.Part())
}

// TestTell prints the events of one plan, with -v and one seed.
func TestTell(t *testing.T) {
	list := plans(t)
	if !testing.Verbose() || len(list) != 1 {
		t.Skip("one plan's events: -v -seeds 1 -seasons 0 -first SEED")
	}
	t.Log(list[0])
	PlayIn(new(bare), list[0], func(at float64, e *engine.Event) { t.Logf("%9.0f %s", at, enginetest.Line(e)) })
}

// TestShrink makes a plan small by a failure that needs its last hazard for a
// quarter of its time, and takes what is left by the name it prints.
func TestShrink(t *testing.T) {
	p := Draw(3)
	last := p.Runs[len(p.Runs)-1]
	for len(last.Hazards) == 0 {
		p.Runs = p.Runs[:len(p.Runs)-1]
		last = p.Runs[len(p.Runs)-1]
	}
	need := last.Hazards[len(last.Hazards)-1]
	least := Shrink(p, func(q Plan) bool {
		for _, n := range q.Runs {
			for _, h := range n.Hazards {
				if n.Number == last.Number && h.Kind == need.Kind && h.Lasts >= need.Lasts/4 {
					return true
				}
			}
		}
		return false
	})
	want := strconv.Itoa(last.Number) + ":" + strconv.Itoa(need.Number) + "/4"
	if got := least.Part(); got != want {
		t.Errorf("shrunk to %q, not to %q", got, want)
	}
	again, err := Draw(3).Only(least.Part())
	if err != nil || again.String() != least.String() {
		t.Errorf("taken up as %v, %v; shrunk to %v", again, err, least)
	}
	if _, err := p.Only("99:"); err == nil {
		t.Error("a run that is not there was taken")
	}
}
