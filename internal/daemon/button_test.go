package daemon

import (
	"context"
	"strings"
	"sync"
	"testing"
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/web"
)

// shownFor sets how long the advice has been on show, whatever the machine's pace.
func (l *life) shownFor(d time.Duration) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.onShow.since = time.Now().Add(-d)
}

// TestPress: the button says "done" to what could be read, by the door that the
// page's word takes: stale, repeated or pointless presses are refused.
func TestPress(t *testing.T) {
	l := live(t, t.TempDir(), &still{})
	l.await("the first advice", advised(box.RunStart))
	press := func(accepted bool, reason string) {
		t.Helper()
		if a := l.Press(t.Context()); a.Accepted != accepted || !strings.Contains(a.Reason, reason) {
			t.Errorf("%+v, want %t %q", a, accepted, reason)
		}
	}
	l.shownFor(-time.Hour) // it came up just now
	press(false, "no longer the present one")
	l.await("what became of it", func(v engine.View) bool {
		return len(v.Cautions) > 0 && strings.Contains(v.Cautions[len(v.Cautions)-1], "it was not taken: that advice is no longer the present one")
	})
	l.shownFor(time.Hour)
	press(true, "")
	if l.await("the next view", func(engine.View) bool { return true }); l.inVain.why.Format != "" {
		t.Error("an accepted press is still told as one in vain")
	}
	l.await("the next advice", advised(box.MainOpen))
	l.shownFor(-time.Hour)
	press(false, "no longer the present one") // a second touch, meant for the one before
	l.shownFor(time.Hour)
	press(true, "")
	press(false, "the button at the box has already confirmed this")
	if v := l.View(); v.Step != "ready" && v.Step != "pressurise" {
		t.Errorf("step %q: readings have not agreed, the step must not be complete", v.Step)
	}
}

// gated is a source whose beats a test can hold.
type gated struct {
	*plant
	gate sync.Mutex
}

func (g *gated) Samples(ctx context.Context, mono time.Duration, dst []box.Sample) ([]box.Sample, error) {
	g.gate.Lock()
	defer g.gate.Unlock()
	return g.plant.Samples(ctx, mono, dst)
}

// TestPressOfNothing: while there is nothing to confirm, a press is refused. The
// core stands still meanwhile, so that there stays nothing.
func TestPressOfNothing(t *testing.T) {
	for range 20 {
		if pressInAWait(t) {
			return
		}
	}
	t.Error("twenty waits ended in the moment of the press")
}

// pressInAWait tells whether the wait still was when the press was answered: the
// turn that was under way may have ended it.
func pressInAWait(t *testing.T) bool {
	t.Helper()
	p := &gated{plant: newPlant(core(t))}
	l := live(t, t.TempDir(), p)
	waits := func(v engine.View) bool { return v.Advice != nil && v.Advice.Deed == "" }
	l.play(p.plant, "a wait", func(v engine.View) bool {
		if waits(v) {
			p.gate.Lock()
			if waits(l.View()) {
				return true
			}
			p.gate.Unlock()
		}
		return false
	})
	l.shownFor(time.Hour)
	answer := make(chan web.Answer)
	go func() { answer <- l.Press(t.Context()) }()
	for len(l.asks) == 0 {
		<-time.After(time.Millisecond)
	}
	still := waits(l.View())
	p.gate.Unlock()
	if a := <-answer; still && (a.Accepted || !strings.Contains(a.Reason, "nothing is to be confirmed now")) {
		t.Errorf("%+v: there is nothing to confirm", a)
	}
	return still
}
