package journal

import (
	"context"
	"database/sql"
	"fmt"
	"os"
	"time"
)

// Outbox is what one sink has yet to be sent: every event and message, in the
// order of their numbers, until the sink says it has had them. What is sent
// again after a crash has the same number, so that a receiver can tell.
type Outbox struct {
	j    *Journal
	sink string
}

// Outbox is the outbox of the sink of this name. A new sink begins at the
// beginning of the archive.
func (j *Journal) Outbox(ctx context.Context, sink string) (*Outbox, error) {
	if sink == "" {
		return nil, fmt.Errorf("cannot open an outbox: the sink has no name")
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	if _, err := j.writer.ExecContext(ctx, "INSERT INTO sinks (name, done) VALUES (?, 0) ON CONFLICT DO NOTHING", sink); err != nil {
		return nil, j.explain("save to", err)
	}
	return &Outbox{j, sink}, nil
}

// DropSink forgets a sink that is no longer wanted; it holds back no pruning then.
func (j *Journal) DropSink(ctx context.Context, sink string) error {
	j.mu.Lock()
	defer j.mu.Unlock()
	_, err := j.writer.ExecContext(ctx, "DELETE FROM sinks WHERE name = ?", sink)
	return j.explain("save to", err)
}

// Next is up to max of what comes after the number after and after what the
// sink is known to have had. Nothing and no error means: wait for a commit.
func (o *Outbox) Next(ctx context.Context, after uint64, max int) ([]Message, error) {
	rows, err := o.j.reader.QueryContext(ctx, `
		WITH start (seq) AS (SELECT max(?1, ifnull((SELECT done FROM sinks WHERE name = ?2), 0)))
		SELECT * FROM (SELECT seq, wall, kind, CAST(json AS BLOB), 1 FROM events WHERE seq > (SELECT seq FROM start) ORDER BY seq LIMIT ?3)
		UNION ALL
		SELECT * FROM (SELECT seq, wall, kind, payload, 0 FROM messages WHERE seq > (SELECT seq FROM start) ORDER BY seq LIMIT ?3)
		ORDER BY seq LIMIT ?3`, int64(after), o.sink, max)
	if err != nil {
		return nil, o.j.explain("read", err)
	}
	defer func() { _ = rows.Close() }()
	var list []Message
	for rows.Next() {
		var m Message
		var seq, at int64
		if err := rows.Scan(&seq, &at, &m.Kind, &m.Payload, &m.IsEvent); err != nil {
			return nil, o.j.explain("read", err)
		}
		m.Seq, m.Wall = uint64(seq), wall(at)
		list = append(list, m)
	}
	return list, o.j.explain("read", rows.Err())
}

// Done notes that the sink has everything up to and with upto, and removes the
// messages that every sink has had.
func (o *Outbox) Done(ctx context.Context, upto uint64) error {
	j := o.j
	j.mu.Lock()
	defer j.mu.Unlock()
	if last := j.seq.Load(); upto > last {
		return fmt.Errorf("cannot note sink %s as done up to %d: the archive ends at %d", o.sink, upto, last)
	}
	tx, err := j.writer.BeginTx(ctx, nil)
	if err != nil {
		return j.explain("save to", err)
	}
	defer func() { _ = tx.Rollback() }() // does nothing after a commit
	if _, err := tx.ExecContext(ctx, "UPDATE sinks SET done = max(done, ?) WHERE name = ?", int64(upto), o.sink); err != nil {
		return j.explain("save to", err)
	}
	if _, err := tx.ExecContext(ctx, "DELETE FROM messages WHERE seq <= (SELECT min(done) FROM sinks)"); err != nil {
		return j.explain("save to", err)
	}
	return j.explain("save to", tx.Commit())
}

// Waiting is how many events and messages the sink has yet to be sent.
func (o *Outbox) Waiting(ctx context.Context) (int, error) {
	var n int
	err := o.j.reader.QueryRowContext(ctx, `
		WITH start (seq) AS (SELECT ifnull((SELECT done FROM sinks WHERE name = ?), 0))
		SELECT (SELECT count(*) FROM events WHERE seq > (SELECT seq FROM start))
		     + (SELECT count(*) FROM messages WHERE seq > (SELECT seq FROM start))`, o.sink).Scan(&n)
	return n, o.j.explain("read", err)
}

// Lost is what a sink will never be sent, since it did not take it in time.
type Lost struct {
	Sink  string
	Count int64 // now
	Total int64 // with what was lost before
}

const lostKey = "journal.lost."

// GiveUp strikes off for every sink what is older than before and was not taken:
// without an end to it, a receiver that is gone for good would fill the disk. What
// it gives up is counted and said.
func (j *Journal) GiveUp(ctx context.Context, before time.Time) ([]Lost, error) {
	sinks, err := j.texts(ctx, "SELECT name FROM sinks ORDER BY name")
	if err != nil {
		return nil, err
	}
	var list []Lost
	for _, sink := range sinks {
		l := Lost{Sink: sink}
		var last sql.NullInt64
		err := j.reader.QueryRowContext(ctx, `
			WITH start (seq) AS (SELECT done FROM sinks WHERE name = ?1),
			     old (seq) AS (SELECT seq FROM events WHERE seq > (SELECT seq FROM start) AND wall < ?2 AND wall > ?3
			         UNION ALL SELECT seq FROM messages WHERE seq > (SELECT seq FROM start) AND wall < ?2 AND wall > ?3)
			SELECT max(seq), count(*) FROM old`, sink, nanos(before), int64(reasonable)).Scan(&last, &l.Count)
		if err != nil {
			return list, j.explain("read", err)
		}
		if l.Count == 0 {
			continue
		}
		if l.Total, err = j.lose(ctx, sink, last.Int64, l.Count); err != nil {
			return list, err
		}
		list = append(list, l)
	}
	return list, nil
}

// lose moves a sink's mark and its count of the lost, as one.
func (j *Journal) lose(ctx context.Context, sink string, upto, count int64) (total int64, err error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	tx, err := j.writer.BeginTx(ctx, nil)
	if err != nil {
		return 0, j.explain("save to", err)
	}
	defer func() { _ = tx.Rollback() }() // does nothing after a commit
	err = tx.QueryRowContext(ctx, "SELECT ifnull((SELECT CAST(CAST(value AS TEXT) AS INTEGER) FROM state WHERE key = ?), 0)", lostKey+sink).Scan(&total)
	total += count
	for _, step := range []struct {
		text string
		args []any
	}{
		{"UPDATE sinks SET done = max(done, ?) WHERE name = ?", []any{upto, sink}},
		{"INSERT OR REPLACE INTO state (key, value) VALUES (?, ?)", []any{lostKey + sink, fmt.Appendf(nil, "%d", total)}},
	} {
		if err == nil {
			_, err = tx.ExecContext(ctx, step.text, step.args...)
		}
	}
	if err != nil {
		return 0, j.explain("save to", err)
	}
	return total, j.explain("save to", tx.Commit())
}

// Size is what the archive takes of the disk, in bytes, with its log.
func (j *Journal) Size() int64 {
	var n int64
	for _, end := range []string{"", "-wal"} {
		if st, err := os.Stat(j.path + end); err == nil {
			n += st.Size()
		}
	}
	return n
}
