package sequencer

// The walk on made-up estimates: every step is left by a word and the readings
// together, and by neither alone. Whole runs with a plant are told in the
// engine's stories.

import (
	"strings"
	"testing"
	"time"

	"boxd/internal/box"
	"boxd/internal/estimate"
	"boxd/internal/safety"
	"boxd/internal/say"
	"boxd/internal/units"

	"pgregory.net/rapid"
)

func known[T ~float64](v T) estimate.Value[T] { return estimate.Value[T]{V: v, Known: true} }

// bench is a sequencer with estimates to set and a clock.
type bench struct {
	t     *testing.T
	s     *Sequencer
	e     estimate.Estimates
	holds []safety.Hold
	now   time.Duration
	out   *Out
	notes []string
	marks []Milestone
}

func newBench(t *testing.T, c Config) *bench {
	c.SupplyLow, c.Header, c.InjectorStart = 70, 68.95, 34
	b := &bench{t: t, s: New(c)}
	b.e.Supply, b.e.Header = known[units.KPa](290), known[units.KPa](0)
	b.e.Flowing, b.e.Drawing = estimate.No, estimate.No
	b.turn(1)
	return b
}

func (b *bench) turn(seconds int, words ...func() error) {
	b.t.Helper()
	for i := range seconds {
		b.now += time.Second
		b.s.Begin()
		if i == 0 {
			for _, w := range words {
				if err := w(); err != nil {
					b.t.Errorf("refused: %v", err)
				}
			}
		}
		b.out = b.s.Turn(b.now, &b.e, b.holds)
		b.notes = append(b.notes, texts(b.out.Notes)...)
		b.marks = append(b.marks, b.out.Milestones...)
	}
}

func (b *bench) say(d box.Deed) func() error {
	return func() error { return b.s.Report(b.now, d, "Kim") }
}

func (b *bench) confirm() func() error {
	return func() error { _, err := b.s.Confirm(b.now, b.s.Advice().Number, "Kim"); return err }
}

func (b *bench) at(want Step) {
	b.t.Helper()
	if b.s.Step() != want {
		b.t.Fatalf("in %v, want %v (advice: %s)", b.s.Step(), want, b.s.Advice().Text)
	}
}

func (b *bench) flow(on bool) {
	b.e.Flowing = estimate.No
	if on {
		b.e.Flowing, b.e.Header = estimate.Yes, known[units.KPa](69)
	}
}

// to brings the bench to a step by the book.
func (b *bench) to(want Step) {
	b.t.Helper()
	if want >= Pressurise {
		b.turn(1, b.say(box.RunStart))
	}
	if want >= Inject {
		b.flow(true)
		b.e.Filled, b.e.Pressurised = estimate.Yes, estimate.Yes
		b.turn(1, b.say(box.MainOpen))
	}
	if want >= Flush {
		b.turn(1, b.say(box.InjectorOn), b.say(box.LoopThrottled))
		b.e.Drawing, b.e.EverDrawn, b.e.DrawStart = estimate.Yes, true, b.now
		b.turn(60)
		b.e.Drawing, b.e.DrawEnd = estimate.No, b.now
		b.turn(1, b.say(box.LoopOpened))
	}
	if want >= Secure {
		b.e.CleanAtBox, b.e.Flush.Done = true, true
		b.turn(1, b.say(box.InjectorOff))
		b.flow(false)
		b.turn(10, b.say(box.MainClosed))
		b.turn(1)
	}
	b.at(want)
}

// TestNeitherAlone: for each step forward, the word without the readings and
// the readings without the word leave the box where it is; both move it.
func TestNeitherAlone(t *testing.T) {
	for _, c := range []struct {
		from, to Step
		word     []box.Deed
		readings func(b *bench)
	}{
		{Ready, Pressurise, []box.Deed{box.MainOpen}, func(b *bench) { b.flow(true) }},
		{Pressurise, Inject, []box.Deed{box.MainOpen}, func(b *bench) { b.flow(true); b.e.Filled, b.e.Pressurised = estimate.Yes, estimate.Yes }},
		{Flush, Secure, []box.Deed{box.MainClosed}, func(b *bench) { b.flow(false); b.e.CleanAtBox, b.e.Flush.Done = true, true }},
		{Secure, Ready, []box.Deed{box.RunEnd}, func(b *bench) {}},
	} {
		word := func(b *bench) {
			for _, d := range c.word {
				b.turn(1, b.say(d))
			}
		}
		b := newBench(t, Config{})
		b.to(c.from)
		if c.from != Secure { // there the readings already agree
			word(b)
			b.turn(20)
			b.at(c.from)
		}
		b = newBench(t, Config{})
		b.to(c.from)
		c.readings(b)
		b.turn(20)
		b.at(c.from)
		word(b)
		b.turn(20)
		b.at(c.to)
	}
}

func TestInjectToFlush(t *testing.T) {
	b := newBench(t, Config{})
	b.to(Inject)
	b.turn(1, b.say(box.InjectorOn), b.say(box.LoopThrottled))
	b.e.Drawing, b.e.EverDrawn = estimate.Yes, true
	b.turn(60, b.say(box.LoopOpened)) // the word alone, while stock is still drawn
	b.at(Inject)
	b.e.Drawing, b.e.DrawEnd = estimate.No, b.now
	b.turn(2)
	b.at(Flush)

	b = newBench(t, Config{})
	b.to(Inject)
	b.e.Drawing, b.e.EverDrawn = estimate.Yes, true
	b.turn(60)
	b.e.Drawing, b.e.DrawEnd = estimate.No, b.now
	b.turn(60) // the readings alone: perhaps only air in the hose
	b.at(Inject)
	if !strings.HasPrefix(b.s.Advice().Text.String(), "No stock is drawn") {
		t.Errorf("advice: %s", b.s.Advice().Text)
	}
	b.e.CleanAtBox = true // but clean water at the box says enough
	b.turn(1)
	b.at(Flush)
}

// TestObserving: without a person the readings alone walk the steps, and say so.
func TestObserving(t *testing.T) {
	b := newBench(t, Config{Observe: true})
	b.flow(true)
	b.turn(1)
	b.at(Pressurise)
	b.e.Filled, b.e.Pressurised = estimate.Yes, estimate.Yes
	b.turn(1)
	b.at(Inject)
	b.e.Drawing, b.e.EverDrawn = estimate.Yes, true
	b.turn(30)
	b.e.Drawing, b.e.DrawEnd = estimate.No, b.now
	b.turn(9)
	b.at(Inject)
	b.turn(2)
	b.at(Flush)
	b.e.CleanAtBox, b.e.Flush.Done = true, true
	b.turn(1)
	b.flow(false)
	b.turn(12)
	b.at(Secure)
	b.turn(61)
	b.at(Ready)
	want := []Milestone{LinesFull, Pressurised, InjectionStarted, InjectionEnded, CleanAtBox, FlushDone, Secured}
	if len(b.marks) != len(want) {
		t.Fatalf("reached %v", b.marks)
	}
	for i, m := range want {
		if b.marks[i] != m {
			t.Errorf("reached %v, want %v", b.marks, want)
		}
	}
	if b.s.Advice().Deed != box.UnknownDeed {
		t.Error("observing, nobody is asked for anything")
	}
}

func TestConfirm(t *testing.T) {
	b := newBench(t, Config{})
	old := b.s.Advice().Number
	refused := func(number uint64, part string) {
		t.Helper()
		if _, err := b.s.Confirm(b.now, number, "Lee"); err == nil || !strings.Contains(err.Error(), part) {
			t.Errorf("#%d: %v, want a refusal with %q", number, err, part)
		}
	}
	refused(old+1, "no longer the present one")
	b.turn(1, b.confirm())
	b.at(Pressurise)
	refused(old, "no longer the present one")
	b.turn(1, b.confirm()) // main_open, but no water moves
	if !b.s.Verifying() {
		t.Fatal("the word waits for the readings")
	}
	asked := b.s.Advice().Number
	refused(asked, "Kim has already confirmed")
	b.turn(int(VerifyWithin/time.Second) - 1)
	if !b.s.Verifying() || len(b.notes) > 0 {
		t.Fatalf("too early: %v", b.notes)
	}
	b.turn(1)
	if b.s.Verifying() || b.s.Advice().Number == asked || b.s.Advice().Deed != box.MainOpen || len(b.notes) != 1 {
		t.Errorf("asked again as %+v with %v", b.s.Advice(), b.notes)
	}
	if b.s.Scene().MainOpen {
		t.Error("a word that proved wrong still counts")
	}
	refused(asked, "no longer the present one")
	b.flow(true)
	b.turn(1, b.confirm())
	b.turn(1)
	refused(b.s.Advice().Number, "nothing is to be confirmed")
}

func TestReport(t *testing.T) {
	b := newBench(t, Config{})
	b.to(Inject)
	for d, part := range map[box.Deed]string{box.UnknownDeed: "unknown word", box.NumDeeds: "unknown word", 200: "unknown word", box.MainOpen: "already said by Kim"} {
		if err := b.s.Report(b.now, d, "Lee"); err == nil || !strings.Contains(err.Error(), part) {
			t.Errorf("%v: %v, want %q", d, err, part)
		}
	}
	// Closed and opened in the same second, then opened again: words in one turn
	// have no order, so the valve counts as closed and the next word is taken.
	b.turn(1, b.say(box.MainClosed))
	b.turn(1, b.say(box.MainOpen), b.say(box.MainClosed))
	if !b.s.Scene().MainClosed || b.s.Scene().MainOpen {
		t.Errorf("%+v", b.s.Scene())
	}
	b.turn(1, b.say(box.MainOpen))
	if !b.s.Scene().MainOpen {
		t.Errorf("%+v", b.s.Scene())
	}
}

func TestScene(t *testing.T) {
	b := newBench(t, Config{})
	b.to(Inject)
	if b.turn(1, b.say(box.InjectorOn)); b.s.Scene().InjectorOn {
		t.Error("open valves do not drive the injector; the throttled loop valve does")
	}
	if b.turn(1, b.say(box.LoopThrottled)); !b.s.Scene().InjectorOn {
		t.Error("on and throttled")
	}
	for _, d := range []box.Deed{box.LoopOpened, box.InjectorOff, box.MainClosed} {
		c := newBench(t, Config{})
		c.to(Inject)
		c.turn(1, c.say(box.InjectorOn), c.say(box.LoopThrottled))
		if c.turn(1, c.say(d)); c.s.Scene().InjectorOn {
			t.Errorf("%v ends it", d)
		}
	}
}

func hold(id string) []safety.Hold {
	return []safety.Hold{{ID: id, On: "inject", Reason: say.T("it stands"), WayOut: say.T("do this")}}
}

// TestHold: while a hold stands nobody is told to inject; passing it over turns
// the run into an observed one, and the next run starts afresh.
func TestHold(t *testing.T) {
	b := newBench(t, Config{})
	b.holds = hold("backflow-protection-missing")
	b.turn(1)
	begun := len(b.out.Held)
	if b.turn(1); begun != 1 || len(b.out.Held) != 0 {
		t.Errorf("a hold begins once: %d, then %d", begun, len(b.out.Held))
	}
	b.to(Inject)
	if a := b.s.Advice(); a.Deed != box.UnknownDeed || !strings.HasPrefix(a.Text.String(), "Do not inject. It stands.") {
		t.Errorf("advice: %+v", a)
	}
	b.holds = nil
	b.turn(1)
	if len(b.out.Released) != 1 || b.s.Advice().Deed != box.InjectorOn {
		t.Errorf("released %v, advice %+v", b.out.Released, b.s.Advice())
	}
	b.holds = hold("header-pressure-low")
	b.turn(1)
	b.turn(1, b.say(box.InjectorOn))
	if !b.s.Passed() || !b.s.Observing() || len(b.notes) != 1 {
		t.Errorf("passed %v, observing %v, notes %v", b.s.Passed(), b.s.Observing(), b.notes)
	}
}

// TestDrawnWhileHeld: nobody says a word, but stock goes in while held.
func TestDrawnWhileHeld(t *testing.T) {
	b := newBench(t, Config{})
	b.holds = hold("backflow-protection-missing")
	b.to(Inject)
	b.e.Drawing, b.e.EverDrawn = estimate.Yes, true
	b.turn(1)
	if !b.s.Passed() {
		t.Error("the record must say that the hold was passed over")
	}
	if a := b.s.Advice(); a.Deed != box.LoopOpened || !strings.HasPrefix(a.Text.String(), "Stop injecting") {
		t.Errorf("advice: %+v", a)
	}
}

// TestSign: a backflow sign asks for the shutoff valve in every step with water.
func TestSign(t *testing.T) {
	for _, at := range []Step{Inject, Flush} {
		b := newBench(t, Config{})
		b.to(at)
		b.holds = hold("backflow-sign")
		b.turn(1)
		if a := b.s.Advice(); a.Deed != box.MainClosed {
			t.Errorf("in %v: %+v", at, a)
		}
		b.flow(false)
		b.turn(1, b.confirm())
		b.turn(12)
		b.at(Secure)
	}
}

// TestStandingStill: water that ran a moment ago has not stood for ten seconds,
// however long it stood before that.
func TestStandingStill(t *testing.T) {
	b := newBench(t, Config{})
	b.to(Secure)
	b.e.Flush.Done, b.e.EverDrawn = false, true
	b.turn(100)
	b.flow(true)
	b.turn(5, b.say(box.MainOpen))
	b.at(Flush)
	b.flow(false)
	b.turn(3, b.say(box.MainClosed))
	b.at(Flush)
	b.turn(10)
	b.at(Secure)
}

func TestInjectAgain(t *testing.T) {
	b := newBench(t, Config{})
	b.to(Flush)
	b.e.CleanAtBox, b.e.Flush.Done = true, true
	b.turn(1)
	if _, done := b.s.Reached(FlushDone); !done {
		t.Fatal("the flush is done")
	}
	b.e.Drawing, b.e.CleanAtBox, b.e.Flush.Done = estimate.Yes, false, false
	b.turn(1)
	b.at(Inject)
	if _, done := b.s.Reached(FlushDone); done {
		t.Error("the flush starts over")
	}
}

// TestWeakSupply: no start is asked for, and none happens, without supply.
func TestWeakSupply(t *testing.T) {
	b := newBench(t, Config{})
	b.e.Supply = known[units.KPa](40)
	b.turn(1)
	if a := b.s.Advice(); a.Deed != box.UnknownDeed || !strings.Contains(a.Why[0].String(), "40.0 kPa") {
		t.Errorf("%+v", a)
	}
	b.turn(1, b.say(box.RunStart))
	b.at(Ready)
	b.e.Supply = estimate.Value[units.KPa]{} // no gauge: the word counts
	b.turn(1)
	b.at(Pressurise)
}

// TestDose: the planned time or the planned stock, whichever is first, asks for
// the loop valve.
func TestDose(t *testing.T) {
	for _, c := range []struct {
		plan  Config
		after time.Duration
		drawn units.Litre
		ask   bool
	}{
		{Config{Injection: 10 * time.Minute}, 9 * time.Minute, 0, false},
		{Config{Injection: 10 * time.Minute}, 10 * time.Minute, 0, true},
		{Config{Stock: 2}, 0, 1.9, false},
		{Config{Stock: 2}, 0, 2, true},
		{Config{}, 0, 0, true}, // no plan: the person decides, and is told how
	} {
		b := newBench(t, c.plan)
		b.to(Inject)
		b.turn(1, b.say(box.InjectorOn), b.say(box.LoopThrottled))
		b.e.Drawing, b.e.EverDrawn, b.e.InjectedFor, b.e.Drawn, b.e.StockMeasured = estimate.Yes, true, c.after, c.drawn, true
		b.turn(1)
		if got := b.s.Advice().Deed == box.LoopOpened; got != c.ask {
			t.Errorf("%+v after %v and %v L: %+v", c.plan, c.after, c.drawn, b.s.Advice())
		}
	}
}

// TestNumbersOnlyGrow: whatever is said and read, advice numbers never fall and
// change exactly when a new advice is told.
func TestNumbersOnlyGrow(t *testing.T) {
	rapid.Check(t, func(draw *rapid.T) {
		b := &bench{t: t, s: New(Config{SupplyLow: 70, Observe: rapid.Bool().Draw(draw, "observe")})}
		last := uint64(0)
		tri := rapid.SampledFrom([]estimate.Tri{estimate.Unknown, estimate.No, estimate.Yes})
		for range rapid.IntRange(1, 60).Draw(draw, "turns") {
			b.now += time.Duration(rapid.IntRange(0, 40).Draw(draw, "s")) * time.Second
			e := &b.e
			e.Flowing, e.Drawing = tri.Draw(draw, "flowing"), tri.Draw(draw, "drawing")
			e.Filled, e.Pressurised = tri.Draw(draw, "filled"), tri.Draw(draw, "pressurised")
			e.CleanAtBox, e.Flush.Done = rapid.Bool().Draw(draw, "clean"), rapid.Bool().Draw(draw, "done")
			b.holds = nil
			if rapid.Bool().Draw(draw, "held") {
				b.holds = hold(rapid.SampledFrom([]string{"backflow-sign", "header-unknown"}).Draw(draw, "hold"))
			}
			b.s.Begin()
			_ = b.s.Report(b.now, box.Deed(rapid.IntRange(0, int(box.NumDeeds)).Draw(draw, "deed")), "")
			out := b.s.Turn(b.now, e, b.holds)
			n := b.s.Advice().Number
			if out.NewAdvice != (n == last+1) || !out.NewAdvice && n != last {
				draw.Fatalf("advice #%d after #%d, new %v", n, last, out.NewAdvice)
			}
			last = n
			if (b.s.Advice().Deed != box.UnknownDeed) != (!b.s.Advice().Button.Empty()) {
				draw.Fatalf("a button without a deed, or a deed without a button: %+v", b.s.Advice())
			}
		}
	})
}

func TestNames(t *testing.T) {
	if Secure.String() != "secure" || Unknown.String() != "unknown" || FlushDone.String() != "flush_done" || CleanAtBox.String() != "clean_at_box" {
		t.Error("the contract's words")
	}
}

// texts are sentences in plain English.
func texts(ts []say.Text) []string { return say.Voice{}.Each(ts) }

// TestTankWhileHeld: with a hold standing nobody is told to put the hose in the
// next tank.
func TestTankWhileHeld(t *testing.T) {
	b := newBench(t, Config{})
	b.to(Inject)
	b.turn(1, b.say(box.InjectorOn))
	b.turn(1, b.say(box.LoopThrottled))
	b.e.Drawing, b.e.EverDrawn, b.e.DrawStart = estimate.Yes, true, b.now
	b.turn(30)
	b.e.Drawing = estimate.No
	b.turn(10, b.say(box.StockOut))
	if a := b.s.Advice(); a.Deed != box.StockIn {
		t.Fatalf("advice %v %q", a.Deed, a.Text)
	}
	b.holds = hold("backflow-protection-missing")
	b.turn(1)
	if a := b.s.Advice(); a.Deed != box.LoopOpened || !strings.HasPrefix(a.Text.String(), "Do not go on injecting") {
		t.Errorf("held, and the advice is %v %q", a.Deed, a.Text)
	}
}
