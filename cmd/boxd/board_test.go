package main

import (
	"log/slog"
	"path/filepath"
	"testing"
	"time"

	"boxd/internal/box"
	"boxd/internal/journal"
	"boxd/internal/sensors"
	"boxd/internal/sensors/hwio"
)

// TestTotalsSurvive: what the meters counted is there in the next life, also of
// a meter that isn't wired any more; what can't be read is not written over.
func TestTotalsSurvive(t *testing.T) {
	file := filepath.Join(t.TempDir(), "boxd.sqlite")
	s := &service{log: slog.New(slog.DiscardHandler)}
	life := func(f func(b *board, j *journal.Journal)) {
		t.Helper()
		j, err := journal.Open(file)
		if err != nil {
			t.Fatal(err)
		}
		defer j.Close()
		src, err := hwio.Open([]sensors.Wiring{{Channel: box.MainFlow, Every: time.Hour, Driver: sensors.Pulses{
			Line: sensors.Line{Chip: "/dev/null"}, Meter: sensors.PulseMeter{PerLitre: 450, Most: 60}, Least: 1}}}, nil)
		if err != nil {
			t.Fatal(err)
		}
		defer src.Close()
		b := &board{Board: &hwio.Board{Source: src}}
		b.recall(t.Context(), s, j)
		f(b, j)
	}
	life(func(b *board, j *journal.Journal) {
		b.Source.Restore(map[box.Channel]hwio.Total{box.MainFlow: {Pulses: 1000, Rejected: 3}}) // as if counted
		b.kept = map[string]hwio.Total{"stock_draw_lpm": {Pulses: 7}}
		if err := b.keep(t.Context(), j); err != nil {
			t.Fatal(err)
		}
	})
	life(func(b *board, j *journal.Journal) {
		if got := b.Source.Totals()[box.MainFlow]; got != (hwio.Total{Pulses: 1000, Rejected: 3}) || b.kept["stock_draw_lpm"].Pulses != 7 || b.blind {
			t.Errorf("%+v, kept %+v", got, b.kept)
		}
		if err := j.Commit(t.Context(), journal.Batch{State: map[string][]byte{totalsKey: []byte("{")}}); err != nil {
			t.Fatal(err)
		}
	})
	life(func(b *board, j *journal.Journal) {
		if got := b.Source.Totals()[box.MainFlow]; got != (hwio.Total{}) || !b.blind {
			t.Errorf("%+v of what can't be read", got)
		}
	})
}
