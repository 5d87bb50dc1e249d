package web

// The guide's pages over a workshop that keeps everything in memory and whose
// instruments give what a scene wants.

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"boxd/internal/access"
	"boxd/internal/access/accesstest"
	"boxd/internal/box"
	"boxd/internal/sensors"
	"boxd/internal/setup"
	"boxd/internal/web/webtest"
)

type fakeWorkshop struct {
	mu    sync.Mutex
	draft setup.Draft
	seen  []setup.Seen
	begun []setup.Result
	tried error // what a trial comes to
}

func (f *fakeWorkshop) Draft() *setup.Draft {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.draft.Clone()
}

func (f *fakeWorkshop) Update(change func(*setup.Draft) error) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	next := f.draft.Clone()
	if err := change(next); err != nil {
		return err
	}
	f.draft = *next
	return nil
}

func (f *fakeWorkshop) Check(d *setup.Draft) setup.Result { return d.Check("box.yaml") }
func (f *fakeWorkshop) Look() []setup.Seen                { return f.seen }
func (f *fakeWorkshop) Try(context.Context, Trial) error  { return f.tried }
func (f *fakeWorkshop) Trouble() string                   { return "" }

func (f *fakeWorkshop) Begin(r setup.Result) error {
	f.begun = append(f.begun, r)
	return nil
}

// kimAnd keeps the accounts of Kim, who administers, and of another.
func kimAnd(t *testing.T, other string, role access.Role) *access.Keeper {
	t.Helper()
	keeper := accesstest.Keeper(t, false)
	book := keeper.Book
	for _, err := range []error{book.Begin(book.Code(), "Kim", phrase), book.Add(other, phrase, role)} {
		if err != nil {
			t.Fatal(err)
		}
	}
	return keeper
}

// aWorkshop is a box being set up, with Kim who administers and Lee who operates.
func aWorkshop(t *testing.T) (*httptest.Server, *fakeWorkshop) {
	t.Helper()
	keeper := kimAnd(t, "Lee", access.Operate)
	w, kept := &fakeWorkshop{}, &records{}
	srv := httptest.NewServer(NewSetup(w, Options{Box: "boxd", Units: "us", Keeper: keeper, Calibrate: kept.keep, Calibrations: kept.inForce}))
	t.Cleanup(srv.Close)
	return srv, w
}

func TestOnlyWhoAdministersSetsUp(t *testing.T) {
	srv, w := aWorkshop(t)
	for _, name := range []string{"", "Lee"} {
		p := newPerson(t, srv, name)
		for _, path := range []string{"/", "/setup", "/setup/zone", "/setup/run", "/setup/live"} {
			if code, _, body := p.get(path); code == http.StatusOK && !strings.Contains(body, `data-page="sign-in"`) {
				t.Errorf("%q sees %s", name, path)
			}
		}
		for _, step := range setup.Steps() {
			if code, _ := p.post("/setup/"+step.String(), "box.name", "theirs", "seen", w.Draft().Check("").Sum()); code != http.StatusUnauthorized && code != http.StatusForbidden {
				t.Errorf("%q posts to %s: %d", name, step, code)
			}
		}
	}
	if w.Draft().Values != nil || w.begun != nil {
		t.Errorf("somebody else has written: %+v, %d begun", w.draft, len(w.begun))
	}
}

func TestOnlyWhatWasSeenIsWritten(t *testing.T) {
	srv, w := aWorkshop(t)
	kim := newPerson(t, srv, "Kim")
	before := w.Draft().Check("").Sum()
	if code, _ := kim.post("/setup/name", "box.name", "south-box", "box.units", "metric"); code != http.StatusSeeOther {
		t.Fatal(code)
	}
	if code, body := kim.post("/setup/run", "seen", before); code != http.StatusConflict || !strings.Contains(body, "have changed") || len(w.begun) != 0 {
		t.Errorf("an old page begins: %d", code)
	}
	if code, _ := kim.post("/setup/run", "seen", w.Draft().Check("").Sum()); code != http.StatusSeeOther || len(w.begun) != 1 {
		t.Errorf("what was seen isn't taken: %d", code)
	}
}

// seenOf are a loop at 8 mA (IEC 60381-1: a quarter of its span), a faulty one, a
// turning meter and one not heard yet, of the first board.
func seenOf() []setup.Seen {
	loop := sensors.Wiring{Channel: box.SupplyPressure, Driver: sensors.ADS1115{Signal: sensors.Signal{Kind: sensors.Loop, Span: sensors.Span{High: 1000}}}}
	pulse := sensors.Wiring{Channel: box.MainFlow, Driver: sensors.Pulses{Meter: sensors.PulseMeter{PerLitre: 450}}}
	return []setup.Seen{
		{At: 0, Wiring: loop, Heard: true, Sample: box.Sample{Channel: box.SupplyPressure, Value: 250}},
		{At: 1, Wiring: loop, Heard: true, Sample: box.Sample{Channel: box.FilterOutPressure, Value: 0.9, Fault: "loop current %.4g mA: the wire is broken", Cause: box.Failure}},
		{At: 5, Wiring: pulse, Heard: true, Sample: box.Sample{Channel: box.MainFlow, Value: 12}},
		{At: 6, Wiring: pulse, Sample: box.Sample{Channel: box.InjectorFlow}},
	}
}

func TestTheGuideShowsWhatTheWiresGive(t *testing.T) {
	srv, w := aWorkshop(t)
	w.seen = seenOf()
	kim := newPerson(t, srv, "Kim")
	_, _, body := kim.get("/setup/live")
	var lines []liveLine
	if err := json.Unmarshal([]byte(body), &lines); err != nil {
		t.Fatal(err, body)
	}
	// 250 kPa are 36.3 psi, 12 L/min 3.17 gal/min (NIST SP 811).
	for i, want := range []liveLine{
		{ID: "i0", Value: "36.3\u00a0psi", Wire: "8.00\u00a0mA", Quality: "good"},
		{ID: "i1", Value: "unknown", Why: "loop current 0.9 mA: the wire is broken", Quality: "bad"},
		{ID: "i5", Value: "3.17\u00a0gal/min", Wire: "90.00\u00a0Hz", Quality: "good"},
		{ID: "i6", Value: "unknown", Why: "nothing heard yet", Quality: "bad"},
	} {
		if i >= len(lines) || lines[i] != want {
			t.Errorf("%+v, want %+v", lines, want)
		}
	}
}

// A secret that will do is never on a page, one that won't is there to be put right;
// what is tried is kept first, and its end is said.
func TestTheGuideKeepsSecrets(t *testing.T) {
	srv, w := aWorkshop(t)
	kim := newPerson(t, srv, "Kim")
	const address, password = "ntfy://ntfy.example/topicsecret7", "brokersecret7"
	post := func(do string) (int, string) {
		return kim.post("/setup/tell", "do", do, "alerts.address", address, "alerts[0].language", "es", "mqtt.said", "own", "mqtt.broker", "mqtts://broker.example", "mqtt.password", password)
	}
	if code, body := post("try-alert"); code != http.StatusOK || !strings.Contains(body, `id="tried"`) {
		t.Errorf("a trial: %d %s", code, body)
	}
	w.tried = errors.New("nobody there")
	if code, body := post("try-broker"); code != http.StatusConflict || !strings.Contains(body, "nobody there") || !strings.Contains(body, "broker.example") {
		t.Errorf("a trial in vain: %d %s", code, body)
	}
	for _, path := range []string{"/setup/tell", "/setup/run"} {
		_, _, body := kim.get(path)
		if strings.Contains(body, "secret7") || !strings.Contains(body, "broker.example") {
			t.Errorf("%s: %s", path, body)
		}
	}
	if _, _, body := kim.get("/setup/run"); !strings.Contains(body, "url_file: alert-address") || !strings.Contains(body, "password_file: broker-password") {
		t.Errorf("the configuration names no files: %s", body)
	}
	// Nothing said leaves it, - takes it away.
	kim.post("/setup/tell", "alerts.address", "", "mqtt.password", "-")
	if d := w.Draft(); d.Secret(setup.AlertAddress) != address || d.Secret(setup.BrokerPassword) != "" {
		t.Errorf("kept %v", d.Secrets)
	}
}

// Every page of the guide fits a narrow screen in every language, and meets the rules
// of accessibility in the dark.
func TestTheGuideIsForEverybody(t *testing.T) {
	t.Parallel()
	srv, w := aWorkshop(t)
	tab := webtest.Open(t, 8*time.Minute)
	rules := tab.Rules()
	w.seen = seenOf()
	tab.Do("sign in", webtest.Visit(srv.URL+"/sign-in"), webtest.Type("#name", "Kim"), webtest.Type("#phrase", phrase), webtest.Leave("form[action='/sign-in'] button.main"), webtest.BodyIs("page", "setup"))
	for _, step := range setup.Steps() { // answered, and much of it wrong
		if err := w.Update(func(d *setup.Draft) error {
			return d.Take(step, func(name string) string { return map[string]string{"board": "header-40", "box.units": "us"}[name] })
		}); err != nil {
			t.Fatal(err)
		}
	}
	for _, lang := range languages() {
		tab.Do("language", webtest.Cookie(srv.URL, shownCookie, lang+"-us"), webtest.Screen(320, 640, "dark"))
		for _, step := range setup.Steps() {
			name := fmt.Sprintf("guide-%s-%s", step, lang)
			tab.Do(name, webtest.Visit(srv.URL+"/setup/"+step.String()), webtest.BodyIs("step", step.String()))
			if over := tab.TooWide(); over > 0 {
				t.Errorf("%s is %d px too wide: %s", name, over, widest(tab))
			}
			if small := smallTargets(tab); small != "" {
				t.Errorf("%s: lower than 44 px: %s", name, small)
			}
			if lang == languages()[0] {
				for _, bad := range tab.Violations(rules) {
					t.Errorf("%s: %s", name, bad)
				}
			}
			tab.Keep(name)
		}
	}
	if bad := tab.Complaints(); len(bad) != 0 {
		t.Errorf("the guide complains of %s", strings.Join(bad, "; "))
	}
}
