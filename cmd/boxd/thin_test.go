package main

import (
	"path/filepath"
	"testing"
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/journal"
	"boxd/internal/record"
)

// Of three runs, 0, 89 and 91 days older than the newest, only the last is thinned,
// whatever the clock says.
func TestOldRunsAreThinned(t *testing.T) {
	j, err := journal.Open(filepath.Join(t.TempDir(), "box.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = j.Close() }()
	newest := time.Date(2040, 6, 1, 6, 0, 0, 0, time.UTC)
	for _, r := range []struct {
		id  string
		age int
	}{{"old", 91}, {"young", 89}, {"new", 0}} {
		start := newest.AddDate(0, 0, -r.age)
		var log []byte
		for i := range 600 {
			in := engine.Input{Mono: time.Duration(i) * time.Second, Wall: start.Add(time.Duration(i) * time.Second), Samples: []box.Sample{{Channel: box.BoxEC, Value: 420}}}
			if log, err = record.AppendInput(log, &in); err != nil {
				t.Fatal(err)
			}
		}
		b := journal.Batch{Start: &journal.RunStart{ID: r.id, Wall: start}, Inputs: log, End: &journal.RunEnd{Wall: start.Add(10 * time.Minute), T: 600}}
		if err := j.Commit(t.Context(), b); err != nil {
			t.Fatal(err)
		}
	}
	for _, want := range []int{1, 0} {
		if n, err := thinOld(t.Context(), j); err != nil || n != want {
			t.Errorf("thinned %d %v, want %d", n, err, want)
		}
	}
	for id, want := range map[string]int{"old": 60, "young": 600, "new": 600} {
		n := 0
		for _, err := range j.Inputs(t.Context(), id) {
			if n++; err != nil {
				t.Fatal(err)
			}
		}
		if n != want {
			t.Errorf("%s has %d inputs, want %d", id, n, want)
		}
	}
}
