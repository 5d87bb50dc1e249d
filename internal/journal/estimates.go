package journal

import (
	"context"
	"encoding/json"
	"fmt"
	"iter"
	"time"

	"boxd/internal/engine"
)

// Estimates are what was estimated at a moment of a run, by name; the unit of a
// value is in its name.
type Estimates struct {
	T    float64 // core seconds; in an Account's run, seconds of the run
	Wall time.Time
	Of   map[string]Estimated
}

// Estimated is one estimate: a number with its standard deviation, or a word.
// Without either it was unknown.
type Estimated struct {
	Value   *float64 `json:"value,omitempty"`
	Sigma   *float64 `json:"sigma,omitempty"`
	Word    string   `json:"word,omitempty"`
	Quality string   `json:"quality"`
}

// EstimatesOf takes from a view what is kept.
func EstimatesOf(v *engine.View) *Estimates {
	e := &Estimates{T: v.T, Wall: v.Wall, Of: make(map[string]Estimated, len(v.Estimates))}
	for i := range v.Estimates {
		x := &v.Estimates[i]
		e.Of[x.Name] = Estimated{x.Value, x.Sigma, x.Word, x.Quality}
	}
	return e
}

func (c *commit) estimates(ctx context.Context, run string, e *Estimates) error {
	text, err := json.Marshal(e.Of)
	if err != nil {
		return fmt.Errorf("the estimates given: %w", err)
	}
	_, err = c.exec(ctx, c.st.estimates, run, nanos(e.Wall), e.T, string(text))
	return err
}

// Estimates are those of a run in their order, times in core seconds. An error
// ends the sequence.
func (j *Journal) Estimates(ctx context.Context, run string) iter.Seq2[*Estimates, error] {
	return func(yield func(*Estimates, error) bool) {
		rows, err := j.reader.QueryContext(ctx, "SELECT wall, t, json FROM estimates WHERE run = ? ORDER BY n", run)
		if err != nil {
			yield(nil, j.explain("read", err))
			return
		}
		defer func() { _ = rows.Close() }()
		for rows.Next() {
			var e Estimates
			var at int64
			var text string
			err := rows.Scan(&at, &e.T, &text)
			if err == nil {
				err = json.Unmarshal([]byte(text), &e.Of)
			}
			if e.Wall = wall(at); !yield(&e, err) || err != nil {
				return
			}
		}
		if err := rows.Err(); err != nil {
			yield(nil, j.explain("read", err))
		}
	}
}
