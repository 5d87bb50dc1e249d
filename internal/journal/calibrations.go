package journal

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"boxd/internal/calibration"
)

func (c *commit) calibration(ctx context.Context, r *calibration.Record) error {
	text, err := json.Marshal(r)
	if err != nil {
		return fmt.Errorf("a calibration of %s: %w", r.Channel, err)
	}
	_, err = c.exec(ctx, c.st.calibration, r.ID, nanos(r.Wall), r.Channel, string(text))
	return err
}

// Calibrations are those in force at a time, the newest of each channel in the
// order they were made; a zero time means now. Corrections come of them by
// calibration.Corrections.
func (j *Journal) Calibrations(ctx context.Context, at time.Time) ([]calibration.Record, error) {
	until := nanos(at)
	if until == 0 {
		until = 1<<63 - 1
	}
	return j.calibrations(ctx, "SELECT json FROM calibrations WHERE n IN (SELECT max(n) FROM calibrations WHERE wall <= ? GROUP BY channel) ORDER BY n", until)
}

// EveryCalibration are the newest ones of all channels, oldest first.
func (j *Journal) EveryCalibration(ctx context.Context, limit int) ([]calibration.Record, error) {
	return j.calibrations(ctx, "SELECT json FROM (SELECT n, json FROM calibrations ORDER BY n DESC LIMIT ?) ORDER BY n", limit)
}

func (j *Journal) calibrations(ctx context.Context, query string, arg any) ([]calibration.Record, error) {
	rows, err := j.reader.QueryContext(ctx, query, arg)
	if err != nil {
		return nil, j.explain("read", err)
	}
	defer func() { _ = rows.Close() }()
	var list []calibration.Record
	for rows.Next() {
		var text string
		var r calibration.Record
		if err := rows.Scan(&text); err != nil {
			return nil, j.explain("read", err)
		}
		if err := json.Unmarshal([]byte(text), &r); err != nil {
			return nil, fmt.Errorf("cannot read a calibration in the archive: %w", err)
		}
		list = append(list, r)
	}
	return list, j.explain("read", rows.Err())
}
