package journal

import (
	"context"
	"math"
	"slices"
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/record"
)

// The rule by which old samples thin out. Of a thinned run every input with a
// person's word stays as it is, and so does every one within ThinAround of a
// step, a milestone, an alarm or a word. Of the rest one input stays in ThinEvery,
// with the median of each channel's samples of that time: a number that was
// measured, and no spike.
const (
	ThinEvery  = 10 * time.Second
	ThinAround = time.Minute
)

// Thin thins the samples of runs that ended before that time, whose inputs all have
// numbers up to upto and that are not thinned yet, and says how many it thinned.
// Runs and all that was said in them stay. It may be stopped and begun again
// anywhere.
func (j *Journal) Thin(ctx context.Context, before time.Time, upto uint64) (int, error) {
	rows, err := j.texts(ctx, `SELECT id FROM runs WHERE thinned IS NULL AND end_wall < ? AND end_wall > ?
		AND NOT EXISTS (SELECT 1 FROM inputs WHERE run = runs.id AND n > ?) ORDER BY n`, nanos(before), int64(reasonable), int64(min(upto, math.MaxInt64)))
	if err != nil {
		return 0, err
	}
	for i, run := range rows {
		if err := j.thin(ctx, run, before); err != nil {
			return i, err
		}
	}
	return len(rows), nil
}

// texts are the texts that a query gives.
func (j *Journal) texts(ctx context.Context, query string, args ...any) ([]string, error) {
	rows, err := j.reader.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, j.explain("read", err)
	}
	defer func() { _ = rows.Close() }()
	var list []string
	for rows.Next() {
		var s string
		if err := rows.Scan(&s); err != nil {
			return nil, j.explain("read", err)
		}
		list = append(list, s)
	}
	return list, j.explain("read", rows.Err())
}

// thin rewrites the inputs of one run, a few rows in a transaction: what is kept
// of a row replaces it.
func (j *Journal) thin(ctx context.Context, run string, now time.Time) error {
	entries, err := j.entries(ctx, "run = ? AND kind IN ('step', 'milestone', 'alarm', 'action', 'override', 'run') ORDER BY seq", run)
	if err != nil {
		return err
	}
	t := thinner{}
	for _, e := range entries {
		t.keep = append(t.keep, seconds(e.T))
	}
	slices.Sort(t.keep)
	after := int64(-1)
	for {
		logs, numbers, err := j.numberedLogs(ctx, run, after)
		if err != nil {
			return j.explain("thin", err)
		}
		if len(logs) == 0 {
			return j.execLocked(ctx, "UPDATE runs SET thinned = ? WHERE id = ?", nanos(now), run)
		}
		after = numbers[len(numbers)-1]
		for i := range logs {
			if logs[i], err = t.log(logs[i], i == len(logs)-1); err != nil {
				return j.explain("thin", err)
			}
		}
		if err := j.replaceLogs(ctx, logs, numbers); err != nil {
			return j.explain("thin", err)
		}
	}
}

// numberedLogs are the next rows of a run's inputs with their numbers.
func (j *Journal) numberedLogs(ctx context.Context, run string, after int64) (logs [][]byte, numbers []int64, err error) {
	rows, err := j.reader.QueryContext(ctx, "SELECT n, log FROM inputs WHERE run = ? AND n > ? ORDER BY n LIMIT ?", run, after, inputRows)
	if err != nil {
		return nil, nil, err
	}
	defer func() { _ = rows.Close() }()
	for rows.Next() {
		var n int64
		var log []byte
		if err := rows.Scan(&n, &log); err != nil {
			return nil, nil, err
		}
		logs, numbers = append(logs, log), append(numbers, n)
	}
	return logs, numbers, rows.Err()
}

// replaceLogs puts what was kept in place of the rows; a row nothing was kept of
// goes.
func (j *Journal) replaceLogs(ctx context.Context, logs [][]byte, numbers []int64) error {
	j.mu.Lock()
	defer j.mu.Unlock()
	tx, err := j.writer.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }() // does nothing after a commit
	for i, log := range logs {
		if len(log) == 0 {
			_, err = tx.ExecContext(ctx, "DELETE FROM inputs WHERE n = ?", numbers[i])
		} else {
			_, err = tx.ExecContext(ctx, "UPDATE inputs SET log = ? WHERE n = ?", log, numbers[i])
		}
		if err != nil {
			return err
		}
	}
	return tx.Commit()
}

// thinner goes through a run's inputs in their order.
type thinner struct {
	keep   []time.Duration // moments around which all is kept
	window thinWindow
}

// thinWindow gathers the inputs of one ThinEvery.
type thinWindow struct {
	first  engine.Input
	open   bool
	values [box.NumChannels][]float64
	faults [box.NumChannels]box.Sample
	faulty [box.NumChannels]bool
}

// log is what is kept of a row. A window does not go on past the last row of a
// transaction, so that what was replaced is whole.
func (t *thinner) log(log []byte, last bool) ([]byte, error) {
	var out []byte
	var in engine.Input
	for len(log) > 0 {
		n, err := record.ReadInput(log, &in)
		if err != nil {
			return nil, err
		}
		log = log[n:]
		whole := len(in.Actions) > 0 || t.near(in.Mono)
		if t.window.open && (whole || in.Mono < t.window.first.Mono || in.Mono-t.window.first.Mono >= ThinEvery) {
			if out, err = t.window.close(out); err != nil {
				return nil, err
			}
		}
		if !whole {
			t.window.add(&in)
		} else if out, err = record.AppendInput(out, &in); err != nil {
			return nil, err
		}
	}
	if last {
		return t.window.close(out)
	}
	return out, nil
}

// near reports whether something happened about that moment.
func (t *thinner) near(at time.Duration) bool {
	i, _ := slices.BinarySearch(t.keep, at-ThinAround)
	return i < len(t.keep) && t.keep[i] <= at+ThinAround
}

func (w *thinWindow) add(in *engine.Input) {
	if !w.open {
		w.open = true
		w.first = engine.Input{Mono: in.Mono, Wall: in.Wall, Archive: in.Archive, Link: in.Link}
	}
	for _, s := range in.Samples {
		switch {
		case s.Channel >= box.NumChannels:
		case s.Fault != "":
			w.faults[s.Channel], w.faulty[s.Channel] = s, true
		default:
			w.values[s.Channel] = append(w.values[s.Channel], s.Value)
		}
	}
}

// close appends the window's one input: of each channel the median, and its
// fault where it had no value.
func (w *thinWindow) close(out []byte) ([]byte, error) {
	if !w.open {
		return out, nil
	}
	in := w.first
	for c := range w.values {
		switch v := w.values[c]; {
		case len(v) > 0:
			slices.Sort(v)
			in.Samples = append(in.Samples, box.Sample{Channel: box.Channel(c), Value: v[(len(v)-1)/2]})
		case w.faulty[c]:
			in.Samples = append(in.Samples, w.faults[c])
		}
		w.values[c], w.faulty[c] = w.values[c][:0], false
	}
	w.open = false
	return record.AppendInput(out, &in)
}
