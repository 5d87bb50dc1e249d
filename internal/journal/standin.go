package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"boxd/internal/calibration"
)

// StandInFor says whether the fault of Open is one that a box has to go on with:
// a damaged file, a full disk, a disk that can only be read. Others are for a
// person to mend before the start.
func StandInFor(err error) bool {
	return errors.Is(err, ErrDamaged) || errors.Is(err, ErrFull) || errors.Is(err, ErrReadOnly) ||
		errors.Is(err, syscall.EROFS) || errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EIO)
}

// OpenStandIn opens an archive in memory for one life of the box, in place of one
// that can't be used. Its numbers begin at the time now in milliseconds, beyond
// all that the real archive has given out, so that no receiver takes its events
// for others'. Discard it at the end.
func OpenStandIn(now time.Time) (*Journal, error) {
	dir, err := memoryDir()
	if err != nil {
		return nil, fmt.Errorf("cannot keep an archive in memory either: %w", err)
	}
	path := filepath.Join(dir, "boxd.sqlite")
	j, err := open(path)
	if err != nil {
		return nil, errors.Join(err, os.RemoveAll(dir))
	}
	ctx := context.Background()
	if _, err := j.writer.ExecContext(ctx, "INSERT OR REPLACE INTO state (key, value) VALUES (?, ?)", seqKey, fmt.Appendf(nil, "%d", now.UnixMilli())); err != nil {
		return nil, errors.Join(j.explain("number", err), j.Discard())
	}
	return j, j.loadSeq(ctx)
}

// Salvaged are the calibrations in force of an archive that can't be opened. It is
// read as it stands and nothing of it is written. An error says that they are not
// known, which is not to say that there are none.
func Salvaged(ctx context.Context, path string) ([]calibration.Record, error) {
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return nil, nil // there never was one
	}
	list, err := salvaged(ctx, path, "mode=ro")
	if err == nil {
		return list, nil
	}
	// Where nothing can be written, not even what readers share: without what was
	// committed since the last checkpoint, which must be nothing.
	if wal, e := os.Stat(path + "-wal"); e == nil && wal.Size() > 0 || e != nil && !errors.Is(e, fs.ErrNotExist) {
		return nil, err
	}
	return salvaged(ctx, path, "mode=ro&immutable=1")
}

func salvaged(ctx context.Context, path, query string) (list []calibration.Record, err error) {
	j := &Journal{path: path}
	if j.reader, err = sql.Open("sqlite", j.source(query)); err != nil {
		return nil, err
	}
	list, err = j.Calibrations(ctx, time.Time{})
	return list, errors.Join(err, j.Close())
}

// memoryDir is a new folder in memory where the system has such a place.
func memoryDir() (string, error) {
	if dir, err := os.MkdirTemp("/dev/shm", "boxd-"); err == nil {
		return dir, nil
	}
	return os.MkdirTemp("", "boxd-")
}

// Discard closes a stand-in and removes it.
func (j *Journal) Discard() error {
	return errors.Join(j.Close(), os.RemoveAll(filepath.Dir(j.path)))
}
