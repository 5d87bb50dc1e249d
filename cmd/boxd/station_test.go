package main

import (
	"compress/gzip"
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"sync"
	"testing"
)

// TestStation has a whole run come to a database through the same parts as the
// daemon's: its trace, its events in their order, its summary.
func TestStation(t *testing.T) {
	t.Parallel()
	var mu sync.Mutex // the server's goroutines write
	count := map[string]int{}
	summed := make(chan struct{}, 100)
	db := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		z, err := gzip.NewReader(r.Body)
		if err != nil || r.Header.Get("Authorization") != "Token hunter2" {
			w.WriteHeader(http.StatusUnauthorized)
			return
		}
		b, _ := io.ReadAll(z)
		mu.Lock()
		defer mu.Unlock()
		for line := range strings.Lines(string(b)) {
			name, _, _ := strings.Cut(line, ",")
			count[name]++
			if name == "boxd_run" {
				summed <- struct{}{}
			}
		}
		w.WriteHeader(http.StatusNoContent)
	}))
	t.Cleanup(db.Close)
	token := t.TempDir() + "/token"
	if err := os.WriteFile(token, []byte("hunter2\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	text := string(demoConfig()) + "\ninflux: {url: '" + db.URL + "', bucket: boxd, token_file: " + token + "}\n"
	life(t, text, t.TempDir(), func(ctx context.Context) {
		select {
		case <-summed:
		case <-ctx.Done():
			t.Error("no summary came")
		}
	})
	mu.Lock()
	defer mu.Unlock()
	if count["boxd_trace"] < 100 || count["boxd_event"] < 20 {
		t.Errorf("there came %v", count)
	}
}
