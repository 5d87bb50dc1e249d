package alarm

// The life cycle is held against two lists made apart from the code's table:
// the moves that ANSI/ISA-18.2-2016 and IEC 62682 draw (from memory of both;
// the names are those of OPC UA part 9 v1.05, 4.8), and the moves that nobody
// may ever see. Single alarms are then led through their delays by hand.

import (
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"boxd/internal/say"
)

// letter is the standard's name of a state.
func letter(s State) byte { return "?ABCDEFGHI"[s] }

// drawn are the standard's moves, one alarm that does not latch and one that
// does: from, signal, to. +: the condition stands; -: it is gone.
func drawn() map[bool][]string {
	return map[bool][]string{
		false: {
			"A rise B", "B acknowledge C", "B fall D", "C fall A", "D acknowledge A", "D rise B", "C renew B", "B renew B",
			"A shelve G", "B shelve G", "C shelve G", "D shelve G", "G unshelve+ B", "G unshelve- A",
			"A suppress H", "C suppress H", "H unsuppress+ B", "H unsuppress- A",
			"A remove I", "B remove I", "C remove I", "D remove I", "G remove I", "H remove I", "I restore+ B", "I restore- A",
		},
		true: {
			"A rise B", "B acknowledge C", "B fall E", "C fall F", "E acknowledge F", "E rise B", "F rise B", "F reset A",
			"C renew B", "B renew B",
		},
	}
}

// walk gives all that can happen, in the form of drawn.
func walk(latches bool, from []State) (out []string) {
	for _, s := range from {
		for on := NoSignal; on < numSignals; on++ {
			up, upOK := next(s, on, latches, true)
			down, downOK := next(s, on, latches, false)
			switch {
			case upOK && downOK && up == down:
				out = append(out, string(letter(s))+" "+on.String()+" "+string(letter(up)))
			case upOK || downOK:
				out = append(out, string(letter(s))+" "+on.String()+"+ "+string(letter(up)), string(letter(s))+" "+on.String()+"- "+string(letter(down)))
			}
		}
	}
	return out
}

func TestTransitions(t *testing.T) {
	states := map[bool][]State{false: {Normal, Unacknowledged, Acknowledged, ReturnedUnack, Shelved, Suppressed, OutOfService},
		true: {Normal, Unacknowledged, Acknowledged, LatchedUnacknowledged, LatchedAcknowledged}}
	for latches, want := range drawn() {
		got := walk(latches, states[latches])
		slices.Sort(got)
		slices.Sort(want)
		if !slices.Equal(got, want) {
			t.Errorf("latches %v:\ngot  %v\nwant %v", latches, got, want)
		}
	}
}

// TestForbidden: moves nobody may ever see, whatever the signal and the
// condition.
func TestForbidden(t *testing.T) {
	for _, c := range []struct {
		moves  string
		except Signal // the only signal allowed to do it
		why    string
	}{
		{"BA", NoSignal, "an unseen alarm goes to normal"},
		{"EA", NoSignal, "a latched alarm goes unseen"},
		{"FA", PersonReset, "a latched alarm goes without a reset"},
		{"DA", Ack, "a returned alarm goes unseen"},
		{"CA", Fall, "an acknowledged alarm goes while its condition stands"},
		{"AC", NoSignal, "an alarm is acknowledged before it is raised"}, {"AD", NoSignal, "returned before raised"},
		{"AE", NoSignal, "latched before raised"}, {"AF", NoSignal, "latched before raised"},
		{"BF", NoSignal, "latched as seen, unseen"}, {"DC", NoSignal, "returned becomes acknowledged"}, {"CD", NoSignal, "seen becomes unseen by returning"},
		{"BH", NoSignal, "logic hides what nobody has seen"}, {"DH", NoSignal, "logic hides what nobody has seen"},
		{"EG", NoSignal, "a latched alarm is shelved"}, {"FG", NoSignal, "a latched alarm is shelved"}, {"EH", NoSignal, "a latched alarm is suppressed"},
		{"FH", NoSignal, "a latched alarm is suppressed"}, {"EI", NoSignal, "a latched alarm is taken out"}, {"FI", NoSignal, "a latched alarm is taken out"},
		{"GC", NoSignal, "what comes back from the shelf counts as seen"}, {"HC", NoSignal, "the same by design"}, {"IC", NoSignal, "the same from out of service"},
		{"IG", NoSignal, "out of service ends by time"}, {"GH", NoSignal, "a shelf without end"},
	} {
		for _, row := range table {
			if letter(row.From) == c.moves[0] && letter(row.To) == c.moves[1] && row.On != c.except {
				t.Errorf("%s on %v: %s", c.moves, row.On, c.why)
			}
		}
	}
	for _, row := range table {
		if row.To.Aside() && row.If != Plain {
			t.Errorf("%v: an alarm that latches can be set aside", row)
		}
	}
}

// TestReachable: every state of the standard is lived in by one of the two kinds.
func TestReachable(t *testing.T) {
	seen := map[State]bool{}
	for _, latches := range []bool{false, true} {
		reach := map[State]bool{Normal: true}
		for range numStates {
			for s := range reach {
				for on := range numSignals {
					for _, up := range []bool{false, true} {
						to, _ := next(s, on, latches, up)
						reach[to] = true
					}
				}
			}
		}
		for s := range reach {
			seen[s] = true
		}
	}
	for s := Normal; s < numStates; s++ {
		if !seen[s] {
			t.Errorf("%v is never reached", s)
		}
	}
}

func text() say.Text { return say.T("seen") }

func sec(n int) time.Duration { return time.Duration(n) * time.Second }

// told is a judged condition.
func told(active bool) Told { return Told{Judged: true, Active: active} }

// turn gives the state passed to in a turn, Unknown when none.
func turn(x *Alarm, at int, w Told) State {
	if m := x.Turn(sec(at), w, text); m.From != m.To || m.On == Renew {
		return m.To
	}
	return Unknown
}

const (
	a = Normal
	b = Unacknowledged
	c = Acknowledged
	d = ReturnedUnack
	f = LatchedAcknowledged
)

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
		if got := turn(x, k.at, told(k.active)); got != k.want {
			t.Errorf("%d s, %v: passed to %v, want %v", k.at, k.active, got, k.want)
		}
	}
	if x.Since != sec(216) || x.Text.String() != "seen" {
		t.Errorf("raised at %v: %q", x.Since, x.Text)
	}
}

func TestNoDelay(t *testing.T) {
	x := New(Definition{ID: "x"})
	if got := turn(x, 0, told(true)); got != b {
		t.Errorf("without a delay the first turn raises: %v", got)
	}
	if got := turn(x, 0, told(false)); got != d {
		t.Errorf("and the next returns: %v", got)
	}
}

// TestUnjudgedTimeDoesNotCount: a gauge that fell silent in mid-change must not
// raise what five seconds of readings would not.
func TestUnjudgedTimeDoesNotCount(t *testing.T) {
	x := New(Definition{ID: "x", OnDelay: sec(5)})
	for s := 1; s <= 3; s++ {
		turn(x, s, told(true))
	}
	for s := 4; s <= 20; s++ {
		turn(x, s, Told{Active: true})
	}
	if turn(x, 21, told(true)); x.State != a {
		t.Fatalf("raised after 3 judged seconds: %v", x.State)
	}
	if turn(x, 23, told(true)); x.State != b {
		t.Fatalf("not raised after 5 judged seconds: %v", x.State)
	}
}

func refused(t *testing.T, err error, part string) {
	t.Helper()
	if err == nil || !strings.Contains(err.Error(), part) {
		t.Errorf("%v, want a refusal with %q", err, part)
	}
}

// TestLatch: a latched alarm goes by acknowledgement and reset alone, in this
// order, and says what is missing.
func TestLatch(t *testing.T) {
	x := New(Definition{ID: "x", Latches: true})
	refused(t, x.Reset(), "normal")
	refused(t, x.Acknowledge(0), "nothing to acknowledge")
	turn(x, 1, told(true))
	refused(t, x.Reset(), "once its cause is gone")
	turn(x, 2, told(false))
	refused(t, x.Reset(), "acknowledge it first")
	if err := x.Acknowledge(sec(2)); err != nil || x.State != f {
		t.Fatalf("%v, %v", x.State, err)
	}
	refused(t, x.Acknowledge(sec(2)), "latched acknowledged")
	if !x.State.Stands() {
		t.Error("a latched alarm stands")
	}
	if turn(x, 3, told(true)); x.State != b { // again, while latched
		t.Errorf("re-alarm: %v", x.State)
	}
	if err := x.Acknowledge(sec(3)); err != nil || x.State != c {
		t.Fatalf("%v, %v", x.State, err)
	}
	turn(x, 4, told(false))
	if err := x.Reset(); err != nil || x.State != a || x.State.Stands() {
		t.Errorf("%v, %v", x.State, err)
	}
}

// TestGrown: a grown cause takes an acknowledgement back; nothing else moves.
func TestGrown(t *testing.T) {
	for from, want := range map[State]State{a: a, b: b, c: b, d: d} {
		x := New(Definition{ID: "x"})
		x.State, x.active, x.held = from, from == b || from == c, from == b || from == c
		m := x.Turn(sec(7), Told{Judged: true, Active: x.active, Grown: true}, text)
		if stood := from == b || from == c; x.State != want || stood != (m.On == Renew) || stood != (x.Text.String() == "seen") || stood != (x.Since == sec(7)) {
			t.Errorf("%v: passed to %v, is %v since %v: %q", from, m, x.State, x.Since, x.Text)
		}
	}
}

// TestRealarm: what stands ten minutes after it was seen is said anew, once for
// each acknowledgement; what can't be judged then is not.
func TestRealarm(t *testing.T) {
	x := New(Definition{ID: "x", Realarm: 10 * time.Minute})
	turn(x, 0, told(true))
	if turn(x, 3600, told(true)); x.State != b {
		t.Fatal("an alarm nobody has seen is not said anew, it stands")
	}
	if err := x.Acknowledge(sec(3600)); err != nil {
		t.Fatal(err)
	}
	for _, k := range []struct {
		at   int
		w    Told
		want State
	}{{4199, told(true), Unknown}, {4200, Told{}, Unknown}, {4201, told(true), b}, {9000, told(true), Unknown}} {
		if got := turn(x, k.at, k.w); got != k.want {
			t.Errorf("%d s: %v, want %v", k.at, got, k.want)
		}
	}
	never := New(Definition{ID: "y"})
	turn(never, 0, told(true))
	if err := never.Acknowledge(0); err != nil {
		t.Fatal(err)
	}
	if got := turn(never, 1e6, told(true)); got != Unknown {
		t.Errorf("said anew though nobody asked for it: %v", got)
	}
}

func silenceable() *Alarm { return New(Definition{ID: "x", Silenceable: true}) }

// TestShelve: set aside by a name with a reason for a bounded time, after which
// it is judged anew.
func TestShelve(t *testing.T) {
	kim := func(until int) Aside { return Aside{By: "Kim", Reason: "the gauge is on order", Until: sec(until)} }
	x := silenceable()
	turn(x, 0, told(true))
	refused(t, x.Shelve(sec(1), Aside{By: "Kim", Until: sec(9)}, MaxShelving), "without a name and a reason")
	refused(t, x.Shelve(sec(1), Aside{Reason: "r", Until: sec(9)}, MaxShelving), "without a name and a reason")
	refused(t, x.Shelve(sec(1), kim(1), MaxShelving), "give another time")
	refused(t, x.Shelve(sec(1), kim(2+4*3600), MaxShelving), "at most 4")
	refused(t, New(Definition{ID: "x"}).Shelve(0, kim(9), MaxShelving), "never silenced")
	refused(t, New(Definition{ID: "x", Silenceable: true, Latches: true}).Shelve(0, kim(9), MaxShelving), "never silenced")
	refused(t, x.EndShelving(), "not shelved")
	if err := x.Shelve(sec(1), kim(100), MaxShelving); err != nil || x.State != Shelved {
		t.Fatalf("%v, %v", x.State, err)
	}
	refused(t, x.Shelve(sec(2), kim(100), MaxShelving), "it is shelved") // no shelf is made longer
	refused(t, x.Acknowledge(sec(2)), "shelved")
	for _, k := range []struct {
		at     int
		active bool
		on     Signal
		want   State
	}{{50, true, NoSignal, Shelved}, {60, false, Fall, Shelved}, {70, true, Rise, Shelved}, {99, true, NoSignal, Shelved}, {100, true, Unshelve, b}} {
		if m := x.Turn(sec(k.at), told(k.active), text); m.On != k.on || m.To != k.want {
			t.Errorf("%d s: %+v, want %v to %v", k.at, m, k.on, k.want)
		}
	}
	if x.Since != sec(100) || x.Aside != (Aside{}) {
		t.Errorf("raised anew at %v, aside %+v", x.Since, x.Aside)
	}
	// Gone meanwhile: normal again. Ended by hand: judged in the same way.
	for _, active := range []bool{false, true} {
		x := silenceable()
		turn(x, 0, told(true))
		if err := x.Shelve(sec(1), kim(1000), MaxShelving); err != nil {
			t.Fatal(err)
		}
		turn(x, 2, told(active))
		if err := x.EndShelving(); err != nil {
			t.Fatal(err)
		}
		turn(x, 3, told(active))
		if want := map[bool]State{false: a, true: b}[active]; x.State != want {
			t.Errorf("condition %v after the shelf: %v", active, x.State)
		}
	}
}

// TestShelfEndsBlind: the shelf ends at its time even when nothing can be
// judged then, and what was seen last is said, not what can't be seen.
func TestShelfEndsBlind(t *testing.T) {
	x := silenceable()
	if err := x.Shelve(0, Aside{By: "Kim", Reason: "r", Until: sec(10)}, MaxShelving); err != nil {
		t.Fatal(err)
	}
	turn(x, 5, told(true))
	m := x.Turn(sec(10), Told{}, func() say.Text { return say.T("made up") })
	if m.To != b || x.Text.String() != "seen" {
		t.Errorf("%+v: %q", m, x.Text)
	}
}

func TestOutOfService(t *testing.T) {
	x := silenceable()
	refused(t, x.TakeOut(Aside{By: "Kim"}), "without a name and a reason")
	refused(t, New(Definition{ID: "x"}).TakeOut(Aside{By: "Kim", Reason: "r"}), "never silenced")
	refused(t, x.PutBack(), "in service")
	if err := x.TakeOut(Aside{By: "Kim", Reason: "no probe", Until: sec(3)}); err != nil || x.Aside.Until != 0 {
		t.Fatalf("%v: %+v", err, x.Aside)
	}
	refused(t, x.Shelve(0, Aside{By: "Kim", Reason: "r", Until: sec(5)}, MaxShelving), "out of service")
	if turn(x, 1e7, told(true)); x.State != OutOfService {
		t.Errorf("time alone put it back: %v", x.State)
	}
	if err := x.PutBack(); err != nil {
		t.Fatal(err)
	}
	if got := turn(x, 1e7+1, told(true)); got != b {
		t.Errorf("back in service with its condition standing: %v", got)
	}
}

// TestSuppressedByDesign: logic holds back what is not raised or was seen; what
// nobody has seen waits for a person; what protects people is never held back.
func TestSuppressedByDesign(t *testing.T) {
	by := func(active bool) Told { return Told{Judged: true, Active: active, Suppressed: true} }
	x := silenceable()
	if got := turn(x, 0, by(true)); got != Suppressed {
		t.Errorf("%v", got)
	}
	if got := turn(x, 1, told(true)); got != b {
		t.Errorf("the logic ends, the condition stands: %v", got)
	}
	if got := turn(x, 2, by(true)); got != Unknown {
		t.Errorf("an unseen alarm passed to %v", got)
	}
	if err := x.Acknowledge(sec(2)); err != nil {
		t.Fatal(err)
	}
	if got := turn(x, 3, by(true)); got != Suppressed {
		t.Errorf("seen, then suppressed: %v", got)
	}
	if turn(x, 4, by(false)); turn(x, 5, told(false)) != a {
		t.Errorf("gone: %v", x.State)
	}
	safe := New(Definition{ID: "x"})
	if got := turn(safe, 0, by(true)); got != b {
		t.Errorf("an alarm that is never silenced passed to %v", got)
	}
}

// TestNothingVanishes: whatever happens, a raised alarm comes to normal only by
// a person's hand on it since it was raised, and every shelf ends in time.
func TestNothingVanishes(t *testing.T) {
	rapid.Check(t, func(draw *rapid.T) {
		latches := rapid.Bool().Draw(draw, "latches")
		x := New(Definition{ID: "x", Latches: latches, Silenceable: rapid.Bool().Draw(draw, "silenceable"), Realarm: sec(rapid.IntRange(0, 9).Draw(draw, "realarm")),
			OnDelay: sec(rapid.IntRange(0, 5).Draw(draw, "on")), OffDelay: sec(rapid.IntRange(0, 5).Draw(draw, "off"))})
		now, touched := 0, false
		aside := func() Aside { return Aside{"Kim", "r", sec(now + rapid.IntRange(-1, 20).Draw(draw, "until"))} }
		for range rapid.IntRange(1, 80).Draw(draw, "turns") {
			before := x.State
			switch rapid.IntRange(0, 9).Draw(draw, "what") {
			case 0:
				touched = x.Acknowledge(sec(now)) == nil || touched
			case 1:
				_ = x.Reset()
			case 2:
				touched = x.Shelve(sec(now), aside(), sec(15)) == nil || touched
			case 3:
				touched = x.TakeOut(aside()) == nil || touched
			case 4:
				_ = x.EndShelving()
				_ = x.PutBack()
			default:
				now += rapid.IntRange(0, 4).Draw(draw, "s")
				w := Told{Judged: rapid.Bool().Draw(draw, "judged"), Active: rapid.Bool().Draw(draw, "active"), Grave: rapid.Bool().Draw(draw, "grave"), Grown: rapid.Bool().Draw(draw, "grown"), Suppressed: rapid.Bool().Draw(draw, "suppressed")}
				until, shelved := x.Aside.Until, before == Shelved
				m := x.Turn(sec(now), w, text)
				if m.To == b && (m.From != b || m.On == Renew) {
					touched = false
				}
				if shelved && x.State == Shelved && sec(now) >= until {
					draw.Fatalf("shelved until %v, still at %d s", until, now)
				}
			}
			if before.Stands() && x.State == a && !touched {
				draw.Fatalf("%v became normal and nobody had seen it", before)
			}
			if x.State.Aside() && (!x.Def.Silenceable || latches) {
				draw.Fatalf("an alarm that is never silenced is %v", x.State)
			}
			if x.State == b && !x.held {
				draw.Fatalf("unacknowledged without its condition")
			}
		}
	})
}

func TestNames(t *testing.T) {
	for p, want := range map[Priority]string{UnknownPriority: "unknown", Critical: "critical", High: "high", Low: "low"} {
		if p.String() != want {
			t.Errorf("%q, want %q", p, want)
		}
	}
	names := map[string]bool{}
	for s := range numStates {
		names[s.String()] = true
	}
	for s := range numSignals {
		names[s.String()] = true
	}
	if len(names) != int(numStates)+int(numSignals) || State(99).String() != "unknown" || Signal(99).String() != "none" {
		t.Errorf("%v", names)
	}
}

// TestUnseen: time in which nobody looked counts for no delay, and what was seen
// before it still does.
func TestUnseen(t *testing.T) {
	a := New(Definition{ID: "x", OnDelay: 20 * time.Second, OffDelay: 20 * time.Second})
	now := time.Duration(0)
	turn := func(dt time.Duration, active, unseen bool) Signal {
		now += dt
		return a.Turn(now, Told{Judged: true, Active: active, Unseen: unseen}, func() say.Text { return say.Text{} }).On
	}
	turn(time.Second, true, false)
	turn(15*time.Second, true, false)
	if on := turn(time.Hour, true, true); on != NoSignal {
		t.Errorf("%v after an hour unseen", on)
	}
	if on := turn(4*time.Second, true, false); on != NoSignal {
		t.Errorf("%v after 19 s", on)
	}
	if on := turn(time.Second, true, false); on != Rise {
		t.Errorf("%v after 20 s", on)
	}
	turn(time.Second, false, false)
	if on := turn(time.Hour, false, true); on != NoSignal {
		t.Errorf("%v: gone unseen", on)
	}
	if on := turn(20*time.Second, false, false); on != Fall {
		t.Errorf("%v after 20 s seen without it", on)
	}
}
