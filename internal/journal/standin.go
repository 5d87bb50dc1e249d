package journal

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"time"
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
