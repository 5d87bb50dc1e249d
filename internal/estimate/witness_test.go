package estimate

// The two witnesses of the flush in every quarrel: V_e of the block is the
// hydraulics' own, checked there; the times follow from it by hand. Which one
// rules is this project's own rule (the later one), no source.

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"boxd/internal/box"
	"boxd/internal/hydraulics"
	"boxd/internal/units"
)

// flushed brings a bench into the flush, 60 s after the last stroke.
func flushed(t *testing.T) (*bench, units.LPerH) {
	t.Helper()
	b := newBench(t)
	design := b.full()
	b.inject(120, design)
	b.turn(60)
	if !b.o.CleanAtBox {
		t.Fatal("the box should be clean")
	}
	return b, design
}

// pass lets so many times the volume needed pass, counted from clean.
func (b *bench) pass(times float64) {
	for float64(b.o.Flush.Passed) < times*float64(b.o.Flush.Needed) && !b.o.Flush.Done {
		b.turn(1)
	}
}

func (b *bench) ec(v units.USPerCm) { b.r.EndEC = good(v) }

func (b *bench) wantDone(t *testing.T, by, words string) {
	t.Helper()
	f := &b.o.Flush
	if !f.Done || f.Verdict.RuledBy != by || !strings.Contains(f.By.String(), words) || !f.Dispute.Empty() {
		t.Errorf("done %v, ruled by %q, %q, dispute %q; want %s, %q", f.Done, f.Verdict.RuledBy, f.By, f.Dispute, by, words)
	}
}

// TestProbeLate: the volume says clean, the probe still sees fertilizer: nothing
// is done, both are shown, the finding is kept, and the probe rules in the end.
func TestProbeLate(t *testing.T) {
	b, _ := flushed(t)
	b.ec(1430)
	b.pass(1)
	start := b.now
	b.turn(600)
	f := &b.o.Flush
	if f.Done || f.Volume != Clean || f.Probe != Passing || b.o.CleanAtEnd != Unknown || f.Dispute.Empty() || len(f.Notes) != 1 {
		t.Fatalf("done %v, volume %v, probe %v, clean at end %v, dispute %q, notes %v", f.Done, f.Volume, f.Probe, b.o.CleanAtEnd, f.Dispute, f.Notes)
	}
	b.ec(430)
	b.turn(120)
	b.wantDone(t, "probe", "agree")
	if w := f.Verdict.Waited; w < 600*time.Second || w > b.now-start || f.Verdict.Agree != Yes {
		t.Errorf("waited %v, agree %v", w, f.Verdict.Agree)
	}
}

// TestProbeLost: a probe that falls silent before it read clean water is waited for
// from its last word, two minutes at most; then the volume rules, as it does at once
// where the probe had read clean water.
func TestProbeLost(t *testing.T) {
	for _, c := range []struct {
		at   float64 // of the volume, when it fell silent
		ec   units.USPerCm
		wait time.Duration
	}{{0.999, 1430, awaited}, {0.5, 1430, 0}, {0.999, 430, 0}} {
		b, _ := flushed(t)
		b.ec(1430)
		b.turn(60)
		b.ec(c.ec)
		b.pass(c.at)
		silent := b.now
		b.r.EndEC = bad[units.USPerCm]()
		for b.o.Flush.Volume != Clean {
			b.turn(1)
		}
		clean := b.now
		for !b.o.Flush.Done && b.now < clean+10*time.Minute {
			b.turn(1)
		}
		waited, want := b.now-clean, max(0, c.wait-(clean-silent))
		if waited < want-2*time.Second || waited > want+2*time.Second {
			t.Errorf("silent at %v of the volume, at %v: waited %v, want %v", c.at, c.ec, waited, want)
		}
		b.wantDone(t, "volume", "no line-end probe")
	}
}

// TestProbeBack: a probe that was silent when the volume said clean, and comes back
// in time, rules.
func TestProbeBack(t *testing.T) {
	b, _ := flushed(t)
	b.ec(1430)
	b.pass(0.999)
	b.r.EndEC = bad[units.USPerCm]()
	if b.turn(60); b.o.Flush.Done || b.o.Flush.Volume != Clean || !b.o.Flush.Lost {
		t.Fatalf("done %v, volume %v, lost %v", b.o.Flush.Done, b.o.Flush.Volume, b.o.Flush.Lost)
	}
	b.ec(1430)
	if b.turn(300); b.o.Flush.Done || b.o.Flush.Lost || b.o.Flush.Probe != Passing {
		t.Fatalf("done %v, lost %v, probe %v", b.o.Flush.Done, b.o.Flush.Lost, b.o.Flush.Probe)
	}
	b.ec(430)
	b.turn(120)
	b.wantDone(t, "probe", "agree")
}

// TestPaceBesideLeak: the pace that is told beside a leak follows pressure and leak as
// if the rows were worked out anew each time: never faster than that by more than what
// scaling may cost, and by little slower. The header is thin, so that a leak tells.
func TestPaceBesideLeak(t *testing.T) {
	b := newBench(t)
	b.full()
	z := b.e.cfg.Zone.Zone()
	z.Header.Beds, z.Header.Bore = 16, 25
	zone, err := hydraulics.NewModel(z)
	if err != nil {
		t.Fatal(err)
	}
	b.e.cfg.Zone = zone
	rnd := rand.New(rand.NewPCG(7, 0))
	header, part, asked := 68.0, 0.4, 0
	for range 1000 {
		header = min(90, max(45, header+0.5*rnd.NormFloat64()))
		part = min(0.8, max(0.1, part+0.01*rnd.NormFloat64()))
		p := units.KPa(header)
		extra := zone.ExpectedFlow(p).Scale(units.Ratio(part))
		before := b.e.flush.leak.header
		pace := b.e.besideLeak(p, extra)
		if b.e.flush.leak.header != before {
			asked++
		}
		rows := zone.WholeRows(p, extra)
		anew, ok := rows.Pace(b.e.cleanTo())
		if !ok || pace > anew.Scale(1.001) || pace < anew.Scale(0.99) {
			t.Errorf("at %v with %.3f leaking: %v, worked out anew %v", p, part, pace, anew)
		}
	}
	if asked < 20 || asked > 500 {
		t.Errorf("worked out %d times in 1,000", asked)
	}
}

// TestProbeEarly: the probe says clean before the volume can: a gap between two
// injections looks like that. The volume rules.
func TestProbeEarly(t *testing.T) {
	b, _ := flushed(t)
	b.ec(1430)
	b.turn(60)
	b.ec(430)
	b.turn(300)
	f := &b.o.Flush
	if f.Done || f.Probe != Clean || f.Dispute.Empty() {
		t.Fatalf("done %v, probe %v, dispute %q", f.Done, f.Probe, f.Dispute)
	}
	b.pass(1)
	b.wantDone(t, "volume", "agree")
}

// TestProbeNeverSaw: the probe reads clean water all along. Half as much again is
// let through; then the volume rules. When fertilizer comes after all, done is
// taken back.
func TestProbeNeverSaw(t *testing.T) {
	b, _ := flushed(t)
	b.pass(1.49)
	f := &b.o.Flush
	if f.Done || f.Probe != Waiting || f.Dispute.Empty() {
		t.Fatalf("done %v, probe %v, dispute %q", f.Done, f.Probe, f.Dispute)
	}
	b.pass(1.51)
	b.wantDone(t, "volume", "never saw the fertilizer")
	if f.Verdict.Agree != No {
		t.Errorf("agree %v", f.Verdict.Agree)
	}
	b.ec(1430)
	if b.turn(60); f.Done || b.o.CleanAtEnd == Yes || f.Verdict.RuledBy != "" {
		t.Error("fertilizer at the line end, and the flush stays done")
	}
	b.ec(430)
	b.turn(120)
	b.wantDone(t, "probe", "agree")
}

// TestProbeOff: a probe that stands off its baseline without having seen
// fertilizer can't be told from one that sees a little: no word of done. Nor does a
// moment at its baseline count: it has to stay there.
func TestProbeOff(t *testing.T) {
	b, _ := flushed(t)
	b.ec(520)
	b.pass(2.5)
	f := &b.o.Flush
	if f.Done || f.Dispute.Empty() {
		t.Errorf("done %v by %q, dispute %q", f.Done, f.By, f.Dispute)
	}
	b.ec(430)
	b.turn(12)
	b.ec(520)
	if b.turn(60); f.Done {
		t.Errorf("done by %q after a moment", f.By)
	}
	b.ec(430)
	b.turn(120)
	b.wantDone(t, "volume", "never saw the fertilizer")
}

// TestUnseenProductAndDrift: EC does not see the product, and the probe drifts by
// 3 µS/cm a minute: that is no fertilizer that came.
func TestUnseenProductAndDrift(t *testing.T) {
	b := newBench(t)
	design := b.full()
	b.r.Branch, b.r.Stock = good(design.Scale(0.4)), good(design.Scale(0.008))
	b.turn(120)
	b.r.Branch, b.r.Stock = good[units.LPerH](0), good[units.LPerH](0)
	for range 3600 {
		b.r.EndEC.Value += 3.0 / 60
		b.turn(1)
	}
	if f := &b.o.Flush; f.Probe != Waiting || f.Done {
		t.Errorf("probe %v, done %v by %q", f.Probe, f.Done, f.By)
	}
}

// TestProbeLostInQuarrel: a probe that is lost while it contradicts is not
// forgotten at once.
func TestProbeLostInQuarrel(t *testing.T) {
	b, _ := flushed(t)
	b.ec(1430)
	b.pass(1.3)
	b.r.EndEC = bad[units.USPerCm]()
	b.turn(60)
	if b.o.Flush.Done {
		t.Fatal("done as soon as the probe that says no is gone")
	}
	b.pass(1.51)
	b.wantDone(t, "volume", "saw fertilizer when it was lost")
}

// TestNobodyLooked: after five minutes without a turn, or without any sign of
// whether stock goes in, the flush counts anew from then; after fifty seconds it
// counts on.
func TestNobodyLooked(t *testing.T) {
	for _, c := range []struct {
		name string
		gap  func(b *bench)
		anew bool
	}{
		{"fifty seconds away", func(b *bench) { b.now += 50 * time.Second }, false},
		{"five minutes away", func(b *bench) { b.now += 5 * time.Minute }, true},
		{"five minutes blind", func(b *bench) {
			r := b.r
			b.r.Stock, b.r.Branch, b.r.BoxEC = bad[units.LPerH](), bad[units.LPerH](), bad[units.USPerCm]()
			b.turn(300)
			b.r = r
		}, true},
		{"five minutes blind, water closed", func(b *bench) {
			r := b.r
			b.set(0, 0)
			b.turn(10)
			b.r.Stock, b.r.Branch, b.r.BoxEC = bad[units.LPerH](), bad[units.LPerH](), bad[units.USPerCm]()
			b.turn(300)
			b.r = r
		}, false},
	} {
		b, design := flushed(t)
		b.r.EndEC = bad[units.USPerCm]()
		b.pass(0.9)
		c.gap(b)
		b.turn(30)
		f := &b.o.Flush
		if part := float64(f.Passed / f.Needed); (part < 0.1) != c.anew || (b.o.Unwatched > 0) != c.anew {
			t.Errorf("%s: %.2f of the volume passed, unwatched %v", c.name, part, b.o.Unwatched)
		}
		left := float64(f.Needed-f.Passed) / float64(design) * 3600
		b.turn(int(left) - 5)
		if f.Done {
			t.Errorf("%s: done too early", c.name)
		}
		if b.turn(10); !f.Done {
			t.Errorf("%s: not done by now", c.name)
		}
	}
}

// TestDoneStaysDone: a flush that was done, with the water closed, is not undone
// by time that nobody saw; with the water running it is.
func TestDoneStaysDone(t *testing.T) {
	for _, closed := range []bool{true, false} {
		b, _ := flushed(t)
		b.r.EndEC = bad[units.USPerCm]()
		b.pass(1.1)
		if !b.o.Flush.Done {
			t.Fatal("the flush should be done")
		}
		if closed {
			b.set(0, 0)
			b.turn(20)
		}
		b.now += time.Hour
		if b.turn(5); b.o.Flush.Done != closed {
			t.Errorf("closed %v: done %v", closed, b.o.Flush.Done)
		}
	}
}

// TestRest: standing water is not at pressure; behind a closed valve, with the
// pressure gone, the lines may drain. Opening the filter lets air in.
func TestRest(t *testing.T) {
	b := newBench(t)
	design := b.full()
	b.set(0, 40)
	if b.turn(8); b.o.Pressurised != Yes {
		t.Error("a few seconds without flow and the pressure is taken back")
	}
	if b.turn(20); b.o.Pressurised != No || b.o.Filled != Yes {
		t.Errorf("standing: at pressure %v, full %v", b.o.Pressurised, b.o.Filled)
	}
	b.set(0, 3)
	if b.turn(20); b.o.Filled != No {
		t.Error("no pressure left, and the lines are still called full")
	}
	b.set(design, 68.95)
	if b.turn(40); b.o.Pressurised != Yes || b.o.Filled != Yes {
		t.Errorf("opened again: at pressure %v, full %v", b.o.Pressurised, b.o.Filled)
	}
	b.turn(60)
	if c := b.e.FilterClean(); !c.Known {
		t.Fatal("the clean filter should be known")
	}
	b.e.FilterCleaned()
	if c := b.e.FilterClean(); c.Known || b.o.Pressurised != No || b.o.Filled != No {
		t.Errorf("after the filter was opened: clean difference %+v, at pressure %v", c, b.o.Pressurised)
	}
	b.r.FilterOut = good[units.KPa](280)
	b.turn(80)
	if c := b.e.FilterClean(); !c.Known || math.Abs(float64(c.V)-10) > 0.1 {
		t.Errorf("clean difference %+v, want 10 kPa", c)
	}
}

// TestSlowProbe: a probe that sends every twelve seconds is a witness too.
func TestSlowProbe(t *testing.T) {
	b, _ := flushed(t)
	send := func(v units.USPerCm, seconds int) {
		for s := range seconds {
			b.r.EndEC = box.Reading[units.USPerCm]{Value: v, Quality: box.Good, Age: time.Duration(s%12) * time.Second}
			b.turn(1)
		}
	}
	send(430, 60)
	send(1430, 120)
	if b.o.Flush.Probe != Passing {
		t.Errorf("fertilizer: %v", b.o.Flush.Probe)
	}
	send(430, 240)
	if b.o.Flush.Probe != Clean {
		t.Errorf("clean water: %v", b.o.Flush.Probe)
	}
}
