package alarm

// Several alarms together: what follows from what, what is announced and what
// is only shown. "sign", which latches, causes "supply" causes "header" causes "flow".

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"boxd/internal/say"
)

type bench struct {
	*Panel
	told map[string]Told
	now  int
}

func (b *bench) Tell(all []Told) (moves bool) {
	for i, a := range b.Alarms() {
		all[i] = told(false)
		if t, ok := b.told[a.Def.ID]; ok {
			all[i] = t
		}
		moves = moves || all[i].Moves()
	}
	return moves
}

func (b *bench) Seen(a *Alarm) say.Text { return say.T("seen") }

func newBench() *bench {
	return &bench{Panel: NewPanel([]Definition{
		{ID: "sign", Priority: Critical, OnDelay: sec(5), OffDelay: sec(10), Latches: true},
		{ID: "supply", Priority: Critical, OnDelay: sec(5), OffDelay: sec(15), CausedBy: []string{"sign"}},
		{ID: "header", Priority: High, OnDelay: sec(20), OffDelay: sec(15), Silenceable: true, CausedBy: []string{"supply"}},
		{ID: "flow", Priority: Low, OnDelay: sec(10), OffDelay: sec(10), Silenceable: true, CausedBy: []string{"header", "supply"}},
		{ID: "other", Priority: High, Silenceable: true},
	}, 0), told: map[string]Told{}}
}

// set tells a condition from now on.
func (b *bench) set(active bool, ids ...string) {
	for _, id := range ids {
		b.told[id] = told(active)
	}
}

// wait lets seconds pass and writes what was announced (id), kept under a cause
// (id<cause) and noted (id~).
func (b *bench) wait(seconds int) string {
	var out []string
	for range seconds {
		changes, notes := b.Turn(sec(b.now), b)
		b.now++
		for _, c := range changes {
			switch {
			case c.Raises() && c.Cause != "":
				out = append(out, c.Alarm.Def.ID+"<"+c.Cause)
			case c.Raises():
				out = append(out, c.Alarm.Def.ID)
			}
		}
		for _, n := range notes {
			out = append(out, n.ID+"~")
		}
	}
	return strings.Join(out, " ")
}

func (b *bench) expect(t *testing.T, what, got, want string) {
	t.Helper()
	if got != want {
		t.Errorf("%s: %q, want %q", what, got, want)
	}
}

// TestOneShout: a cause and all that follows from it, in whatever order their
// delays end, are announced once.
func TestOneShout(t *testing.T) {
	b := newBench()
	b.set(true, "supply", "header", "flow")
	b.expect(t, "closed supply", b.wait(60), "supply flow<supply header<supply")
	if got := b.Figures().LastTenMinutes; got != 1 {
		t.Errorf("%d announced", got)
	}
	moved, err := b.Acknowledge(sec(b.now), "supply")
	if err != nil || len(moved) != 3 {
		t.Errorf("acknowledged with its consequences: %d, %v", len(moved), err)
	}
	// The supply is back, the header stays low: it speaks for itself, and the
	// flow is its consequence now.
	b.set(false, "supply")
	b.expect(t, "back", b.wait(15+30), "")
	b.expect(t, "and after it lingered", b.wait(2), "header")
	if f := b.Find("flow"); f.Cause != "header" || f.State != c {
		t.Errorf("flow: %q, %v", f.Cause, f.State)
	}
}

// TestLaterCause: a consequence whose delay is shorter comes first. While its
// cause is on the way it is not announced; where the cause does not come, it is.
func TestLaterCause(t *testing.T) {
	b := newBench()
	b.set(true, "header", "flow")
	b.expect(t, "the flow first", b.wait(12), "flow<header")
	b.set(false, "header") // it was nothing
	b.expect(t, "no cause came", b.wait(2), "flow")

	b = newBench()
	b.set(true, "flow")
	b.expect(t, "the flow alone", b.wait(15), "flow")
	b.set(true, "header")
	b.expect(t, "its cause within a minute", b.wait(30), "header flow~")
	if f := b.Find("flow"); f.Cause != "header" {
		t.Errorf("cause %q", f.Cause)
	}

	b = newBench()
	b.set(true, "flow")
	b.expect(t, "the flow alone", b.wait(300), "flow")
	b.set(true, "header")
	b.expect(t, "long before it", b.wait(60), "header")
	if f := b.Find("flow"); f.Cause != "" {
		t.Errorf("put under what came five minutes later: %q", f.Cause)
	}
}

// TestLatchedCause: a latched alarm keeps what came with it under it until it is
// reset; what comes after its condition was over is news.
func TestLatchedCause(t *testing.T) {
	b := newBench()
	b.set(true, "sign", "supply")
	b.expect(t, "both", b.wait(10), "sign supply<sign")
	b.set(false, "sign")
	b.expect(t, "the sign is over, nobody has reset it", b.wait(120), "")
	b.set(false, "supply")
	b.wait(60)
	b.set(true, "supply")
	b.expect(t, "the supply sags again", b.wait(10), "supply")
}

// TestLongAfter: what begins long after its cause was told is news.
func TestLongAfter(t *testing.T) {
	b := newBench()
	b.set(true, "supply")
	b.wait(590)
	b.set(true, "flow")
	b.expect(t, "ten minutes after", b.wait(15), "flow<supply")
	b.wait(600)
	b.set(true, "header")
	b.expect(t, "twenty minutes after", b.wait(30), "header")
}

// TestSilentCause: nobody is told of a cause that is set aside or can't be
// judged, so its consequences speak.
func TestSilentCause(t *testing.T) {
	b := newBench()
	b.wait(1)
	if _, err := b.Shelve(sec(1), "header", Aside{"Kim", "r", sec(3600)}); err != nil {
		t.Fatal(err)
	}
	b.set(true, "header", "flow")
	b.expect(t, "shelved", b.wait(40), "flow")

	b = newBench()
	b.set(true, "supply", "flow")
	b.wait(3)
	b.told["supply"] = Told{Active: true}
	b.expect(t, "falls blind before it is raised", b.wait(40), "flow")
	b = newBench()
	b.set(true, "supply", "flow")
	b.wait(8)
	b.told["supply"] = Told{}
	b.expect(t, "falls blind while it stands", b.wait(40), "flow<supply")
}

// TestFirstOut: the condition that began first is the first of a burst; an alarm
// by itself is no burst.
func TestFirstOut(t *testing.T) {
	b := newBench()
	b.set(true, "other")
	b.wait(100)
	b.set(true, "supply")
	b.wait(10)
	if b.Find("other").FirstOut || b.Find("supply").FirstOut {
		t.Error("two alarms a minute and a half apart are no burst")
	}
	b = newBench()
	b.set(true, "supply")
	b.wait(2)
	b.set(true, "other", "header")
	b.wait(60)
	if !b.Find("supply").FirstOut || b.Find("other").FirstOut || b.Find("header").FirstOut {
		t.Error("the supply went first, though the other was raised before it")
	}
}

// TestChatterNote: an alarm that comes and goes is noted once, lives on, and is
// quiet again ten minutes after.
func TestChatterNote(t *testing.T) {
	b, got := newBench(), ""
	for i := range 20 {
		b.set(i%2 == 0, "other")
		got += b.wait(5)
	}
	if strings.Count(got, "~") != 1 || strings.Count(got, "other") != 11 || !b.Find("other").Chattering {
		t.Errorf("%q", got)
	}
	b.wait(700)
	if b.Find("other").Chattering {
		t.Error("still chattering after eleven quiet minutes")
	}
}

func TestFloodNote(t *testing.T) {
	var defs []Definition
	for i := range 12 {
		defs = append(defs, Definition{ID: fmt.Sprintf("a%d", i)})
	}
	b := &bench{Panel: NewPanel(defs, 0), told: map[string]Told{}}
	for _, d := range defs {
		b.set(true, d.ID)
	}
	if got := b.wait(1000); strings.Count(got, "~") != 2 {
		t.Errorf("a flood begins and ends: %q", got)
	}
}

func TestUnknownAlarm(t *testing.T) {
	b := newBench()
	_, err := b.Acknowledge(0, "none")
	refused(t, err, "there is no alarm")
	_, err = b.Unshelve("none")
	refused(t, err, "there is no alarm")
}

// TestGrouping: whatever the conditions do, an alarm without causes is announced
// the moment it is raised; a consequence has a cause somebody was or will be
// told of; and one that stands without its cause has been announced.
func TestGrouping(t *testing.T) {
	rapid.Check(t, func(draw *rapid.T) {
		b := newBench()
		spoke := map[string]bool{}
		for range rapid.IntRange(1, 60).Draw(draw, "acts") {
			id := rapid.SampledFrom([]string{"sign", "supply", "header", "flow", "other"}).Draw(draw, "id")
			switch rapid.IntRange(0, 6).Draw(draw, "what") {
			case 6:
				_, _ = b.Reset(id)
			case 0:
				_, _ = b.Acknowledge(sec(b.now), id)
			case 1:
				_, _ = b.Shelve(sec(b.now), id, Aside{"Kim", "r", sec(b.now + rapid.IntRange(1, 50).Draw(draw, "for"))})
			case 2:
				b.told[id] = Told{Judged: rapid.Bool().Draw(draw, "judged"), Active: true}
			default:
				b.set(rapid.Bool().Draw(draw, "active"), id)
			}
			for range rapid.IntRange(1, 40).Draw(draw, "s") {
				changes, _ := b.Turn(sec(b.now), b)
				b.now++
				for _, c := range changes {
					if c.Raises() {
						spoke[c.Alarm.Def.ID] = c.Cause == ""
					}
				}
				for _, a := range b.Alarms() {
					if a.Cause != "" && len(a.Def.CausedBy) == 0 {
						draw.Fatalf("%s is a consequence", a.Def.ID)
					}
					if a.State == Unacknowledged && a.Cause == "" && !spoke[a.Def.ID] {
						draw.Fatalf("%s stands alone and was never announced", a.Def.ID)
					}
					c := b.Find(a.Cause)
					if !a.held || !a.State.Stands() || c == nil {
						continue
					}
					if over := !c.held && !c.active && !c.State.Stands() && sec(b.now-1)-c.fell > linger; over || c.State.Aside() {
						draw.Fatalf("%s hides under %s, which is %v", a.Def.ID, a.Cause, c.State)
					}
					if c.held && c.Cause != "" {
						draw.Fatalf("%s hides under %s, itself under %s", a.Def.ID, a.Cause, c.Cause)
					}
				}
			}
		}
	})
}

func BenchmarkPanel(b *testing.B) {
	p := newBench()
	p.set(true, "supply", "header", "flow")
	p.wait(60)
	b.ReportAllocs()
	now := time.Minute
	for b.Loop() {
		now += time.Second
		p.Turn(now, p)
	}
}

// TestTakeUp: what an earlier life left latched waits for a person's reset as it did,
// seen or not, and is raised anew where its condition stands; nothing else is taken up.
func TestTakeUp(t *testing.T) {
	for _, acknowledged := range []bool{false, true} {
		b := newBench()
		for _, id := range []string{"supply", "none"} {
			if b.TakeUp(id, say.T("then"), acknowledged) {
				t.Errorf("%s is taken up", id)
			}
		}
		if !b.TakeUp("sign", say.T("then"), acknowledged) || b.TakeUp("sign", say.T("twice"), acknowledged) {
			t.Fatal("sign is to be taken up, once")
		}
		if said := b.wait(60); said != "" {
			t.Errorf("said %q", said)
		}
		a := b.Find("sign")
		if want := map[bool]State{false: LatchedUnacknowledged, true: LatchedAcknowledged}[acknowledged]; a.State != want || a.Text.Format != "then" {
			t.Errorf("acknowledged %v: %v, %q", acknowledged, a.State, a.Text.Format)
		}
		if _, err := b.Reset("sign"); (err == nil) != acknowledged {
			t.Errorf("acknowledged %v: reset %v", acknowledged, err)
		}
		b.set(true, "sign")
		if said := b.wait(10); said != "sign" || a.State != Unacknowledged {
			t.Errorf("acknowledged %v: its condition stands again: said %q, %v", acknowledged, said, a.State)
		}
	}
}
