package web

// The pages of archived runs, asked as a browser without scripts asks: find, open,
// lay over, note, what if. The runs are invented.

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"boxd/internal/engine"
	"boxd/internal/journal"
	"boxd/internal/say"
	"boxd/internal/whatif"
)

// fakeLibrary holds two runs whose milestones are known.
type fakeLibrary struct {
	fakeArchive
	mu     sync.Mutex
	notes  []journal.Note
	asked  []journal.Search
	whatIf func(ctx context.Context, config string, tick func(float64) error) (*whatif.Result, error)
}

func (f *fakeLibrary) Find(_ context.Context, s journal.Search) ([]RunRow, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.asked = append(f.asked, s)
	if s.Zone == "nowhere" {
		return nil, nil
	}
	return f.rows, f.err
}

func (f *fakeLibrary) Zones(context.Context) ([]string, error) { return []string{"east", "west"}, nil }

func (f *fakeLibrary) Account(_ context.Context, run string) (*journal.Account, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	late := map[string]float64{"run-0007": 0, "run-0006": 30}
	d, ok := late[run]
	if !ok {
		return nil, ErrNoRun
	}
	sum := &engine.Summary{VolumeL: 378.5412 + d, Flush: "done", StockL: engine.Weighings{Drawn: num(1.5)}, Dose: aDose()}
	mark := func(t float64, name string) engine.Event {
		return engine.Event{T: t, Kind: engine.MilestoneEvent, Name: name}
	}
	events := []engine.Event{
		{T: 0, Kind: engine.ActionEvent, By: "Ada", Deed: "run_start"}, mark(200+d, "lines_full"), mark(250+2*d, "injection_started"),
		{T: 300, Kind: engine.AlarmEvent, ID: "stock-empty", State: "raised", Text: "The stock <is> out."},
		{T: 301, Kind: engine.RefusalEvent, By: "Ada", Reason: "the advice has changed"}, mark(2400+3*d, "flush_done"), {T: 2500, Kind: engine.SummaryEvent, Sum: sum}}
	if run == "run-0006" {
		events = append(events, mark(2600, "secured"))
	}
	start := time.Date(2026, 4, 3, 7, 5, 0, 0, time.UTC)
	return &journal.Account{Run: journal.Run{ID: run, Zone: "east", Start: start, StartT: 100, Ended: true, End: start.Add(time.Hour), EndT: 3700, Config: "zones: []\n"}, Events: events, Notes: f.notes}, nil
}

func (f *fakeLibrary) Traces(_ context.Context, run string) (*journal.Traces, error) {
	if run != "run-0007" && run != "run-0006" {
		return nil, ErrNoRun
	}
	t := &journal.Traces{Columns: map[string][]*float64{"ec_box_us_cm": nil, "water_c": nil}}
	for i := range 120 {
		t.T = append(t.T, float64(i)*30)
		v := num(640 + 8*float64(i%50))
		if i > 60 && i < 70 {
			v = nil
		}
		t.Columns["ec_box_us_cm"], t.Columns["water_c"] = append(t.Columns["ec_box_us_cm"], v), append(t.Columns["water_c"], num(18))
	}
	return t, nil
}

func (f *fakeLibrary) AddNote(_ context.Context, n journal.Note) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if n.Run != "run-0007" {
		return ErrNoRun
	}
	f.notes = append(f.notes, n)
	return nil
}

func (f *fakeLibrary) WhatIf(ctx context.Context, _ string, config []byte, tick func(float64) error) (*whatif.Result, error) {
	return f.whatIf(ctx, string(config), tick)
}

// someAnswer is a replay in which the flush is done later and an alarm is new.
func someAnswer() *whatif.Result {
	return &whatif.Result{Run: "run-0007", A: &engine.Summary{VolumeL: 378.5412, Flush: "done"}, B: &engine.Summary{VolumeL: 378.5412, Flush: "incomplete"}, Lines: []whatif.Line{
		{Kind: engine.MilestoneEvent, ID: "lines_full", A: &whatif.Saying{T: 200}, B: &whatif.Saying{T: 200}},
		{Kind: engine.AlarmEvent, ID: "filter-clogging", State: "raised", B: &whatif.Saying{T: 900, Text: "The filter clogs.", Said: say.T("the advice has changed: this is another one now")}},
		{Kind: engine.MilestoneEvent, ID: "flush_done", A: &whatif.Saying{T: 2400}},
	}}
}

func newLibrary() *fakeLibrary {
	return &fakeLibrary{fakeArchive: fakeArchive{rows: someRuns()}, whatIf: func(context.Context, string, func(float64) error) (*whatif.Result, error) { return someAnswer(), nil }}
}

func (f *fakeLibrary) handler() http.Handler {
	return New(newFakeCore(viewAt("ready")), f, Options{Box: "north-box", Units: "us"})
}

func TestFindRuns(t *testing.T) {
	lib := newLibrary()
	has(t, get(t, lib.handler(), "/runs").Body.String(), `href="/runs/run-0007"`, `<option value="west">`, `type="date"`)
	has(t, get(t, lib.handler(), "/runs?zone=west&flush=done&from=2026-04-01&until=2026-04-02&text=dry+row").Body.String(), `<option value="west" selected>`, `value="dry row"`, "all runs")
	want := journal.Search{Zone: "west", Flush: "done", Text: "dry row", Limit: runsShown, From: time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC), Until: time.Date(2026, 4, 3, 0, 0, 0, 0, time.UTC)}
	if got := lib.asked[1]; got != want {
		t.Errorf("asked %+v, want %+v", got, want)
	}
	has(t, get(t, lib.handler(), "/runs?zone=nowhere&from=soon").Body.String(), "No run is like that.")
}

func TestRecordPage(t *testing.T) {
	h := newLibrary().handler()
	page := get(t, h, "/runs/run-0007").Body.String()
	// 378.5412 L are 100 US gallons (NIST SP 811).
	has(t, page, "100.0\u00a0gal", "Ada", "stock-empty · raised", "The stock &lt;is&gt; out.", "refused: the advice has changed", "<td>00:03:20</td>", "lines full", "Nobody has noted anything.", "run start")
	hasNot(t, page, "later by", "Dashed")
	two := get(t, h, "/runs/run-0007?with=run-0006&at=injection_started").Body.String()
	// Injection began at 250 s and at 310 s: aligned on it, lines full are at -50 and
	// at -80 s, and the flush is done at 2150 and at 2180 s.
	has(t, two, `data-zero="250" data-other-zero="310" data-upright="[[-50,0,2150],[-80,0,2180,2290]]"`, "<td>−00:00:50</td><td>−00:01:20</td><td>−00:00:30</td>", "<td>00:00:00</td><td>00:00:00</td><td>00:00:00</td>",
		"<td>00:35:50</td><td>00:36:20</td><td>&#43;00:00:30</td>", "secured", "Dashed", "later by", "107.9\u00a0gal")
	// What the other never reached can't align them.
	has(t, get(t, h, "/runs/run-0007?with=run-0006&at=secured").Body.String(), `data-zero="0" data-other-zero="0"`)
	has(t, get(t, h, "/runs/run-0007?with=nobody").Body.String(), `data-other=""`)
	for path, code := range map[string]int{"/runs/nobody": 404, "/runs/nobody/traces": 404, "/runs/nobody/whatif": 404, "/runs/run-0007/whatif/state": 404, "/runs/a%22b": 404, "/runs/run-0007/traces": 200} {
		if w := get(t, h, path); w.Code != code {
			t.Errorf("%s: %d, want %d", path, w.Code, code)
		}
	}
}

func postForm(h http.Handler, path string, fields url.Values) *httptest.ResponseRecorder {
	r := httptest.NewRequest("POST", path, strings.NewReader(fields.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Host = "127.0.0.1"
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

func TestNoteOnARun(t *testing.T) {
	lib := newLibrary()
	h := lib.handler()
	if w := postForm(h, "/runs/run-0007/note", url.Values{"id": {"n1"}, "by": {" Ada "}, "text": {" the third <row>\x00 was\r\ndry "}}); w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/runs/run-0007#notes" {
		t.Errorf("%d to %q", w.Code, w.Header().Get("Location"))
	}
	if len(lib.notes) != 1 || lib.notes[0].Text != "the third <row> was dry" || lib.notes[0].By != "Ada" || lib.notes[0].ID != "n1" || lib.notes[0].Wall.IsZero() {
		t.Errorf("notes %+v", lib.notes)
	}
	has(t, get(t, h, "/runs/run-0007").Body.String(), "the third &lt;row&gt; was dry", "Ada")
	for path, code := range map[string]int{"/runs/nobody/note": 404, "/runs/run-0007/note": 400} {
		fields := url.Values{"id": {"n2"}, "text": {"x"}}
		if code == 400 {
			fields.Set("text", " ")
		}
		if w := postForm(h, path, fields); w.Code != code {
			t.Errorf("%s: %d, want %d", path, w.Code, code)
		}
	}
	if w := postForm(h, "/runs/run-0007/note", url.Values{"id": {"n3"}, "text": {strings.Repeat("x", 2*bodyLimit)}}); w.Code != 400 {
		t.Errorf("a note of no end: %d", w.Code)
	}
}

// A replay goes in the background: the page tells how far it is, a second one is
// refused meanwhile, and its answer stands side by side.
func TestWhatIfPage(t *testing.T) {
	lib := newLibrary()
	begun, let := make(chan string), make(chan struct{})
	lib.whatIf = func(_ context.Context, config string, tick func(float64) error) (*whatif.Result, error) {
		if err := tick(1800); err != nil { // half of the run's hour
			return nil, err
		}
		begun <- config
		<-let
		if strings.Contains(config, "bad") {
			return nil, errors.New("configuration:1:1: zones is missing\nconfiguration:2:1: more")
		}
		return someAnswer(), nil
	}
	h := lib.handler()
	has(t, get(t, h, "/runs/run-0007/whatif").Body.String(), "zones: []") // its own, to change
	ask := func(config string) int {
		return postForm(h, "/runs/run-0007/whatif", url.Values{"config": {config}}).Code
	}
	over := func() string {
		for {
			page := get(t, h, "/runs/run-0007/whatif").Body.String()
			if strings.Contains(page, `data-going="no"`) {
				return page
			}
		}
	}
	if code := ask("zones: [x]\r\n"); code != http.StatusSeeOther {
		t.Fatalf("asking: %d", code)
	}
	if config := <-begun; config != "zones: [x]\n" {
		t.Errorf("replayed with %q", config)
	}
	has(t, get(t, h, "/runs/run-0007/whatif").Body.String(), `data-going="yes"`, `value="50"`, "zones: [x]")
	has(t, get(t, h, "/runs/run-0007/whatif/state").Body.String(), `"pct":50`, `"done":false`)
	if code := ask("zones: [y]"); code != http.StatusConflict {
		t.Errorf("a second one meanwhile: %d", code)
	}
	hasNot(t, get(t, h, "/runs/run-0006/whatif").Body.String(), "zones: [x]") // another run's page
	let <- struct{}{}
	page := over()
	has(t, page, "flush done", "00:40:00", "not said", "filter-clogging · raised", "incomplete", "the advice has changed: this is another one now", "What both say at the same time: 1")
	if code := ask("bad"); code != http.StatusSeeOther {
		t.Fatalf("asking again: %d", code)
	}
	<-begun
	let <- struct{}{}
	has(t, over(), "There is no answer:", "<p>configuration:2:1: more</p>")
	if w := postForm(h, "/runs/run-0007/whatif", url.Values{"config": {strings.Repeat("x", 2*configLimit)}}); w.Code != http.StatusBadRequest {
		t.Errorf("a configuration of no end: %d", w.Code)
	}
}
