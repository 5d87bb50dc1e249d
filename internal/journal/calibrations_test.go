package journal

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"boxd/internal/calibration"
	"boxd/internal/engine"
)

// TestCalibrations: what is committed is there after the file is opened anew; of
// each channel the newest at a time is in force; one sent twice is one.
func TestCalibrations(t *testing.T) {
	path, ctx := filepath.Join(t.TempDir(), "box.db"), t.Context()
	j, err := Open(path)
	must(t, err)
	made := func(id, channel string, days int, gain float64) Batch {
		return Batch{Calibrations: []calibration.Record{{ID: id, Channel: channel, Wall: morning.AddDate(0, 0, days), After: calibration.Correction{Gain: gain}}},
			Events: []engine.Event{{Kind: engine.NoteEvent, Text: id}}}
	}
	must(t, j.Commit(ctx, made("a", "water_c", 0, 1), made("b", "ec_box_us_cm", 1, 1.1), made("c", "ec_box_us_cm", 3, 1.2)))
	must(t, j.Commit(ctx, made("c", "ec_box_us_cm", 9, 9)))
	must(t, j.Close())
	j, err = Open(path)
	must(t, err)
	defer func() { must(t, j.Close()) }()
	for _, c := range []struct {
		at   time.Time
		want string
	}{{morning.Add(-time.Hour), ""}, {morning, "a"}, {morning.AddDate(0, 0, 2), "ab"}, {time.Time{}, "ac"}} {
		list, err := j.Calibrations(ctx, c.at)
		must(t, err)
		got := ""
		for _, r := range list {
			got += r.ID
		}
		if got != c.want {
			t.Errorf("in force at %v: %q, want %q", c.at, got, c.want)
		}
	}
	all, err := j.EveryCalibration(ctx, 2)
	must(t, err)
	if len(all) != 2 || all[0].ID != "b" || all[1].After.Gain != 1.2 {
		t.Errorf("the newest two: %+v", all)
	}
}

// TestSalvaged: of an archive whose other pages are damaged the calibrations are
// read as they stand; of one without its own, or with a part not yet in place and
// nothing to be written, they are not known, which is said.
func TestSalvaged(t *testing.T) {
	path := filepath.Join(t.TempDir(), "boxd.sqlite")
	if list, err := Salvaged(t.Context(), path); list != nil || err != nil {
		t.Errorf("of no archive %v, %v", list, err)
	}
	j, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	for i, gain := range []float64{1.1, 1.2} {
		b := Batch{Calibrations: []calibration.Record{{ID: fmt.Sprint(i), Channel: "water_c", Wall: morning.AddDate(0, 0, i), After: calibration.Correction{Gain: gain}}}}
		if err := j.Commit(t.Context(), b); err != nil {
			t.Fatal(err)
		}
	}
	var page, root int64
	if err := j.reader.QueryRow("PRAGMA page_size").Scan(&page); err != nil {
		t.Fatal(err)
	}
	if err := j.reader.QueryRow("SELECT rootpage FROM sqlite_schema WHERE name = 'events'").Scan(&root); err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	damage := func(from, to int64) []byte {
		b := slices.Clone(whole)
		for i := from; i < to; i++ {
			b[i] = 0x5a
		}
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		return b
	}
	damaged := damage((root-1)*page, root*page)
	if _, err := Open(path); !StandInFor(err) {
		t.Fatalf("it opens: %v", err)
	}
	list, err := Salvaged(t.Context(), path)
	if err != nil || len(list) != 1 || list[0].After.Gain != 1.2 {
		t.Errorf("salvaged %+v, %v", list, err)
	}
	if after, err := os.ReadFile(path); err != nil || !bytes.Equal(after, damaged) {
		t.Errorf("it was written to: %v", err)
	}
	damage(0, int64(len(whole)))
	if list, err := Salvaged(t.Context(), path); err == nil {
		t.Errorf("of nonsense %+v", list)
	}
}
