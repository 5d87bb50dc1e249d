package influx

import (
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"
)

// FuzzReplies: whatever the server answers, a write ends, is not taken for done
// unless the answer says so, and its error is short and without the token.
func FuzzReplies(f *testing.F) {
	f.Add(204, "", "application/json")
	f.Add(400, `{"code":"invalid","message":"partial write: hunter2"}`, "application/json")
	f.Add(500, strings.Repeat("x", 10000), "text/plain")
	f.Add(401, `{"code":7}`, "application/json")
	f.Add(301, "", "")
	f.Fuzz(func(t *testing.T, status int, body, kind string) {
		if status < 200 || status > 599 {
			return
		}
		srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", kind)
			w.WriteHeader(status)
			_, _ = w.Write([]byte(body))
		}))
		defer srv.Close()
		t.Setenv("BOXD_FUZZ_TOKEN", "hunter2")
		w, err := New(Config{URL: srv.URL, Bucket: "boxd", TokenEnv: "BOXD_FUZZ_TOKEN", Timeout: 5 * time.Second}, slog.New(slog.DiscardHandler))
		if err != nil {
			t.Fatal(err)
		}
		refused, err := w.Write(t.Context(), []Point{{Measurement: "m", Fields: map[string]any{"v": 1.0}, At: 1}})
		if err == nil && len(refused) == 0 && status/100 != 2 {
			t.Fatalf("%d %q is taken for done", status, body)
		}
		said := ""
		if err != nil {
			said = err.Error()
		}
		for _, r := range refused {
			said += r.Why
		}
		if len(said) > 3*maxWhy || strings.Contains(said, "hunter2") {
			t.Fatalf("%d %q is told as %q", status, body, said)
		}
	})
}
