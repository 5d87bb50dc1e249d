package daemon

// A disk that is slow, and one that hangs, under the running daemon. Time is a
// bubble's own: what is late here is late by design, not by a busy machine.

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"boxd/config"
	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/journal"
)

// disk is the way to the archive. What has been said and is not yet on it is known.
type disk struct {
	*life
	mu    sync.Mutex // the core's goroutine and the commits' write
	takes time.Duration
	most  int // commits under way at once
	now   int
	saved int       // events
	said  []float64 // core time of each event
}

func (k *disk) commit(ctx context.Context, list ...journal.Batch) error {
	k.mu.Lock()
	takes := k.takes
	k.now++
	k.most = max(k.most, k.now)
	k.mu.Unlock()
	time.Sleep(takes)
	err := k.j.Commit(ctx, list...)
	k.mu.Lock()
	defer k.mu.Unlock()
	k.now--
	if err == nil {
		for _, b := range list {
			k.saved += len(b.Events)
		}
	}
	return err
}

func (k *disk) slow(by time.Duration) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.takes = by
}

// unsaved is the core time of the first event that is not on the disk.
func (k *disk) unsaved() (t float64, some bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.saved < len(k.said) {
		return k.said[k.saved], true
	}
	return 0, false
}

// slowly plays play to a daemon at the beat of a real box.
func slowly(t *testing.T, play func(*testing.T, *disk, *pace)) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		k, p := &disk{}, newPace(100*time.Millisecond)
		j, err := journal.Open(dir + "/boxd.sqlite")
		must(t, err)
		k.life = prepare(t, j, Options{ConfigText: string(config.Default()), Source: p, Beat: 100 * time.Millisecond, Idle: time.Second, Speed: 1, Start: time.Now(), Unsaved: new(Unsaved), Alive: p.turned, commit: k.commit})
		k.tap = func(out engine.Output) {
			k.mu.Lock()
			defer k.mu.Unlock()
			for i := range out.Events {
				k.said = append(k.said, out.Events[i].T)
			}
		}
		k.run()
		play(t, k, p)
		k.end()
		must(t, k.ended())
		if late := p.late(); late[len(late)-1] > 0 {
			t.Errorf("%d beats; late by %s", len(late), quantiles(late))
		}
		if k.most != 1 {
			t.Errorf("%d commits at once", k.most)
		}
		if _, some := k.unsaved(); some {
			t.Error("something is not on the disk at the end")
		}
	})
}

// report says that the stock went in or out, by turns.
func (k *disk) report(n int) box.Action {
	return box.Action{ID: fmt.Sprintf("word-%d", n), Kind: box.Report, Deed: []box.Deed{box.StockIn, box.StockOut}[n%2], By: "Robin"}
}

// TestASlowDisk: each commit takes three beats. No beat waits for it; each answer and
// each view does.
func TestASlowDisk(t *testing.T) {
	slowly(t, func(t *testing.T, k *disk, _ *pace) {
		k.slow(300 * time.Millisecond)
		views, stop := k.Subscribe()
		defer stop()
		var n atomic.Int64
		go func() {
			for v := range views {
				if at, some := k.unsaved(); some && v.T >= at {
					t.Errorf("the view of %g s is shown, and an event of %g s is not saved", v.T, at)
				}
				n.Add(1)
			}
		}()
		first := k.await("the first advice", advised(box.RunStart)).Advice.Number
		if a := k.confirm("start", first); !a.Accepted || k.actions("start") != 1 {
			t.Errorf("the start: %+v", a)
		}
		var words sync.WaitGroup
		for i := range 40 { // about two in each commit, some sent twice
			for range 1 + i%4/3 {
				words.Go(func() {
					began := time.Now()
					if a := k.Submit(t.Context(), k.report(i)); !a.Accepted || k.actions(k.report(i).ID) != 1 {
						t.Errorf("word %d: %+v, %d times in the archive", i, a, k.actions(k.report(i).ID))
					}
					if took := time.Since(began); took > 800*time.Millisecond {
						t.Errorf("word %d waited %v", i, took)
					}
				})
			}
			time.Sleep(130 * time.Millisecond)
		}
		words.Wait()
		if n := n.Load(); n < 15 { // of 5 s, three commits a second
			t.Errorf("%d views", n)
		}
	})
}

// TestADiskThatHangs: it takes half a minute for one commit. Meanwhile the box says
// so, alarms past the archive, takes no word and goes on; then nothing is lost.
func TestADiskThatHangs(t *testing.T) {
	slowly(t, func(t *testing.T, k *disk, _ *pace) {
		first := k.await("the first advice", advised(box.RunStart)).Advice.Number
		if a := k.confirm("start", first); !a.Accepted {
			t.Fatalf("the start: %+v", a)
		}
		k.slow(30 * time.Second)
		began := time.Now()
		if a := k.Submit(t.Context(), k.report(1)); a.Accepted || !strings.Contains(a.Reason, "heard, but not saved") {
			t.Errorf("a word that hangs: %+v", a)
		}
		k.slow(0)
		if took := time.Since(began); took > diskHangs+time.Second {
			t.Errorf("it is answered after %v", took)
		}
		failing := func(v engine.View) bool {
			for _, a := range v.Alarms {
				if a.ID == "archive-failing" {
					return a.Active && strings.Contains(a.Text, "has not taken a save")
				}
			}
			return false
		}
		k.await("the alarm", failing)
		if age := k.Age(); age > time.Second {
			t.Errorf("the view is %v old", age)
		}
		if a := k.Submit(t.Context(), k.report(2)); a.Accepted || !strings.Contains(a.Reason, "not taken") {
			t.Errorf("a word to a failing archive: %+v", a)
		}
		time.Sleep(2 * time.Second)
		if e := k.o.Unsaved.Events(); len(e) == 0 || e[0].ID != "archive-failing" {
			t.Errorf("past the archive go %v", e)
		}
		seq := k.View().Seq
		k.await("the next views", func(v engine.View) bool { return v.Seq > seq+20 })
		k.await("the alarm's end", func(v engine.View) bool { return !failing(v) })
		if took := time.Since(began); took < 30*time.Second || took > 32*time.Second {
			t.Errorf("it ended after %v", took)
		}
		if a := k.Submit(t.Context(), k.report(4)); !a.Accepted {
			t.Errorf("a word afterwards: %+v", a)
		}
		for i, want := range []int{0, 1, 0, 0, 1} {
			if c := k.actions(k.report(i).ID); c != want {
				t.Errorf("word %d is in the archive %d times", i, c)
			}
		}
		if e := k.o.Unsaved.Events(); len(e) != 0 {
			t.Errorf("the archive has them, and past it go %v", e)
		}
	})
}
