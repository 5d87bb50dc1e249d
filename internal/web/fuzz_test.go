package web

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
)

// FuzzForms posts anything to every address that takes a word: no panic, no fault
// of the server's, and nothing said to the core that names no deed.
func FuzzForms(f *testing.F) {
	f.Add("/act", "do=confirm:17&by=Kim&id=a", "application/x-www-form-urlencoded")
	f.Add("/act", "do=shelve:stock-empty&minutes=30&note=x", "application/x-www-form-urlencoded")
	f.Add("/forecast", "low=-3+%C2%B0C&at=2026-11-26T06:00:00%2B01:00", "application/x-www-form-urlencoded")
	f.Add("/shown", "lang=es&units=metric", "application/x-www-form-urlencoded")
	f.Add("/runs/run-0007/note", "text=hello&id=1", "multipart/form-data; boundary=x")
	f.Add("/act", "do=%zz;;&&==", "text/plain")
	f.Fuzz(func(t *testing.T, path, body, kind string) {
		u, err := url.ParseRequestURI(path)
		if err != nil || !strings.HasPrefix(path, "/") || u.Host != "" || strings.Contains(path, "whatif") {
			return
		}
		h, core := handler(viewAt("inject"))
		r := httptest.NewRequest(http.MethodPost, "/", strings.NewReader(body))
		r.URL = u
		r.Header.Set("Content-Type", kind)
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code >= 500 {
			t.Fatalf("%s %q: %d %s", path, body, w.Code, w.Body)
		}
		for _, a := range core.said() {
			if a.Kind == 0 || len(a.ID) > idLimit || len([]rune(a.By)) > nameRunes || len([]rune(a.Note)) > noteRunes {
				t.Fatalf("the core is told %+v", a)
			}
		}
	})
}
