package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"slices"
	"sync/atomic"
	"time"
)

// Outbox is what one sink has yet to be sent: every event and message, in the
// order of their numbers, until the sink says it has had them. What is sent
// again after a crash has the same number, so that a receiver can tell.
type Outbox struct {
	j    *Journal
	sink string
	dry  atomic.Pointer[dry]
}

// dry is that nothing came after a number when the archive ended at end. Sinks ask
// several times a second; without a commit in between the answer stays.
type dry struct{ after, end uint64 }

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
	j.opened = append(j.opened, sink)
	return &Outbox{j: j, sink: sink}, nil
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
	end := o.j.seq.Load() // rises once a commit is done, so what it counts can be read
	if d := o.dry.Load(); d != nil && d.end == end && after >= d.after {
		return nil, nil
	}
	rows, err := o.j.reader.QueryContext(ctx, `
		WITH start (seq) AS (SELECT max(?1, ifnull((SELECT done FROM sinks WHERE name = ?2), 0)))
		SELECT * FROM (SELECT seq, wall, kind, CAST(json AS BLOB), 1, run FROM events WHERE seq > (SELECT seq FROM start) ORDER BY seq LIMIT ?3)
		UNION ALL
		SELECT * FROM (SELECT seq, wall, kind, payload, 0, '' FROM messages WHERE seq > (SELECT seq FROM start) ORDER BY seq LIMIT ?3)
		ORDER BY seq LIMIT ?3`, int64(after), o.sink, max)
	if err != nil {
		return nil, o.j.explain("read", err)
	}
	defer func() { _ = rows.Close() }()
	var list []Message
	for rows.Next() {
		var m Message
		var seq, at int64
		if err := rows.Scan(&seq, &at, &m.Kind, &m.Payload, &m.IsEvent, &m.Run); err != nil {
			return nil, o.j.explain("read", err)
		}
		m.Seq, m.Wall = uint64(seq), wall(at)
		list = append(list, m)
	}
	if err := rows.Err(); err != nil {
		return list, o.j.explain("read", err)
	}
	if len(list) == 0 && max > 0 {
		o.dry.Store(&dry{after, end})
	}
	return list, nil
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
		// A clock that was set back dates late events early: nothing goes that has
		// something young before it.
		err := j.reader.QueryRowContext(ctx, `
			WITH start (seq) AS (SELECT done FROM sinks WHERE name = ?1),
			     waiting (seq, wall) AS (SELECT seq, wall FROM events WHERE seq > (SELECT seq FROM start)
			         UNION ALL SELECT seq, wall FROM messages WHERE seq > (SELECT seq FROM start)),
			     young (seq) AS (SELECT min(seq) FROM waiting WHERE wall >= ?2),
			     last (seq) AS (SELECT max(seq) FROM waiting WHERE wall < ?2 AND wall > ?3 AND seq < ifnull((SELECT seq FROM young), seq + 1))
			SELECT (SELECT seq FROM last), count(*) FROM waiting WHERE seq <= (SELECT seq FROM last)`, sink, nanos(before), int64(reasonable)).Scan(&last, &l.Count)
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

// GiveUpRows counts as lost for the sink the rows of inputs above row in the runs
// that Prune with the same time would remove.
func (j *Journal) GiveUpRows(ctx context.Context, sink string, before time.Time, row uint64) (Lost, error) {
	l := Lost{Sink: sink}
	err := j.reader.QueryRowContext(ctx, "SELECT count(*) FROM inputs WHERE n > ? AND run IN (SELECT id FROM runs WHERE end_wall < ? AND end_wall > ?)",
		int64(row), nanos(before), int64(reasonable)).Scan(&l.Count)
	if err != nil || l.Count == 0 {
		return l, j.explain("read", err)
	}
	l.Total, err = j.lose(ctx, sink, 0, l.Count)
	return l, err
}

// LostTotal is what all sinks have lost since the archive began.
func (j *Journal) LostTotal(ctx context.Context) (n int64, err error) {
	err = j.reader.QueryRowContext(ctx, "SELECT ifnull(sum(CAST(CAST(value AS TEXT) AS INTEGER)), 0) FROM state WHERE substr(key, 1, ?) = ?", len(lostKey), lostKey).Scan(&n)
	return n, j.explain("read", err)
}

// HasSink says whether somebody has an outbox of this name.
func (j *Journal) HasSink(ctx context.Context, sink string) (bool, error) {
	list, err := j.texts(ctx, "SELECT name FROM sinks")
	return slices.Contains(list, sink), err
}

// DropOtherSinks forgets the sinks whose outbox was not opened since the archive
// was: their receivers are no longer in the configuration.
func (j *Journal) DropOtherSinks(ctx context.Context) error {
	list, err := j.texts(ctx, "SELECT name FROM sinks")
	for _, sink := range list {
		j.mu.Lock()
		opened := slices.Contains(j.opened, sink)
		j.mu.Unlock()
		if !opened {
			err = errors.Join(err, j.DropSink(ctx, sink))
		}
	}
	return err
}

// Size is what the archive takes of the disk, in bytes, with its log and without
// what pruning left free in it.
func (j *Journal) Size(ctx context.Context) (n int64, err error) {
	err = j.reader.QueryRowContext(ctx, "SELECT (page_count - freelist_count) * page_size FROM pragma_page_count, pragma_freelist_count, pragma_page_size").Scan(&n)
	if st, missing := os.Stat(j.path + "-wal"); missing == nil {
		n += st.Size()
	}
	return n, j.explain("measure", err)
}
