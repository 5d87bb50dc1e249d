package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"time"

	"boxd/internal/journal"
)

// endedRun waits until the archive in dir holds an ended run.
func endedRun(dir string, limit time.Duration) (journal.Run, error) {
	ctx, cancel := context.WithTimeout(context.Background(), limit)
	defer cancel()
	look := time.NewTicker(100 * time.Millisecond)
	defer look.Stop()
	for {
		run, ok, err := newestRun(ctx, dir)
		if err != nil || ok && run.Ended {
			return run, err
		}
		select {
		case <-ctx.Done():
			return run, fmt.Errorf("no run in %s ended within %s: %+v", dir, limit, run)
		case <-look.C:
		}
	}
}

// newestRun reads beside whoever writes; an archive that isn't there yet is no
// error.
func newestRun(ctx context.Context, dir string) (journal.Run, bool, error) {
	j, err := journal.OpenExisting(archiveFile(dir))
	if errors.Is(err, fs.ErrNotExist) {
		return journal.Run{}, false, nil
	}
	if err != nil {
		return journal.Run{}, false, err
	}
	defer j.Close()
	runs, err := j.Runs(ctx)
	if err != nil || len(runs) == 0 {
		return journal.Run{}, false, err
	}
	return runs[0], true, nil
}
