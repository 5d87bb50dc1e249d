package safety

// Conditions with more than one thing to say, and the alarms in the
// manual, which are made from the definitions.

import (
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"boxd/internal/alarm"
	"boxd/internal/box"
	"boxd/internal/estimate"
	"boxd/internal/units"
)

var rewrite = flag.Bool("rewrite", false, "write the manual's alarms anew")

// TestRatioTwice: 10 % off is low; 25 % off is said anew, to whoever had
// acknowledged it too, and is high.
func TestRatioTwice(t *testing.T) {
	b := newBench()
	b.e.BranchRatio = known[units.Ratio](0.0225) // 12.5 % off
	if rose := b.wait(181); !slices.Equal(rose, []string{"ratio-off"}) {
		t.Fatalf("raised %v", rose)
	}
	a := b.g.Find("ratio-off")
	if a.Priority() != alarm.Low {
		t.Errorf("12.5 %% off is %v", a.Priority())
	}
	if _, err := b.g.Panel().Acknowledge(b.t, "ratio-off"); err != nil {
		t.Fatal(err)
	}
	b.e.BranchRatio.V = 0.0249
	if rose := b.wait(400); len(rose) > 0 {
		t.Errorf("24.5 %% off raised %v", rose)
	}
	b.e.BranchRatio.V = 0.014 // 30 % under
	if rose := b.wait(180); len(rose) > 0 {
		t.Errorf("raised %v before its delay", rose)
	}
	if rose := b.wait(1); !slices.Equal(rose, []string{"ratio-off"}) || a.Priority() != alarm.High || !strings.Contains(a.Text.String(), "1.40 %") {
		t.Errorf("raised %v, %v: %s", rose, a.Priority(), a.Text)
	}
	if rose := b.wait(400); len(rose) > 0 {
		t.Errorf("the same again raised %v", rose)
	}
	b.e.BranchRatio.V = 0.02
	b.wait(61)
	if _, err := b.g.Panel().Acknowledge(b.t, "ratio-off"); err != nil {
		t.Fatal(err)
	}
	b.e.BranchRatio.V = 0.0225
	if b.wait(181); a.Priority() != alarm.Low {
		t.Errorf("raised anew at 12.5 %% it is %v", a.Priority())
	}
}

// TestRatioGap: ISA-18.2's on-delay is time in which the condition stands. Where the
// ratio can't be told for a while that while is left out, and what stood before it
// still counts; once no stock is drawn it is over.
func TestRatioGap(t *testing.T) {
	for _, c := range []struct {
		name    string
		drawing estimate.Tri
		ratio   units.Ratio
		rest    int // s from the gap to the alarm
	}{{"a drop-out", estimate.Unknown, 0.0225, 80}, {"past the second limit", estimate.Unknown, 0.014, 80}, {"stock stops", estimate.No, 0.0225, 180}} {
		b := newBench()
		b.e.Drawing, b.e.BranchRatio = estimate.Yes, known(c.ratio)
		b.wait(101)
		b.e.Drawing, b.e.BranchRatio = c.drawing, estimate.Value[units.Ratio]{}
		b.wait(10)
		b.e.Drawing, b.e.BranchRatio = estimate.Yes, known(c.ratio)
		if rose := b.wait(c.rest - 1); len(rose) > 0 {
			t.Errorf("%s: raised %v too soon", c.name, rose)
		}
		if rose := b.wait(2); !slices.Equal(rose, []string{"ratio-off"}) {
			t.Errorf("%s: raised %v", c.name, rose)
		}
		if a := b.g.Find("ratio-off"); (a.Priority() == alarm.High) != (c.ratio < 0.015) {
			t.Errorf("%s: %v", c.name, a.Priority())
		}
	}
}

// TestFilterWords: from +3 psi over clean it is to be cleaned, from +5 psi now
// (University of California, Maintenance of Microirrigation Systems: 3 to 5 psi
// over clean).
func TestFilterWords(t *testing.T) {
	for psi, now := range map[units.KPa]bool{3.2: false, 4.9: false, 5.1: true} {
		b := newBench()
		b.e.FilterExcess.V = psi * units.KPaPerPsi
		if rose := b.wait(31); !slices.Equal(rose, []string{"filter-clogging"}) || strings.Contains(b.g.Find("filter-clogging").Text.String(), "clean it now") != now {
			t.Errorf("%v psi: raised %v: %s", float64(psi), rose, b.g.Find("filter-clogging").Text)
		}
	}
}

// TestStockTooEarly: stock that goes into lines that never came to pressure.
func TestStockTooEarly(t *testing.T) {
	b := newBench()
	b.e.Filled, b.e.Pressurised, b.e.Header.V = estimate.No, estimate.No, 30
	if rose := b.wait(60); len(rose) > 0 {
		t.Fatalf("filling raised %v", rose)
	}
	b.e.Drawing = estimate.Yes
	if rose := b.wait(21); !slices.Equal(rose, []string{"header-pressure-low"}) || !strings.Contains(b.g.Find("header-pressure-low").Text.String(), "before the lines are at pressure") {
		t.Errorf("raised %v: %s", rose, b.g.Find("header-pressure-low").Text)
	}
	b.e.Drawing = estimate.No
	b.wait(20)
	if s := b.g.Find("header-pressure-low").State; s != alarm.ReturnedUnack {
		t.Errorf("stopped, it is %v", s)
	}
}

// TestIdleInjector: too little difference, a shut branch and a suction side that
// brings nothing are told apart where readings allow.
func TestIdleInjector(t *testing.T) {
	for part, change := range map[string]func(e *estimate.Estimates){
		"only 20.0 kPa stand across it, and it needs about 34.0 kPa": func(e *estimate.Estimates) { e.InjectorDiff = known[units.KPa](20) },
		"a valve of its branch is shut":                              func(e *estimate.Estimates) { e.InjectorDiff, e.Branch.V = known[units.KPa](40), 0 },
		"look at the suction side":                                   func(e *estimate.Estimates) { e.InjectorDiff = known[units.KPa](40) },
		"no stock is drawn.":                                         func(e *estimate.Estimates) { e.Branch.Known = false },
	} {
		b := newBench()
		b.s.InjectorOn = true
		change(&b.e)
		b.wait(60)
		if text := b.g.Find("injector-not-cycling").Text.String(); !strings.Contains(text, part) {
			t.Errorf("%q lacks %q", text, part)
		}
	}
}

// TestSecondLimitsFromConfig: the numbers are those of the limits.
func TestSecondLimitsFromConfig(t *testing.T) {
	l := DefaultLimits()
	l.Ratio, l.RatioWarn, l.RatioAlarm, l.FilterTorn, l.InjectorStart = 0.02, 0.2, 0.5, 0.3, 10
	b := newBench()
	b.g = New(l, papers())
	b.s.InjectorOn = true
	b.e.InjectorDiff = known[units.KPa](20)
	b.e.BranchRatio = known[units.Ratio](0.0238)  // 19 %
	b.e.FilterDiff.V, b.e.FilterExcess.V = 8, -12 // of 20 when clean: 40 %
	rose := b.wait(400)
	if slices.Contains(rose, "ratio-off") || slices.Contains(rose, "filter-torn") {
		t.Errorf("raised %v inside the limits", rose)
	}
	if text := b.g.Find("injector-not-cycling").Text.String(); strings.Contains(text, "needs about") {
		t.Errorf("20 kPa are enough where 10 start it: %s", text)
	}
	b.e.FilterDiff.V, b.e.FilterExcess.V = 5, -15
	b.e.BranchRatio.V = 0.031
	if rose := b.wait(400); !slices.Contains(rose, "filter-torn") || b.g.Find("ratio-off").Priority() != alarm.High {
		t.Errorf("raised %v, ratio %v", rose, b.g.Find("ratio-off").Priority())
	}
}

// TestDefinitionsComplete: every alarm says where it comes from, what comes of
// it, what to do, how soon, and in which steps of the contract.
func TestDefinitionsComplete(t *testing.T) {
	for _, d := range Definitions() {
		if d.Cause.Empty() || d.Consequence.Empty() || d.Do.Empty() || d.Respond <= 0 || len(d.Steps) == 0 {
			t.Errorf("%s is not complete: %+v", d.ID, d)
		}
		for _, s := range d.Steps {
			if !slices.Contains(everywhere(), s) {
				t.Errorf("%s: %q is no step", d.ID, s)
			}
		}
		if d.Priority == alarm.Critical && d.Respond.Minutes() > 10 || d.OnDelay > d.Respond/2 {
			t.Errorf("%s: %v to respond, %v before it is said, %v", d.ID, d.Respond, d.OnDelay, d.Priority)
		}
	}
}

// TestManualsAlarms: the manual's alarms are the definitions. go test
// ./internal/safety -run Manual -rewrite writes them anew.
func TestManualsAlarms(t *testing.T) {
	const begin, end = "<!-- alarms: made by internal/safety, TestManualsAlarms -->\n", "<!-- end of alarms -->"
	data, err := os.ReadFile("../../docs/alarms.md")
	if err != nil {
		t.Fatal(err)
	}
	before, rest, ok := strings.Cut(string(data), begin)
	shown, after, closed := strings.Cut(rest, end)
	if !ok || !closed {
		t.Fatal("the manual has no place for the alarms")
	}
	want := manualsAlarms()
	if shown == want {
		return
	}
	if !*rewrite {
		t.Fatalf("the manual's alarms are not those of the definitions (-run Manual -rewrite mends it); they should be:\n%s", want)
	}
	if err := os.WriteFile("../../docs/alarms.md", []byte(before+begin+want+end+after), 0o644); err != nil {
		t.Fatal(err)
	}
}

func manualsAlarms() string {
	var b strings.Builder
	b.WriteString("| Alarm | Priority | Respond within | Steps |\n|---|---|---|---|\n")
	for _, d := range Definitions() {
		fmt.Fprintf(&b, "| [%s](#%s) | %s | %.0f min | %s |\n", d.ID, d.ID, priorities(d), d.Respond.Minutes(), stepsOf(d))
	}
	for _, d := range Definitions() {
		fmt.Fprintf(&b, "\n## %s\n\n- **Priority:** %s\n", d.ID, priorities(d))
		row := func(what, text string) { fmt.Fprintf(&b, "- **%s:** %s\n", what, text) }
		row("Common cause", d.Cause.String())
		row("What comes of it", d.Consequence.String())
		row("What to do", d.Do.String())
		row("Respond within", fmt.Sprintf("%.0f min", d.Respond.Minutes()))
		row("Steps", stepsOf(d))
		row("Raised after", fmt.Sprintf("%v; returns after %v", units.Elapsed(d.OnDelay), units.Elapsed(d.OffDelay)))
		if d.Latches {
			row("Latches", "until somebody resets it with a note")
		}
		if d.Realarm > 0 {
			row("Said again", fmt.Sprintf("%v after it was seen, if it still stands", units.Elapsed(d.Realarm)))
		}
		if len(d.CausedBy) > 0 {
			var links []string
			for _, c := range d.CausedBy {
				links = append(links, fmt.Sprintf("[%s](#%s)", c, c))
			}
			row("May follow from", strings.Join(links, ", "))
		}
		set := "may be shelved or taken out of service"
		if !d.Silenceable {
			set = "can't be shelved or taken out of service"
		}
		row("Setting aside", set)
	}
	return b.String()
}

// priorities of an alarm, the one it may rise to with it.
func priorities(d alarm.Definition) string {
	if d.Grave != alarm.UnknownPriority && d.Grave != d.Priority {
		return d.Priority.String() + ", then " + d.Grave.String()
	}
	return d.Priority.String()
}

func stepsOf(d alarm.Definition) string {
	if len(d.Steps) == len(everywhere()) {
		return "any"
	}
	return strings.Join(d.Steps, ", ")
}

// TestTornThroughNoise: a screen that tears is told in its time though the difference's
// noise touches the limit, and a gauge that is not heard for a moment, while the supply
// moves, makes another difference of it.
func TestTornThroughNoise(t *testing.T) {
	for name, disturb := range map[string]func(b *bench, s int){
		"noise": func(b *bench, s int) {
			b.e.FilterDiff.V = 8 + units.KPa(s%7)/2 // of 20 when clean: 8 to 11
			b.e.FilterExcess.V = b.e.FilterDiff.V - 20
		},
		"not heard": func(b *bench, s int) {
			b.r.FilterOut.Quality, b.r.FilterOut.Cause = box.Good, box.NoCause
			if b.e.FilterDiff.V = 4; s%30 < 3 {
				b.r.FilterOut.Quality, b.r.FilterOut.Cause = box.Uncertain, box.CheckFunction
				b.e.FilterDiff.V = 15
			}
			b.e.FilterExcess.V = b.e.FilterDiff.V - 20
		},
	} {
		b := newBench()
		b.wait(60)
		var rose []string
		for s := range 120 {
			disturb(b, s)
			rose = append(rose, b.wait(1)...)
		}
		if !slices.Contains(rose, "filter-torn") {
			t.Errorf("%s: raised %v", name, rose)
		}
	}
}
