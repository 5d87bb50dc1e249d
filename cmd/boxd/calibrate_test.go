package main

import (
	"path/filepath"
	"testing"
	"time"

	"boxd/internal/box"
	"boxd/internal/calibration"
	"boxd/internal/journal"
	"boxd/internal/sensors/hwio"
)

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
	s := &service{source: src}
	if err := s.correct(t.Context(), j); err != nil {
		t.Fatal(err)
	}
	got := calibration.Corrections(s.calibrations).Apply(box.Sample{Channel: box.WaterTemp, Value: 25.0625})
	if got.Value != 25.0625-0.375 {
		t.Errorf("corrected to %v", got.Value)
	}
	if all, err := j.EveryCalibration(t.Context(), 9); err != nil || len(all) != 2 || all[0].Wall.After(time.Now()) {
		t.Errorf("kept %+v %v", all, err)
	}
}
