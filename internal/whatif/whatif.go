// Package whatif plays the inputs of a run to two cores with different
// configurations and sets side by side what each would have said. What persons
// did stays as it was: what they would have done on other advice nobody knows.
// It touches no core that is at work.
package whatif

import (
	"cmp"
	"fmt"
	"iter"
	"slices"
	"time"

	"boxd/internal/engine"
	"boxd/internal/say"
)

// Bounds of one comparison.
const (
	// MaxInputs is a day at twenty inputs a second.
	MaxInputs = 2_000_000
	// MaxLines is what each side may say.
	MaxLines = 5000
	tickEach = 64 // inputs between two ticks
)

// Result is what two configurations say of the same run. A is the run's own, B
// the other. Times are seconds since the first input.
type Result struct {
	Run    string          `json:"run"`
	Inputs int             `json:"inputs"`
	A      *engine.Summary `json:"own"` // null: the run had not begun by its end
	B      *engine.Summary `json:"other"`
	Lines  []Line          `json:"said"`
}

// Line is one thing that is said by either or by both.
type Line struct {
	Kind  engine.EventKind `json:"kind"`
	ID    string           `json:"id"` // of an alarm; a milestone's or step's name; the step that is held
	State string           `json:"state,omitempty"`
	A     *Saying          `json:"own"` // null: this side does not say it
	B     *Saying          `json:"other"`
}

// Same reports whether both sides say it within a second.
func (l *Line) Same() bool {
	return l.A != nil && l.B != nil && max(l.A.T-l.B.T, l.B.T-l.A.T) < 1
}

// Saying is when it is said and in what words.
type Saying struct {
	T    float64  `json:"t"`
	Text string   `json:"text"`
	Said say.Text `json:"-"` // Text for a reader to have in a voice of his own; may be empty
}

// Compare plays the inputs to a core of each configuration. Now and then it tells
// tick how far it is, in seconds of the run; an error of tick ends it. A
// configuration that the core can't work with is an error.
func Compare(run string, inputs iter.Seq2[*engine.Input, error], a, b engine.Config, tick func(t float64) error) (r *Result, err error) {
	defer func() {
		if p := recover(); p != nil {
			r, err = nil, fmt.Errorf("cannot replay run %s: the core stopped: %v", run, p)
		}
	}()
	a.Replay, b.Replay = true, true
	sides := [2]side{{core: engine.New(a)}, {core: engine.New(b)}}
	r = &Result{Run: run}
	var start time.Duration
	for in, err := range inputs {
		if err != nil {
			return nil, err
		}
		if r.Inputs == 0 {
			start = in.Mono
		}
		if r.Inputs%tickEach == 0 {
			if err := tick((in.Mono - start).Seconds()); err != nil {
				return nil, fmt.Errorf("cannot finish the replay of run %s: %w", run, err)
			}
		}
		if r.Inputs++; r.Inputs > MaxInputs {
			return nil, fmt.Errorf("cannot replay run %s: it has more than %d inputs", run, MaxInputs)
		}
		for i := range sides {
			sides[i].take(sides[i].core.Step(*in), start)
		}
	}
	if r.Inputs == 0 {
		return nil, fmt.Errorf("cannot replay run %s: no input of it is kept", run)
	}
	for i := range sides {
		sides[i].take(sides[i].core.Finish(), start)
	}
	r.A, r.B, r.Lines = sides[0].sum, sides[1].sum, match(sides[0].lines, sides[1].lines)
	return r, nil
}

// side is one core and what it has said.
type side struct {
	core  *engine.Engine
	sum   *engine.Summary
	lines []spoken
}

// spoken is a saying and what makes it the same as another's.
type spoken struct {
	kind       engine.EventKind
	id, state  string
	distinct   string // the sentence without its numbers
	occurrence int
	Saying
}

func (s *side) take(out engine.Output, start time.Duration) {
	for i := range out.Events {
		e := &out.Events[i]
		if e.Sum != nil {
			s.sum = e.Sum
		}
		if l, ok := spokenOf(e); ok && len(s.lines) < MaxLines {
			l.T = e.T - start.Seconds()
			s.lines = append(s.lines, l)
		}
	}
}

func spokenOf(e *engine.Event) (spoken, bool) {
	l := spoken{kind: e.Kind}
	switch e.Kind {
	case engine.StepEvent:
		l.id = e.Step
	case engine.MilestoneEvent:
		l.id = e.Name
	case engine.AlarmEvent:
		l.id, l.state, l.Text, l.Said = e.ID, e.State, e.Text, e.Said.Text
	case engine.AdviceEvent:
		l.id, l.Text, l.Said, l.distinct = e.Deed, e.Text, e.Said.Text, e.Said.Text.Format
	case engine.HoldEvent, engine.ReleaseEvent:
		l.id, l.Text, l.Said, l.distinct = e.On, e.Reason, e.Said.Reason, e.Said.Reason.Format
	case engine.NoteEvent:
		l.Text, l.Said, l.distinct = e.Text, e.Said.Text, e.Said.Text.Format
	case engine.ActionEvent, engine.RefusalEvent, engine.RunEvent, engine.SummaryEvent, engine.ForecastEvent, engine.OverrideEvent:
		return l, false
	}
	return l, true
}

// key is what two sayings share that are one line: the first of one side is the
// first of the other, the second the second.
type key struct {
	kind                engine.EventKind
	id, state, distinct string
	occurrence          int
}

func number(list []spoken) {
	seen := map[key]int{}
	for i := range list {
		k := list[i].key()
		seen[k]++
		list[i].occurrence = seen[k]
	}
}

func (s *spoken) key() key { return key{s.kind, s.id, s.state, s.distinct, s.occurrence} }

// match puts what both sides say on one line, in the order of time.
func match(a, b []spoken) []Line {
	number(a)
	number(b)
	var lines []Line
	at := map[key]int{}
	for i := range a {
		s := &a[i]
		at[s.key()] = len(lines)
		lines = append(lines, Line{s.kind, s.id, s.state, &s.Saying, nil})
	}
	for i := range b {
		s := &b[i]
		if n, ok := at[s.key()]; ok {
			lines[n].B = &s.Saying
			continue
		}
		lines = append(lines, Line{s.kind, s.id, s.state, nil, &s.Saying})
	}
	slices.SortStableFunc(lines, func(x, y Line) int { return cmp.Compare(x.first(), y.first()) })
	return lines
}

func (l *Line) first() float64 {
	switch {
	case l.A == nil:
		return l.B.T
	case l.B == nil:
		return l.A.T
	}
	return min(l.A.T, l.B.T)
}
