package journal

import (
	"path/filepath"
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
