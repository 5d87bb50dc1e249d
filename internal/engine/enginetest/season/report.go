package season

import (
	"fmt"
	"slices"
	"strings"
)

// Tally is what seasons came to.
type Tally struct {
	Runs, Clean, Injected, Done, Alarms int
	Kinds                               [numKinds]Count
	False                               []Finding
	Broken                              []Finding
	Never                               []Finding // the person gave up waiting
	Hidden                              int       // early where a leak hid clogged emitters, and no probe could tell
	Late                                []float64 // s of flush done after the worst row's end was clean
	Rest                                []float64 // without a probe: what the worst end still had, of the rise
}

// Count is what became of one kind of hazard.
type Count struct {
	Begun  int
	Judged int // its alarm was due
	Found  int
	Times  []float64 // s from its standing to the alarm; negative: before
}

// Finding is one alarm without a fault, or one broken promise.
type Finding struct {
	Seed  uint64
	Run   int
	At    float64
	What  string
	Text  string
	Clean bool // in a run with no hazard
	Plan  string
}

func (f Finding) String() string {
	return fmt.Sprintf("seed %d run %d at %.0f s: %s: %s (%s)", f.Seed, f.Run, f.At, f.What, f.Text, f.Plan)
}

// Add takes another season in.
func (t *Tally) Add(o Tally) {
	t.Runs, t.Clean, t.Injected, t.Done, t.Alarms = t.Runs+o.Runs, t.Clean+o.Clean, t.Injected+o.Injected, t.Done+o.Done, t.Alarms+o.Alarms
	for k := range t.Kinds {
		a, b := &t.Kinds[k], &o.Kinds[k]
		a.Begun, a.Judged, a.Found = a.Begun+b.Begun, a.Judged+b.Judged, a.Found+b.Found
		a.Times = append(a.Times, b.Times...)
	}
	t.False, t.Broken = append(t.False, o.False...), append(t.Broken, o.Broken...)
	t.Never, t.Hidden = append(t.Never, o.Never...), t.Hidden+o.Hidden
	t.Late, t.Rest = append(t.Late, o.Late...), append(t.Rest, o.Rest...)
}

// FalseInClean is how many false alarms came in runs with no hazard.
func (t *Tally) FalseInClean() int {
	n := 0
	for _, f := range t.False {
		if f.Clean {
			n++
		}
	}
	return n
}

// Early is how often the flush was called done too early.
func (t *Tally) Early() int {
	n := 0
	for _, f := range t.Broken {
		if f.What == "early" {
			n++
		}
	}
	return n
}

// quantile of unsorted values; 0 of none.
func quantile(x []float64, q float64) float64 {
	if len(x) == 0 {
		return 0
	}
	s := slices.Clone(x)
	slices.Sort(s)
	return s[int(q*float64(len(s)-1)+0.5)]
}

// span writes seconds, or hours where there are many.
func span(s float64) string {
	if s > -3600 && s < 3600 {
		return fmt.Sprintf("%.0f s", s)
	}
	return fmt.Sprintf("%.1f h", s/3600)
}

// Report is the README's table, in Markdown.
func (t *Tally) Report() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%d runs, %d of them without a hazard; stock went in in %d, flush done in %d. Alarms raised: %d; without a fault: %d, of them in clean runs: %d. Flush called done too early: %d; late rows that a leak hid, with no probe: %d. Given up waiting: %d.\n",
		t.Runs, t.Clean, t.Injected, t.Done, t.Alarms, len(t.False), t.FalseInClean(), t.Early(), t.Hidden, len(t.Never))
	fmt.Fprintf(&b, "With a probe the flush was called done %.0f s (median; most %.0f s) after the last row's end was clean. Without one the last emitter still had %.0f %% (median; most %.0f %%) of the rise.\n\n",
		quantile(t.Late, 0.5), quantile(t.Late, 1), 100*quantile(t.Rest, 0.5), 100*quantile(t.Rest, 1))
	b.WriteString("| Hazard | alarm | stated within | injected | due | raised | time to alarm, median | 95 % |\n|---|---|---|---|---|---|---|---|\n")
	for k := range t.Kinds {
		d, c := definitions()[k], &t.Kinds[k]
		switch {
		case c.Begun == 0:
		case len(d.expect) == 0:
			fmt.Fprintf(&b, "| %s | – | – | %d | – | – | – | – |\n", d.name, c.Begun)
		default:
			fmt.Fprintf(&b, "| %s | %s | %.0f s | %d | %d | %d | %s | %s |\n", d.name, d.expect[0].id, d.expect[0].within, c.Begun, c.Judged, c.Found, span(quantile(c.Times, 0.5)), span(quantile(c.Times, 0.95)))
		}
	}
	return b.String()
}
