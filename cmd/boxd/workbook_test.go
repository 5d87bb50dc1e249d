package main

import (
	"encoding/json"
	"testing"

	"boxd/config"
	"boxd/internal/calibration"
	"boxd/internal/journal"
	"boxd/internal/sensors/hwio"
)

// TestWhatTheGuideCalibratesCorrectsTheBox: by hand, ice at 0.25 °C takes 0.25 off.
func TestWhatTheGuideCalibratesCorrectsTheBox(t *testing.T) {
	dir := t.TempDir()
	b := &workbook{dir: dir}
	points := []byte(`{"id": "g", "channel": "water_c", "by": "X", "corrected": false, "temperature": {"readings": [0.25]}}`)
	for range 2 { // sent twice counts once
		if text, err := b.take(t.Context(), points, "Kim"); err != nil || text == "" {
			t.Fatal(text, err)
		}
	}
	if _, err := b.take(t.Context(), []byte(`{"channel": "water_c", "temperature": {"readings": [3]}}`), "Kim"); err == nil {
		t.Error("ice at 3 °C is taken")
	}
	var list []calibration.Record
	text, err := (&workbook{dir: dir}).inForce()
	if err == nil {
		err = json.Unmarshal(text, &list)
	}
	if err != nil || len(list) != 1 || list[0].By != "Kim" {
		t.Errorf("in force %+v, %v", list, err)
	}
	j, err := journal.Open(archiveFile(dir))
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	src, err := hwio.Open(nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	s := &service{source: src, cfg: &config.Config{}}
	if err := s.correct(t.Context(), j); err != nil || calibration.InForce(s.calibrations, "water_c").Offset != -0.25 {
		t.Errorf("the box corrects by %+v, %v", s.calibrations, err)
	}
	if all, err := j.EveryCalibration(t.Context(), 9); err != nil || len(all) != 1 {
		t.Errorf("kept %+v, %v", all, err)
	}
}
