package web

import (
	"bufio"
	"context"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"boxd/internal/engine"
)

// turning is a view while the loop valve is being throttled.
func turning() engine.View {
	v := viewAt("inject")
	v.Loop = engine.LoopView{
		Known: true, DiffKPa: num(20), DiffLowKPa: num(34), DiffHighKPa: num(48), BranchLpm: num(14), BranchMaxLpm: num(13.2), BranchNeededLpm: num(10),
		FieldLpm: num(30), ExpectedLpm: num(31), HeaderKPa: num(50), HeaderLowKPa: 55, HeaderHighKPa: 83, Direction: "shut more", HowFar: "shut it further, about as far again", FieldRatioPct: num(1.2),
	}
	return v
}

// Pressure figures: 6.894757 kPa a psi (NIST SP 811).
func TestValvePage(t *testing.T) {
	body := get(t, New(newFakeCore(turning()), nil, Options{Units: "us"}), "/valve").Body.String()
	for _, part := range []string{
		`<span id="diff" class="value" data-long="3">2.9</span>`, ">psi<", `data-state="more"`, "shut more", "about as far again", "window 4.9\u00a0psi to 7.0\u00a0psi",
		`class="panel off" id="fig-branch"`, `class="panel off" id="fig-header"`, "3.70\u00a0gal/min", "Tone: off", "The last 90 seconds",
	} {
		has(t, body, part)
	}
	if strings.Contains(body, `class="panel off" id="fig-field"`) {
		t.Error("a figure without a window is off")
	}
}

func TestValveStates(t *testing.T) {
	for want, change := range map[string]func(*engine.LoopView){
		"more":   func(*engine.LoopView) {},
		"back":   func(l *engine.LoopView) { l.Direction = "open a little" },
		"leave":  func(l *engine.LoopView) { l.Direction = "leave" },
		"enough": func(l *engine.LoopView) { l.Direction, l.Enough = "leave", true },
		"cannot": func(l *engine.LoopView) { l.Cannot, l.WayOut = "the supply is too low", "Bring it up." },
		"none":   func(l *engine.LoopView) { *l = engine.LoopView{} },
	} {
		v := turning()
		change(&v.Loop)
		n := newServer(newFakeCore(v), nil, Options{}).visit(httptest.NewRequest("GET", "/valve", nil)).valveNow(v)
		if n.State != want || n.Word == "" {
			t.Errorf("%+v: %s %q, want %s", v.Loop, n.State, n.Word, want)
		}
		if want == "cannot" && n.Why != "the supply is too low. Bring it up." {
			t.Errorf("why: %q", n.Why)
		}
		if want == "none" && (n.Diff != "unknown" || n.DiffN != nil) {
			t.Errorf("an unknown difference is shown: %+v", n)
		}
	}
}

// The moment at the valve goes out ten times a second to a phone: it stays far
// smaller than a view.
func TestValveNowIsSmall(t *testing.T) {
	v := turning()
	b, err := json.Marshal(newServer(newFakeCore(v), nil, Options{}).visit(httptest.NewRequest("GET", "/valve", nil)).valveNow(v))
	if err != nil || len(b) > 1500 {
		t.Errorf("%d bytes, %v", len(b), err)
	}
}

// A hand at the valve gets its moments and, when they change, the parts of its
// page, but never the whole view.
func TestValveStream(t *testing.T) {
	core := newFakeCore(turning())
	core.ended = make(chan struct{}, 1)
	s := newServer(core, nil, Options{})
	s.gate = time.Millisecond
	srv := httptest.NewServer(s.handler())
	defer srv.Close()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	req, _ := http.NewRequestWithContext(ctx, "GET", srv.URL+"/events?page=valve", nil)
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = res.Body.Close() }()
	go func() {
		tick := time.NewTicker(5 * time.Millisecond)
		defer tick.Stop()
		for ctx.Err() == nil {
			<-tick.C
			core.publish(func(v *engine.View) { v.Seq, v.T = v.Seq+1, v.T+0.1 })
		}
	}()
	count := map[string]int{}
	lines := bufio.NewScanner(res.Body)
	lines.Buffer(nil, 1<<20)
	last := 0.0
	for count["valve"] < 5 && lines.Scan() {
		name, ok := strings.CutPrefix(lines.Text(), "event: ")
		if !ok {
			continue
		}
		count[name]++
		if name != "valve" {
			continue
		}
		lines.Scan()
		var n ValveNow
		if err := json.Unmarshal([]byte(strings.TrimPrefix(lines.Text(), "data: ")), &n); err != nil || n.T <= last || n.State != "more" {
			t.Fatalf("%v: %+v after %v s", err, n, last)
		}
		last = n.T
	}
	if count["valve"] < 5 || count["view"] > 0 || count["page"] != 1 {
		t.Errorf("events %v", count)
	}
	if core.hands.Load() != 1 {
		t.Error("the core is not asked for each beat")
	}
	cancel()
	<-core.ended
	if core.hands.Load() != 0 {
		t.Error("the core goes on showing each beat when the hand is off the valve")
	}
}
