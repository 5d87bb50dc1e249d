package web

import (
	"context"
	"errors"
	"math"
	"net/http"
	"strings"
	"sync"
	"testing"

	"boxd/internal/say"
)

// fakePlanner gives a plan of script and keeps what it was asked.
type fakePlanner struct {
	choices PlanChoices
	view    PlanView
	err     error

	mu    sync.Mutex
	asked [][3]string
}

func (f *fakePlanner) Choices() PlanChoices { return f.choices }

func (f *fakePlanner) Plan(_ context.Context, zone, feed string, voice say.Voice) (PlanView, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.asked = append(f.asked, [3]string{zone, feed, voice.Units.String()})
	return f.view, f.err
}

func (f *fakePlanner) last() [3]string {
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(f.asked) == 0 {
		return [3]string{}
	}
	return f.asked[len(f.asked)-1]
}

func somePlan() PlanView {
	row := func(n int, tilt float64) PlanRow {
		r := PlanRow{Number: n, End: "19\u00a0min\u00a033\u00a0s"}
		for i := range 60 {
			r.OffPct = append(r.OffPct, 4-tilt*(1-math.Pow(1-float64(i)/60, 3)))
		}
		return r
	}
	return PlanView{
		Zone: "east", Feed: "weekly-n", Minutes: 95,
		Wanted: []PlanFact{{"wanted", "146\u00a0g of N", "in this event; written as 3.5 lb/ac/week"}},
		Tanks: []PlanTank{
			{"A", []PlanFact{{"calcium nitrate 15.5-0-0", "941\u00a0g", ""}}, []PlanFact{{"make up to", "12.5\u00a0L", "the mark decides"}}},
			{"B", []PlanFact{{"a liquid with a name that is long enough to need two lines", "1.20\u00a0kg", "that is 0.9\u00a0L"}}, []PlanFact{{"line EC", "unknown", "the label does not say"}}},
		},
		Dial: PlanDial{"2\u00a0%", "that is 1:50, taken as 1 part of stock in 50 parts of the mixture", 0.6,
			[]PlanFact{{"block flow", "13.63\u00a0L/min", ""}, {"through the branch", "6.00\u00a0L/min", "stock included"}, {"field ratio", "0.88\u00a0%", "stock in all the water"}}},
		Stages: []PlanStage{
			{"fill", "", 5, "5\u00a0min\u00a000\u00a0s", "66.0\u00a0L", "clear water"}, {"inject", "A", 30, "30\u00a0min\u00a000\u00a0s", "409\u00a0L", "valves open"},
			{"clear", "A", 20, "20\u00a0min\u00a000\u00a0s", "273\u00a0L", "clear water"}, {"inject", "B", 20, "20\u00a0min\u00a000\u00a0s", "273\u00a0L", "valves open"},
			{"flush", "", 20, "20\u00a0min\u00a000\u00a0s", "273\u00a0L", "clear water"},
		},
		Run: []PlanFact{{"in all", "1\u00a0h\u00a035\u00a0min", ""}},
		EC: PlanCurves{"EC", "mS/cm at 25 °C", 1,
			[]PlanPoint{{0, 0.3}, {5, 0.3}, {5, 2.04}, {35, 2.04}, {35, 0.3}, {55, 0.3}, {55, 1.2}, {75, 1.2}, {75, 0.3}, {95, 0.3}},
			[]PlanPoint{{5, 0.3}, {25, 0.3}, {25, 2.04}, {55, 2.04}, {55, 0.3}, {75, 0.3}, {75, 1.2}, {95, 1.2}, {95, 0.3}, {99, 0.3}},
			[]string{"Foreseen as plug flow: real tails are longer."}},
		Travel:    []PlanFact{{"to the far row's end", "20\u00a0min\u00a000\u00a0s", ""}},
		Rows:      PlanRows{Rows: []PlanRow{row(1, 6), row(2, 7), row(3, 9)}, LeftOut: "One in 4 of 12 rows is drawn, and the last.", Facts: []PlanFact{{"emission uniformity EU", "93.1\u00a0%", ""}}},
		MixNotes:  []PlanNote{{"stop", "Two products do not belong in one tank."}, {"note", "It chills the water."}},
		DialNotes: []PlanNote{{"note", "225 of 585 L/h go round the injector."}},
		RunNotes:  []PlanNote{{"caution", "Injection is short."}}, ECNotes: []PlanNote{{"note", "The supply's EC is not said."}},
		Care:  []PlanNote{{"caution", "Wear eye protection."}},
		Rules: []PlanNote{{"", "The label decides."}}, Means: []PlanNote{{"", "an area is length of bed × spacing"}},
	}
}

func planChoices() PlanChoices {
	return PlanChoices{Zones: []string{"east", "west"}, Feeds: []PlanFeed{{"for-west", "west"}, {"weekly-n", "east"}, {"any", ""}}}
}

func planHandler() (http.Handler, *fakePlanner) {
	p := &fakePlanner{view: somePlan(), choices: planChoices()}
	return New(newFakeCore(viewAt("ready")), nil, Options{Box: "north-box", Units: "us", Demo: true, Version: "test", Planner: p}), p
}

// part is one section of the page.
func part(t *testing.T, body, id string) string {
	t.Helper()
	from := strings.Index(body, `id="`+id+`"`)
	if from < 0 {
		t.Fatalf("the page has no part %s", id)
	}
	to := strings.Index(body[from:], "</section>")
	return body[from : from+to]
}

func TestThePlanShowsEveryPartInItsPlace(t *testing.T) {
	h, _ := planHandler()
	w := get(t, h, "/plan")
	body := w.Body.String()
	if w.Code != http.StatusOK {
		t.Fatalf("the plan page answers %d", w.Code)
	}
	has(t, part(t, body, "plan-weigh"), "calcium nitrate 15.5-0-0", "941\u00a0g", "that is 0.9\u00a0L", "the mark decides", "3.5 lb/ac/week",
		`n-stop"><b><span aria-hidden="true">◆ </span>stop</b> Two products`, "Wear eye protection", "chills")
	has(t, part(t, body, "plan-stops"), "<li>Two products do not belong in one tank.</li>")
	hasNot(t, part(t, body, "plan-stops"), "chills", "short")
	has(t, part(t, body, "plan-dial"), "2\u00a0%", "1 part of stock in 50 parts of the mixture", "13.63\u00a0L/min", "6.00\u00a0L/min", "0.88\u00a0%",
		"go round the injector", `width="600.0"`)
	run := part(t, body, "plan-run")
	has(t, run, `class="at-box" d="M0.0`, `class="at-end" d="M`, "plug flow", "real tails are longer", "Injection is short", "EC is not said", "1\u00a0h\u00a035\u00a0min")
	if n := strings.Count(run, `<li data-stage="`); n != 5 {
		t.Errorf("%d stages are listed, want 5", n)
	}
	rows := part(t, body, "plan-rows")
	has(t, rows, "One in 4 of 12 rows", "93.1\u00a0%", "20\u00a0min\u00a000\u00a0s", `aria-label="row 3: `, "box water after 19\u00a0min")
	if n := strings.Count(rows, `class="strip"`); n != 3 {
		t.Errorf("%d rows are drawn, want 3", n)
	}
	has(t, part(t, body, "plan-means"), "an area is length of bed × spacing")
	has(t, part(t, body, "plan-rules"), "The label decides.")
	hasNot(t, body, "style=", "NaN", "Inf", "<script")
	calm, p := planHandler()
	p.view.MixNotes = p.view.MixNotes[1:]
	hasNot(t, get(t, calm, "/plan").Body.String(), `id="plan-stops"`)
}

func TestThePlanIsReachedFromEveryPage(t *testing.T) {
	h, _ := planHandler()
	for _, path := range []string{"/", "/runs", "/plan"} {
		has(t, get(t, h, path).Body.String(), `<a href="/plan"`)
	}
	has(t, get(t, h, "/plan").Body.String(), `<a href="/plan" aria-current="page">plan</a>`)
	without := New(newFakeCore(viewAt("ready")), nil, Options{})
	hasNot(t, get(t, without, "/").Body.String(), "/plan")
	if code := get(t, without, "/plan").Code; code != http.StatusNotFound {
		t.Errorf("without a planner the page answers %d", code)
	}
}

func TestThePlanIsAskedForWhatWasChosen(t *testing.T) {
	for _, c := range []struct {
		query string
		want  [3]string
	}{
		{"", [3]string{"east", "weekly-n", "us"}},
		{"?units=metric", [3]string{"east", "weekly-n", "metric"}},
		{"?units=furlong", [3]string{"east", "weekly-n", "us"}},
		{"?zone=west", [3]string{"west", "for-west", "us"}},
		{"?feed=for-west", [3]string{"west", "for-west", "us"}},
		{"?zone=east&feed=for-west", [3]string{"east", "for-west", "us"}}, // the planner says what is wrong
		{"?feed=any", [3]string{"east", "any", "us"}},
		{"?zone=east&feed=a%00%0ab", [3]string{"east", "ab", "us"}},
	} {
		h, p := planHandler()
		body := get(t, h, "/plan"+c.query).Body.String()
		if got := p.last(); got != c.want {
			t.Errorf("%q asks for %v, want %v", c.query, got, c.want)
		}
		has(t, body, `<option value="`+c.want[0]+`" selected>`, `<option value="`+c.want[2]+`" selected>`)
	}
}

func TestWhyThereIsNoPlanIsSaid(t *testing.T) {
	for _, c := range []struct {
		err  error
		code int
		says string
	}{
		{&PlanFault{Missing: true, Lines: []string{"cannot find zone <b>"}}, http.StatusNotFound, "cannot find zone &lt;b&gt;"},
		{&PlanFault{Lines: []string{"box.yaml:3:1: one", "box.yaml:4:1: two"}}, http.StatusUnprocessableEntity, "<p>box.yaml:4:1: two</p>"},
		{errors.New("cannot solve"), http.StatusInternalServerError, "cannot solve"},
	} {
		h, p := planHandler()
		p.err = c.err
		w := get(t, h, "/plan")
		if w.Code != c.code {
			t.Errorf("%v answers %d, want %d", c.err, w.Code, c.code)
		}
		has(t, w.Body.String(), "There is no plan", c.says, `<select id="zone"`)
		hasNot(t, w.Body.String(), `id="plan-weigh"`)
	}
	h, p := planHandler()
	p.choices.Feeds = nil
	w := get(t, h, "/plan")
	has(t, w.Body.String(), "No feed is described")
	p.choices.Feeds = []PlanFeed{{"for-west", "west"}}
	has(t, get(t, h, "/plan?zone=east").Body.String(), "No feed is for zone east")
	if len(p.asked) != 0 {
		t.Errorf("the planner was asked %v without a feed", p.asked)
	}
}

// The scale of a picture is 1, 2 or 5 times a power of ten and holds what it shows.
func TestScales(t *testing.T) {
	for _, c := range [][2]float64{{0.3, 0.5}, {1, 1}, {1.01, 2}, {4, 5}, {6, 10}, {0.02, 0.02}, {0, 1}, {math.NaN(), 1}, {math.Inf(1), 1}} {
		if got := niceStep(c[0]); math.Abs(got-c[1]) > 1e-9 {
			t.Errorf("niceStep(%g) = %g, want %g", c[0], got, c[1])
		}
	}
	strips, span := display{}.strips(PlanRows{Rows: []PlanRow{{OffPct: []float64{1, -3}}, {}}})
	if span != "5\u00a0%" || strips[0].Words != "−3.0\u00a0% to +1.0\u00a0%" || strips[0].Line != "M0.0 400.0 L500.0 400.0 L500.0 800.0 L1000.0 800.0" {
		t.Errorf("span %q, strip %+v", span, strips[0])
	}
	if strips[1].Area != "" {
		t.Errorf("a row without emitters is drawn: %q", strips[1].Area)
	}
	for _, c := range []struct {
		extent float64
		words  string
		counts string
	}{{100, "0 20 40 60 80 100", "minutes from the first water"}, {3, "0 1 2 3", "minutes from the first water"}, {20 * 60, "0 5 10 15 20", "hours from the first water"}} {
		ticks, counts := display{}.timeTicks(c.extent)
		var words []string
		for _, x := range ticks {
			words = append(words, x.Word)
		}
		if got := strings.Join(words, " "); got != c.words || counts != c.counts {
			t.Errorf("%g minutes are marked %s %s", c.extent, got, counts)
		}
	}
	if c := (display{}).chart(PlanView{}, 0); c.Box != "" || len(c.X) != 0 {
		t.Errorf("nothing is drawn as %+v", c)
	}
}
