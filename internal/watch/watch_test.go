package watch

// The whole of it runs against a server on loopback that sends what a box sends,
// and draws on a screen in memory.

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"boxd/internal/engine"
	"boxd/internal/units"

	"github.com/gdamore/tcell/v2"
)

func num(v float64) *float64 { return &v }

func someView() *engine.View {
	return &engine.View{
		Seq: 7, T: 1200, Box: "north-box", Zone: "east", Run: "run-1", RunT: num(1200), Step: "flush", StepWhy: "no stock is drawn any more",
		Advice: &engine.AdviceView{Number: 9, Text: "Keep the water running: the lines are being flushed.", Why: []string{"fertilizer is still on its way to the last plants"}, Minutes: num(12.4)},
		Alarms: []engine.AlarmView{
			{ID: "supply-pressure-low", Priority: "critical", State: "unacknowledged", Text: "Supply pressure is 40.0 kPa, below 70.0 kPa.", Do: "Close the shutoff valve."},
			{ID: "header-pressure-low", Priority: "high", State: "unacknowledged", Text: "Header pressure is 20.0 kPa.", Cause: "supply-pressure-low"},
		},
		Holds: []engine.HoldView{{On: "inject", ID: "header-pressure-low", Reason: "the header pressure is too low"}},
		Channels: []engine.ChannelView{
			{Tag: "PT-101", Name: "supply pressure", Unit: "kPa", Value: num(40), Quality: "good"},
			{Tag: "FT-101", Name: "main flow", Unit: "L/min", Value: num(9.9), Quality: "bad"},
		},
		Progress: engine.Progress{FlushPassedL: num(20), FlushNeededL: num(80), LastEmitterPct: num(99.99)},
	}
}

// text is what stands on a screen.
func text(s tcell.SimulationScreen) string {
	cells, w, h := s.GetContents()
	var b strings.Builder
	for y := range h {
		for x := range w {
			b.WriteString(string(cells[y*w+x].Runes))
		}
		b.WriteByte('\n')
	}
	return b.String()
}

func screen(t *testing.T, w, h int) tcell.SimulationScreen {
	t.Helper()
	s := tcell.NewSimulationScreen("UTF-8")
	if err := s.Init(); err != nil {
		t.Fatal(err)
	}
	s.SetSize(w, h)
	t.Cleanup(s.Fini)
	return s
}

// kept keeps what was last shown, so that a test may look while another
// goroutine draws.
type kept struct {
	tcell.SimulationScreen
	last atomic.Pointer[string]
}

// Show is of tcell.Screen.
func (k *kept) Show() {
	k.SimulationScreen.Show()
	shown := text(k.SimulationScreen)
	k.last.Store(&shown)
}

func (k *kept) text() string {
	if s := k.last.Load(); s != nil {
		return *s
	}
	return ""
}

func has(t *testing.T, shown string, parts ...string) {
	t.Helper()
	for _, p := range parts {
		if !strings.Contains(shown, p) {
			t.Errorf("the screen lacks %q:\n%s", p, shown)
		}
	}
}

func TestDraw(t *testing.T) {
	for _, w := range []int{80, 132} {
		s := screen(t, w, 40)
		draw(s, scene{view: someView(), units: units.Metric})
		shown := text(s)
		has(t, shown, "north-box · east · run run-1, 20 min", "[flush]", "◆ critical, unacknowledged: Supply", "└ ▲ high", "➤ Keep the water running", "12 min left",
			"‖ hold on inject", "25.0 %", "99.9 %", "40.0 kPa", "unknown ✕")
		if strings.Contains(shown, "9.9") && strings.Contains(shown, "9.90 L/min") || strings.Contains(shown, "stopped") || strings.Contains(shown, "100.0 %") {
			t.Errorf("a bad reading is shown, a fresh view is stopped, or the rest still on its way is called all:\n%s", shown)
		}
	}
}

func TestDrawSmall(t *testing.T) {
	for _, size := range [][2]int{{20, 5}, {1, 1}, {40, 12}} {
		draw(screen(t, size[0], size[1]), scene{view: someView()})
		draw(screen(t, size[0], size[1]), scene{})
	}
}

func TestStopped(t *testing.T) {
	old := someView()
	dead := someView()
	dead.Step, dead.StepWhy = "stopped", "the core stopped"
	for why, sc := range map[string]scene{
		"nothing heard from the core Last heard 40 s ago.": {view: old, age: 40 * time.Second},
		"cannot reach":     {view: old, lost: "cannot reach the box."},
		"the core stopped": {view: dead},
	} {
		s := screen(t, 120, 40)
		draw(s, sc)
		has(t, strings.Join(strings.Fields(text(s)), " "), "stopped: do not rely on this. "+strings.Split(why, " Last")[0])
		cells, wide, h := s.GetContents()
		for i := range wide * h {
			// The reading that was good stands dim, or nobody could tell it from a live one.
			if i+4 < len(cells) && string(cells[i].Runes)+string(cells[i+1].Runes)+string(cells[i+2].Runes)+string(cells[i+3].Runes) == "PT-1" {
				if _, _, attr := cells[i].Style.Decompose(); attr&tcell.AttrDim == 0 {
					t.Error("a value of a stopped box is not greyed")
				}
			}
		}
	}
}

// box sends a view, a beat, and then either holds or ends the stream.
func box(t *testing.T, hold bool) (*httptest.Server, chan string) {
	t.Helper()
	cookies := make(chan string, 8)
	h := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if c, err := r.Cookie("boxd-shown"); err == nil {
			cookies <- c.Value
		}
		b, _ := json.Marshal(someView())
		fmt.Fprintf(w, "event: page\ndata: <p>\n\nevent: view\ndata: %s\n\nevent: beat\ndata: {\"age_s\":0.2}\n\n: remark\n\n", b)
		_ = http.NewResponseController(w).Flush()
		if hold {
			<-r.Context().Done()
		}
	})
	return httptest.NewUnstartedServer(h), cookies
}

func TestWatch(t *testing.T) {
	srv, cookies := box(t, true)
	srv.Start()
	defer srv.Close()
	c, err := newClient(Options{URL: srv.URL, Units: "metric"})
	if err != nil {
		t.Fatal(err)
	}
	s := &kept{SimulationScreen: screen(t, 100, 40)}
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	done := make(chan error, 1)
	go func() { done <- run(ctx, s, c, Options{Units: "metric"}) }()
	if got := <-cookies; got != "en-metric" {
		t.Errorf("asked for %q", got)
	}
	await(t, s, "40.0 kPa")
	s.InjectKey(tcell.KeyRune, 'u', tcell.ModNone)
	await(t, s, "5.8 psi") // 40 kPa at 6.894757 kPa each (NIST SP 811)
	s.InjectKey(tcell.KeyRune, 'q', tcell.ModNone)
	if err := <-done; err != nil {
		t.Error(err)
	}
}

// await looks at the screen until it shows a text.
func await(t *testing.T, s *kept, part string) {
	t.Helper()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for range 2000 {
		if strings.Contains(s.text(), part) {
			return
		}
		<-tick.C
	}
	t.Fatalf("never shown: %s\n%s", part, s.text())
}

func TestLostAndFound(t *testing.T) {
	srv, _ := box(t, false)
	srv.Start()
	defer srv.Close()
	c, err := newClient(Options{URL: srv.URL})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	views, losses := 0, 0
	c.follow(ctx, func(h heard) {
		if h.view != nil {
			views++
		}
		if h.lost != nil {
			losses++
		}
		if views == 2 { // it came back by itself
			cancel()
		}
	})
	if losses == 0 {
		t.Error("the end of a stream is not told")
	}
}

func TestFingerprint(t *testing.T) {
	srv, _ := box(t, false)
	srv.StartTLS()
	defer srv.Close()
	sum := sha256.Sum256(srv.Certificate().Raw)
	right := hex.EncodeToString(sum[:])
	for print, want := range map[string]string{"": "certificate", right: "ended the stream", strings.Repeat("00", 32): "another fingerprint"} {
		c, err := newClient(Options{URL: srv.URL, Fingerprint: print})
		if err != nil {
			t.Fatal(err)
		}
		if err := c.once(t.Context(), func(heard) {}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", print, err, want)
		}
	}
}

func TestRefusals(t *testing.T) {
	for _, o := range []Options{{URL: "north-box"}, {URL: "ftp://x"}, {URL: "http://x", Fingerprint: "12"}} {
		if _, err := newClient(o); err == nil {
			t.Errorf("%+v is taken", o)
		}
	}
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/events" {
			w.WriteHeader(http.StatusUnauthorized)
		}
	}))
	defer srv.Close()
	c, err := newClient(Options{URL: srv.URL})
	if err != nil {
		t.Fatal(err)
	}
	if err := c.once(t.Context(), func(heard) {}); err == nil || !strings.Contains(err.Error(), "sign in") {
		t.Errorf("%v", err)
	}
}
