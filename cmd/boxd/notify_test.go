package main

import (
	"bytes"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"boxd/config"
)

// A test message goes to every target at once; one that refuses is named
// without its secret, and the exit code says that it did not go well.
func TestNotify(t *testing.T) {
	t.Parallel()
	said := make(chan string, 4)
	good := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		said <- r.Header.Get("Title")
		_, _ = w.Write([]byte("{}"))
	}))
	bad := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusForbidden) }))
	t.Cleanup(good.Close)
	t.Cleanup(bad.Close)
	file := filepath.Join(t.TempDir(), "box.yaml")
	text := string(config.Default()) + "\nalerts:\n  - {url: 'ntfy://" + good.Listener.Addr().String() + "/topic?scheme=http'}\n  - {url: 'ntfy://" + bad.Listener.Addr().String() + "/hunter2?scheme=http'}\n"
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args []string
		code int
		want []string
	}{
		{[]string{"notify", "test", "-config", file}, 1, []string{"1  ntfy://127.0.0.1", "sent in", "2  ntfy://127.0.0.1", "failed"}},
		{[]string{"notify", "test", "-config", file, "-to", "1"}, 0, []string{"1  ntfy://127.0.0.1"}},
		{[]string{"notify", "test", "-config", file, "-to", "3"}, 2, []string{"-to must be 1 to 2"}},
		{[]string{"notify"}, 2, []string{"notify test"}},
	} {
		var out bytes.Buffer
		if code := dispatch(&app{t.Context(), nil, &out, &out}, c.args); code != c.code {
			t.Errorf("%v: exit %d, want %d: %s", c.args, code, c.code, &out)
		}
		for _, w := range c.want {
			if !strings.Contains(out.String(), w) {
				t.Errorf("%v: %q lacks %q", c.args, &out, w)
			}
		}
		if strings.Contains(out.String(), "hunter2") {
			t.Errorf("%v: leaks: %s", c.args, &out)
		}
	}
	if len(said) != 2 || !strings.Contains(<-said, "test") {
		t.Errorf("the receiver heard %d messages", len(said))
	}
}
