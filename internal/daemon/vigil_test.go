// The vigil is tried in a bubble of its own time, with a target that notes what
// it is told and when.
package daemon

import (
	"context"
	"errors"
	"log/slog"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"boxd/internal/engine"
	"boxd/internal/telemetry"
	"boxd/internal/telemetry/alert"
)

// listener is a target in the bubble.
type listener struct {
	began time.Time
	down  atomic.Bool // the test sets it, the vigil reads it
	heard []string
	at    []time.Duration
}

func (l *listener) Name() string { return "listener" }

func (l *listener) Send(_ context.Context, n alert.Note) error {
	if l.down.Load() {
		return errors.New("no way")
	}
	_, word, _ := strings.Cut(n.Title, ": ")
	l.heard, l.at = append(l.heard, word), append(l.at, time.Since(l.began))
	return nil
}

// watched plays a core in the bubble and gives what was told of it.
func watched(t *testing.T, play func(hub *telemetry.Hub, l *listener)) *listener {
	l := &listener{}
	synctest.Test(t, func(t *testing.T) {
		l.began = time.Now()
		hub := telemetry.NewHub(1)
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() {
			defer close(done)
			Vigil{Box: "north", Target: l, Hub: hub, Log: slog.New(slog.DiscardHandler)}.Run(ctx)
		}()
		play(hub, l)
		synctest.Wait()
		stop()
		<-done
	})
	return l
}

// speak lets the core turn every second.
func speak(hub *telemetry.Hub, seconds int) {
	for range seconds {
		hub.Publish(&engine.View{})
		time.Sleep(time.Second)
	}
}

// Within ten seconds of the core's last word every phone knows (the bound of the
// product's own promise); half of that is left for the way there.
func TestASilentCoreIsTold(t *testing.T) {
	l := watched(t, func(hub *telemetry.Hub, _ *listener) {
		speak(hub, 60)
		time.Sleep(time.Minute)
		speak(hub, 10)
	})
	if !slices.Equal(l.heard, []string{"STOPPED", "works again"}) {
		t.Fatalf("told %q", l.heard)
	}
	if late := l.at[0] - 59*time.Second; late > 6*time.Second {
		t.Errorf("told %s after the last word", late)
	}
}

func TestACoreThatNeverSpokeIsTold(t *testing.T) {
	l := watched(t, func(*telemetry.Hub, *listener) { time.Sleep(8 * time.Second) })
	if !slices.Equal(l.heard, []string{"STOPPED"}) {
		t.Errorf("told %q", l.heard)
	}
}

func TestTheWordOfAStopIsTriedAgain(t *testing.T) {
	l := watched(t, func(hub *telemetry.Hub, l *listener) {
		speak(hub, 3)
		l.down.Store(true)
		time.Sleep(30 * time.Second)
		l.down.Store(false)
		time.Sleep(10 * time.Second)
	})
	if !slices.Equal(l.heard, []string{"STOPPED"}) {
		t.Errorf("told %q", l.heard)
	}
}

// What was over before anybody could be told is told to nobody.
func TestAStopThatNobodyHeardIsForgotten(t *testing.T) {
	l := watched(t, func(hub *telemetry.Hub, l *listener) {
		speak(hub, 3)
		l.down.Store(true)
		time.Sleep(12 * time.Second)
		speak(hub, 3)
		l.down.Store(false)
		speak(hub, 20)
	})
	if len(l.heard) != 0 {
		t.Errorf("told %q", l.heard)
	}
}

func TestAFaultIsToldAndAFarewellIsNot(t *testing.T) {
	for _, x := range []struct {
		why  string
		want []string
	}{{"the core stopped: an impossible step", []string{"STOPPED"}}, {wasStopped, nil}} {
		l := watched(t, func(hub *telemetry.Hub, _ *listener) {
			speak(hub, 2)
			hub.Stop(x.why)
		})
		if !slices.Equal(l.heard, x.want) {
			t.Errorf("%s: told %q", x.why, l.heard)
		}
	}
}
