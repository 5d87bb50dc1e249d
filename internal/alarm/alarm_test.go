package alarm

// The life cycle is walked as a table: every state with every signal. States
// and transitions: ANSI/ISA-18.2-2016 and IEC 62682, A normal, B unacknowledged,
// C acknowledged, D returned unacknowledged, E latched unacknowledged, F latched
// acknowledged; the transitions are from memory of the standard, the names are
// those of OPC UA part 9 v1.05, 4.8.

import (
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"boxd/internal/say"
)

const (
	a = Normal
	b = Unacknowledged
	c = Acknowledged
	d = ReturnedUnack
	e = LatchedUnacknowledged
	f = LatchedAcknowledged
)

func TestTransitions(t *testing.T) {
	//             Rise Fall Ack PersonReset
	plain := map[State][4]State{
		a: {b, a, a, a}, b: {b, d, c, b}, c: {c, a, c, c}, d: {b, d, a, d},
	}
	latching := map[State][4]State{
		a: {b, a, a, a}, b: {b, e, c, b}, c: {c, f, c, c}, e: {b, e, f, e}, f: {b, f, f, a},
	}
	for latches, table := range map[bool]map[State][4]State{false: plain, true: latching} {
		for from, row := range table {
			for i, on := range []Signal{Rise, Fall, Ack, PersonReset} {
				if got := next(latches, from, on); got != row[i] {
					t.Errorf("latches %v, %v on signal %d: %v, want %v", latches, from, on, got, row[i])
				}
			}
			if next(latches, from, NoSignal) != from {
				t.Errorf("%v moved without a signal", from)
			}
		}
	}
}

// TestReachable: from normal, the signals reach exactly the table's states.
func TestReachable(t *testing.T) {
	for latches, want := range map[bool][]State{false: {a, b, c, d}, true: {a, b, c, e, f}} {
		seen := map[State]bool{a: true}
		for range len(stateNames) {
			for s := range seen {
				for on := Rise; on <= PersonReset; on++ {
					seen[next(latches, s, on)] = true
				}
			}
		}
		if len(seen) != len(want) {
			t.Errorf("latches %v: reached %v, want %v", latches, seen, want)
		}
		for _, s := range want {
			if !seen[s] {
				t.Errorf("latches %v: %v is never reached", latches, s)
			}
		}
	}
}

func text() say.Text { return say.T("seen") }

func sec(n int) time.Duration { return time.Duration(n) * time.Second }

// TestDelays: a condition must stand for the on-delay to raise, and be gone for
// the off-delay to return; a break starts the delay anew.
func TestDelays(t *testing.T) {
	x := New(Definition{ID: "x", OnDelay: sec(15), OffDelay: sec(30)})
	for _, k := range []struct {
		at     int
		active bool
		want   State // passed to in this turn
	}{
		{0, true, Unknown}, {14, true, Unknown}, {15, false, Unknown}, // a break
		{16, true, Unknown}, {30, true, Unknown}, {31, true, b}, {32, true, Unknown},
		{40, false, Unknown}, {69, false, Unknown}, {69, true, Unknown}, // back: still the same alarm
		{70, false, Unknown}, {99, false, Unknown}, {100, false, d}, {200, false, Unknown},
		{201, true, Unknown}, {216, true, b}, // again
	} {
		if got := x.Update(sec(k.at), k.active, text); got != k.want {
			t.Errorf("%d s, %v: passed to %v, want %v", k.at, k.active, got, k.want)
		}
	}
	if x.Since != sec(216) || x.Text.String() != "seen" {
		t.Errorf("raised at %v: %q", x.Since, x.Text)
	}
}

func TestNoDelay(t *testing.T) {
	x := New(Definition{ID: "x"})
	if got := x.Update(0, true, text); got != b {
		t.Errorf("without a delay the first turn raises: %v", got)
	}
	if got := x.Update(0, false, text); got != d {
		t.Errorf("and the next returns: %v", got)
	}
}

// TestLatch: a latched alarm goes by acknowledgement and reset alone, in this
// order, and says what is missing.
func TestLatch(t *testing.T) {
	x := New(Definition{ID: "x", Latches: true})
	refuse := func(err error, part string) {
		t.Helper()
		if err == nil || !strings.Contains(err.Error(), part) {
			t.Errorf("%v, want a refusal with %q", err, part)
		}
	}
	refuse(x.Reset(), "normal")
	refuse(x.Acknowledge(), "nothing to acknowledge")
	x.Update(sec(1), true, text)
	refuse(x.Reset(), "once its cause is gone")
	x.Update(sec(2), false, text)
	refuse(x.Reset(), "acknowledge it first")
	if err := x.Acknowledge(); err != nil || x.State != f {
		t.Fatalf("%v, %v", x.State, err)
	}
	refuse(x.Acknowledge(), "latched acknowledged")
	if !x.State.Stands() {
		t.Error("a latched alarm stands")
	}
	x.Update(sec(3), true, text) // again, while latched
	if x.State != b {
		t.Errorf("re-alarm: %v", x.State)
	}
	if err := x.Acknowledge(); err != nil || x.State != c {
		t.Fatalf("%v, %v", x.State, err)
	}
	x.Update(sec(4), false, text)
	if err := x.Reset(); err != nil || x.State != a || x.State.Stands() {
		t.Errorf("%v, %v", x.State, err)
	}
}

// TestAgain: a grown cause takes an acknowledgement back; nothing else moves.
func TestAgain(t *testing.T) {
	for from, want := range map[State]State{a: a, b: b, c: b, d: d, e: e, f: f} {
		x := New(Definition{ID: "x"})
		x.State = from
		got := x.Again(sec(7), say.T("more"))
		if stood := from == b || from == c; x.State != want || stood != (got == b) || stood != (x.Text.String() == "more") || stood != (x.Since == sec(7)) {
			t.Errorf("%v: passed to %v, is %v since %v: %q", from, got, x.State, x.Since, x.Text)
		}
	}
}

// TestNothingVanishes: whatever happens, a raised alarm comes to normal only by
// a person's hand on it since it was raised.
func TestNothingVanishes(t *testing.T) {
	rapid.Check(t, func(draw *rapid.T) {
		x := New(Definition{ID: "x", Latches: rapid.Bool().Draw(draw, "latches"),
			OnDelay: sec(rapid.IntRange(0, 5).Draw(draw, "on")), OffDelay: sec(rapid.IntRange(0, 5).Draw(draw, "off"))})
		now, touched := 0, false
		for range rapid.IntRange(1, 60).Draw(draw, "turns") {
			before := x.State
			switch rapid.IntRange(0, 4).Draw(draw, "what") {
			case 0:
				touched = x.Acknowledge() == nil || touched
			case 1:
				_ = x.Reset()
			default:
				now += rapid.IntRange(0, 4).Draw(draw, "s")
				if x.Update(sec(now), rapid.Bool().Draw(draw, "active"), text) == b {
					touched = false
				}
			}
			if before.Stands() && x.State == a && !touched {
				draw.Fatalf("%v became normal and nobody had seen it", before)
			}
		}
	})
}

func TestNames(t *testing.T) {
	for s, want := range map[State]string{Unknown: "unknown", a: "normal", b: "unacknowledged", c: "acknowledged",
		d: "returned unacknowledged", e: "latched unacknowledged", f: "latched acknowledged"} {
		if s.String() != want {
			t.Errorf("%q, want %q", s, want)
		}
	}
	for p, want := range map[Priority]string{UnknownPriority: "unknown", Critical: "critical", High: "high", Low: "low"} {
		if p.String() != want {
			t.Errorf("%q, want %q", p, want)
		}
	}
}
