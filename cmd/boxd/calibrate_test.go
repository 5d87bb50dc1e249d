package main

import (
	"bytes"
	"database/sql"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"boxd/config"
	"boxd/internal/box"
	"boxd/internal/calibration"
	"boxd/internal/journal"
	"boxd/internal/sensors"
	"boxd/internal/sensors/hwio"
)

// TestCalibratedOnPaper: the record stands in the place of the configuration's
// date, and is overdue the day after its due date, not on it.
func TestCalibratedOnPaper(t *testing.T) {
	at := func(day int) time.Time { return time.Date(2026, 4, day, 0, 0, 0, 0, time.UTC) }
	cfg := &config.Config{Sensors: []config.Sensor{{Wiring: sensors.Wiring{Channel: box.WaterTemp}, Calibrated: at(1)}, {Wiring: sensors.Wiring{Channel: box.MainFlow}, Calibrated: at(2)}}}
	rec := calibration.Record{Channel: "water_c", Wall: at(3), By: "Ada", Text: "offset", Next: at(10), Standard: calibration.Standard{Name: "melting ice"}}
	for day, late := range map[int]bool{10: false, 11: true} {
		acc := &journal.Account{Run: journal.Run{Start: at(day)}, Calibrations: []calibration.Record{rec}}
		got := teller{}.calibrated(cfg, acc)
		if len(got) != 2 || !strings.HasPrefix(got[0][1], "2026-04-03 by Ada, against melting ice: offset; next due 2026-04-10") || got[1][1] != "2026-04-02" {
			t.Errorf("%q", got)
		}
		if strings.Contains(got[0][1], "overdue since 2026-04-10") != late {
			t.Errorf("on day %d: %q", day, got[0][1])
		}
	}
}

// TestCorrected: a service takes up what the archive has. By hand: ice at 0.25 °C,
// then at 0.125 °C through that correction, make 25.0625 °C 24.6875 °C.
func TestCorrected(t *testing.T) {
	j, err := journal.Open(filepath.Join(t.TempDir(), "boxd.sqlite"))
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	src, err := hwio.Open(nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	r := calibration.Request{ID: "c", Channel: "water_c", By: "Ada", Temperature: &calibration.Temperature{Readings: []float64{0.25}}}
	if _, err := keepCalibration(t.Context(), j, r); err != nil {
		t.Fatal(err)
	}
	// The next is measured through the first: it comes to the sum of both.
	r.ID, r.Corrected, r.Temperature.Readings = "d", true, []float64{0.125}
	if _, err := keepCalibration(t.Context(), j, r); err != nil {
		t.Fatal(err)
	}
	s := &service{source: src, cfg: &config.Config{}}
	if err := s.correct(t.Context(), j); err != nil {
		t.Fatal(err)
	}
	got := calibration.Corrections(s.calibrations).Apply(box.Sample{Channel: box.WaterTemp, Value: 25.0625})
	if got.Value != 25.0625-0.375 {
		t.Errorf("corrected to %v", got.Value)
	}
	// While it runs a third is taken and counts at once, sent twice but once.
	take := s.taker(j)
	for range 2 {
		if text, err := take(t.Context(), []byte(`{"id": "e", "channel": "water_c", "by": "X", "corrected": true, "temperature": {"readings": [0.125]}}`), "Kim"); err != nil || text == "" {
			t.Fatal(text, err)
		}
	}
	if c := s.calibrations; len(c) != 1 || c[0].By != "Kim" || c[0].After.Offset != -0.5 || s.calibrated()["water_c"].Due.IsZero() {
		t.Errorf("in force %+v", c)
	}
	if _, err := take(t.Context(), []byte(`{"channel": "water_c", "temperature": {"readings": [3]}}`), "Kim"); err == nil || s.calibrations[0].After.Offset != -0.5 {
		t.Errorf("ice at 3 °C is taken: %v", err)
	}
	if all, err := j.EveryCalibration(t.Context(), 9); err != nil || len(all) != 3 || all[0].Wall.After(time.Now()) {
		t.Errorf("kept %+v %v", all, err)
	}
}

// TestStandInCorrects: a stand-in corrects by what the archive has, where that can
// be read, and else says that nothing is corrected.
func TestStandInCorrects(t *testing.T) {
	dir := t.TempDir()
	j, err := journal.Open(archiveFile(dir))
	if err != nil {
		t.Fatal(err)
	}
	r := calibration.Request{ID: "c", Channel: "water_c", By: "Ada", Temperature: &calibration.Temperature{Readings: []float64{0.25}}}
	if _, err := keepCalibration(t.Context(), j, r); err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	db, err := sql.Open("sqlite", archiveFile(dir))
	if err != nil {
		t.Fatal(err)
	}
	var page, root int
	err = errors.Join(db.QueryRow("PRAGMA page_size").Scan(&page), db.QueryRow("SELECT rootpage FROM sqlite_schema WHERE name = 'events'").Scan(&root), db.Close())
	whole, e := os.ReadFile(archiveFile(dir))
	if err = errors.Join(err, e); err != nil {
		t.Fatal(err)
	}
	nonsense := bytes.Repeat([]byte{0x5a}, page)
	for _, x := range []struct {
		from, pages int
		offset      float64
		says        bool
	}{{root - 1, 1, -0.25, false}, {0, len(whole) / page, 0, true}} {
		b := bytes.Clone(whole)
		copy(b[x.from*page:], bytes.Repeat(nonsense, x.pages))
		if err := os.WriteFile(archiveFile(dir), b, 0o600); err != nil {
			t.Fatal(err)
		}
		src, err := hwio.Open(nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		s := &service{source: src, cfg: &config.Config{}, data: dir, tell: func(string, ...any) {}, log: slog.New(slog.DiscardHandler)}
		j, err := s.archive()
		why := s.standIn
		if err != nil || !strings.HasPrefix(why, "kept in memory") || strings.Contains(why, "NOT CALIBRATED") != x.says {
			t.Fatalf("%q, %v", why, err)
		}
		if err := s.correct(t.Context(), j); err != nil {
			t.Fatal(err)
		}
		if got := calibration.InForce(s.calibrations, "water_c").Offset; got != x.offset {
			t.Errorf("corrected by %v, want %v", got, x.offset)
		}
		if _, err := s.taker(j)(t.Context(), []byte(`{"channel": "water_c", "temperature": {"readings": [0.125]}}`), "Kim"); err == nil {
			t.Error("a calibration is taken that is lost with the power")
		}
		src.Close()
		if err := j.Discard(); err != nil {
			t.Error(err)
		}
		for _, stop := range s.stop {
			stop()
		}
	}
}
