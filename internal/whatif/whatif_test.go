package whatif

// The runs are recorded traces whose truth was computed outside the project (see
// the README beside them). What a side must say is what a core that plays the
// trace alone says.

import (
	"bytes"
	"compress/gzip"
	"errors"
	"io"
	"iter"
	"os"
	"strings"
	"testing"

	"boxd/config"
	"boxd/internal/engine"
	"boxd/internal/record"
)

const (
	traces = "../../cmd/boxd/testdata/traces/"
	trace  = "a-clean-1.csv.gz"
)

func core(t *testing.T, change func(string) string) engine.Config {
	t.Helper()
	text, err := os.ReadFile(traces + "a-clean-1.yaml")
	if err != nil {
		t.Fatal(err)
	}
	cfg, err := config.Parse("box.yaml", []byte(change(string(text))))
	if err != nil {
		t.Fatal(err)
	}
	c, err := cfg.Engine("")
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func same(text string) string { return text }

// change takes the papers of the backflow device away and makes the tapes wider,
// so that more water has to go through them.
func change(text string) string {
	return strings.NewReplacer("backflow:", "# ", "15.9 mm", "17 mm").Replace(text)
}

// inputs are those of a trace, times from 100 s on, as in a core that has been on.
func inputs(t *testing.T, file string) iter.Seq2[*engine.Input, error] {
	t.Helper()
	b, err := os.ReadFile(traces + file)
	if err != nil {
		t.Fatal(err)
	}
	z, err := gzip.NewReader(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	if b, err = io.ReadAll(z); err != nil {
		t.Fatal(err)
	}
	return func(yield func(*engine.Input, error) bool) {
		rd, err := record.NewTraceReader(file, bytes.NewReader(b))
		if err != nil {
			yield(nil, err)
			return
		}
		for {
			row, err := rd.Next()
			if errors.Is(err, io.EOF) {
				return
			}
			in := row.Input(true)
			in.Mono += 100e9
			if !yield(&in, err) {
				return
			}
		}
	}
}

// alone is what a core says that plays the trace by itself: when each milestone is.
func alone(t *testing.T, c engine.Config, file string) (map[string]float64, *engine.Summary) {
	t.Helper()
	c.Replay = true
	g, at := engine.New(c), map[string]float64{}
	var sum *engine.Summary
	take := func(out engine.Output) {
		for _, e := range out.Events {
			if e.Kind == engine.MilestoneEvent {
				at[e.Name] = e.T - 100
			}
			if e.Sum != nil {
				sum = e.Sum
			}
		}
	}
	for in, err := range inputs(t, file) {
		if err != nil {
			t.Fatal(err)
		}
		take(g.Step(*in))
	}
	take(g.Finish())
	return at, sum
}

func noTick(float64) error { return nil }

func TestSameConfigurationSaysTheSame(t *testing.T) {
	c := core(t, same)
	r, err := Compare("r", inputs(t, trace), c, c, noTick)
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Lines) < 15 || r.A == nil || r.A.VolumeL != r.B.VolumeL {
		t.Errorf("%d lines, summaries %+v %+v", len(r.Lines), r.A, r.B)
	}
	for _, l := range r.Lines {
		if !l.Same() || l.A.Text != l.B.Text {
			t.Errorf("%s %s differs: %+v %+v", l.Kind, l.ID, l.A, l.B)
		}
	}
}

func TestOtherConfiguration(t *testing.T) {
	own, other := core(t, same), core(t, change)
	r, err := Compare("r", inputs(t, trace), own, other, noTick)
	if err != nil {
		t.Fatal(err)
	}
	wantA, sumA := alone(t, own, trace)
	wantB, sumB := alone(t, other, trace)
	differ, alarms := 0, 0
	for _, l := range r.Lines {
		if l.Kind == engine.AlarmEvent && l.A == nil {
			alarms++
		}
		if l.Kind != engine.MilestoneEvent {
			continue
		}
		for _, s := range []struct {
			got  *Saying
			want map[string]float64
		}{{l.A, wantA}, {l.B, wantB}} {
			at, ok := s.want[l.ID]
			if ok != (s.got != nil) || ok && s.got.T != at {
				t.Errorf("%s at %+v, want %g %v", l.ID, s.got, at, ok)
			}
		}
		if !l.Same() {
			differ++
		}
	}
	if differ == 0 || alarms == 0 {
		t.Errorf("%d milestones differ, %d alarms are new: the other configuration changes nothing", differ, alarms)
	}
	if r.A.Flush != sumA.Flush || r.B.Flush != sumB.Flush || r.B.VolumeL != sumB.VolumeL {
		t.Errorf("summaries %+v %+v", r.A, r.B)
	}
	for i := 1; i < len(r.Lines); i++ {
		if r.Lines[i].first() < r.Lines[i-1].first() {
			t.Fatalf("line %d is out of order", i)
		}
	}
}

func TestCompareEnds(t *testing.T) {
	c := core(t, same)
	enough := errors.New("enough")
	last := -1.0
	_, err := Compare("r", inputs(t, trace), c, c, func(at float64) error {
		if at < last {
			t.Errorf("told %g after %g", at, last)
		}
		if last = at; at > 300 {
			return enough
		}
		return nil
	})
	if !errors.Is(err, enough) || last > 400 {
		t.Errorf("ended at %g with %v", last, err)
	}
	if _, err := Compare("r", func(func(*engine.Input, error) bool) {}, c, c, noTick); err == nil {
		t.Error("a run without inputs is compared")
	}
	if _, err := Compare("r", inputs(t, trace), c, engine.Config{}, noTick); err == nil || !strings.Contains(err.Error(), "the core stopped") {
		t.Errorf("a core that can't work: %v", err)
	}
	torn := errors.New("torn")
	if _, err := Compare("r", func(yield func(*engine.Input, error) bool) { yield(nil, torn) }, c, c, noTick); !errors.Is(err, torn) {
		t.Errorf("error %v", err)
	}
}
