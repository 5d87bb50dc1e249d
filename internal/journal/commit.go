package journal

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"boxd/internal/calibration"
	"boxd/internal/engine"
	"boxd/internal/record"
	"boxd/internal/units"
)

// RunStart begins a run.
type RunStart struct {
	ID, Zone, Box string
	Wall          time.Time
	T             float64 // core seconds
	Config        string  // the whole text of the configuration, secrets taken out: exports show it
	Software      string  // version of the program
}

// RunEnd ends a run.
type RunEnd struct {
	Wall time.Time
	T    float64 // core seconds
}

// Message is something to send on. Events become messages by themselves.
type Message struct {
	Seq     uint64 // given by Commit
	Kind    string // an event's kind, or the sender's own word
	Wall    time.Time
	Payload []byte // JSON for events
	IsEvent bool   // set by Next: an event of the core, not a message given to Commit
	Run     string // set by Next: the run of an event; "" between runs
}

// Event is the core's event behind a message whose IsEvent is set.
func (m *Message) Event() (engine.Event, error) {
	if !m.IsEvent {
		return engine.Event{}, fmt.Errorf("message %d (%s) is no event", m.Seq, m.Kind)
	}
	return decodeEvent(m.Seq, m.Wall, m.Payload)
}

// Batch is what one or several turns of the core leave to be saved.
type Batch struct {
	Run       string         // the run that Inputs and Events belong to; "" between runs
	Start     *RunStart      // begins Run (Run may be left empty then)
	Inputs    []byte         // whole records of package record, or nil
	Events    []engine.Event // in the order they came
	Messages  []Message      // for the sinks, besides the events; not kept when there is no sink
	State     map[string][]byte
	Estimates *Estimates // of Run
	// Calibrations are added; one whose id is there already is not stored again.
	Calibrations []calibration.Record
	End          *RunEnd // ends Run
}

// Commit saves the batches in one transaction: all or nothing. A batch cannot
// straddle the bound of a run; several can. When it returns nil the batches are
// on the disk. Errors may be ErrFull.
//
// An answer to an action (action, refusal) that repeats an earlier one of the
// same action id and kind is not stored again.
func (j *Journal) Commit(ctx context.Context, batches ...Batch) error {
	j.mu.Lock()
	defer j.mu.Unlock()
	tx, err := j.writer.BeginTx(ctx, nil)
	if err != nil {
		return j.explain("save to", err)
	}
	c := commit{tx: tx, st: &j.stmts, seq: j.seq.Load()}
	for i := range batches {
		if err == nil {
			err = c.batch(ctx, &batches[i])
		}
	}
	if err == nil {
		err = c.keepSeq(ctx)
	}
	if err != nil {
		_ = tx.Rollback() // SQLite may have rolled back itself; err is the one to tell
		return j.explain("save to", err)
	}
	if err := tx.Commit(); err != nil {
		_ = tx.Rollback()
		return j.explain("save to", err)
	}
	j.seq.Store(c.seq)
	return nil
}

// statements are prepared once on the writer's connection.
type statements struct {
	config, start, end, summary, inputs, event, action, message, state, estimates, calibration *sql.Stmt
}

func (j *Journal) prepare(ctx context.Context) error {
	st := &j.stmts
	for _, p := range []struct {
		to   **sql.Stmt
		text string
	}{
		{&st.config, "INSERT INTO configs (hash, text) VALUES (?, ?) ON CONFLICT DO NOTHING"},
		{&st.start, "INSERT INTO runs (id, box, zone, start_wall, start_t, config, software) VALUES (?, ?, ?, ?, ?, ?, ?)"},
		{&st.end, "UPDATE runs SET end_wall = ?, end_t = ? WHERE id = ?"},
		{&st.summary, "UPDATE runs SET summary = ? WHERE id = ?"},
		{&st.inputs, "INSERT INTO inputs (run, wall, log) VALUES (?, ?, ?)"},
		{&st.event, "INSERT INTO events (seq, run, wall, t, kind, json) VALUES (?, ?, ?, ?, ?, ?)"},
		{&st.action, "INSERT INTO actions (id, kind, seq) VALUES (?, ?, ?) ON CONFLICT DO NOTHING"},
		{&st.message, "INSERT INTO messages (seq, wall, kind, payload) SELECT ?, ?, ?, ? WHERE EXISTS (SELECT 1 FROM sinks)"},
		{&st.estimates, "INSERT INTO estimates (run, wall, t, json) VALUES (?, ?, ?, ?)"},
		{&st.calibration, "INSERT INTO calibrations (id, wall, channel, json) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING"},
		{&st.state, "INSERT INTO state (key, value) VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value = excluded.value"},
	} {
		var err error
		if *p.to, err = j.writer.PrepareContext(ctx, p.text); err != nil {
			return err
		}
	}
	return nil
}

// seqKey is the state that keeps the sequence from going back once the newest
// messages are sent and gone.
const seqKey = "journal.seq"

func (j *Journal) loadSeq(ctx context.Context) error {
	var seq int64
	err := j.writer.QueryRowContext(ctx, `SELECT max(
		ifnull((SELECT max(seq) FROM events), 0), ifnull((SELECT max(seq) FROM messages), 0),
		ifnull((SELECT CAST(CAST(value AS TEXT) AS INTEGER) FROM state WHERE key = ?), 0))`, seqKey).Scan(&seq)
	j.seq.Store(uint64(seq))
	return err
}

// commit is one transaction under way.
type commit struct {
	tx  *sql.Tx
	st  *statements
	seq uint64
}

func (c *commit) exec(ctx context.Context, st *sql.Stmt, args ...any) (int64, error) {
	res, err := c.tx.StmtContext(ctx, st).ExecContext(ctx, args...)
	if err != nil {
		return 0, err
	}
	return res.RowsAffected()
}

func (c *commit) keepSeq(ctx context.Context) error {
	_, err := c.exec(ctx, c.st.state, seqKey, fmt.Appendf(nil, "%d", c.seq))
	return err
}

func (c *commit) batch(ctx context.Context, b *Batch) error {
	run := b.Run
	if b.Start != nil {
		if run != "" && run != b.Start.ID || b.Start.ID == "" {
			return fmt.Errorf("a batch of run %q starts run %q", run, b.Start.ID)
		}
		run = b.Start.ID
		if err := c.startRun(ctx, b.Start); err != nil {
			return err
		}
	}
	if err := c.inputs(ctx, run, b.Inputs); err != nil {
		return err
	}
	for i := range b.Events {
		if err := c.event(ctx, run, &b.Events[i]); err != nil {
			return err
		}
	}
	for i := range b.Messages {
		if err := c.message(ctx, &b.Messages[i]); err != nil {
			return err
		}
	}
	if b.Estimates != nil {
		if err := c.estimates(ctx, run, b.Estimates); err != nil {
			return err
		}
	}
	for i := range b.Calibrations {
		if err := c.calibration(ctx, &b.Calibrations[i]); err != nil {
			return err
		}
	}
	for key, value := range b.State {
		if _, err := c.exec(ctx, c.st.state, key, append([]byte{}, value...)); err != nil {
			return err
		}
	}
	if b.End != nil {
		return c.endRun(ctx, run, b.End)
	}
	return nil
}

func (c *commit) startRun(ctx context.Context, s *RunStart) error {
	sum := sha256.Sum256([]byte(s.Config))
	hash := hex.EncodeToString(sum[:])
	if _, err := c.exec(ctx, c.st.config, hash, s.Config); err != nil {
		return err
	}
	_, err := c.exec(ctx, c.st.start, s.ID, s.Box, s.Zone, nanos(s.Wall), s.T, hash, s.Software)
	return err
}

func (c *commit) endRun(ctx context.Context, run string, e *RunEnd) error {
	n, err := c.exec(ctx, c.st.end, nanos(e.Wall), e.T, run)
	if err == nil && n == 0 {
		return fmt.Errorf("cannot end run %q: %w", run, ErrNoRun)
	}
	return err
}

// inputs stores a log after making sure that it can be read again.
func (c *commit) inputs(ctx context.Context, run string, log []byte) error {
	if len(log) == 0 {
		return nil
	}
	var in engine.Input
	var first time.Time
	for at := 0; at < len(log); {
		n, err := record.ReadInput(log[at:], &in)
		if err != nil {
			return fmt.Errorf("the input log given at byte %d: %w", at, err)
		}
		if at == 0 {
			first = in.Wall
		}
		at += n
	}
	_, err := c.exec(ctx, c.st.inputs, run, nanos(first), log)
	return err
}

func (c *commit) event(ctx context.Context, run string, e *engine.Event) error {
	e, text := written(e)
	seq := c.seq + 1
	if e.Action != "" && (e.Kind == engine.ActionEvent || e.Kind == engine.RefusalEvent) {
		if n, err := c.exec(ctx, c.st.action, e.Action, string(e.Kind), int64(seq)); err != nil || n == 0 {
			return err
		}
	}
	if _, err := c.exec(ctx, c.st.event, int64(seq), run, nanos(e.Wall), e.T, string(e.Kind), string(text)); err != nil {
		return err
	}
	c.seq = seq
	if e.Kind == engine.SummaryEvent && run != "" {
		_, err := c.exec(ctx, c.st.summary, string(text), run)
		return err
	}
	return nil
}

// written is the event with its line. In place of an event that has no JSON (a
// number in it is none) stands a note that says so, since refusing it would
// stop the archive.
func written(e *engine.Event) (*engine.Event, []byte) {
	text, err := json.Marshal(e)
	if err == nil {
		return e, text
	}
	note := &engine.Event{T: e.T, Kind: engine.NoteEvent, Wall: e.Wall, Action: e.Action,
		Text: fmt.Sprintf("an event (%s) could not be written down: %v", e.Kind, err)}
	if !units.Finite(note.T) {
		note.T = 0
	}
	if text, err = json.Marshal(note); err != nil {
		return note, []byte("{}") // cannot be: the note holds a finite number and strings
	}
	return note, text
}

func (c *commit) message(ctx context.Context, m *Message) error {
	if m.Kind == "" {
		return errors.New("a message has no kind")
	}
	n, err := c.exec(ctx, c.st.message, int64(c.seq+1), nanos(m.Wall), m.Kind, append([]byte{}, m.Payload...))
	c.seq += uint64(n)
	return err
}

// nanos is a wall time as stored; 0 stands for a time not known.
func nanos(t time.Time) int64 {
	if t.IsZero() {
		return 0
	}
	return t.UnixNano()
}

func wall(n int64) time.Time {
	if n == 0 {
		return time.Time{}
	}
	return time.Unix(0, n).UTC()
}
