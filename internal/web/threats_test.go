// The threats of DEVELOPERS that come by the page's own door and that no other test
// here tries: a planted session, names that lead out of a folder, line ends in what
// becomes a header.
package web

import (
	"context"
	"io"
	"maps"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"os"
	"regexp"
	"strings"
	"testing"

	"boxd/internal/engine"
)

// addresses are those in a source that take a role, with it.
func addresses(t *testing.T, sources ...string) map[string]string {
	t.Helper()
	out := map[string]string{}
	for _, name := range sources {
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range regexp.MustCompile(`\bpage\("([A-Z]+ [^"]+)", access\.(\w+),`).FindAllStringSubmatch(string(b), -1) {
			out[m[1]] = m[2]
		}
	}
	if len(out) < 10 {
		t.Fatalf("only %d addresses in %v", len(out), sources)
	}
	return out
}

// Who may go where at a box at work: an address that is new, or opened to more people,
// is so here too. TestEveryAddressHasItsRole tries the door itself.
func TestEveryAddressIsListed(t *testing.T) {
	want := map[string]string{}
	for role, list := range map[string]string{
		"Nobody": "POST /shown, GET /manifest.webmanifest, GET /offline, GET /help, GET /help/{file...}, GET /sign-in, POST /sign-in, POST /sign-out, GET /begin, POST /begin",
		"View": "GET /{$}, GET /valve, GET /alarms, GET /box, GET /runs, GET /season, GET /runs/{file}, GET /runs/{file}/traces, GET /runs/{file}/whatif, " +
			"GET /runs/{file}/whatif/state, GET /plan, GET /events, GET /api/view, GET /api/trace",
		"Operate": "POST /act, POST /forecast, POST /runs/{file}/note, POST /runs/{file}/whatif",
		"Administer": "GET /calibrate, POST /calibrate, GET /calibration/{channel}, POST /calibration/{channel}, GET /calibration/{channel}/now, " +
			"GET /people, POST /people, GET /setup, POST /setup",
	} {
		for _, a := range strings.Split(list, ", ") {
			want[a] = role
		}
	}
	got := addresses(t, "web.go", "calibrationpage.go")
	if !maps.Equal(got, want) {
		for a := range got {
			if got[a] != want[a] {
				t.Errorf("%s takes %s, here it is %q", a, got[a], want[a])
			}
		}
		for a := range want {
			if got[a] == "" {
				t.Errorf("%s is gone", a)
			}
		}
	}
	for a, role := range addresses(t, "setup.go") { // of a box being set up
		if strings.Contains(a, "/setup") && role != "Administer" || want[a] == "" && role != "Administer" {
			t.Errorf("%s of the guide takes %s", a, role)
		}
	}
}

// takenIn is what no address may take more of; endless breaks off at as much again,
// lest a fault fill the disk.
const takenIn = 1 << 20

// endless is a body that does not end by itself, and how much of it was taken.
type endless struct {
	begin string
	taken int
}

func (e *endless) Read(b []byte) (int, error) {
	if e.taken > 2*takenIn {
		return 0, io.ErrUnexpectedEOF
	}
	n := copy(b, e.begin[min(e.taken, len(e.begin)):])
	for i := n; i < len(b); i++ {
		b[i] = 'a'
	}
	e.taken += len(b)
	return len(b), nil
}

func (e *endless) Close() error { return nil }

// Whatever somebody who may do everything sends, and to whatever address, no more
// than a megabyte is taken in.
func TestNoAddressTakesWithoutEnd(t *testing.T) {
	work, core, _ := guarded(t, false)
	core.publish(func(v *engine.View) { v.Run = "" }) // calibrations are taken between runs
	guide, _ := aWorkshop(t)
	bodies := map[string]string{"application/x-www-form-urlencoded": "config=", "application/json": `{"x":"`,
		"multipart/form-data; boundary=b": "--b\r\nContent-Disposition: form-data; name=\"file\"; filename=\"x\"\r\n\r\n"}
	for _, c := range []struct {
		srv     *httptest.Server
		sources []string
	}{{work, []string{"web.go", "calibrationpage.go"}}, {guide, []string{"setup.go"}}} {
		kim := newPerson(t, c.srv, "Kim")
		u, _ := url.Parse(c.srv.URL)
		for a, role := range addresses(t, c.sources...) {
			path, ok := strings.CutPrefix(a, "POST ")
			if !ok || path == "/sign-out" {
				continue
			}
			path = strings.NewReplacer("{file}", "run-0007", "{channel}", "supply_kpa", "{step}", "zone").Replace(path)
			for kind, begin := range bodies {
				body := &endless{begin: begin}
				r := httptest.NewRequest(http.MethodPost, c.srv.URL+path, body)
				r.Header.Set("Content-Type", kind)
				for _, k := range kim.http.Jar.Cookies(u) {
					r.AddCookie(k)
				}
				c.srv.Config.Handler.ServeHTTP(httptest.NewRecorder(), r)
				if body.taken > takenIn {
					t.Errorf("%s (%s) took %d bytes as %s", a, role, body.taken, kind)
				}
			}
		}
	}
}

// A session that somebody planted before the sign-in is worth nothing after it: the
// cookie is a new one (OWASP, session fixation).
func TestAPlantedSessionIsNotSignedIn(t *testing.T) {
	srv, _, _ := guarded(t, false)
	u, _ := url.Parse(srv.URL)
	cookies := func(p person) map[string]string {
		out := map[string]string{}
		for _, c := range p.http.Jar.Cookies(u) {
			out[c.Name] = c.Value
		}
		return out
	}
	victim := newPerson(t, srv, "Kim")
	after := cookies(victim)
	if len(after) == 0 {
		t.Fatal("no session at all")
	}
	for name := range after {
		planted, _ := cookiejar.New(nil)
		planted.SetCookies(u, []*http.Cookie{{Name: name, Value: "planted-by-somebody-else", Path: "/"}})
		p := person{t, srv.URL, &http.Client{Jar: planted, CheckRedirect: victim.http.CheckRedirect}}
		if code, _ := p.post("/sign-in", "name", "Kim", "phrase", phrase); code != http.StatusSeeOther {
			t.Fatalf("sign-in: %d", code)
		}
		if got := cookies(p)[name]; got == "planted-by-somebody-else" {
			t.Errorf("the planted %s is signed in", name)
		}
		thief, _ := cookiejar.New(nil)
		thief.SetCookies(u, []*http.Cookie{{Name: name, Value: "planted-by-somebody-else", Path: "/"}})
		q := person{t, srv.URL, &http.Client{Jar: thief, CheckRedirect: victim.http.CheckRedirect}}
		if code, _, _ := q.get("/"); code == http.StatusOK {
			t.Error("the planted session is let in")
		}
	}
	// Signing out ends the session on the box, not in the browser alone.
	kept := cookies(victim)
	victim.post("/sign-out")
	again, _ := cookiejar.New(nil)
	for name, value := range kept {
		again.SetCookies(u, []*http.Cookie{{Name: name, Value: value, Path: "/"}})
	}
	p := person{t, srv.URL, &http.Client{Jar: again, CheckRedirect: victim.http.CheckRedirect}}
	if code, _, _ := p.get("/"); code == http.StatusOK {
		t.Error("a cookie kept from before the sign-out is let in")
	}
}

// Names that lead out of the folder of runs or of static files lead nowhere.
func TestNoWayOutOfAFolder(t *testing.T) {
	srv, _, _ := guarded(t, true)
	for _, path := range []string{"/runs/..%2f..%2f..%2fetc%2fpasswd", "/runs/%2e%2e%2fboxd.sqlite", "/runs/..", "/runs/r1.csv%00.html", "/static/..%2fpages%2frun.html",
		"/static/../web.go", "/static/%2e%2e/%2e%2e/go.mod", "/static/", "/runs/....//....//etc/passwd"} {
		req, err := http.NewRequest(http.MethodGet, srv.URL, nil)
		if err != nil {
			t.Fatal(err)
		}
		req.URL.Opaque = "//" + req.URL.Host + path // as it is, without tidying
		res, err := http.DefaultTransport.RoundTrip(req)
		if err != nil {
			t.Fatal(err)
		}
		b := make([]byte, 4096)
		n, _ := res.Body.Read(b)
		_ = res.Body.Close()
		body := string(b[:n])
		if res.StatusCode == http.StatusOK || strings.Contains(body, "root:") || strings.Contains(body, "package web") || strings.Contains(body, "module boxd") {
			t.Errorf("%s: %d %q", path, res.StatusCode, body)
		}
	}
}

// anyRun has every run that is asked for.
type anyRun struct{ fakeArchive }

func (anyRun) Export(_ context.Context, w io.Writer, _, _ string, _ Reader) error {
	_, err := io.WriteString(w, "time_s\n")
	return err
}

// What a person types ends up in no header with a line end in it.
func TestNoLineEndsInHeaders(t *testing.T) {
	srv, _, _ := guarded(t, true)
	evil := "x\r\nSet-Cookie: session=evil"
	p := newPerson(t, srv, "")
	for _, f := range [][]string{{"name", "Kim", "phrase", phrase, "to", "/runs" + evil}, {"name", evil, "phrase", phrase, "to", "/"}} {
		req, _ := http.NewRequest(http.MethodPost, srv.URL+"/sign-in", strings.NewReader(url.Values{f[0]: {f[1]}, f[2]: {f[3]}, f[4]: {f[5]}}.Encode()))
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		res, err := p.http.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		_ = res.Body.Close()
		for _, c := range res.Cookies() {
			if c.Value == "evil" {
				t.Errorf("%q set a cookie of its own", f)
			}
		}
	}
	// A recorder shows what a real server would have mended on the way out.
	ex := New(newFakeCore(viewAt("ready")), anyRun{}, Options{})
	if w := get(t, ex, "/runs/any.csv"); w.Header().Get("Content-Disposition") == "" {
		t.Errorf("a run can't be had: %d", w.Code)
	}
	w := get(t, ex, "/runs/"+url.PathEscape(evil)+".csv")
	for name, values := range w.Header() {
		for _, v := range values {
			if strings.ContainsAny(v, "\r\n") || name == "Set-Cookie" && strings.Contains(v, "evil") {
				t.Errorf("header %s: %q", name, v)
			}
		}
	}
}
