package main

import (
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"boxd/config"
	"boxd/internal/daemon"
	"boxd/internal/web"
)

// TestAlert has a whole run tell a web hook of the flush, through the same
// parts as the daemon's, and a second life tell it nothing again. The hook is
// out of order at first: the note has to wait, not to be lost or doubled.
func TestAlert(t *testing.T) {
	t.Parallel()
	notes := make(chan map[string]string, 100)
	var heard atomic.Int32
	hook := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		b, _ := io.ReadAll(r.Body)
		if heard.Add(1) == 1 {
			w.WriteHeader(http.StatusServiceUnavailable)
			return
		}
		var n map[string]string
		if err := json.Unmarshal(b, &n); err != nil {
			t.Errorf("the hook got %q: %v", b, err)
		}
		notes <- n
	}))
	t.Cleanup(hook.Close)
	text := string(demoConfig()) + "\nalerts:\n  - {url: 'generic+" + hook.URL + "/hook?template=json', events: [flush_done]}\n"
	dir := t.TempDir()
	life(t, text, dir, playPerson, func(ctx context.Context) {
		select {
		case n := <-notes:
			if !strings.Contains(n["title"], "north-box") || !strings.Contains(strings.ToLower(n["title"]+n["message"]), "flush") {
				t.Errorf("the note reads %q", n)
			}
		case <-ctx.Done():
			t.Error("no note came")
		}
		if _, err := endedRun(dir, patience); err != nil {
			t.Error(err)
		}
	})
	// The next life looks into its outbox twice a second.
	nobody := func(context.Context, *daemon.Daemon, hand, float64) {}
	life(t, text, dir, nobody, func(ctx context.Context) {
		looks := time.NewTimer(2 * time.Second)
		defer looks.Stop()
		select {
		case n := <-notes:
			t.Errorf("a note came again: %q", n)
		case <-looks.C:
		}
	})
	if len(notes) != 0 {
		t.Errorf("another note: %q", <-notes)
	}
}

// life runs the service of a configuration over the simulated box, with a
// person, until then comes back.
func life(t *testing.T, text, dir string, person func(context.Context, *daemon.Daemon, hand, float64), then func(context.Context)) {
	t.Helper()
	cfg, err := config.Parse("alert.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	core, err := cfg.Engine("")
	if err != nil {
		t.Fatal(err)
	}
	sim := newSimulation(core, time.Now())
	ctx, cancel := context.WithTimeout(t.Context(), 2*patience)
	defer cancel()
	s := &service{cfg: cfg, text: text, core: core, source: sim, beat: time.Second, speed: 1000, data: dir, listen: "127.0.0.1:0", wander: true,
		tell: func(string, ...any) {}, log: slog.New(slog.DiscardHandler), before: sim.catchUp,
		wrap:  func(c web.Core) web.Core { return hand{c, sim} },
		after: func(ctx context.Context, d *daemon.Daemon) { person(ctx, d, hand{d, sim}, 1000) }}
	done := make(chan error, 1)
	go func() { done <- s.run(ctx) }()
	then(ctx)
	cancel()
	select {
	case err := <-done:
		if err != nil {
			t.Error(err)
		}
	case <-time.After(patience):
		t.Error("the service did not stop")
	}
}
