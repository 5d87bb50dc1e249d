package journal

import (
	"context"
	"fmt"
	"slices"
	"time"

	"boxd/internal/box"
	"boxd/internal/calibration"
	"boxd/internal/engine"
)

// Account is a run with all that is told of it. Times of its events and of the
// milestones in their summary are seconds since the first input of the run.
type Account struct {
	Run    Run
	Events []engine.Event
	Notes  []Note
	// Calibrations are those in force at its start; nil where the clock was not set
	// then, and so can't be told.
	Calibrations []calibration.Record
	start        time.Duration // the core's Mono at the run's first input
}

// Account is the account of a run, or ErrNoRun.
func (j *Journal) Account(ctx context.Context, run string) (*Account, error) {
	r, err := j.Run(ctx, run)
	if err != nil {
		return nil, fmt.Errorf("cannot tell of run %q: %w", run, err)
	}
	a := &Account{Run: r, start: seconds(r.StartT)}
	for in, err := range j.Inputs(ctx, r.ID) {
		if err != nil {
			return nil, err
		}
		a.start = in.Mono
		break
	}
	entries, err := j.Events(ctx, r.ID)
	if err != nil {
		return nil, err
	}
	for i := range entries {
		e, err := entries[i].Event()
		if err != nil {
			return nil, err
		}
		a.add(e)
	}
	if a.Notes, err = j.Notes(ctx, r.ID); err != nil || r.Start.IsZero() {
		return a, err
	}
	list, err := j.Calibrations(ctx, r.Start)
	a.Calibrations = append([]calibration.Record{}, list...)
	return a, err
}

func (a *Account) add(e engine.Event) {
	e.T = a.since(e.T)
	if e.Sum != nil {
		for i := range e.Sum.Milestones {
			e.Sum.Milestones[i].T = a.since(e.Sum.Milestones[i].T)
		}
	}
	a.Events = append(a.Events, e)
}

// since turns core seconds into seconds of the run, by whole nanoseconds.
func (a *Account) since(t float64) float64 { return (seconds(t) - a.start).Seconds() }

// Summary is the run's last summary, nil when there is none.
func (a *Account) Summary() *engine.Summary {
	for _, e := range slices.Backward(a.Events) {
		if e.Sum != nil {
			return e.Sum
		}
	}
	return nil
}

// Persons are those who are named in the run, in the order they first spoke.
func (a *Account) Persons() []string {
	var names []string
	for i := range a.Events {
		e := &a.Events[i]
		if e.Kind == engine.ActionEvent && e.By != "" && !slices.Contains(names, e.By) {
			names = append(names, e.By)
		}
	}
	return names
}

// deeds are those of confirmed actions, by action id.
func (a *Account) deeds() map[string]box.Deed {
	deeds := map[string]box.Deed{}
	for i := range a.Events {
		e := &a.Events[i]
		if d, ok := box.DeedByWord(e.Deed); ok && e.Kind == engine.ActionEvent && e.Action != "" {
			deeds[e.Action] = d
		}
	}
	return deeds
}
