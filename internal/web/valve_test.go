package web

import (
	"encoding/json"
	"net/http/httptest"
	"strings"
	"testing"

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
		`<span id="diff" class="value">2.9</span>`, ">psi<", `data-state="more"`, "shut more", "about as far again", "window 4.9\u00a0psi to 7.0\u00a0psi",
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
