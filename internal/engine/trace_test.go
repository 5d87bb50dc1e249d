package engine_test

// The four reference traces, whose true times a general-purpose solver gave
// (cmd/boxd/testdata/traces/README.md), are played whole, thinned, made noisy,
// cut and stripped of channels. "Never early" is absolute wherever the lines
// are whole: the flush is done no sooner than clean water stays at the last
// emitter. The late bounds are this project's own aims, no source.

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"boxd/config"
	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/record"
)

const traces = "../../cmd/boxd/testdata/traces"

// day is the label on every input: within the papers of the traces' blocks.
func day() time.Time { return time.Date(2026, 5, 6, 0, 0, 0, 0, time.UTC) }

// scene is a reference trace in memory, with its true times.
type scene struct {
	id     string
	config engine.Config
	rows   []record.Row
	truth  truth
	burst  bool // a row burst: its own plants can't be judged
}

type truth struct {
	Times struct {
		Pressure float64 `json:"lines_full_and_at_pressure"`
		Start    float64 `json:"injection_start"`
		End      float64 `json:"injection_end"`
		Clean    float64 `json:"far_end_within_5pct_for_good"`
		Closed   float64 `json:"main_valve_finally_closed"`
		Half     float64 `json:"far_end_reaches_50pct_of_rise"`
	} `json:"times_s"`
	Hazards struct {
		Burst float64 `json:"burst_onset_s"`
		Clog  float64 `json:"filter_differential_above_35kpa_s"`
	} `json:"hazards"`
}

func load(t testing.TB, id string) scene {
	t.Helper()
	s := scene{id: id}
	raw, err := os.ReadFile(filepath.Join(traces, id+".truth.json"))
	check(t, err)
	check(t, json.Unmarshal(raw, &s.truth))
	s.burst = s.truth.Hazards.Burst > 0
	cfg, err := config.Load(filepath.Join(traces, id+".yaml"))
	check(t, err)
	s.config, err = cfg.Engine("")
	check(t, err)
	f, err := os.Open(filepath.Join(traces, id+".csv.gz"))
	check(t, err)
	defer f.Close()
	z, err := gzip.NewReader(f)
	check(t, err)
	rd, err := record.NewTraceReader(id, z)
	check(t, err)
	for {
		row, err := rd.Next()
		if errors.Is(err, io.EOF) {
			return s
		}
		check(t, err)
		row.Samples, row.Deeds = slices.Clone(row.Samples), slices.Clone(row.Deeds)
		s.rows = append(s.rows, row)
	}
}

func check(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func ids() []string { return []string{"a-clean-1", "c-filter-1", "e-drift-1", "g-burst-1"} }

// run plays rows through a fresh core and keeps all events.
func (s scene) run() (*engine.Engine, []engine.Event) {
	g := engine.New(s.config)
	var events []engine.Event
	for i := range s.rows {
		in := s.rows[i].Input(!s.config.Observe)
		in.Wall = day()
		events = append(events, g.Step(in).Events...)
	}
	return g, append(events, g.Finish().Events...)
}

// change gives the scene other rows; f may keep, edit or drop a row, which is
// its own copy.
func (s scene) change(f func(i int, r *record.Row) bool) scene {
	var rows []record.Row
	for i, r := range s.rows {
		r.Samples, r.Deeds = slices.Clone(r.Samples), slices.Clone(r.Deeds)
		if f(i, &r) {
			rows = append(rows, r)
		}
	}
	s.rows = rows
	return s
}

// without takes channels out of the trace, as if its columns were absent.
func (s scene) without(channels ...box.Channel) scene {
	return s.change(func(_ int, r *record.Row) bool {
		r.Samples = slices.DeleteFunc(r.Samples, func(x box.Sample) bool { return slices.Contains(channels, x.Channel) })
		return true
	})
}

// at is when a milestone was last reached, -1 if never.
func at(events []engine.Event, name string) float64 {
	t := -1.0
	for _, e := range events {
		if e.Kind == engine.MilestoneEvent && e.Name == name {
			t = e.T
		}
	}
	return t
}

// first is the first event that f picks.
func first(events []engine.Event, f func(e engine.Event) bool) *engine.Event {
	if i := slices.IndexFunc(events, f); i >= 0 {
		return &events[i]
	}
	return nil
}

func alarmed(events []engine.Event, id, state string) *engine.Event {
	return first(events, func(e engine.Event) bool {
		return e.Kind == engine.AlarmEvent && e.ID == id && e.State == state
	})
}

func summary(events []engine.Event) *engine.Summary {
	if e := first(events, func(e engine.Event) bool { return e.Kind == engine.SummaryEvent }); e != nil {
		return e.Sum
	}
	return nil
}

// aims are the bounds of one variant: seconds either side of the truth, and
// how late the flush may be, as a part of its true length.
type aims struct {
	pressure, injection, flush float64
	none                       bool // a flush that isn't said done is right too
}

func (s scene) judge(t *testing.T, a aims) {
	t.Helper()
	_, events := s.run()
	want := s.truth.Times
	within := func(name string, want, by float64) {
		if got := at(events, name); got < want-by || got > want+by {
			t.Errorf("%s at %.0f s, true %.0f ± %.0f", name, got, want, by)
		}
	}
	within("pressurised", want.Pressure, a.pressure)
	within("injection_started", want.Start, a.injection)
	within("injection_ended", want.End, a.injection)
	late := a.flush * (want.Clean - want.End)
	done := at(events, "flush_done")
	t.Logf("pressurised %+.0f s, injection %+.0f/%+.0f s, clean at box %+.0f s, flush %+.0f s (%+.1f %%)",
		at(events, "pressurised")-want.Pressure, at(events, "injection_started")-want.Start, at(events, "injection_ended")-want.End,
		at(events, "clean_at_box")-want.End, done-want.Clean, 100*(done-want.Clean)/(want.Clean-want.End))
	switch {
	case done < 0 && a.none:
		if word := summary(events).Flush; word == "done" {
			t.Errorf("flush_done never said, but the summary says %q", word)
		}
	case done < want.Clean:
		t.Errorf("flush_done at %.0f s, before clean water at the last emitter (%.0f s)", done, want.Clean)
	case done > want.Clean+late:
		t.Errorf("flush_done at %.0f s, later than %.0f + %.0f s", done, want.Clean, late)
	}
}

// variant is one way to spoil a trace.
type variant struct {
	name  string
	aims  aims
	spoil func(s scene) scene
	only  string // ids it is for, all when empty
}

func variants() []variant {
	whole, volume := aims{25, 20, 0.08, false}, aims{25, 20, 0.12, false}
	// Five seconds between samples: three of them make a median and a stroke.
	thin := aims{45, 40, 0.11, false}
	return []variant{
		{"as recorded", whole, func(s scene) scene { return s }, ""},
		{"no line-end probe", volume, func(s scene) scene { return s.without(box.EndEC) }, ""},
		{"thinned to 0.2 Hz", thin, func(s scene) scene {
			return s.change(func(i int, r *record.Row) bool {
				if i%5 != 0 {
					r.Samples = nil
				}
				return i%5 == 0 || len(r.Deeds) > 0
			})
		}, ""},
		{"noise", aims{30, 20, 0.10, false}, func(s scene) scene { return s.noisy(1) }, ""},
		{"noise, other seed, no probe", aims{30, 20, 0.12, false}, func(s scene) scene { return s.noisy(2).without(box.EndEC) }, ""},
		{"single-sample spikes", whole, func(s scene) scene { return s.spiked(3) }, ""},
		{"10 s drop-outs", aims{35, 20, 0.10, false}, func(s scene) scene { return s.gaps(4) }, ""},
		{"flow meter 1.5 % high", whole, func(s scene) scene { return s.gain(1.015) }, ""},
		{"flow meter 1.5 % low", whole, func(s scene) scene { return s.gain(0.985) }, ""},
		{"flow meter 1.5 % high, no probe", volume, func(s scene) scene { return s.gain(1.015).without(box.EndEC) }, "a c e"},
		{"flow meter 1.5 % low, no probe", aims{25, 20, 0.13, false}, func(s scene) scene { return s.gain(0.985).without(box.EndEC) }, "a c e"},
		{"no stock meter", whole, func(s scene) scene { return s.without(box.StockDraw) }, ""},
		{"no branch meter", whole, func(s scene) scene { return s.without(box.InjectorFlow) }, ""},
		{"neither", aims{25, 40, 0.08, false}, func(s scene) scene { return s.without(box.StockDraw, box.InjectorFlow) }, ""},
		// Lost early the box's own return is seen late; lost later less is counted.
		{"stock and branch meters stuck at nothing", aims{25, 30, 0.08, false}, func(s scene) scene { return s.stuckAtNothing(box.StockDraw, box.InjectorFlow) }, ""},
		{"flow lost for 10 min after injecting", aims{25, 20, 0.60, true}, func(s scene) scene { return s.lost(0, 600, box.MainFlow) }, ""},
		{"the same, no probe", aims{25, 20, 0.60, true}, func(s scene) scene { return s.lost(0, 600, box.MainFlow).without(box.EndEC) }, ""},
		{"flow lost for 5 min in the flush, no probe", aims{25, 20, 0.15, true}, func(s scene) scene { return s.lost(0.5, 300, box.MainFlow).without(box.EndEC) }, ""},
		{"flow and header lost for 5 min in the flush, no probe", aims{25, 20, 0.35, true}, func(s scene) scene {
			return s.lost(0.5, 300, box.MainFlow, box.HeaderPressure).without(box.EndEC)
		}, ""},
		{"EC at the box lost for 3 min, no probe", aims{25, 20, 0.20, true}, func(s scene) scene { return s.lost(0, 180, box.BoxEC).without(box.EndEC) }, ""},
		{"EC at the box lost for good", aims{25, 20, 0.20, true}, func(s scene) scene { return s.lost(0, 1e5, box.BoxEC) }, ""},
		{"line-end probe lost for the rest", aims{25, 20, 0.12, false}, func(s scene) scene { return s.lost(0.2, 1e5, box.EndEC) }, ""},
		{"nobody there", whole, func(s scene) scene { s.config.Observe = true; return s }, ""},
		{"nobody there, no probe", volume, func(s scene) scene { s.config.Observe = true; return s.without(box.EndEC) }, ""},
	}
}

func (s scene) noisy(seed uint64) scene {
	rnd := rand.New(rand.NewPCG(seed, 0))
	return s.change(func(_ int, r *record.Row) bool {
		for i := range r.Samples {
			x := &r.Samples[i]
			switch c := x.Channel; {
			case c <= box.HeaderPressure:
				x.Value += rnd.NormFloat64()
			case c <= box.StockDraw:
				x.Value = max(0, x.Value*(1+0.02*rnd.NormFloat64()))
			case c <= box.EndEC:
				x.Value += 10 * rnd.NormFloat64()
			}
		}
		return true
	})
}

// spiked sends one sample in two hundred far off.
func (s scene) spiked(seed uint64) scene {
	rnd := rand.New(rand.NewPCG(seed, 0))
	return s.change(func(_ int, r *record.Row) bool {
		for i := range r.Samples {
			if x := &r.Samples[i]; rnd.IntN(200) == 0 && x.Channel != box.StockDraw && x.Channel != box.InjectorFlow {
				x.Value *= []float64{0, 3}[rnd.IntN(2)]
			}
		}
		return true
	})
}

// gaps silences each channel ten seconds at a time, a tenth of the time.
func (s scene) gaps(seed uint64) scene {
	rnd := rand.New(rand.NewPCG(seed, 0))
	var left [box.NumChannels]int
	return s.change(func(_ int, r *record.Row) bool {
		for c := range left {
			if left[c]--; left[c] < 0 && rnd.IntN(100) == 0 {
				left[c] = 10
			}
		}
		r.Samples = slices.DeleteFunc(r.Samples, func(x box.Sample) bool { return left[x.Channel] > 0 })
		return true
	})
}

// lost silences channels in the flush, when part of it is over.
func (s scene) lost(part, seconds float64, channels ...box.Channel) scene {
	from := s.truth.Times.End + 5 + part*(s.truth.Times.Clean-s.truth.Times.End)
	return s.change(func(_ int, r *record.Row) bool {
		r.Samples = slices.DeleteFunc(r.Samples, func(x box.Sample) bool {
			return r.T >= from && r.T < from+seconds && slices.Contains(channels, x.Channel)
		})
		return true
	})
}

func (s scene) stuckAtNothing(channels ...box.Channel) scene {
	return s.change(func(_ int, r *record.Row) bool {
		for i := range r.Samples {
			if slices.Contains(channels, r.Samples[i].Channel) {
				r.Samples[i].Value = 0
			}
		}
		return true
	})
}

func (s scene) gain(k float64) scene {
	return s.change(func(_ int, r *record.Row) bool {
		for i := range r.Samples {
			if r.Samples[i].Channel == box.MainFlow {
				r.Samples[i].Value *= k
			}
		}
		return true
	})
}

func TestTraces(t *testing.T) {
	for _, id := range ids() {
		s := load(t, id)
		for i, v := range variants() {
			if raced && i%6 != 0 {
				continue
			}
			if v.only != "" && !strings.Contains(v.only, id[:1]) {
				continue
			}
			t.Run(id+"/"+v.name, func(t *testing.T) { v.spoil(s).judge(t, v.aims) })
		}
	}
}

// TestTraceHazards: what the traces were made to show is said, in time; a clean
// run raises nothing.
func TestTraceHazards(t *testing.T) {
	for _, id := range ids() {
		s := load(t, id)
		for _, observe := range []bool{false, true} {
			s.config.Observe = observe
			_, events := s.run()
			var raised []string
			for _, e := range events {
				if e.Kind == engine.AlarmEvent && e.State == "raised" {
					raised = append(raised, e.ID)
				}
			}
			want := map[string][]string{"c-filter-1": {"filter-clogging"}, "g-burst-1": {"flow-above-expected"}}[id]
			if !slices.Equal(raised, want) {
				t.Errorf("%s, observe %v: raised %v, want %v", id, observe, raised, want)
			}
			if e := alarmed(events, "flow-above-expected", "raised"); s.burst && (e.T < s.truth.Hazards.Burst || e.T > s.truth.Hazards.Burst+30) {
				t.Errorf("%s: burst at %.0f s, said at %.0f s", id, s.truth.Hazards.Burst, e.T)
			}
			if e := alarmed(events, "filter-clogging", "raised"); e != nil && e.T > s.truth.Hazards.Clog {
				t.Errorf("%s: clogging said at %.0f s, after 35 kPa was passed at %.0f s", id, e.T, s.truth.Hazards.Clog)
			}
			if sum := summary(events); sum.Observed != observe || sum.Flush != "done" {
				t.Errorf("%s: summary %+v", id, sum)
			}
		}
	}
}

// TestTraceSameBytes: the same inputs give the same bytes.
func TestTraceSameBytes(t *testing.T) {
	for _, id := range ids() {
		a, b := lines(t, load(t, id)), lines(t, load(t, id))
		if !bytes.Equal(a, b) {
			t.Errorf("%s: two runs differ", id)
		}
		if len(a) < 1000 {
			t.Errorf("%s: only %d bytes came out", id, len(a))
		}
	}
}

// lines are the events as a replay prints them, and the last view.
func lines(t testing.TB, s scene) []byte {
	t.Helper()
	var out bytes.Buffer
	enc := json.NewEncoder(&out)
	g, events := s.run()
	for i := range events {
		check(t, enc.Encode(&events[i]))
	}
	check(t, enc.Encode(g.View()))
	return out.Bytes()
}

// closedAt has the person close the shutoff valve at t: what follows are still
// lines, as the end of the trace shows them.
func (s scene) closedAt(t float64) scene {
	tail := slices.IndexFunc(s.rows, func(r record.Row) bool { return slices.Contains(r.Deeds, box.MainClosed) })
	cut := slices.IndexFunc(s.rows, func(r record.Row) bool { return r.T >= t })
	rows := slices.Clone(s.rows[:cut])
	for _, r := range s.rows[tail:] {
		r.T += t - s.rows[tail].T
		rows = append(rows, r)
	}
	s.rows = rows
	return s
}

func TestClosedEarly(t *testing.T) {
	for _, id := range ids() {
		s := load(t, id)
		if s.burst {
			continue
		}
		previous := 101.0
		for _, part := range []float64{0.3, 0.6, 0.9} {
			w := s.truth.Times
			_, events := s.closedAt(float64(int(w.End + part*(w.Clean-w.End)))).run()
			sum := summary(events)
			if sum.Flush != "incomplete" || sum.UndeliveredPct == nil || sum.LastEmitterDelivered == nil {
				t.Fatalf("%s closed at %.0f %%: %+v", id, 100*part, sum)
			}
			if *sum.UndeliveredPct <= 0 || *sum.UndeliveredPct >= previous {
				t.Errorf("%s closed at %.0f %%: %v %% undelivered, before it was %v", id, 100*part, *sum.UndeliveredPct, previous)
			}
			if at(events, "flush_done") >= 0 || alarmed(events, "flush-incomplete", "raised") == nil {
				t.Errorf("%s closed at %.0f %%: flush_done %v, alarms %v", id, 100*part, at(events, "flush_done"), alarmed(events, "flush-incomplete", "raised"))
			}
			previous = *sum.UndeliveredPct
		}
	}
}

// TestNoBackflowPapers: without declared protection the core goes on observing,
// and says why it gives no advice to inject.
func TestNoBackflowPapers(t *testing.T) {
	for _, id := range ids() {
		s := load(t, id)
		s.config.Backflow.Declared = false
		_, events := s.run()
		held := first(events, func(e engine.Event) bool { return e.Kind == engine.HoldEvent && e.On == "inject" })
		if held == nil || !strings.Contains(held.Reason, "backflow protection") || !strings.Contains(held.Text, "licensed tester") {
			t.Errorf("%s: hold %+v", id, held)
		}
		if e := alarmed(events, "backflow-protection-missing", "raised"); e == nil || e.Priority != "critical" {
			t.Errorf("%s: alarm %+v", id, e)
		}
		advised := first(events, func(e engine.Event) bool {
			return e.Kind == engine.AdviceEvent && (e.Deed == box.InjectorOn.String() || e.Deed == box.LoopThrottled.String())
		})
		if advised != nil {
			t.Errorf("%s: advised to inject: %s", id, advised.Text)
		}
		sum := summary(events)
		if sum == nil || !sum.Observed || sum.Flush != "done" {
			t.Errorf("%s: summary %+v", id, sum)
		}
	}
}

// TestRefusedPapers: what the papers must say, on the day.
func TestRefusedPapers(t *testing.T) {
	s := load(t, "e-drift-1")
	s.rows = s.rows[:3]
	for _, c := range []struct {
		due, last string
		held      bool
	}{
		{"2026-05-06", "2025-05-06", false}, // due today is not overdue
		{"2026-05-04", "2025-05-04", true},
		{"", "2025-06-01", false}, // a year is common practice, no source
		{"", "2025-05-01", true},
		{"", "", true},
	} {
		s.config.Backflow.NextDue, s.config.Backflow.LastTest = date(t, c.due), date(t, c.last)
		_, events := s.run()
		if held := first(events, func(e engine.Event) bool { return e.Kind == engine.HoldEvent && e.ID == "backflow-protection-missing" }); (held != nil) != c.held {
			t.Errorf("last test %q, next due %q: %v", c.last, c.due, held)
		}
	}
}

func date(t *testing.T, s string) time.Time {
	t.Helper()
	if s == "" {
		return time.Time{}
	}
	d, err := time.Parse(time.DateOnly, s)
	check(t, err)
	return d
}

func BenchmarkReplayTrace(b *testing.B) {
	for _, id := range ids() {
		s := load(b, id)
		b.Run(id, func(b *testing.B) {
			for b.Loop() {
				if _, events := s.run(); len(events) < 10 {
					b.Fatal(fmt.Sprint("too few events: ", len(events)))
				}
			}
			b.ReportMetric(float64(len(s.rows)*b.N)/b.Elapsed().Seconds(), "rows/s")
		})
	}
}
