package daemon

// The clock of a box is set under it: a board without a battery starts in the
// year 2000 and learns the time in the middle of a run, somebody sets it hours
// ahead and back to before the run began, and a restart finds it unset again.
// Afterwards everything that was said and happened is there once.

import (
	"fmt"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/journal"
	"boxd/internal/telemetry/influx"
)

// ticking is a clock that can be set.
type ticking struct{ ahead atomic.Int64 }

func (c *ticking) now() time.Time      { return time.Now().Add(time.Duration(c.ahead.Load())) }
func (c *ticking) set(d time.Duration) { c.ahead.Store(int64(d)) }

// live is a life whose clock is that one, in real time.
func (c *ticking) live(t *testing.T, dir string) *life {
	t.Helper()
	return begin(t, dir, Options{Source: &still{}, Beat: 20 * time.Millisecond, Speed: 1, Start: c.now(), Wall: c.now})
}

func TestTheClockIsSet(t *testing.T) {
	t.Parallel()
	dir, clock, began := t.TempDir(), &ticking{}, time.Now()
	unset := time.Until(time.Date(2000, 1, 1, 0, 10, 0, 0, time.UTC))
	clock.set(unset)
	l := clock.live(t, dir)
	n := l.await("the first advice", advised(box.RunStart)).Advice.Number
	if a := l.confirm("start", n); !a.Accepted {
		t.Fatalf("the start of a run: %+v", a)
	}
	said := []string{"start"}
	// By the network; hours ahead; back before the run began; right again, an hour
	// off as when a zone's summer ends on a clock that keeps local time.
	for i, ahead := range []time.Duration{0, 5 * time.Hour, -9 * time.Hour, -time.Hour, 0} {
		id := "word-" + string(rune('a'+i))
		clock.set(ahead)
		was := l.View().Seq
		l.await("a turn under the new clock", func(v engine.View) bool { return v.Seq > was+1 && v.Wall.Sub(clock.now()).Abs() < time.Minute })
		if a := l.Submit(t.Context(), box.Action{ID: id, Kind: box.Report, Deed: []box.Deed{box.StockIn, box.StockOut}[i%2], By: "Robin"}); !a.Accepted {
			t.Errorf("%s: %+v", id, a)
		}
		said = append(said, id)
	}
	if v := l.View(); v.T > time.Since(began).Seconds()+1 || v.Run == "" {
		t.Errorf("after %v the core counts %.1f s, run %q", time.Since(began), v.T, v.Run)
	}
	before := l.View()
	again := func(other bool) engine.View {
		l.end()
		must(t, l.ended())
		if other { // as if the machine had been off
			must(t, l.j.Commit(t.Context(), journal.Batch{State: map[string][]byte{lifeKey: []byte(`{"boot":"another"}`)}}))
		}
		must(t, l.j.Close())
		l = clock.live(t, dir)
		v := l.await("the next life", func(v engine.View) bool { return v.Seq > 0 })
		if v.Run != before.Run {
			t.Errorf("run %q goes on as %q", before.Run, v.Run)
		}
		l.await("some turns", func(w engine.View) bool { return w.Seq > v.Seq+5 })
		return v
	}
	// While the machine stays on, it knows how long boxd was away, whatever the clock says.
	clock.set(unset)
	if v := again(false); v.T > time.Since(began).Seconds()+1 {
		t.Errorf("%g s went on as %g s after %v", before.T, v.T, time.Since(began))
	}
	// The clock was set back while the machine was off: that it was for a second only
	// is not believed.
	if v := again(true); v.T < before.T+engine.LeastUnseen.Seconds() {
		t.Errorf("%g s went on as %g s after the machine was off", before.T, v.T)
	}
	l.end()
	must(t, l.ended())
	for _, id := range said {
		if c := l.actions(id); c != 1 {
			t.Errorf("%d entries of %s", c, id)
		}
	}
	l.countOnce(t, 7) // the last is the ten minutes that no clock has counted
	pointsRise(t, stationOf(t, l.j, dir))
}

// pointsRise: the times of a measurement's points rise, but where the clock was set
// back by an hour or more; no point takes the place of another.
func pointsRise(t *testing.T, s *Station) {
	t.Helper()
	last, seen, n := map[string]int64{}, map[string]bool{}, 0
	for more := true; more; {
		points, err := s.Next(t.Context(), influx.MaxPoints)
		must(t, err)
		for _, p := range points {
			key := fmt.Sprint(p.Measurement, p.Tags, p.At)
			if by := last[p.Measurement] - p.At; seen[key] || by >= 0 && by < setBack {
				t.Errorf("%s at %v comes after %v", key, time.Unix(0, p.At), time.Unix(0, last[p.Measurement]))
			}
			last[p.Measurement], seen[key] = p.At, true
			n++
		}
		must(t, s.Done(t.Context(), nil))
		more = len(points) > 0
	}
	if n < 10 {
		t.Errorf("%d points", n)
	}
}

// countOnce: numbers rise, core time never falls, a run began once, and each time
// that the clock was set is told once.
func (l *life) countOnce(t *testing.T, sets int) {
	t.Helper()
	list, err := l.j.EventsAfter(t.Context(), 0, 10000)
	must(t, err)
	starts, told, last := 0, 0, engine.Event{}
	for i := range list {
		e, err := list[i].Event()
		must(t, err)
		if i > 0 && (list[i].Seq <= list[i-1].Seq || e.T < last.T) {
			t.Errorf("event %d at %g s comes after %d at %g s", list[i].Seq, e.T, list[i-1].Seq, last.T)
		}
		last = e
		switch {
		case e.Kind == engine.RunEvent && e.State == "started":
			starts++
		case e.Kind == engine.AlarmEvent && e.ID == "clock-jump" && e.State == "raised":
			told++
			if off := strings.HasPrefix(e.Text, "The box was off, or its clock was set: by the clock "); off != (told == sets) {
				t.Errorf("of %d times the clock was set, %d: %s", sets, told, e.Text)
			}
		}
	}
	if starts != 1 || told != sets {
		t.Errorf("%d runs began; the clock was set %d times, told %d times", starts, sets, told)
	}
}
