package web

// Every page is read in Spanish and held against the message file: none of the
// sentences that it translates may be left in English.

import (
	"html"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"boxd/internal/box"
	"boxd/internal/say"
)

// ask fetches a page as a browser with these headers does.
func ask(t *testing.T, h http.Handler, path string, headers map[string]string) string {
	t.Helper()
	r := httptest.NewRequest("GET", "http://box.local"+path, nil)
	r.Header.Set("Accept", "text/html")
	for k, v := range headers {
		r.Header.Set(k, v)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	if w.Code != http.StatusOK {
		t.Fatalf("%s answers %d: %s", path, w.Code, w.Body)
	}
	return html.UnescapeString(w.Body.String())
}

// leftInEnglish are the sentences of the message file that a page still says in
// English. Names in the page's data are for scripts, and short words may be part
// of others.
func leftInEnglish(page string) []string {
	page = regexp.MustCompile(`(?s)data-words="\{.*?\}"`).ReplaceAllString(page, "")
	var left []string
	for english, there := range messagesIn("es") {
		if english == there || strings.Contains(english, "%") || len(english) < 9 || !strings.Contains(english, " ") {
			continue
		}
		if strings.Contains(page, ">"+english) || strings.Contains(page, `"`+english+`"`) || strings.Contains(page, " "+english+"<") {
			left = append(left, english)
		}
	}
	return left
}

// wordless leaves of a plan what the page says itself; package planview tries its
// own words.
func wordless(p PlanView) PlanView {
	p.EC.What, p.EC.Unit, p.EC.Says = "CE", "mS/cm", nil
	return PlanView{Zone: p.Zone, Feed: p.Feed, Stages: p.Stages, Minutes: p.Minutes, EC: p.EC, Rows: PlanRows{Rows: p.Rows.Rows}, MixNotes: p.MixNotes}
}

func TestPagesInSpanish(t *testing.T) {
	v := viewAt("inject")
	v.Alarms = append(v.Alarms, standingAlarm())
	open := New(newFakeCore(v), exportingArchive{fakeArchive{rows: someRuns()}}, Options{Box: "north-box", Units: "metric", Version: "test",
		Planner: &fakePlanner{view: wordless(somePlan()), choices: planChoices()}})
	for path, says := range map[string]string{
		"/": "Inyectar", "/plan": "Pese y disuelva", "/alarms": "sin reconocer", "/box": "Protección contra reflujo", "/valve": "válvula", "/runs": "enjuague: terminado",
	} {
		for how, headers := range map[string]map[string]string{
			"cookie": {"Cookie": shownCookie + "=es-metric", "Accept-Language": "en"}, "browser": {"Accept-Language": "es-MX,es;q=0.9,en;q=0.5"},
		} {
			page := ask(t, open, path, headers)
			if !strings.Contains(page, `<html lang="es">`) || !strings.Contains(strings.ToLower(page), strings.ToLower(says)) {
				t.Errorf("%s by %s does not say %q", path, how, says)
			}
			if left := leftInEnglish(page); len(left) > 0 {
				t.Errorf("%s by %s leaves in English: %q", path, how, left)
			}
		}
		english := ask(t, open, path, nil)
		if len(leftInEnglish(english)) == 0 {
			t.Errorf("%s in English is not seen to be English: the check is blind", path)
		}
	}
}

func TestDoorsInSpanish(t *testing.T) {
	srv, _, _ := guarded(t, false)
	kim := newPerson(t, srv, "Kim")
	u, _ := url.Parse(srv.URL)
	kim.http.Jar.SetCookies(u, []*http.Cookie{{Name: shownCookie, Value: "es-us"}})
	for path, says := range map[string]string{"/people": "Agregar a alguien", "/sign-in": "Frase de acceso"} {
		code, _, page := kim.get(path)
		page = html.UnescapeString(page)
		if code != http.StatusOK || !strings.Contains(page, says) {
			t.Errorf("%s answers %d without %q", path, code, says)
		}
		if left := leftInEnglish(page); len(left) > 0 {
			t.Errorf("%s leaves in English: %q", path, left)
		}
	}
}

func TestRefusalsInSpanish(t *testing.T) {
	core := newFakeCore(viewAt("inject"))
	core.answer = func(box.Action) Answer { return Answer{Reason: "no", Said: say.T("the box is not clean yet")} }
	h := New(core, nil, Options{Box: "north-box"})
	spanish := map[string]string{"Accept": "application/json", "Cookie": shownCookie + "=es-us"}
	for do, want := range map[string]string{
		"confirm:x": "no nombra ningún consejo", "dance": "no se entiende qué se quiere", "report:dance": "no se conoce lo hecho",
		"shelve:stock-empty": "por cuántos minutos", "confirm:17": "la caja todavía no está limpia",
	} {
		w := post(t, h, url.Values{"do": {do}, "by": {"Kim"}, "id": {do}}, spanish)
		if !strings.Contains(w.Body.String(), want) {
			t.Errorf("%s is answered %s, want %q", do, w.Body, want)
		}
	}
}

// TestEachTheirOwn: two persons at one box read their own language and units.
func TestEachTheirOwn(t *testing.T) {
	h := New(newFakeCore(viewAt("inject")), nil, Options{Box: "north-box", Units: "us"})
	for cookie, wants := range map[string][2]string{
		"en-us": {"Readings", "10.0\u00a0psi"}, "en-metric": {"Readings", "69\u00a0kPa"}, // 68.95 kPa is 10 psi
		"es-us": {"Lecturas", "10.0\u00a0psi"}, "es-metric": {"Lecturas", "69\u00a0kPa"},
	} {
		page := ask(t, h, "/", map[string]string{"Cookie": shownCookie + "=" + cookie})
		has(t, page, wants[0], wants[1])
	}
}

// TestTheStationsZone: a run that began at 07:05 UTC began at 03:05 in a zone
// four hours behind.
func TestTheStationsZone(t *testing.T) {
	h := New(newFakeCore(viewAt("ready")), fakeArchive{rows: someRuns()}, Options{About: About{Zone: time.FixedZone("there", -4*3600)}})
	page := ask(t, h, "/runs", nil)
	has(t, page, "2026-04-03 03:05", `datetime="2026-04-03T03:05:00-04:00"`)
	hasNot(t, page, "07:05")
}

// A language's pages are made when first asked for, not at the start.
func TestPagesOfEveryLanguage(t *testing.T) {
	for lang, l := range everyLanguage() {
		if l.pages().run == nil {
			t.Errorf("%s has no run page", lang)
		}
	}
}
