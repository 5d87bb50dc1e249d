package engine_test

import (
	"testing"

	"boxd/internal/engine"
)

// TestArrivalsAreForeseen holds what is foreseen for the last emitter, half way
// there, against the true times of a general-purpose solver. The front of plug
// flow is the middle of a real one; the clean water is never foreseen too soon.
// How near is near enough is this project's own aim, no source.
func TestArrivalsAreForeseen(t *testing.T) {
	for _, id := range []string{"a-clean-1", "c-filter-1", "e-drift-1"} {
		s := load(t, id)
		w := s.truth.Times
		g := engine.New(s.config)
		looked := 0
		for i := range s.rows {
			in := s.rows[i].Input(!s.config.Observe)
			in.Wall = day()
			g.Step(in)
			v := g.View()
			switch v.T {
			case float64(int((w.Start + w.Half) / 2)):
				looked++
				if f := v.Progress.FrontAtEndT; f == nil || *f < w.Half-0.03*(w.Half-w.Start) || *f > w.Half+0.03*(w.Half-w.Start) {
					t.Errorf("%s: at %.0f s the front is foreseen for %v, true %.0f", id, v.T, show(f), w.Half)
				}
			case float64(int((w.End + w.Clean) / 2)):
				looked++
				if c := v.Progress.CleanAtEndT; c == nil || *c < w.Clean || *c > w.Clean+0.08*(w.Clean-w.End) {
					t.Errorf("%s: at %.0f s clean water is foreseen for %v, true %.0f", id, v.T, show(c), w.Clean)
				}
			}
		}
		if v := g.View(); looked != 2 || v.Progress.FrontAtEndT != nil || v.Progress.CleanAtEndT != nil {
			t.Errorf("%s: looked %d times; at the end %v and %v are foreseen", id, looked, show(v.Progress.FrontAtEndT), show(v.Progress.CleanAtEndT))
		}
	}
}

func show(v *float64) any {
	if v == nil {
		return "unknown"
	}
	return *v
}
