package web

// The manual, as a visitor of the pages meets it.

import (
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"boxd/internal/manual"
	"boxd/internal/safety"
)

// Every page leads to what the manual says of it.
func TestEveryPageHasItsHelp(t *testing.T) {
	pages, err := filepath.Glob("pages/*.html")
	if err != nil || len(pages) < 12 {
		t.Fatal(err, len(pages))
	}
	named := regexp.MustCompile(`<body data-page="([^"]+)"`)
	for _, file := range pages {
		b, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		m := named.FindSubmatch(b)
		if m == nil || !strings.Contains(string(b), `{{template "top" .}}`) {
			continue // parts, and the page without a connection
		}
		if page := string(m[1]); page != "help" && helpFor(page) == manual.Root {
			t.Errorf("%s: the manual has no page for it: write docs/%s.md, list it in docs/README.md, or name another in helpFor", file, page)
		}
	}
}

func TestTheManualIsForEverybody(t *testing.T) {
	srv, _, _ := guarded(t, false)
	p := newPerson(t, srv, "") // nobody: who has lost his pass phrase reads how to get in
	for path, want := range map[string][]string{
		"/help":           {`aria-current="page">help</a>`, `href="/help/troubleshooting"`, "boxd"},
		"/help/":          {`href="/help/troubleshooting"`},
		"/help/people":    {`id="a-forgotten-pass-phrase"`, `href="/help"`, `<article class="panel manual" lang="en">`},
		"/help/alarms":    {`src="/help/alarms.png"`, `<div class="wide-table" tabindex="0"><table>`},
		"/help/hw/README": {`src="/help/hw/wiring.svg"`, `href="/help/hw/profiles/rail.yaml"`},
	} {
		code, _, body := p.get(path)
		if code != http.StatusOK || strings.Contains(body, `role="alert"`) {
			t.Errorf("%s: %d", path, code)
		}
		for _, w := range want {
			if !strings.Contains(body, w) {
				t.Errorf("%s lacks %s", path, w)
			}
		}
	}
	for _, bad := range []string{"/help/nothing", "/help/../web.go", "/help/people.md", "/help/docs.go", "/help/<script>"} {
		if code, to, body := p.get(bad); code != http.StatusNotFound && to == "" || strings.Contains(body, "<script>") {
			t.Errorf("%s: %d, to %q", bad, code, to)
		} else if to == "" && code == http.StatusNotFound && strings.HasPrefix(bad, "/help/no") && (!strings.Contains(body, "no such page") || !strings.Contains(body, `href="/help/people"`)) {
			t.Errorf("%s does not list the pages", bad)
		}
	}
	for path, kind := range map[string]string{"/help/run.png": "image/png", "/help/hw/box.svg": "image/svg+xml", "/help/run.schema.json": "application/json", "/help/hw/profiles/usb.yaml": "text/plain; charset=utf-8"} {
		res, err := http.Get(srv.URL + path)
		if err != nil {
			t.Fatal(err)
		}
		_ = res.Body.Close()
		if res.StatusCode != http.StatusOK || res.Header.Get("Content-Type") != kind {
			t.Errorf("%s: %d %s", path, res.StatusCode, res.Header.Get("Content-Type"))
		}
	}
}

// The frame speaks the visitor's language and says that the text does not.
func TestTheManualInSpanish(t *testing.T) {
	srv, _, _ := guarded(t, true)
	p := newPerson(t, srv, "")
	_, _, english := p.get("/help/run")
	if code, _ := p.post("/shown", "lang", "es", "units", "us"); code != http.StatusSeeOther {
		t.Fatal(code)
	}
	_, _, body := p.get("/help/run")
	if !strings.Contains(body, "El manual está en inglés.") || !strings.Contains(body, ">ayuda</a>") || strings.Contains(english, "The manual is in English.") {
		t.Error("the page does not say what language it is in")
	}
}

// A standing alarm leads to its entry; every alarm has one.
func TestEveryAlarmHasItsEntry(t *testing.T) {
	p, ok := manual.Read("alarms")
	if !ok {
		t.Fatal("no page of alarms")
	}
	for _, d := range safety.Definitions() {
		if !strings.Contains(string(p.HTML), `<h2 id="`+d.ID+`">`) {
			t.Errorf("%s has no entry", d.ID)
		}
	}
	srv, core := every(t)
	core.view = someAlarms()
	kim := newPerson(t, srv, "Kim")
	for _, page := range []string{"/", "/alarms"} {
		if _, _, body := kim.get(page); !strings.Contains(body, `href="/help/alarms#`+core.view.Alarms[0].ID+`"`) {
			t.Errorf("%s does not lead to the manual's entry of %s", page, core.view.Alarms[0].ID)
		}
	}
}
