package journal

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"
)

// Note is what a person wrote down of a run afterwards. Notes are only added.
type Note struct {
	ID   string // made by the sender: a note that comes twice is kept once
	Run  string
	Wall time.Time
	By   string // empty: nobody signed in
	Text string
}

// MaxNote bounds the text of a note, in bytes.
const MaxNote = 2000

// AddNote keeps a note of a run; a run that is not there is ErrNoRun.
func (j *Journal) AddNote(ctx context.Context, n Note) error {
	switch n.Text = strings.TrimSpace(n.Text); {
	case n.ID == "" || n.Text == "":
		return errors.New("cannot keep a note: it has no text or no id")
	case len(n.Text) > MaxNote:
		return fmt.Errorf("cannot keep a note of %d bytes: keep it under %d", len(n.Text), MaxNote)
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	res, err := j.writer.ExecContext(ctx, `INSERT INTO notes (id, run, wall, by, text) SELECT ?, id, ?, ?, ? FROM runs WHERE id = ?
		ON CONFLICT (id) DO UPDATE SET id = excluded.id`, n.ID, nanos(n.Wall), n.By, n.Text, n.Run)
	if err != nil {
		return j.explain("save to", err)
	}
	if rows, err := res.RowsAffected(); err != nil || rows == 0 {
		return errors.Join(err, fmt.Errorf("cannot keep a note of run %q: %w", n.Run, ErrNoRun))
	}
	return nil
}

// Notes are a run's notes, the oldest first.
func (j *Journal) Notes(ctx context.Context, run string) ([]Note, error) {
	rows, err := j.reader.QueryContext(ctx, "SELECT id, run, wall, by, text FROM notes WHERE run = ? ORDER BY n", run)
	if err != nil {
		return nil, j.explain("read", err)
	}
	defer func() { _ = rows.Close() }()
	var list []Note
	for rows.Next() {
		var n Note
		var at int64
		if err := rows.Scan(&n.ID, &n.Run, &at, &n.By, &n.Text); err != nil {
			return nil, j.explain("read", err)
		}
		n.Wall = wall(at)
		list = append(list, n)
	}
	return list, j.explain("read", rows.Err())
}
