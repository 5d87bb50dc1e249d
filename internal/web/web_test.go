// These tests ask the handler as a browser, a script and a stranger would, and
// read what comes back. The promises they hold it to are those of the design:
// unknown is never a number, stopped is said, a word counts once, a slow
// watcher is dropped.
package web

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"io"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/say"
)

const boxURL = "http://box.local/"

func get(t *testing.T, h http.Handler, path string) *httptest.ResponseRecorder {
	t.Helper()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest("GET", "http://box.local"+path, nil))
	return w
}

func post(t *testing.T, h http.Handler, form url.Values, more map[string]string) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest("POST", boxURL+"act", strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Origin", "http://box.local")
	for k, v := range more {
		r.Header.Set(k, v)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

func has(t *testing.T, body string, wants ...string) {
	t.Helper()
	for _, want := range wants {
		if !strings.Contains(body, want) {
			t.Errorf("page lacks %q", want)
		}
	}
}

func hasNot(t *testing.T, body string, bans ...string) {
	t.Helper()
	for _, ban := range bans {
		if strings.Contains(body, ban) {
			t.Errorf("page has %q", ban)
		}
	}
}

func handler(v engine.View) (http.Handler, *fakeCore) {
	core := newFakeCore(v)
	return New(core, fakeArchive{rows: someRuns()}, Options{Box: "north-box", Units: "us", Demo: true, Version: "test"}), core
}

func TestEveryStepIsMarked(t *testing.T) {
	for _, step := range []string{"ready", "pressurise", "inject", "flush", "secure"} {
		h, _ := handler(viewAt(step))
		w := get(t, h, "/")
		has(t, w.Body.String(), `<li class="now" data-step-name="`+step+`" aria-current="step">`, "Open both valves at the injector.",
			"the lines are full", `value="confirm:17"`, "Both are open", `name="by"`, "in question: <b>injector valves</b>")
		if n := strings.Count(w.Body.String(), `aria-current="step"`); n != 1 {
			t.Errorf("%s: %d steps are marked as the present one", step, n)
		}
	}
}

func TestNumbersAreShownInThePersonsUnits(t *testing.T) {
	// 68.95 kPa is 10.0 psi and 9.8 L/min is 2.59 US gal/min (NIST SP 811, appendix B).
	v := viewAt("inject")
	us := New(newFakeCore(v), nil, Options{Units: "us"})
	has(t, get(t, us, "/").Body.String(), "10.0\u00a0psi", "2.59\u00a0gal/min", "65\u00a0°F", `data-kpa-unit="psi"`)
	metric := New(newFakeCore(v), nil, Options{Units: "metric"})
	body := get(t, metric, "/").Body.String()
	has(t, body, "69\u00a0kPa", "9.8\u00a0L/min", "18.5\u00a0°C")
	hasNot(t, body, "psi", "gal/min")
}

func TestUnknownIsNeverANumber(t *testing.T) {
	for _, step := range []string{"ready", "pressurise", "inject", "flush", "secure"} {
		v := engine.View{Seq: 1, Step: step, Channels: channels(false), Advice: &engine.AdviceView{Number: 1, Text: "Wait."}}
		h, _ := handler(v)
		body := get(t, h, "/").Body.String()
		rows := regexp.MustCompile(`<td class="value">([^<]*)</td>`).FindAllStringSubmatch(body, -1)
		if len(rows) != int(box.NumChannels)-1 {
			t.Fatalf("%s: %d readings are shown", step, len(rows))
		}
		for _, r := range rows {
			if r[1] != "unknown" {
				t.Errorf("%s: an unheard reading is shown as %q", step, r[1])
			}
		}
		vals := regexp.MustCompile(`(?s)<g class="vals">.*?</g>`).FindString(body)
		if n := strings.Count(vals, ">unknown<"); n != 8 {
			t.Errorf("%s: the drawing says unknown %d times, want 8", step, n)
		}
		has(t, body, `id="dial-header" data-word="unknown"`)
		hasNot(t, body, `class="needle"`)
	}
}

func TestABadReadingIsNotShownEvenWithAValue(t *testing.T) {
	v := viewAt("inject")
	for i := range v.Channels {
		if v.Channels[i].Column == "header_kpa" {
			v.Channels[i].Quality, v.Channels[i].Cause, v.Channels[i].Why, v.Channels[i].AgeS = "bad", "failure", "stuck", 12
		}
	}
	h, _ := handler(v)
	has(t, get(t, h, "/").Body.String(), "✕ </span>bad: failure: stuck; last heard 12\u00a0s ago", `id="dial-header" data-word="unknown"`)
	if p := PointOf(v); p.Header != nil || p.MainFlow == nil {
		t.Errorf("the plot takes header %v, flow %v", p.Header, p.MainFlow)
	}
}

func TestHoldsAlarmsAndCautions(t *testing.T) {
	v := viewAt("pressurise")
	v.Holds = []engine.HoldView{{On: "inject", ID: "backflow-protection-missing", Reason: "No test is on record.", WayOut: "Have it tested & written down."}}
	seen := standingAlarm()
	seen.ID, seen.Acked, seen.Latched = "backflow-sign", true, true
	v.Alarms = []engine.AlarmView{standingAlarm(), seen}
	v.Cautions = []string{"Urea can't be seen by EC."}
	h, _ := handler(v)
	body := get(t, h, "/").Body.String()
	has(t, body, "hold on inject", "No test is on record.", "Have it tested &amp; written down.", `value="acknowledge:supply-pressure-low"`,
		`value="reset:backflow-sign"`, "◆", "for 1\u00a0min", "Urea can&#39;t be seen by EC.")
	hasNot(t, body, `value="acknowledge:backflow-sign"`, `value="reset:supply-pressure-low"`)
}

func TestTextFromOutsideIsEscaped(t *testing.T) {
	v := viewAt("ready")
	v.Advice.Text, v.Zone, v.Advice.Valve = `<script>x</script>`, `"><img src=x>`, `"><b>`
	h, _ := handler(v)
	hasNot(t, get(t, h, "/").Body.String(), "<script>x", "<img", `data-asked=""><b>`)
}

func TestStoppedIsSaid(t *testing.T) {
	v := viewAt("stopped")
	v.StepWhy = "the core failed"
	h, core := handler(v)
	body := get(t, h, "/").Body.String()
	has(t, body, `id="stopped"`, "stopped: do not rely on this</strong> <span>the core failed", `data-stopped="yes"`, `data-deed="injector_on" disabled`)
	if w := get(t, h, "/healthz"); w.Code != http.StatusServiceUnavailable {
		t.Errorf("healthz of a stopped core: %d", w.Code)
	}

	core.publish(func(v *engine.View) { v.Step = "inject" })
	hasNot(t, get(t, h, "/").Body.String(), `id="stopped"`)
	if w := get(t, h, "/healthz"); w.Code != http.StatusOK {
		t.Errorf("healthz of a running core: %d", w.Code)
	}
	core.setAge(42 * time.Second)
	has(t, get(t, h, "/").Body.String(), `id="stopped"`, "nothing heard from the core for 42\u00a0s", "last heard 42\u00a0s ago")
}

// silentCore knows nothing of ages: embedding the interface hides Age.
type silentCore struct{ Core }

func TestAgeIsCountedFromTheViewNumber(t *testing.T) {
	var h heard
	t0 := time.Now()
	if a := h.age(1, t0); a != 0 {
		t.Errorf("a first view is %v old", a)
	}
	if a := h.age(1, t0.Add(9*time.Second)); a != 9*time.Second {
		t.Errorf("the same view 9 s later is %v old", a)
	}
	if a := h.age(2, t0.Add(10*time.Second)); a != 0 {
		t.Errorf("a new view is %v old", a)
	}
	s := newServer(silentCore{newFakeCore(viewAt("ready"))}, nil, Options{})
	if a := s.age(s.core.View()); a > time.Second {
		t.Errorf("a core without ages is %v old at first", a)
	}
}

func TestAPersonsWordReachesTheCore(t *testing.T) {
	for do, want := range map[string]box.Action{
		"confirm:17":              {Kind: box.Confirm, Advice: 17},
		"report:stock_out":        {Kind: box.Report, Deed: box.StockOut},
		"acknowledge:stock-empty": {Kind: box.Acknowledge, Alarm: "stock-empty"},
		"reset:backflow-sign":     {Kind: box.Reset, Alarm: "backflow-sign"},
		"shelve:ratio-off":        {Kind: box.Shelve, Alarm: "ratio-off", For: 90 * time.Minute},
		"unshelve:ratio-off":      {Kind: box.Unshelve, Alarm: "ratio-off"},
		"out-of-service:ec-above": {Kind: box.TakeOut, Alarm: "ec-above"},
		"in-service:ec-above":     {Kind: box.PutBack, Alarm: "ec-above"},
		"override:flow-unknown":   {Kind: box.Override, Alarm: "flow-unknown"},
	} {
		h, core := handler(viewAt("inject"))
		w := post(t, h, url.Values{"do": {do}, "by": {" Ada\x00 "}, "note": {"valve dry"}, "minutes": {" 90 "}, "id": {"a1"}}, nil)
		if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/" {
			t.Errorf("%s: %d to %q", do, w.Code, w.Header().Get("Location"))
		}
		want.By, want.Note, want.ID = "Ada", "valve dry", "a1"
		if got := core.said(); len(got) != 1 || got[0] != want {
			t.Errorf("%s: the core heard %+v, want %+v", do, got, want)
		}
	}
}

// TestForecastIsPosted: the low has a unit and the hour an offset, or nothing is
// handed on.
func TestForecastIsPosted(t *testing.T) {
	h, core := handler(viewAt("ready"))
	send := func(low, at string) int {
		form := url.Values{"low": {low}, "at": {at}, "by": {"station"}, "id": {"f" + low + at}}
		r := httptest.NewRequest("POST", boxURL+"forecast", strings.NewReader(form.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("Accept", "application/json")
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		return w.Code
	}
	if code := send("27.5 °F", "2026-11-26T06:00:00+01:00"); code != http.StatusOK {
		t.Fatalf("answer %d", code)
	}
	at := time.Date(2026, 11, 26, 5, 0, 0, 0, time.UTC)
	got := core.said()
	if len(got) != 1 || got[0].Kind != box.Post || got[0].By != "station" || !got[0].Forecast.At.Equal(at) || math.Abs(float64(got[0].Forecast.Low)+2.5) > 1e-9 {
		t.Fatalf("the core heard %+v", got)
	}
	for _, c := range [][2]string{{"-3", "2026-11-26T06:00:00Z"}, {"", "2026-11-26T06:00:00Z"}, {"NaN °C", "2026-11-26T06:00:00Z"}, {"-3 °C", "06:00"}, {"-3 °C", ""}, {"-3 °C", "2026-11-26T06:00:00"}} {
		if code := send(c[0], c[1]); code != http.StatusBadRequest {
			t.Errorf("%q at %q: answer %d", c[0], c[1], code)
		}
	}
	if n := len(core.said()); n != 1 {
		t.Errorf("the core heard %d words", n)
	}
}

func TestNonsenseIsNotHandedOn(t *testing.T) {
	for _, do := range []string{"", "confirm", "confirm:x", "confirm:-1", "report:nothing", "acknowledge:", "open:valve", "reset:" + strings.Repeat("a", 65)} {
		h, core := handler(viewAt("inject"))
		w := post(t, h, url.Values{"do": {do}}, map[string]string{"Accept": "application/json"})
		if w.Code != http.StatusBadRequest || len(core.said()) != 0 {
			t.Errorf("%q: %d, the core heard %v", do, w.Code, core.said())
		}
	}
}

// TestNobodyIsTheButton: what was said at the box is told from what was said on a
// page, however the name is written and whether or not the page is open.
func TestNobodyIsTheButton(t *testing.T) {
	for _, by := range []string{box.ByButton, " Box \u00a0BUTTON"} {
		h, core := handler(viewAt("inject"))
		for do, path := range map[string]string{"confirm:17": "act", "report:stock_in": "act"} {
			form := url.Values{"do": {do}, "by": {by}, "id": {do}}
			r := httptest.NewRequest("POST", boxURL+path, strings.NewReader(form.Encode()))
			r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			r.Header.Set("Accept", "application/json")
			w := httptest.NewRecorder()
			h.ServeHTTP(w, r)
			if w.Code != http.StatusBadRequest || len(core.said()) != 0 || !strings.Contains(w.Body.String(), "your own name") {
				t.Errorf("%q said %s: %d %s", by, do, w.Code, w.Body)
			}
		}
	}
}

// TestHowLongToShelve: an alarm is shelved for a stated time or not at all.
func TestHowLongToShelve(t *testing.T) {
	for _, minutes := range []string{"", "0", "-5", "1.5", "an hour", "99999999"} {
		h, core := handler(viewAt("inject"))
		w := post(t, h, url.Values{"do": {"shelve:ratio-off"}, "by": {"Ada"}, "note": {"new seals tomorrow"}, "minutes": {minutes}}, nil)
		if w.Code != http.StatusBadRequest || len(core.said()) != 0 {
			t.Errorf("%q: %d, the core heard %v", minutes, w.Code, core.said())
		}
		has(t, w.Body.String(), "whole number of minutes")
	}
}

func TestARefusalsReasonIsShown(t *testing.T) {
	h, core := handler(viewAt("inject"))
	core.answer = func(box.Action) Answer { return Answer{Reason: "advice 16 is not the one standing now"} }
	w := post(t, h, url.Values{"do": {"confirm:16"}, "by": {"Ada"}}, nil)
	if w.Code != http.StatusConflict {
		t.Errorf("a refusal answers %d", w.Code)
	}
	has(t, w.Body.String(), "Refused</strong>", "advice 16 is not the one standing now", `value="Ada"`)

	w = post(t, h, url.Values{"do": {"confirm:16"}}, map[string]string{"Accept": "application/json"})
	var ans Answer
	if err := json.Unmarshal(w.Body.Bytes(), &ans); err != nil || ans.Accepted || ans.Reason == "" {
		t.Errorf("the script is told %q (%v)", w.Body, err)
	}
}

func TestOneWordSentTwiceCountsOnce(t *testing.T) {
	h, core := handler(viewAt("inject"))
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() {
			if w := post(t, h, url.Values{"do": {"confirm:17"}, "id": {"same"}}, nil); w.Code != http.StatusSeeOther {
				t.Errorf("answer %d", w.Code)
			}
		})
	}
	wg.Wait()
	if n := len(core.said()); n != 1 {
		t.Errorf("the core heard it %d times", n)
	}
	post(t, h, url.Values{"do": {"confirm:17"}}, nil)
	post(t, h, url.Values{"do": {"confirm:17"}}, nil)
	if got := core.said(); len(got) != 3 || got[1].ID == got[2].ID || got[1].ID == "" {
		t.Errorf("words without an id: %v", got)
	}
}

func TestAnswersAreBounded(t *testing.T) {
	var k answers
	for i := range 3 * answersKept {
		k.once(strings.Repeat("x", 1+i), func() Answer { return Answer{Accepted: true} })
	}
	if len(k.by) > answersKept {
		t.Errorf("%d answers are kept", len(k.by))
	}
}

func TestOversizeIsRefused(t *testing.T) {
	h, core := handler(viewAt("inject"))
	w := post(t, h, url.Values{"do": {"confirm:17"}, "note": {strings.Repeat("a", bodyLimit)}}, nil)
	if w.Code != http.StatusRequestEntityTooLarge || len(core.said()) != 0 {
		t.Errorf("%d, the core heard %v", w.Code, core.said())
	}
	post(t, h, url.Values{"do": {"confirm:17"}, "by": {strings.Repeat("ä", 500)}}, nil)
	if got := core.said(); len(got) != 1 || len([]rune(got[0].By)) != nameRunes {
		t.Errorf("a long name: %v", got)
	}
}

func TestStrangersAreRefused(t *testing.T) {
	word := url.Values{"do": {"confirm:17"}}
	for name, c := range map[string]struct {
		more map[string]string
		host string
		want int
	}{
		"another site's origin":  {map[string]string{"Origin": "http://evil.example"}, "box.local", http.StatusForbidden},
		"a sandboxed page":       {map[string]string{"Origin": "null"}, "box.local", http.StatusForbidden},
		"another site's fetch":   {map[string]string{"Sec-Fetch-Site": "cross-site"}, "box.local", http.StatusForbidden},
		"a rebound name":         {map[string]string{"Origin": "http://evil.example"}, "evil.example", http.StatusMisdirectedRequest},
		"our own page":           {map[string]string{"Sec-Fetch-Site": "same-origin"}, "box.local", http.StatusSeeOther},
		"our own page, plain IP": {map[string]string{"Origin": "http://192.0.2.7:8080"}, "192.0.2.7:8080", http.StatusSeeOther},
		"IPv6":                   {map[string]string{"Origin": "http://[2001:db8::1]:80"}, "[2001:db8::1]:80", http.StatusSeeOther},
		"a name that was added":  {map[string]string{"Origin": "http://box.farm.example"}, "box.farm.example", http.StatusSeeOther},
	} {
		core := newFakeCore(viewAt("inject"))
		h := New(core, nil, Options{Hosts: []string{"box.farm.example"}})
		r := httptest.NewRequest("POST", "http://"+c.host+"/act", strings.NewReader(word.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		for k, v := range c.more {
			r.Header.Set(k, v)
		}
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code != c.want || len(core.said()) != map[bool]int{true: 1}[c.want == http.StatusSeeOther] {
			t.Errorf("%s: %d (want %d), the core heard %v", name, w.Code, c.want, core.said())
		}
	}
	h, core := handler(viewAt("inject"))
	if w := get(t, h, "/act?do=confirm:17"); w.Code != http.StatusMethodNotAllowed || len(core.said()) != 0 {
		t.Errorf("a word by GET: %d", w.Code)
	}
}

func TestNothingInlineNothingFromElsewhere(t *testing.T) {
	h, _ := handler(viewAt("flush"))
	inline := regexp.MustCompile(`(?i)<style|\sstyle=|\son[a-z]+=|<script[^>]*>[^<]|(src|href)="(https?:)?//`)
	for _, path := range []string{"/", "/runs"} {
		w := get(t, h, path)
		if m := inline.FindString(w.Body.String()); m != "" {
			t.Errorf("%s holds %q", path, m)
		}
		csp := w.Header().Get("Content-Security-Policy")
		has(t, csp, "default-src 'none'", "script-src 'self'", "style-src 'self'", "frame-ancestors 'none'")
		hasNot(t, csp, "unsafe")
		for _, ref := range regexp.MustCompile(`(?:src|href)="(/static/[^"]+)"`).FindAllStringSubmatch(w.Body.String(), -1) {
			a := get(t, h, ref[1])
			if a.Code != http.StatusOK || a.Body.Len() == 0 || a.Header().Get("ETag") == "" {
				t.Errorf("%s loads %s: %d", path, ref[1], a.Code)
			}
		}
	}
	for _, path := range []string{"/static/", "/static/../pages/run.html", "/static/nothing.js", "/pages/run.html", "/elsewhere"} {
		if w := get(t, h, path); w.Code == http.StatusOK {
			t.Errorf("%s is served", path)
		}
	}
}

// luminance is the relative luminance of #rrggbb (WCAG 2.2, definitions).
func luminance(t *testing.T, hex string) float64 {
	t.Helper()
	rgb, err := strconv.ParseUint(strings.TrimPrefix(hex, "#"), 16, 32)
	if err != nil || len(hex) != 7 {
		t.Fatalf("no colour: %q", hex)
	}
	part := func(shift uint) float64 {
		c := float64(rgb>>shift&255) / 255
		if c <= 0.04045 {
			return c / 12.92
		}
		return math.Pow((c+0.055)/1.055, 2.4)
	}
	return 0.2126*part(16) + 0.7152*part(8) + 0.0722*part(0)
}

func TestContrast(t *testing.T) {
	css, err := files.ReadFile("static/box.css")
	if err != nil {
		t.Fatal(err)
	}
	roots := regexp.MustCompile(`(?s):root \{(.*?)\}`).FindAllStringSubmatch(string(css), -1)
	if len(roots) != 2 {
		t.Fatalf("%d schemes", len(roots))
	}
	for scheme, root := range roots {
		colour := map[string]string{}
		for _, m := range regexp.MustCompile(`--([a-z0-9-]+): (#[0-9a-f]{6})`).FindAllStringSubmatch(root[1], -1) {
			colour[m[1]] = m[2]
		}
		ratio := func(a, b string) float64 {
			x, y := luminance(t, colour[a]), luminance(t, colour[b])
			return (max(x, y) + 0.05) / (min(x, y) + 0.05)
		}
		// WCAG 2.2: 1.4.3 text 4.5:1, 1.4.11 graphics and controls 3:1.
		for _, p := range [][2]string{{"ink", "ground"}, {"ink", "panel"}, {"soft", "ground"}, {"soft", "panel"}, {"button-ink", "button"},
			{"crit-ink", "crit"}, {"high-ink", "high"}, {"low-ink", "low"}, {"hold-ink", "hold"}, {"bad", "panel"}} {
			if r := ratio(p[0], p[1]); r < 4.5 {
				t.Errorf("scheme %d: %s on %s is %.2f:1", scheme, p[0], p[1], r)
			}
		}
		for _, p := range [][2]string{{"pipe", "panel"}, {"pipe", "ground"}, {"mark", "panel"}, {"focus", "panel"}, {"focus", "ground"},
			{"hatch", "hatch-back"}, {"line1", "panel"}, {"line2", "panel"}, {"line3", "panel"}} {
			if r := ratio(p[0], p[1]); r < 3 {
				t.Errorf("scheme %d: %s on %s is %.2f:1", scheme, p[0], p[1], r)
			}
		}
	}
}

func TestRowsAndCost(t *testing.T) {
	h, _ := handler(viewAt("flush"))
	body := get(t, h, "/").Body.String()
	// Row 1 is clean to 0.42 of a bar 260 wide: 109.2.
	has(t, body, `data-row="1"`, `data-row="6"`, `class="clean" x="34" y="3" width="109.2"`, "If you stopped now", "22.0\u00a0%", "99.9\u00a0%", "31\u00a0min", "give or take 0.4\u00a0min", "5\u00a0min more")
	h, _ = handler(viewAt("pressurise"))
	hasNot(t, get(t, h, "/").Body.String(), "If you stopped now", "data-row=")
}

// The page of the box's units: 19.21 g is 0.68 oz (28.3495 g each).
func TestDose(t *testing.T) {
	h, _ := handler(viewAt("flush"))
	has(t, get(t, h, "/").Body.String(), "Stop now and the last 12 % of rows 1 to 6 get 40 % less.", "all agree", "The weighings agree within their uncertainty.",
		"0.68\u00a0oz N, 0.00\u00a0oz P2O5, 2.29\u00a0oz K2O", "107\u00a0% of what is due", "give or take 3.6\u00a0%")
	has(t, get(t, h, "/runs").Body.String(), "2.29\u00a0oz K2O · weighings: all agree")
	v := viewAt("flush")
	v.Dose.Nutrients, v.Dose.Delivered.Nutrients = nil, nil
	v.Dose.Said.Why = say.T("No feed is planned, so nothing says what the stock holds: name one under plan.")
	h, _ = handler(v)
	body := get(t, h, "/").Body.String()
	has(t, body, "No feed is planned")
	hasNot(t, body, "out of the emitters")
}

func TestAPI(t *testing.T) {
	v := viewAt("flush")
	v.Progress.RiseUSCm = nil
	h, core := handler(v)
	var got engine.View
	if err := json.Unmarshal(get(t, h, "/api/view").Body.Bytes(), &got); err != nil || got.Seq != v.Seq || got.Progress.RiseUSCm != nil {
		t.Errorf("api/view: %+v, %v", got, err)
	}
	if b := strings.TrimSpace(get(t, h, "/api/trace").Body.String()); b != "[]" {
		t.Errorf("an empty trace is %s", b)
	}
	core.publish(func(*engine.View) {})
	var pts []Point
	if err := json.Unmarshal(get(t, h, "/api/trace").Body.Bytes(), &pts); err != nil || len(pts) != 1 || *pts[0].BoxEC != 1450 {
		t.Errorf("api/trace: %v, %v", pts, err)
	}
}

type exportingArchive struct{ fakeArchive }

func (exportingArchive) Export(_ context.Context, w io.Writer, id, format string, _ Reader) error {
	switch id {
	case "run-0007":
		_, err := io.WriteString(w, "time_s,event\n0,"+format+"\n")
		return err
	case "run-half":
		_, _ = io.WriteString(w, "time_s\n") // the break is what is tested
		return errors.New("disk gone")
	case "run-bad":
		return errors.New("disk gone")
	}
	return ErrNoRun
}

func TestArchive(t *testing.T) {
	h, _ := handler(viewAt("ready"))
	body := get(t, h, "/runs").Body.String()
	has(t, body, `data-run="run-0007"`, "flush done", "flush incomplete", "52\u00a0min", "108.4\u00a0gal", "not ended", "flush unknown · unknown through")
	hasNot(t, body, ".csv") // this archive exports nothing

	core := newFakeCore(viewAt("ready"))
	ex := New(core, exportingArchive{fakeArchive{rows: someRuns()}}, Options{})
	has(t, get(t, ex, "/runs").Body.String(), `href="/runs/run-0007.csv"`, `href="/runs/run-0007.parquet"`)
	w := get(t, ex, "/runs/run-0007.csv")
	if w.Body.String() != "time_s,event\n0,csv\n" || w.Header().Get("Content-Disposition") != `attachment; filename="run-0007.csv"` {
		t.Errorf("export: %q as %q", w.Body, w.Header().Get("Content-Disposition"))
	}
	for path, code := range map[string]int{"/runs/run-0009.csv": 404, "/runs/run-0007.exe": 404, "/runs/run-0007": 404, "/runs/a%22b.csv": 404, "/runs/run-bad.json": 500} {
		if w := get(t, ex, path); w.Code != code || w.Header().Get("Content-Disposition") != "" {
			t.Errorf("%s: %d, want %d", path, w.Code, code)
		}
	}
	srv := httptest.NewServer(ex)
	defer srv.Close()
	res, err := http.Get(srv.URL + "/runs/run-half.csv")
	if err == nil {
		_, err = io.ReadAll(res.Body)
		_ = res.Body.Close() // read to its end above
	}
	if err == nil {
		t.Error("half an export looks whole")
	}

	has(t, get(t, New(core, nil, Options{}), "/runs").Body.String(), "keeps no archive")
	failing := get(t, New(core, fakeArchive{err: errors.New("disk gone")}, Options{}), "/runs")
	if failing.Code != 500 {
		t.Errorf("a failing archive: %d", failing.Code)
	}
	has(t, failing.Body.String(), "disk gone")
}

// readEvents gives the events of a stream until it ends.
func readEvents(r io.Reader, each func(name, data string) bool) {
	sc := bufio.NewScanner(r)
	sc.Buffer(nil, 1<<20)
	var name, data string
	for sc.Scan() {
		line := sc.Text()
		switch {
		case line == "":
			if !each(name, data) {
				return
			}
			name, data = "", ""
		case strings.HasPrefix(line, "event: "):
			name = line[len("event: "):]
		case strings.HasPrefix(line, "data: "):
			data += line[len("data: "):] + "\n"
		}
	}
}

func TestStream(t *testing.T) {
	core := newFakeCore(viewAt("inject"))
	core.ended = make(chan struct{}, 1)
	s := newServer(core, nil, Options{})
	s.gate, s.beat = time.Millisecond, 20*time.Millisecond
	srv := httptest.NewServer(s.handler())
	defer srv.Close()
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	defer cancel()
	req, _ := http.NewRequestWithContext(ctx, "GET", srv.URL+"/events?page=1", nil)
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = res.Body.Close() }() // the context ends it too
	seen := map[string]int{}
	readEvents(res.Body, func(name, data string) bool {
		seen[name]++
		switch {
		case name == "page" && seen["page"] == 1:
			has(t, data, `id="part-advice"`, "Open both valves")
		case name == "view" && seen["view"] == 1:
			core.publish(func(v *engine.View) { v.Step = "flush" })
		case name == "view":
			has(t, data, `"step":"flush"`, `"seq":11`)
		case name == "beat":
			has(t, data, `"age_s":0.0`)
		}
		return seen["view"] < 2 || seen["beat"] < 1
	})
	if seen["view"] < 2 || seen["page"] < 2 || seen["beat"] < 1 {
		t.Errorf("the stream brought %v", seen)
	}
	cancel()
	<-core.ended // or the test's own deadline says it never unsubscribed
}

func TestStreamEndsWhenTheCoreDropsIt(t *testing.T) {
	core := newFakeCore(viewAt("inject"))
	srv := httptest.NewServer(New(core, nil, Options{}))
	defer srv.Close()
	res, err := http.Get(srv.URL + "/events")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = res.Body.Close() }() // it ends by itself
	readEvents(res.Body, func(string, string) bool {
		core.mu.Lock()
		defer core.mu.Unlock()
		for ch := range core.subs {
			core.drop(ch)
		}
		return true
	})
}

// smallBuffers makes the kernel keep little for a client that doesn't read.
type smallBuffers struct{ net.Listener }

func (l smallBuffers) Accept() (net.Conn, error) {
	c, err := l.Listener.Accept()
	if tcp, ok := c.(*net.TCPConn); ok {
		_ = tcp.SetWriteBuffer(4096) // a hint; the test only ends later without it
	}
	return c, err
}

func TestASlowWatcherIsDropped(t *testing.T) {
	core := newFakeCore(viewAt("flush"))
	core.ended = make(chan struct{}, 1)
	s := newServer(core, nil, Options{})
	s.gate, s.write = time.Millisecond, 50*time.Millisecond
	srv := httptest.NewUnstartedServer(s.handler())
	srv.Listener = smallBuffers{srv.Listener}
	srv.Start()
	defer srv.Close()
	conn, err := net.Dial("tcp", srv.Listener.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }() // it never reads
	_ = conn.(*net.TCPConn).SetReadBuffer(4096)
	if _, err := io.WriteString(conn, "GET /events?page=1 HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"); err != nil {
		t.Fatal(err)
	}
	deadline := time.After(30 * time.Second)
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-core.ended:
			return
		case <-deadline:
			t.Fatal("a watcher that never reads is still served")
		case <-tick.C:
			core.publish(func(*engine.View) {})
		}
	}
}

func TestWatchersAreBounded(t *testing.T) {
	s := newServer(newFakeCore(viewAt("ready")), nil, Options{})
	for range streamLimit {
		s.streams <- struct{}{}
	}
	w := get(t, s.handler(), "/events")
	if w.Code != http.StatusServiceUnavailable || w.Header().Get("Retry-After") == "" {
		t.Errorf("one watcher too many: %d", w.Code)
	}
}

func TestInjectorScale(t *testing.T) {
	s := newServer(newFakeCore(viewAt("inject")), nil, Options{}).visit(httptest.NewRequest("GET", "/", nil))
	for kpa, want := range map[float64]string{20: "too little to start it", 34: "enough to start it", 400: "enough to start it"} {
		v := viewAt("inject")
		v.Progress.InjectorDiffKPa = num(kpa)
		d := s.dials(v)[1]
		if d.Word != want || d.Abnormal != (kpa < 34) || d.At < 0 || d.At > dialWidth {
			t.Errorf("%v kPa: %+v, want %q", kpa, d, want)
		}
	}
}

func TestDigits(t *testing.T) {
	for v, want := range map[float64]string{-0.04: "0.0", 0.05: "0.1", 12.34: "12.3"} {
		if got := digits(v, 1); got != want {
			t.Errorf("digits(%v) = %s, want %s", v, got, want)
		}
	}
	for m, want := range map[float64]string{0.4: "under a minute", 12.4: "12\u00a0min", 119.8: "2\u00a0h\u00a000\u00a0min"} {
		if got := (display{}).minutes(m); got != want {
			t.Errorf("minutes(%v) = %s, want %s", m, got, want)
		}
	}
}
