package web

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"
)

// doors are a box at work and one that is being set up, open to everybody: what can be
// sent to them is all there is.
func doors() (work, guide http.Handler, core *fakeCore) {
	core = newFakeCore(viewAt("inject"))
	kept := &records{}
	o := Options{Box: "north-box", Units: "us", Ruling: &Ruling{Path: "box.yaml"}, Planner: &fakePlanner{}, Calibrate: kept.keep, Calibrations: kept.inForce,
		About: About{Sources: map[string]string{"supply_kpa": "wired"}}}
	s := newServer(core, fullArchive{newLibrary(), exportingArchive{}, pastArchive{}}, o)
	s.apart = time.Microsecond
	return s.handler(), NewSetup(&fakeWorkshop{}, o), core
}

// sent is what anybody may send. A body of kind "GET" is none: the address is asked for.
type sent struct{ path, body, kind string }

const form = "application/x-www-form-urlencoded"

// sendings reach what takes something in, and come to no more than a refusal.
func sendings() []sent {
	return []sent{
		{"/act", "do=confirm:17&by=Kim&id=a", form},
		{"/act", "do=shelve:stock-empty&minutes=30&note=x", form},
		{"/forecast", "low=-3+%C2%B0C&at=2026-11-26T06:00:00%2B01:00", form},
		{"/shown", "lang=es&units=metric", form},
		{"/runs/run-0007/note", "text=hello&id=1", "multipart/form-data; boundary=x"},
		{"/runs?zone=west&flush=done&from=2026-04-01&until=2026-04-02&text=dry+row", "", "GET"},
		{"/season?zone=west&from=2026-04-01&to=2026-06-30", "", "GET"},
		{"/plan?zone=west&feed=bloom", "", "GET"},
		{"/calibrate", `{"channel":"supply_kpa"}`, "application/json"},
		{"/calibration/supply_kpa", "do=point&gauge=31+psi", form},
		{"/calibration/supply_kpa", "do=drop:1", form},
		{"/setup/name", "box.name=south-box&box.units=metric", form},
		{"/setup/zone", "zone.name=west&zone.rows=4&zone.row_length=100+ft", form},
		{"/setup/run", "seen=00", form},
		{"/help/..%2f..%2fgo.mod", "", "GET"},
	}
}

func send(h http.Handler, u *url.URL, body, kind string) *httptest.ResponseRecorder {
	method := http.MethodPost
	if kind == "GET" {
		method = http.MethodGet
	}
	r := httptest.NewRequest(method, "http://box.local/", strings.NewReader(body))
	r.URL = u
	r.Header.Set("Content-Type", kind)
	r.Header.Set("Origin", "http://box.local")
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

// TestSendingsArrive: what FuzzForms begins with is not turned away at the door.
func TestSendingsArrive(t *testing.T) {
	work, guide, core := doors()
	for _, x := range sendings() {
		u, err := url.ParseRequestURI(x.path)
		if err != nil {
			t.Fatal(err)
		}
		at, in := send(work, u, x.body, x.kind), send(guide, u, x.body, x.kind)
		if strings.HasPrefix(x.path, "/help/") {
			continue // nothing is there
		}
		if turned(at.Code) && turned(in.Code) {
			t.Errorf("%s: %d at work, %d in the guide", x.path, at.Code, in.Code)
		}
	}
	if len(core.said()) == 0 {
		t.Error("the core is told nothing")
	}
}

func turned(code int) bool {
	return code == http.StatusMisdirectedRequest || code == http.StatusForbidden || code == http.StatusUnauthorized || code == http.StatusNotFound || code == http.StatusMethodNotAllowed
}

// FuzzForms sends anything to every address of a box at work and of one being set up:
// no panic, no fault of the server's, and nothing said to the core that names no deed.
func FuzzForms(f *testing.F) {
	for _, x := range sendings() {
		f.Add(x.path, x.body, x.kind)
	}
	f.Add("/act", "do=%zz;;&&==", "text/plain")
	f.Fuzz(func(t *testing.T, path, body, kind string) {
		u, err := url.ParseRequestURI(path)
		if err != nil || !strings.HasPrefix(path, "/") || u.Host != "" || strings.HasPrefix(u.Path, "/events") {
			return
		}
		work, guide, core := doors()
		for _, h := range []http.Handler{work, guide} {
			if w := send(h, u, body, kind); w.Code >= http.StatusInternalServerError && w.Code != http.StatusServiceUnavailable {
				t.Fatalf("%s %q: %d %s", path, body, w.Code, w.Body)
			}
		}
		for _, a := range core.said() {
			if a.Kind == 0 || len(a.ID) > idLimit || len([]rune(a.By)) > nameRunes || len([]rune(a.Note)) > noteRunes {
				t.Fatalf("the core is told %+v", a)
			}
		}
	})
}
