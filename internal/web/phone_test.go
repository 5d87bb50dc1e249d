package web

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
)

// fetched is how many bytes an address costs a browser that takes gzip.
func fetched(t *testing.T, h http.Handler, path string) (int, string) {
	t.Helper()
	r := httptest.NewRequest("GET", path, nil)
	r.Host = "127.0.0.1:8080"
	r.Header.Set("Accept-Encoding", "gzip")
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	if w.Code != http.StatusOK {
		t.Fatalf("%s: %d", path, w.Code)
	}
	return w.Body.Len(), w.Header().Get("Content-Type")
}

// loads are what a page names: scripts, styles, manifest, icons.
var loads = regexp.MustCompile(`(?:src|href)="(/(?:static/[^"]+|manifest\.webmanifest))"`)

// The budget is this project's own: 120 kB compressed before the first value.
func TestARunPageIsLightEnoughForAWeakLink(t *testing.T) {
	h := New(newFakeCore(viewAt("inject")), nil, Options{Box: "north-box"})
	sum, _ := fetched(t, h, "/")
	plain := get(t, h, "/").Body.String()
	seen := map[string]bool{}
	for _, m := range loads.FindAllStringSubmatch(plain, -1) {
		if !seen[m[1]] {
			n, _ := fetched(t, h, m[1])
			sum += n
		}
		seen[m[1]] = true
	}
	if len(seen) < 5 {
		t.Fatalf("only %v are loaded", seen)
	}
	if sum > 120_000 {
		t.Errorf("the run page costs %d bytes", sum)
	}
	t.Logf("the run page costs %d bytes compressed", sum)
}

func TestInstallable(t *testing.T) {
	h := New(newFakeCore(viewAt("ready")), nil, Options{Box: "north-box"})
	w := get(t, h, "/manifest.webmanifest")
	var m struct {
		Name     string `json:"name"`
		Display  string `json:"display"`
		StartURL string `json:"start_url"`
		Icons    []struct{ Src, Sizes, Type string }
	}
	if err := json.Unmarshal(w.Body.Bytes(), &m); err != nil || w.Header().Get("Content-Type") != "application/manifest+json" {
		t.Fatalf("%v, %s", err, w.Header().Get("Content-Type"))
	}
	// What browsers ask before they offer to install: a name, a start, a display
	// of its own, icons of 192 and 512 (W3C Web Application Manifest; sizes from
	// memory).
	sizes := ""
	for _, i := range m.Icons {
		sizes += i.Sizes + " "
		if _, kind := fetched(t, h, i.Src); kind != i.Type {
			t.Errorf("%s is %s, not %s", i.Src, kind, i.Type)
		}
	}
	if !strings.Contains(m.Name, "north-box") || m.Display != "standalone" || m.StartURL != "/" || !strings.Contains(sizes, "192x192") || !strings.Contains(sizes, "512x512") {
		t.Errorf("%+v", m)
	}
}

// The worker keeps the shell and no value; every file it names is there.
func TestServiceWorker(t *testing.T) {
	h := New(newFakeCore(viewAt("ready")), nil, Options{})
	js := get(t, h, "/sw.js").Body.String()
	if strings.Contains(js, "VERSION") || !regexp.MustCompile(`boxd-shell-[0-9a-f]{16}`).MatchString(js) {
		t.Error("the shell has no version")
	}
	list := regexp.MustCompile(`(?s)var FILES = \[(.*?)\]`).FindStringSubmatch(js)[1]
	for _, m := range regexp.MustCompile(`"([^"]+)"`).FindAllStringSubmatch(list, -1) {
		fetched(t, h, m[1])
		if m[1] != "/offline" && !strings.HasPrefix(m[1], "/static/") {
			t.Errorf("%s is kept", m[1])
		}
	}
	off := get(t, h, "/offline").Body.String()
	has(t, off, "no connection to the box")
	if strings.Contains(off, "kPa") || strings.Contains(off, "psi") {
		t.Error("the page without a connection shows values")
	}
}
