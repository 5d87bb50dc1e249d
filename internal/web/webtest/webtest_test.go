package webtest

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"
)

// A loaded machine reads a long page in pieces; what is looked for stands in the
// first, what is used next in the last.
func TestPageIsWholeWhenItIsFound(t *testing.T) {
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "text/html")
		if r.URL.Path == "/" {
			_, _ = fmt.Fprint(w, `<!DOCTYPE html><title>first</title><body data-step="first"><a href="/second">on</a>`)
			return
		}
		_, _ = fmt.Fprint(w, `<!DOCTYPE html><title>second</title><body data-step="second"><h1>head</h1>`)
		w.(http.Flusher).Flush()
		select {
		case <-time.After(500 * time.Millisecond):
			_, _ = fmt.Fprint(w, `<input id="last">`)
		case <-r.Context().Done():
		}
	}))
	t.Cleanup(s.Close)
	tab := Open(t, time.Minute)
	use := Run(`document.getElementById("last").value = "typed"`)
	for name, found := range map[string]Step{"state": BodyIs("step", "second"), "there": There("h1"), "seen": Has("h1")} {
		tab.Do(name, Visit(s.URL+"/"), BodyIs("step", "first"), Leave("a"), found, use)
	}
}
