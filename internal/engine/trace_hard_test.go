package engine_test

// The reference traces once more, spoilt where it hurts: at the instants of
// decision, by meters that all err, by pulses, coarse steps, other sampling and
// clocks that jump. "Never early" stays absolute; the other bounds are those of
// trace_test.go, wider where samples are missing.

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/record"
)

// instants are the true times of the decisions.
func (s scene) instants() []float64 {
	w := s.truth.Times
	return []float64{w.Pressure, w.Start, w.End, w.End + 40, w.Clean - 60, w.Clean, w.Clean + 60}
}

// close reports whether t is within by of an instant of decision.
func (s scene) close(t, by float64) bool {
	return slices.ContainsFunc(s.instants(), func(x float64) bool { return math.Abs(t-x) < by })
}

// mute silences channels for ten seconds around every instant.
func (s scene) mute(channels ...box.Channel) scene {
	return s.change(func(_ int, r *record.Row) bool {
		if s.close(r.T, 5) {
			r.Samples = slices.DeleteFunc(r.Samples, func(x box.Sample) bool { return slices.Contains(channels, x.Channel) })
		}
		return true
	})
}

// shape changes every sample.
func (s scene) shape(f func(t float64, x *box.Sample)) scene {
	return s.change(func(_ int, r *record.Row) bool {
		for i := range r.Samples {
			f(r.T, &r.Samples[i])
		}
		return true
	})
}

// gains has the meters err by 1.5 %, each by its own sign.
func (s scene) gains(main, branch, stock, ec float64) scene {
	by := map[box.Channel]float64{box.MainFlow: main, box.InjectorFlow: branch, box.StockDraw: stock, box.BoxEC: ec, box.EndEC: ec}
	return s.shape(func(_ float64, x *box.Sample) { x.Value *= 1 + 0.015*by[x.Channel] })
}

// spikes sends one sample far off on every channel at every instant, and one a
// few seconds before.
func (s scene) spikes(times float64) scene {
	return s.shape(func(t float64, x *box.Sample) {
		if s.close(t, 0.5) || s.close(t+7, 0.5) {
			x.Value *= times
		}
	})
}

// pulses: the supply pumps every seven seconds, the injector draws in strokes of
// four, half of each at rest.
func (s scene) pulses() scene {
	return s.shape(func(t float64, x *box.Sample) {
		pump := math.Sin(2 * math.Pi * t / 7)
		switch c := x.Channel; {
		case c <= box.HeaderPressure:
			x.Value += 2 * pump
		case c == box.MainFlow:
			x.Value *= 1 + 0.04*pump
		case c == box.StockDraw:
			x.Value *= 1 + math.Copysign(1, math.Sin(2*math.Pi*(t+0.5)/4))
		}
	})
}

// coarse rounds to what poor instruments resolve.
func (s scene) coarse() scene {
	return s.shape(func(_ float64, x *box.Sample) {
		step := 20.0 // µS/cm
		switch c := x.Channel; {
		case c <= box.HeaderPressure:
			step = 2
		case c == box.MainFlow:
			step = 0.1
		case c == box.InjectorFlow:
			step = 0.05
		case c == box.StockDraw:
			step = 0.005
		case c >= box.WaterTemp:
			step = 1
		}
		x.Value = step * math.Round(x.Value/step)
	})
}

// tenHertz puts nine rows between every two, along straight lines and with noise
// of its own.
func (s scene) tenHertz(seed uint64) scene {
	rnd := rand.New(rand.NewPCG(seed, 0))
	var rows []record.Row
	for i, r := range s.rows {
		rows = append(rows, r)
		if i+1 == len(s.rows) {
			break
		}
		next := s.rows[i+1]
		for k := 1; k < 10; k++ {
			part := float64(k) / 10
			row := record.Row{T: r.T + part*(next.T-r.T)}
			for _, x := range r.Samples {
				if j := slices.IndexFunc(next.Samples, func(y box.Sample) bool { return y.Channel == x.Channel }); j >= 0 {
					x.Value += part * (next.Samples[j].Value - x.Value)
					x.Value *= 1 + 0.003*rnd.NormFloat64()
					row.Samples = append(row.Samples, x)
				}
			}
			rows = append(rows, row)
		}
	}
	s.rows = rows
	return s
}

// rowsLost takes a third of the rows out, by chance; what a person did stays.
func (s scene) rowsLost(seed uint64) scene {
	rnd := rand.New(rand.NewPCG(seed, 0))
	return s.change(func(_ int, r *record.Row) bool { return rnd.IntN(3) > 0 || len(r.Deeds) > 0 })
}

// cut takes all rows out for so long, from a part of the flush on: nobody looked.
func (s scene) cut(part, seconds float64) scene {
	w := s.truth.Times
	from := w.End + part*(w.Clean-w.End)
	return s.change(func(_ int, r *record.Row) bool { return r.T < from || r.T >= from+seconds || len(r.Deeds) > 0 })
}

func hardVariants() []variant {
	whole, volume := aims{25, 20, 0.08, false}, aims{25, 20, 0.13, false}
	muted := aims{40, 35, 0.10, false}
	out := []variant{
		{"all meters 1.5 % high", whole, func(s scene) scene { return s.gains(1, 1, 1, 1) }, ""},
		{"all meters 1.5 % low", whole, func(s scene) scene { return s.gains(-1, -1, -1, -1) }, ""},
		{"meters 1.5 % off, main high and the others low", whole, func(s scene) scene { return s.gains(1, -1, -1, -1) }, ""},
		{"meters 1.5 % off, main low and the others high", whole, func(s scene) scene { return s.gains(-1, 1, 1, 1) }, ""},
		{"the same, no probe", volume, func(s scene) scene { return s.gains(-1, 1, 1, 1).without(box.EndEC) }, ""},
		{"spikes up at the instants of decision", whole, func(s scene) scene { return s.spikes(3) }, ""},
		{"spikes to nothing at the instants of decision", whole, func(s scene) scene { return s.spikes(0) }, ""},
		{"pulses", whole, func(s scene) scene { return s.pulses() }, ""},
		{"pulses, no probe", volume, func(s scene) scene { return s.pulses().without(box.EndEC) }, ""},
		{"coarse steps", aims{30, 25, 0.10, false}, func(s scene) scene { return s.coarse() }, ""},
		{"a third of the rows lost", aims{25, 20, 0.12, false}, func(s scene) scene { return s.rowsLost(7) }, ""},
		{"a third of the rows lost, no probe", volume, func(s scene) scene { return s.rowsLost(8).without(box.EndEC) }, ""},
		{"ten samples a second", whole, func(s scene) scene { return s.tenHertz(5) }, ""},
		{"ten samples a second, no probe", volume, func(s scene) scene { return s.tenHertz(6).without(box.EndEC) }, ""},
		{"nobody looked for 50 s in the flush", volume, func(s scene) scene { return s.cut(0.5, 50).without(box.EndEC) }, ""},
		// Counted anew: half the flush, the gap and a whole one.
		{"nobody looked for 5 min in the flush", aims{25, 20, 0.90, true}, func(s scene) scene { return s.cut(0.5, 300) }, ""},
		{"the same without a probe", aims{25, 20, 0.90, true}, func(s scene) scene { return s.cut(0.5, 300).without(box.EndEC) }, ""},
		{"nobody looked for 3 min from the end of injecting", aims{25, 220, 0.50, true}, func(s scene) scene { return s.cut(-0.02, 180).without(box.EndEC) }, ""},
		{"every channel silent for 10 s at every instant", muted, func(s scene) scene { return s.mute(everyChannel()...) }, ""},
	}
	for _, c := range everyChannel() {
		out = append(out, variant{c.String() + " silent for 10 s at every instant", muted, func(s scene) scene { return s.mute(c) }, ""})
	}
	return out
}

func everyChannel() []box.Channel {
	var out []box.Channel
	for c := box.SupplyPressure; c <= box.EndEC; c++ {
		out = append(out, c)
	}
	return out
}

func TestTracesSpoilt(t *testing.T) {
	for _, id := range ids() {
		s := load(t, id)
		for i, v := range hardVariants() {
			if raced && i%8 != 0 {
				continue
			}
			t.Run(id+"/"+v.name, func(t *testing.T) { v.spoil(s).judge(t, v.aims) })
		}
	}
}

// TestClockJumps: the wall clock stands at its start, jumps by years and back: no
// milestone moves, for every timer uses elapsed time. (What the papers say on a
// wrong date is tested elsewhere; here they are of no date.)
func TestClockJumps(t *testing.T) {
	s := load(t, "a-clean-1")
	_, want := s.run()
	g := engine.New(s.config)
	var got []engine.Event
	for i := range s.rows {
		in := s.rows[i].Input(!s.config.Observe)
		switch t := s.rows[i].T; {
		case t < 300: // not set yet
		case t < 900:
			in.Wall = day().Add(time.Duration(t) * time.Second)
		case t < 1500:
			in.Wall = day().Add(-36 * time.Hour)
		default:
			in.Wall = day().Add(40*24*time.Hour + time.Duration(t)*time.Second)
		}
		got = append(got, g.Step(in).Events...)
	}
	got = append(got, g.Finish().Events...)
	for _, name := range []string{"lines_full", "pressurised", "injection_started", "injection_ended", "clean_at_box", "flush_done", "secured"} {
		if a, b := at(want, name), at(got, name); a != b || a < 0 {
			t.Errorf("%s at %v s, with a jumping clock at %v s", name, a, b)
		}
	}
}
