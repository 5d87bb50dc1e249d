package journal

import (
	"context"
	"fmt"

	"boxd/internal/box"
)

// Traces are a run's channels in few points, for a drawing: each stretch of time
// has the lowest and the highest value in it, so that no peak is lost.
type Traces struct {
	T       []float64             `json:"t"`       // seconds since the first input of the run
	Columns map[string][]*float64 `json:"columns"` // by trace column, in its unit; null: nothing was measured
}

// stretches is how many a drawing has at most.
const stretches = 500

// Traces are those of a run.
func (j *Journal) Traces(ctx context.Context, run string) (*Traces, error) {
	a, err := j.Account(ctx, run)
	if err != nil {
		return nil, err
	}
	x := &story{Account: a, j: j}
	var c curves
	n := 0
	for f, err := range x.frames(ctx) {
		if err != nil {
			return nil, fmt.Errorf("cannot draw run %s: %w", run, err)
		}
		c.span, n = f.T, n+1
	}
	if c.span <= 0 {
		return &Traces{T: []float64{}, Columns: map[string][]*float64{}}, nil
	}
	c.buckets = max(1, min(stretches, n/2))
	for f, err := range x.frames(ctx) {
		if err != nil {
			return nil, fmt.Errorf("cannot draw run %s: %w", run, err)
		}
		c.add(f)
	}
	return c.traces(), nil
}

func (c *curves) traces() *Traces {
	out := &Traces{Columns: map[string][]*float64{}}
	wide := c.span / float64(c.buckets)
	for i := range c.buckets {
		out.T = append(out.T, (float64(i)+0.25)*wide, (float64(i)+0.75)*wide)
	}
	for ch := range c.points {
		if !c.seen[ch] {
			continue
		}
		column := make([]*float64, 2*c.buckets)
		for i := range c.points[ch] {
			if b := &c.points[ch][i]; b.n > 0 {
				column[2*i], column[2*i+1] = &b.low, &b.high
				if b.last < b.first {
					column[2*i], column[2*i+1] = &b.high, &b.low
				}
			}
		}
		out.Columns[box.Channel(ch).Info().Column] = column
	}
	return out
}
