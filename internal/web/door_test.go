package web

// Who may do what, asked of every address the pages have, and the way in and
// out as a browser without scripts goes it.

import (
	"context"
	"errors"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"boxd/internal/access"
	"boxd/internal/access/accesstest"
	"boxd/internal/box"
	"boxd/internal/engine"
)

const phrase = "wet gloves on a cold valve"

// guarded is a box with Kim who administers, Lee who operates and Sol who looks.
func guarded(t *testing.T, openView bool) (*httptest.Server, *fakeCore, *access.Book) {
	t.Helper()
	keeper := accesstest.Keeper(t, openView)
	book := keeper.Book
	for _, err := range []error{book.Begin(book.Code(), "Kim", phrase), book.Add("Lee", phrase, access.Operate), book.Add("Sol", phrase, access.View)} {
		if err != nil {
			t.Fatal(err)
		}
	}
	core := newFakeCore(viewAt("inject"))
	srv := httptest.NewServer(New(core, fullArchive{newLibrary(), exportingArchive{}, pastArchive{}}, Options{Box: "north-box", Units: "us", Keeper: keeper, Ruling: &Ruling{Path: "box.yaml"}, About: About{Sources: map[string]string{"supply_kpa": "wired"}},
		Calibrate: func(_ context.Context, _ []byte, by string) (string, error) {
			if by != "Kim" {
				return "", errors.New("calibrated by " + by)
			}
			return "gain", nil
		}, Calibrations: func() ([]byte, error) { return []byte("[]"), nil }}))
	t.Cleanup(srv.Close)
	return srv, core, book
}

// browser is one person's, without scripts; it follows no redirects.
type person struct {
	t    *testing.T
	url  string
	http *http.Client
}

func newPerson(t *testing.T, srv *httptest.Server, name string) person {
	t.Helper()
	jar, _ := cookiejar.New(nil)
	p := person{t, srv.URL, &http.Client{Jar: jar, Timeout: 10 * time.Second,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
	if name != "" {
		if code, to := p.post("/sign-in", "name", name, "phrase", phrase, "to", "/runs"); code != http.StatusSeeOther || to != "/runs" {
			t.Fatalf("%s can't sign in: %d, to %q", name, code, to)
		}
	}
	return p
}

func (p person) get(path string) (int, string, string) {
	req, _ := http.NewRequest("GET", p.url+path, nil)
	req.Header.Set("Accept", "text/html")
	return p.do(req)
}

func (p person) post(path string, fields ...string) (int, string) {
	form := url.Values{}
	for i := 0; i < len(fields); i += 2 {
		form.Set(fields[i], fields[i+1])
	}
	req, _ := http.NewRequest("POST", p.url+path, strings.NewReader(form.Encode()))
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	code, to, body := p.do(req)
	if to == "" {
		to = body
	}
	return code, to
}

func (p person) do(req *http.Request) (int, string, string) {
	p.t.Helper()
	res, err := p.http.Do(req)
	if err != nil {
		p.t.Fatal(err)
	}
	defer func() { _ = res.Body.Close() }()
	b, _ := io.ReadAll(io.LimitReader(res.Body, 1<<20))
	return res.StatusCode, res.Header.Get("Location"), string(b)
}

func TestEveryAddressHasItsRole(t *testing.T) {
	srv, core, _ := guarded(t, false)
	people := map[string]person{}
	for _, n := range []string{"", "Sol", "Lee", "Kim"} {
		people[n] = newPerson(t, srv, n)
	}
	roles := []string{"", "Sol", "Lee", "Kim"} // from least to most
	for _, c := range []struct {
		path, do string
		from     int // the first in roles who may
	}{
		{"/", "", 1}, {"/runs", "", 1}, {"/season", "", 1}, {"/runs/r1.csv", "", 1}, {"/api/view", "", 1}, {"/api/trace", "", 1}, {"/people", "", 3}, {"/help", "", 0}, {"/help/run", "", 0}, {"/calibrate", "", 3}, {"/setup", "", 3},
		{"/runs/run-0007", "", 1}, {"/runs/run-0007/traces", "", 1}, {"/runs/run-0007/whatif", "", 1}, {"/runs/run-0007/note", "note", 2}, {"/runs/run-0007/whatif", "what if", 2},
		{"/act", "confirm:17", 2}, {"/act", "acknowledge:stock-empty", 2}, {"/act", "reset:backflow-sign", 2}, {"/act", "report:stock_in", 2}, {"/act", "override:flow-unknown", 3}, {"/calibrate", "calibrate", 3},
		{"/calibration/supply_kpa", "", 3}, {"/calibration/supply_kpa/now", "", 3}, {"/calibration/supply_kpa", "anew", 3},
	} {
		core.publish(func(v *engine.View) { v.Run = map[bool]string{true: "", false: "run-0007"}[c.path == "/calibrate"] }) // calibrations are kept between runs
		for i, name := range roles {
			var code int
			if c.do == "" {
				code, _, _ = people[name].get(c.path)
			} else {
				code, _ = people[name].post(c.path, "do", c.do, "by", "Somebody Else", "id", c.do+name, "text", c.do)
			}
			let := code == http.StatusOK || code == http.StatusSeeOther && c.do != "" ||
				code == http.StatusConflict && c.do == "what if" // the one before may still be under way
			if c.path == "/runs/r1.csv" {
				let = code != http.StatusSeeOther && code != http.StatusForbidden && code != http.StatusUnauthorized
			}
			if let != (i >= c.from) {
				t.Errorf("%q at %s %s: %d", name, c.path, c.do, code)
			}
		}
	}
	// Who may not look is shown nothing by a refusal either.
	if code, body := people[""].post("/act", "do", "confirm:17"); code != http.StatusUnauthorized || strings.Contains(body, "<main") {
		t.Errorf("a stranger's word: %d\n%s", code, body)
	}
	// The word is the account's, whatever name was typed.
	for _, a := range core.said() {
		if a.By != "Lee" && a.By != "Kim" {
			t.Errorf("a word by %q reached the core", a.By)
		}
	}
}

func TestWhatAWordTakes(t *testing.T) {
	for k := box.UnknownAction; k < box.UnknownAction+12; k++ {
		want := access.Administer
		switch k {
		case box.Confirm, box.Report, box.Acknowledge, box.Reset, box.Post:
			want = access.Operate
		}
		if got := roleFor(k); got != want {
			t.Errorf("%v takes %v, want %v", k, got, want)
		}
	}
}

func TestTheWayIn(t *testing.T) {
	srv, _, book := guarded(t, false)
	p := newPerson(t, srv, "")
	code, to, _ := p.get("/runs")
	if code != http.StatusSeeOther || to != "/sign-in?to=%2Fruns" {
		t.Errorf("a stranger at /runs: %d, to %q", code, to)
	}
	if code, body := p.post("/sign-in", "name", "Kim", "phrase", "no", "to", "/runs"); code != http.StatusForbidden || !strings.Contains(body, "do not go together") ||
		!strings.Contains(body, `value="/runs"`) || strings.Contains(body, `value="no"`) {
		t.Errorf("a wrong phrase: %d\n%s", code, body)
	}
	for _, bad := range []string{"//elsewhere.example", "https://elsewhere.example/", `/\elsewhere.example`, "runs", "/\t/elsewhere.example", "/\r\n/elsewhere.example"} {
		if code, to := p.post("/sign-in", "name", "Kim", "phrase", phrase, "to", bad); code != http.StatusSeeOther || to != "/" {
			t.Errorf("led to %q by %q (%d)", to, bad, code)
		}
	}
	if _, _, body := p.get("/"); !strings.Contains(body, "You answer as") || strings.Contains(body, "This page is open") {
		t.Error("the page does not say who is signed in")
	}
	if code, _ := p.post("/people", "do", "add", "name", "Max", "phrase", phrase, "role", "view"); code != http.StatusSeeOther || len(book.People()) != 4 {
		t.Errorf("an account can't be added: %d", code)
	}
	if code, body := p.post("/people", "do", "remove", "name", "Kim"); code != http.StatusConflict || !strings.Contains(body, "must be left") {
		t.Errorf("the last who administers is removed: %d", code)
	}
	for _, do := range []string{"change", "remove"} {
		if code, _ := p.post("/people", "do", do, "name", "Max", "role", "operate"); code != http.StatusSeeOther {
			t.Errorf("%s: %d", do, code)
		}
	}
	if code, _ := p.post("/people", "do", "burn", "name", "Max"); code != http.StatusConflict {
		t.Errorf("an unknown wish: %d", code)
	}
	p.post("/sign-out")
	if code, _, _ := p.get("/"); code != http.StatusSeeOther {
		t.Errorf("signed out, and still let in: %d", code)
	}
}

func TestFirstStart(t *testing.T) {
	keeper := accesstest.Keeper(t, true)
	book := keeper.Book
	srv := httptest.NewServer(New(newFakeCore(viewAt("ready")), nil, Options{Keeper: keeper}))
	defer srv.Close()
	p := newPerson(t, srv, "")
	if code, to, _ := p.get("/people"); code != http.StatusSeeOther || to != "/begin" {
		t.Errorf("before the first account: %d, to %q", code, to)
	}
	if code, _, body := p.get("/"); code != http.StatusOK || !strings.Contains(body, "sign in") { // looking is open here
		t.Errorf("looking: %d", code)
	}
	if code, _, body := p.get("/begin"); code != http.StatusOK || strings.Contains(body, book.Code()) {
		t.Errorf("the first start shows its own code, or isn't there: %d", code)
	}
	if code, body := p.post("/begin", "code", "AAAAAAAA", "name", "Kim", "phrase", phrase); code != http.StatusForbidden || !strings.Contains(body, "not the code") {
		t.Errorf("a wrong code: %d", code)
	}
	if code, to := p.post("/begin", "code", book.Code(), "name", "Kim", "phrase", phrase); code != http.StatusSeeOther || to != "/people" {
		t.Errorf("the first start: %d, to %q", code, to)
	}
	if code, _, _ := p.get("/people"); code != http.StatusOK {
		t.Errorf("after it: %d", code)
	}
}

func TestWhatIsShown(t *testing.T) {
	srv, _, _ := guarded(t, true)
	p := newPerson(t, srv, "")
	if _, _, body := p.get("/"); !strings.Contains(body, "psi") || strings.Contains(body, " kPa<") {
		t.Error("the box's own units are not shown at first")
	}
	if code, _ := p.post("/shown", "lang", "en", "units", "metric"); code != http.StatusSeeOther {
		t.Fatalf("a choice: %d", code)
	}
	if _, _, body := p.get("/"); strings.Contains(body, "\u00a0psi") || !strings.Contains(body, "\u00a0kPa") {
		t.Error("the chosen units are not shown")
	}
	for _, bad := range [][2]string{{"xx", "us"}, {"en", "cubits"}, {"", ""}} {
		if code, _ := p.post("/shown", "lang", bad[0], "units", bad[1]); code != http.StatusBadRequest {
			t.Errorf("%v: %d", bad, code)
		}
	}
}
