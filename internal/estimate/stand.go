package estimate

import (
	"time"

	"boxd/internal/box"
)

// judgements are the yes and no of one turn.
type judgements struct{ flowing, filled, pressurised, drawing, atBox, atEnd Tri }

func (j *judgements) of(o *Estimates) {
	j.flowing, j.filled, j.pressurised, j.drawing = o.Flowing, o.Filled, o.Pressurised, o.Drawing
	j.atBox, j.atEnd = tri(o.CleanAtBox), o.CleanAtEnd
}

// stand notes what this turn's judgements stand on. Full, at pressure and clean
// stay said while nothing speaks to them; they grow old then.
func (e *Estimator) stand(r *box.Readings) {
	o, s, was := &e.out, &e.out.Standing, &e.was
	o.CleanAtEnd = o.cleanAtEnd()
	main := basisOf(&r.Main)
	lines := main.with(basisOf(&r.Header))
	s.Flowing.hear(e.now, o.Flowing != was.flowing, main)
	s.Filled.hear(e.now, o.Filled != was.filled, lines)
	s.Pressurised.hear(e.now, o.Pressurised != was.pressurised, lines)
	s.Drawing.hear(e.now, o.Drawing != was.drawing, drawnBy(r))
	s.CleanAtBox.hear(e.now, tri(o.CleanAtBox) != was.atBox, main.with(basisOf(&r.BoxEC)))
	end := main
	if r.EndEC.Usable() && o.EndBase.Known {
		end = end.with(basisOf(&r.EndEC))
	}
	s.CleanAtEnd.hear(e.now, o.CleanAtEnd != was.atEnd, end)
	o.Baseline.Age, o.EndBase.Age = e.since(&e.baseWin.window), e.since(&e.endBaseWin.window)
	if o.Rise.Known {
		o.Rise.Age = e.now - e.draw.riseAt
	}
}

// drawnBy is the reading that stroke goes by.
func drawnBy(r *box.Readings) Basis {
	switch {
	case r.Stock.Usable():
		return basisOf(&r.Stock)
	case r.Branch.Usable():
		return basisOf(&r.Branch)
	}
	return basisOf(&r.BoxEC)
}

func (e *Estimator) since(w *window) time.Duration {
	if w.n == 0 {
		return 0
	}
	return e.now - time.Duration(w.newest()*float64(time.Second))
}

// cleanAtEnd: fertilizer has come to the last emitter and gone. Where one
// witness says so and the other does not, it is unknown.
func (o *Estimates) cleanAtEnd() Tri {
	f := &o.Flush
	switch {
	case !o.EverDrawn && !o.Carried.On:
		return Unknown
	case f.Done:
		return Yes
	case f.Volume == Clean || f.Probe == Clean, f.Probe == Absent && !f.Degraded.Empty():
		return Unknown
	}
	return No
}
