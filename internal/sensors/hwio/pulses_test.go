package hwio

// Meters are tried in a time of their own against a line that keeps edges as
// the kernel does: 1024 of them, the oldest dropped, each with its number
// (GPIO uAPI v2, linux/gpio.h). Flows are reckoned by hand from pulses per litre.

import (
	"context"
	"math"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"boxd/internal/box"
	"boxd/internal/sensors"
)

// fakeLine is a line with its kernel.
type fakeLine struct {
	mu     sync.Mutex
	seq    uint32
	kept   []edge
	opened int
	closed int
	refuse error         // of open
	gone   error         // of take
	stall  time.Duration // of the next take
	wants  watch
}

func clock() time.Duration { return time.Duration(time.Now().UnixNano()) }

func (l *fakeLine) open(w watch) (line, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.wants = w; l.refuse != nil {
		return nil, l.refuse
	}
	l.opened++
	l.kept = nil
	return l, nil
}

func (l *fakeLine) take(dst []edge) ([]edge, error) {
	l.mu.Lock()
	d := l.stall
	l.stall = 0
	l.mu.Unlock()
	time.Sleep(d)
	l.mu.Lock()
	defer l.mu.Unlock()
	dst = append(dst, l.kept...)
	l.kept = l.kept[:0]
	return dst, l.gone
}

func (l *fakeLine) close() { l.closed++ }

func (l *fakeLine) edge(rising bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.seq++
	if len(l.kept) == 1024 {
		l.kept = slices.Delete(l.kept, 0, 1)
	}
	l.kept = append(l.kept, edge{clock(), rising, l.seq})
}

// pulses makes n pulses so far apart.
func (l *fakeLine) pulses(n int, apart time.Duration) {
	for range n {
		time.Sleep(apart)
		l.edge(true)
	}
}

// meter is 450 pulses a litre, 300 L/min at most: 2250 Hz.
func meter() sensors.Pulses {
	return sensors.Pulses{Line: sensors.Line{Offset: 17}, Meter: sensors.PulseMeter{PerLitre: 450, Most: 300}, Least: 0.1}
}

// slowMeter gives a pulse for a tenth of a litre.
func slowMeter() sensors.Pulses {
	return sensors.Pulses{Meter: sensors.PulseMeter{PerLitre: 10, Most: 60}, Least: 1}
}

// onLine runs f beside a source with the one meter at its line.
func onLine(t *testing.T, d sensors.Pulses, f func(l *fakeLine, s *Source)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		l := new(fakeLine)
		s, err := open([]sensors.Wiring{{Channel: box.MainFlow, Every: 100 * time.Millisecond, Driver: d}}, nil, openers{line: l.open, clock: clock})
		if err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Millisecond) // beats are off the pulses' marks
		f(l, s)
		s.Close()
		if l.closed != l.opened {
			t.Errorf("the line was opened %d times and closed %d times", l.opened, l.closed)
		}
	})
}

func newest(t *testing.T, s *Source) []box.Sample {
	t.Helper()
	all, err := s.Samples(context.Background(), 0, nil)
	if err != nil {
		t.Fatal(err)
	}
	var got []box.Sample
	for i, x := range all {
		if !slices.ContainsFunc(all[i+1:], func(y box.Sample) bool { return y.Channel == x.Channel }) {
			got = append(got, x)
		}
	}
	return got
}

// flows are the values of each beat for so long; a beat without one is −1.
func flows(t *testing.T, s *Source, d time.Duration) (out []float64) {
	t.Helper()
	for range d / (100 * time.Millisecond) {
		time.Sleep(100 * time.Millisecond)
		switch got := newest(t, s); {
		case len(got) == 0:
			out = append(out, -1)
		case got[0].Fault != "":
			t.Fatalf("fault %q", got[0].Fault)
		default:
			out = append(out, got[0].Value)
		}
	}
	return out
}

// TestNoPulseLost: 2 kHz for 20 s, and the program stands still for longer than
// the kernel can keep edges.
func TestNoPulseLost(t *testing.T) {
	onLine(t, meter(), func(l *fakeLine, s *Source) {
		go l.pulses(40000, 500*time.Microsecond)
		for range 20 {
			time.Sleep(time.Second)
			l.mu.Lock()
			l.stall = 700 * time.Millisecond
			l.mu.Unlock()
			got := newest(t, s)
			if want := 2000 * 60 / 450.0; len(got) != 1 || got[0].Fault != "" || math.Abs(got[0].Value-want) > 0.01*want {
				t.Errorf("%+v, want %.1f L/min", got, want)
			}
		}
		time.Sleep(time.Second)
		if n := s.Totals()[box.MainFlow]; n != (Total{Pulses: 40000}) {
			t.Errorf("%+v, want 40000", n)
		}
	})
}

// TestSlowPulses: one in 2 s at 10 beats a second is a flow of 3 L/min all the
// time; when they stop it falls as 60/(10·t), and is nothing at 9 s = 1.5 · 6 s.
func TestSlowPulses(t *testing.T) {
	onLine(t, slowMeter(), func(l *fakeLine, s *Source) {
		if got := flows(t, s, 8*time.Second); slices.Max(got) != -1 {
			t.Errorf("%v is told of a meter that nothing is known of yet", got)
		}
		if got := flows(t, s, 2*time.Second); got[len(got)-1] != 0 {
			t.Errorf("%v after the longest pause of a flow, want 0", got)
		}
		go l.pulses(20, 2*time.Second)
		got := flows(t, s, 40*time.Second)
		for i, v := range got {
			switch at := time.Duration(i+1) * 100 * time.Millisecond; {
			case at > 2100*time.Millisecond && at < 3900*time.Millisecond && v != -1:
				t.Errorf("%v: %g told between the first pulse and the second", at, v)
			case at > 4100*time.Millisecond && math.Abs(v-3) > 0.15: // a beat late
				t.Errorf("%v: %g, want 3 L/min", at, v)
			}
		}
		got = flows(t, s, 10*time.Second)
		for i, v := range got {
			since := float64(i+1) / 10
			want := min(3, 6/since)
			if since > 9.05 {
				want = 0
			}
			if math.Abs(v-want) > 0.3 || i > 0 && v > got[i-1] {
				t.Errorf("%.1f s after the last pulse: %g, want %g", since, v, want)
			}
		}
		if n := s.Totals()[box.MainFlow]; n != (Total{Pulses: 20}) {
			t.Errorf("%+v, want 20", n)
		}
	})
}

// TestStorm: a bouncing contact and a disturbance are no flow, and are not
// counted as water.
func TestStorm(t *testing.T) {
	for name, c := range map[string]struct {
		burst func(l *fakeLine)
		want  string
	}{
		"too many":  {func(l *fakeLine) { l.pulses(500, 2*time.Millisecond) }, "more than the meter can make"},
		"too close": {func(l *fakeLine) { l.pulses(2, time.Millisecond); l.pulses(2, 300*time.Millisecond) }, "more closely than the meter can turn"},
	} {
		t.Run(name, func(t *testing.T) {
			onLine(t, slowMeter(), func(l *fakeLine, s *Source) { // at most 10 Hz, none closer than 25 ms
				l.pulses(10, 200*time.Millisecond)
				time.Sleep(100 * time.Millisecond)
				newest(t, s)
				go c.burst(l)
				seen := false
				for range 16 {
					time.Sleep(100 * time.Millisecond)
					for _, x := range newest(t, s) {
						seen = seen || strings.Contains(x.Fault, c.want) && x.Cause == box.OutOfSpecification
					}
				}
				if !seen {
					t.Errorf("no fault %q", c.want)
				}
				before := s.Totals()[box.MainFlow]
				l.pulses(10, 200*time.Millisecond)
				time.Sleep(100 * time.Millisecond)
				after := s.Totals()[box.MainFlow]
				if got := newest(t, s); len(got) != 1 || math.Abs(got[0].Value-30) > 1.5 || after.Pulses-before.Pulses < 8 || after.Rejected == 0 {
					t.Errorf("%+v, totals %+v then %+v: the meter has not come back", got, before, after)
				}
			})
		})
	}
}

// TestLineTrouble: a line that another program holds, and a chip that goes away.
func TestLineTrouble(t *testing.T) {
	onLine(t, meter(), func(l *fakeLine, s *Source) {
		set := func(refuse, gone error) {
			l.mu.Lock()
			l.refuse, l.gone = refuse, gone
			l.mu.Unlock()
		}
		faulty := func(want string) {
			t.Helper()
			time.Sleep(300 * time.Millisecond)
			if got := newest(t, s); len(got) != 1 || !strings.Contains(got[0].Fault, want) {
				t.Errorf("%+v, want %q", got, want)
			}
		}
		set(errLineHeld, errNoLine)
		faulty("no such GPIO line")
		set(errLineHeld, nil)
		time.Sleep(time.Second)
		faulty("another program holds")
		set(errNoRight, nil)
		time.Sleep(time.Second)
		faulty("may not be read")
		set(nil, nil)
		time.Sleep(time.Second)
		l.pulses(1000, time.Millisecond)
		if got := newest(t, s); len(got) != 1 || got[0].Fault != "" || math.Abs(got[0].Value-1000*60/450.0) > 2 {
			t.Errorf("%+v after the line has come back", got)
		}
	})
}

// TestCountGoesRound: the kernel's number goes from 2³²−1 to 0.
func TestCountGoesRound(t *testing.T) {
	p := &pulseMeter{channel: box.MainFlow, Pulses: meter(), every: 100 * time.Millisecond, clock: func() time.Duration { return time.Second }}
	p.seen = edge{seq: math.MaxUint32 - 1}
	p.from = p.seen
	p.edges = []edge{{at: 500 * time.Millisecond, seq: math.MaxUint32}, {at: time.Second, seq: 5}}
	if got := p.flow(nil); len(got) != 1 || got[0].Value != 7*60/450.0 || p.counted.Load() != 7 {
		t.Errorf("%+v, %d counted; want 7 pulses in a second", got, p.counted.Load())
	}
}

func TestTotalsGoOn(t *testing.T) {
	onLine(t, meter(), func(l *fakeLine, s *Source) {
		s.Restore(map[box.Channel]Total{box.MainFlow: {Pulses: 1000, Rejected: 7}, box.StockDraw: {Pulses: 5}})
		l.pulses(100, 10*time.Millisecond)
		time.Sleep(200 * time.Millisecond)
		if got := s.Totals(); len(got) != 1 || got[box.MainFlow] != (Total{1100, 7}) {
			t.Errorf("%+v", got)
		}
	})
}
