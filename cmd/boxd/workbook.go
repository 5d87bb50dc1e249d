package main

import (
	"context"
	"encoding/json"
	"errors"
	"sync"
	"time"

	"boxd/internal/calibration"
	"boxd/internal/journal"
)

// workbook keeps the calibrations of a box in the guide's hands, in the archive that
// it will go into operation with. The archive is open only meanwhile.
type workbook struct {
	dir string

	mu   sync.Mutex
	read bool // list is the archive's
	list []calibration.Record
}

// inForce are the records in force, as JSON.
func (b *workbook) inForce() ([]byte, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if !b.read {
		if err := b.with(func(*journal.Journal) error { return nil }); err != nil {
			return nil, err
		}
	}
	return json.Marshal(append([]calibration.Record{}, b.list...))
}

// with opens the archive for do, and reads what is in force after it.
func (b *workbook) with(do func(*journal.Journal) error) error {
	j, err := journal.Open(archiveFile(b.dir))
	if err != nil {
		return err
	}
	err = do(j)
	list, other := j.Calibrations(context.Background(), time.Time{})
	if other == nil {
		b.list, b.read = list, true
	}
	return errors.Join(err, other, j.Close())
}

// take keeps a calibration, as service.taker does while the box is at work.
func (b *workbook) take(ctx context.Context, points []byte, by string) (text string, err error) {
	r, err := requested(points, by)
	if err != nil {
		return "", err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	for i := range b.list {
		if b.list[i].ID == r.ID {
			return b.list[i].Text, nil // sent twice
		}
	}
	err = b.with(func(j *journal.Journal) error {
		rec, err := keepCalibration(ctx, j, r)
		text = rec.Text
		return err
	})
	return text, err
}
