package hwio

import (
	"context"
	"errors"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"boxd/internal/sensors"
)

// onButton runs f beside a button and gives the count of its presses.
func onButton(t *testing.T, f func(l *fakeLine, b *Button, presses *atomic.Int32)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		l := new(fakeLine)
		b := NewButton(sensors.Line{Name: "GPIO27", Bias: sensors.BiasUp}, false)
		b.open, b.clock = l.open, clock
		ctx, cancel := context.WithCancel(context.Background())
		var presses atomic.Int32
		done := make(chan struct{})
		go func() { defer close(done); b.Run(ctx, func() { presses.Add(1) }) }()
		time.Sleep(60 * time.Millisecond)
		f(l, b, &presses)
		cancel()
		<-done
		if l.closed != l.opened || !l.wants.activeLow || !l.wants.both {
			t.Errorf("opened %d times, closed %d times, as %+v", l.opened, l.closed, l.wants)
		}
	})
}

func (l *fakeLine) press(d time.Duration) {
	l.edge(true)
	time.Sleep(d)
	l.edge(false)
	time.Sleep(100 * time.Millisecond)
}

func TestPresses(t *testing.T) {
	for _, c := range []struct {
		name string
		play func(l *fakeLine)
		want int
	}{
		{"none", func(*fakeLine) {}, 0},
		{"a press", func(l *fakeLine) { l.press(200 * time.Millisecond) }, 1},
		{"two", func(l *fakeLine) { l.press(200 * time.Millisecond); l.press(time.Second) }, 2},
		{"a disturbance", func(l *fakeLine) { l.press(5 * time.Millisecond) }, 0},
		{"a long one", func(l *fakeLine) { l.press(1600 * time.Millisecond) }, 0},
		{"held from before", func(l *fakeLine) { l.edge(false); time.Sleep(100 * time.Millisecond) }, 0},
		{"edges lost between", func(l *fakeLine) {
			l.edge(true)
			time.Sleep(100 * time.Millisecond)
			l.mu.Lock()
			l.seq += 2
			l.mu.Unlock()
			l.edge(false)
			time.Sleep(100 * time.Millisecond)
		}, 0},
		{"told too late", func(l *fakeLine) {
			l.mu.Lock()
			l.stall = 3 * time.Second // boxd hung
			l.mu.Unlock()
			time.Sleep(100 * time.Millisecond)
			l.press(200 * time.Millisecond)
			time.Sleep(4 * time.Second)
		}, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			onButton(t, func(l *fakeLine, b *Button, presses *atomic.Int32) {
				c.play(l)
				if n := int(presses.Load()); n != c.want || b.Trouble() != "" {
					t.Errorf("%d presses, want %d; %s", n, c.want, b.Trouble())
				}
			})
		})
	}
}

func TestButtonTrouble(t *testing.T) {
	onButton(t, func(l *fakeLine, b *Button, presses *atomic.Int32) {
		l.edge(true)
		time.Sleep(16 * time.Second)
		if !strings.Contains(b.Trouble(), "all the time") {
			t.Errorf("stuck: %q", b.Trouble())
		}
		l.mu.Lock()
		l.gone, l.refuse = errors.New("gone"), errLineHeld
		l.mu.Unlock()
		time.Sleep(2 * time.Second)
		if !strings.Contains(b.Trouble(), "another program") {
			t.Errorf("held: %q", b.Trouble())
		}
		l.mu.Lock()
		l.gone, l.refuse = nil, nil
		l.mu.Unlock()
		time.Sleep(2 * time.Second)
		if l.press(200 * time.Millisecond); presses.Load() != 1 || b.Trouble() != "" {
			t.Errorf("%d presses, %q after it has come back", presses.Load(), b.Trouble())
		}
	})
}
