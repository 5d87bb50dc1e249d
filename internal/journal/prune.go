package journal

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"
)

// Pruned says what Prune removed.
type Pruned struct {
	Runs     int64
	Events   int64 // of those runs and between runs
	Inputs   int64 // rows between runs
	Messages int64 // that some sink never had
}

// pruneStep bounds the rows one transaction removes, so that the write-ahead
// log stays small: pruning is for a full disk, too.
const pruneStep = 500

// reasonable is the earliest wall time that is believed, 2020-01-01: a board
// without a clock battery starts in 1970, and what it noted then is kept.
const reasonable = 1577836800e9

// Prune removes what is older than before: ended runs with their inputs and
// events, inputs and events between runs, and messages. A run under way and
// events that some sink has not had stay; so does what bears no believable
// time. The room goes back to the disk where the file allows it, and is used
// again by later commits where not.
func (j *Journal) Prune(ctx context.Context, before time.Time) (Pruned, error) {
	var p Pruned
	limit := nanos(before)
	const old, delivered = "%[1]s < ?1 AND %[1]s > ?2", "seq <= ifnull((SELECT min(done) FROM sinks), seq)"
	ended := "SELECT id FROM runs WHERE " + fmt.Sprintf(old, "end_wall")
	// A run goes last, once nothing of it is left.
	steps := []struct {
		count      *int64
		table, key string
		where      string
	}{
		// The newest row stays: a number is not to be used twice.
		{nil, "inputs", "n", "n < (SELECT max(n) FROM inputs) AND run IN (" + ended + ")"},
		{&p.Inputs, "inputs", "n", "n < (SELECT max(n) FROM inputs) AND run = '' AND " + fmt.Sprintf(old, "wall")},
		{&p.Events, "events", "seq", "run IN (" + ended + ") AND " + delivered},
		{&p.Events, "events", "seq", "run = '' AND " + fmt.Sprintf(old, "wall") + " AND " + delivered},
		{&p.Messages, "messages", "seq", fmt.Sprintf(old, "wall")},
		{&p.Runs, "runs", "n", "id IN (" + ended + ") AND NOT EXISTS (SELECT 1 FROM events WHERE run = runs.id) AND NOT EXISTS (SELECT 1 FROM inputs WHERE run = runs.id)"},
	}
	for _, s := range steps {
		text := fmt.Sprintf("DELETE FROM %s WHERE %s IN (SELECT %s FROM %s WHERE %s LIMIT %d)", s.table, s.key, s.key, s.table, s.where, pruneStep)
		n, err := j.repeat(ctx, text, limit, int64(reasonable))
		if s.count != nil {
			*s.count += n
		}
		if err != nil {
			return p, err
		}
	}
	for _, text := range []string{
		"DELETE FROM actions WHERE seq NOT IN (SELECT seq FROM events)",
		"DELETE FROM configs WHERE hash NOT IN (SELECT config FROM runs)",
	} {
		if err := j.execLocked(ctx, text); err != nil {
			return p, err
		}
	}
	return p, j.giveBack(ctx)
}

// giveBack returns free pages to the disk, some at a time: commits go on in
// between, and the write-ahead log stays small.
func (j *Journal) giveBack(ctx context.Context) error {
	for before := int64(-1); ; {
		var free int64
		if err := j.reader.QueryRowContext(ctx, "PRAGMA freelist_count").Scan(&free); err != nil {
			return j.explain("prune", err)
		}
		if err := j.execLocked(ctx, "PRAGMA incremental_vacuum(1000)"); err != nil {
			return err
		}
		if err := j.shortenLog(ctx); err != nil || free == 0 || free == before {
			return err
		}
		before = free
	}
}

// shortenLog writes the write-ahead log back. A reader that is in its way is not
// waited for as long as a commit would: the core waits behind.
func (j *Journal) shortenLog(ctx context.Context) error {
	j.mu.Lock()
	defer j.mu.Unlock()
	var err error
	for _, text := range []string{"PRAGMA busy_timeout(100)", "PRAGMA wal_checkpoint(TRUNCATE)", "PRAGMA busy_timeout(10000)"} {
		_, e := j.writer.ExecContext(ctx, text)
		err = errors.Join(err, e)
	}
	return j.explain("prune", err)
}

// repeat executes a bounded DELETE until it removes nothing. Each execution is
// one transaction.
func (j *Journal) repeat(ctx context.Context, text string, args ...any) (int64, error) {
	var total int64
	for {
		j.mu.Lock()
		res, err := j.writer.ExecContext(ctx, text, args...)
		j.mu.Unlock()
		if err != nil {
			return total, j.explain("prune", err)
		}
		n, err := res.RowsAffected()
		if total += n; err != nil || n == 0 {
			return total, err
		}
	}
}

func (j *Journal) execLocked(ctx context.Context, text string, args ...any) error {
	j.mu.Lock()
	defer j.mu.Unlock()
	_, err := j.writer.ExecContext(ctx, text, args...)
	return j.explain("prune", err)
}

// BallastSize is larger than the write-ahead log grows between checkpoints
// (1000 pages of 4 KiB), in bytes.
const BallastSize = 8 << 20

func (j *Journal) ballast() string { return j.path + ".ballast" }

// KeepBallast makes sure that a file of BallastSize lies beside the archive. On
// a full disk even deleting needs room in the write-ahead log: DropBallast
// gives it that room, Prune makes more, and KeepBallast takes it back.
func (j *Journal) KeepBallast() error {
	if j.HasBallast() {
		return nil
	}
	f, err := os.Create(j.ballast())
	if err != nil {
		return fmt.Errorf("cannot keep ballast: %w", err)
	}
	// Zeros may be stored as nothing by some file systems: write something.
	block := make([]byte, 1<<16)
	for i := range block {
		block[i] = byte(i*7 + i>>8)
	}
	for n := 0; n < BallastSize && err == nil; n += len(block) {
		_, err = f.Write(block)
	}
	err = errors.Join(err, f.Sync(), f.Close())
	if err != nil {
		_ = os.Remove(j.ballast()) // half a ballast helps nobody
		return fmt.Errorf("cannot keep ballast: %w", err)
	}
	return nil
}

// HasBallast says whether the whole ballast lies there.
func (j *Journal) HasBallast() bool {
	st, err := os.Stat(j.ballast())
	return err == nil && st.Size() == BallastSize
}

// DropBallast frees the ballast's room. It is no error when there is none.
func (j *Journal) DropBallast() error {
	if err := os.Remove(j.ballast()); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("cannot drop ballast: %w", err)
	}
	return nil
}
