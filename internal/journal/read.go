package journal

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"strconv"
	"strings"
	"time"

	"boxd/internal/engine"
	"boxd/internal/record"
)

// Run is one run in the archive.
type Run struct {
	ID, Zone, Box string
	Start         time.Time
	StartT        float64 // core seconds
	Ended         bool
	End           time.Time // zero until ended
	EndT          float64
	ConfigHash    string
	Config        string // its text; empty in lists
	Software      string
	Summary       json.RawMessage // nil until there is one
	Thinned       time.Time       // when its samples were thinned; zero: all are there
}

const runColumns = "r.id, r.zone, r.box, r.start_wall, r.start_t, r.end_wall, r.end_t, r.config, r.software, r.summary, r.thinned"

func scanRun(scan func(...any) error, more ...any) (Run, error) {
	var r Run
	var start int64
	var end, thinned sql.NullInt64
	var endT sql.NullFloat64
	var summary sql.NullString
	to := append([]any{&r.ID, &r.Zone, &r.Box, &start, &r.StartT, &end, &endT, &r.ConfigHash, &r.Software, &summary, &thinned}, more...)
	if err := scan(to...); err != nil {
		return Run{}, err
	}
	r.Start, r.Ended, r.Thinned = wall(start), end.Valid, wall(thinned.Int64)
	if end.Valid {
		r.End, r.EndT = wall(end.Int64), endT.Float64
	}
	if summary.Valid {
		r.Summary = json.RawMessage(summary.String)
	}
	return r, nil
}

// Runs are all runs, the newest first, without their configurations.
func (j *Journal) Runs(ctx context.Context) ([]Run, error) { return j.Find(ctx, Search{}) }

// Search says which runs are looked for; what is zero is not asked.
type Search struct {
	Zone, Flush string
	From, Until time.Time // the run began in between
	Text        string    // in the run's id or in a note
	Limit       int
}

// Find are the runs looked for, the newest first, without their configurations.
func (j *Journal) Find(ctx context.Context, s Search) ([]Run, error) {
	var where []string
	var args []any
	ask := func(asked bool, text string, values ...any) {
		if asked {
			where, args = append(where, text), append(args, values...)
		}
	}
	ask(s.Zone != "", "r.zone = ?", s.Zone)
	ask(s.Flush != "", "ifnull(json_extract(r.summary, '$.flush'), 'unknown') = ?", s.Flush)
	ask(!s.From.IsZero(), "r.start_wall >= ?", nanos(s.From))
	ask(!s.Until.IsZero(), "r.start_wall < ?", nanos(s.Until))
	ask(s.Text != "", "(instr(lower(r.id), lower(?)) OR EXISTS (SELECT 1 FROM notes WHERE run = r.id AND instr(lower(text), lower(?))))", s.Text, s.Text)
	text := "SELECT " + runColumns + " FROM runs r"
	if len(where) > 0 {
		text += " WHERE " + strings.Join(where, " AND ")
	}
	text += " ORDER BY r.n DESC"
	if s.Limit > 0 {
		text += " LIMIT " + strconv.Itoa(s.Limit)
	}
	rows, err := j.reader.QueryContext(ctx, text, args...)
	if err != nil {
		return nil, j.explain("read", err)
	}
	defer func() { _ = rows.Close() }()
	var runs []Run
	for rows.Next() {
		r, err := scanRun(rows.Scan)
		if err != nil {
			return nil, j.explain("read", err)
		}
		runs = append(runs, r)
	}
	return runs, j.explain("read", rows.Err())
}

// Zones are the names of all zones that have runs, sorted.
func (j *Journal) Zones(ctx context.Context) ([]string, error) {
	return j.texts(ctx, "SELECT DISTINCT zone FROM runs ORDER BY zone")
}

// Run is one run with its configuration, or ErrNoRun.
func (j *Journal) Run(ctx context.Context, id string) (Run, error) {
	return j.oneRun(ctx, "r.id = ?", id)
}

// Unfinished is the newest run, when it was not ended: the one to resume.
func (j *Journal) Unfinished(ctx context.Context) (Run, bool, error) {
	r, err := j.oneRun(ctx, "r.n = (SELECT max(n) FROM runs) AND r.end_wall IS NULL")
	if errors.Is(err, ErrNoRun) {
		return Run{}, false, nil
	}
	return r, err == nil, err
}

func (j *Journal) oneRun(ctx context.Context, where string, args ...any) (Run, error) {
	row := j.reader.QueryRowContext(ctx,
		"SELECT "+runColumns+", c.text FROM runs r JOIN configs c ON c.hash = r.config WHERE "+where, args...)
	var config string
	r, err := scanRun(row.Scan, &config)
	if errors.Is(err, sql.ErrNoRows) {
		return Run{}, fmt.Errorf("%w: list them with boxd runs", ErrNoRun)
	}
	r.Config = config
	return r, j.explain("read", err)
}

// inputRows is how many rows of inputs are held at once.
const inputRows = 64

// Inputs are the inputs of a run ("": between runs) in the order they were
// committed, every bit as it was. The input is good until the next one. An
// error ends the sequence. No read transaction stays open between the inputs:
// a slow taker would keep the write-ahead log growing.
func (j *Journal) Inputs(ctx context.Context, run string) iter.Seq2[*engine.Input, error] {
	return func(yield func(*engine.Input, error) bool) {
		var in engine.Input
		after := int64(-1)
		for {
			logs, last, err := j.inputLogs(ctx, run, after)
			if err != nil {
				yield(nil, j.explain("read", err))
				return
			}
			for _, log := range logs {
				if more, err := yieldLog(log, &in, yield); err != nil {
					yield(nil, j.explain("read", fmt.Errorf("inputs of run %q between rows %d and %d: %w", run, after, last, err)))
					return
				} else if !more {
					return
				}
			}
			if len(logs) < inputRows {
				return
			}
			after = last
		}
	}
}

// inputLogs are the next rows of a run's inputs and the number of the last one.
func (j *Journal) inputLogs(ctx context.Context, run string, after int64) (logs [][]byte, last int64, err error) {
	rows, err := j.reader.QueryContext(ctx, "SELECT n, log FROM inputs WHERE run = ? AND n > ? ORDER BY n LIMIT ?", run, after, inputRows)
	if err != nil {
		return nil, 0, err
	}
	defer func() { _ = rows.Close() }()
	for rows.Next() {
		var log []byte
		if err := rows.Scan(&last, &log); err != nil {
			return nil, 0, err
		}
		logs = append(logs, log)
	}
	return logs, last, rows.Err()
}

func yieldLog(log []byte, in *engine.Input, yield func(*engine.Input, error) bool) (more bool, err error) {
	for len(log) > 0 {
		n, err := record.ReadInput(log, in)
		if err != nil {
			return false, err
		}
		if !yield(in, nil) {
			return false, nil
		}
		log = log[n:]
	}
	return true, nil
}

// Entry is an event as it was saved.
type Entry struct {
	Seq  uint64
	Run  string // "" between runs
	Wall time.Time
	T    float64 // core seconds
	Kind engine.EventKind
	JSON json.RawMessage // the line of the replay output
}

// Event is the entry as the core made it.
func (e *Entry) Event() (engine.Event, error) { return decodeEvent(e.Seq, e.Wall, e.JSON) }

// decodeEvent undoes the core's own way of writing an event.
func decodeEvent(seq uint64, at time.Time, text []byte) (engine.Event, error) {
	type plain engine.Event // without the core's own JSON methods
	shown := struct {
		*plain
		Why json.RawMessage `json:"why"` // one sentence or several
	}{plain: &plain{}}
	if err := json.Unmarshal(text, &shown); err != nil {
		return engine.Event{}, fmt.Errorf("cannot read event %d: %w", seq, err)
	}
	e := engine.Event(*shown.plain)
	e.Wall = at
	if len(shown.Why) > 0 {
		var one string
		if json.Unmarshal(shown.Why, &one) == nil {
			e.Why = engine.Reasons{one}
		} else if err := json.Unmarshal(shown.Why, (*[]string)(&e.Why)); err != nil {
			return engine.Event{}, fmt.Errorf("cannot read event %d: %w", seq, err)
		}
	}
	if e.Kind == engine.SummaryEvent {
		e.Sum = new(engine.Summary)
		if err := json.Unmarshal(text, e.Sum); err != nil {
			return engine.Event{}, fmt.Errorf("cannot read event %d: %w", seq, err)
		}
	}
	return e, nil
}

const entryColumns = "seq, run, wall, t, kind, json"

// Events are the events of a run ("": between runs) in their order.
func (j *Journal) Events(ctx context.Context, run string) ([]Entry, error) {
	return j.entries(ctx, "run = ? ORDER BY seq", run)
}

// EventsAfter are up to limit events of any run after seq, in their order.
func (j *Journal) EventsAfter(ctx context.Context, seq uint64, limit int) ([]Entry, error) {
	return j.entries(ctx, "seq > ? ORDER BY seq LIMIT ?", int64(seq), limit)
}

// Alarms are the newest changes of alarms and what persons said of them, the
// newest first.
func (j *Journal) Alarms(ctx context.Context, limit int) ([]Entry, error) {
	return j.entries(ctx, "kind = 'alarm' ORDER BY seq DESC LIMIT ?", limit)
}

// Answered is the first answer to the action of this id, for a submit that
// comes twice.
func (j *Journal) Answered(ctx context.Context, action string) (Entry, bool, error) {
	list, err := j.entries(ctx, "seq = (SELECT min(seq) FROM actions WHERE id = ?)", action)
	if err != nil || len(list) == 0 {
		return Entry{}, false, err
	}
	return list[0], true, nil
}

func (j *Journal) entries(ctx context.Context, where string, args ...any) ([]Entry, error) {
	rows, err := j.reader.QueryContext(ctx, "SELECT "+entryColumns+" FROM events WHERE "+where, args...)
	if err != nil {
		return nil, j.explain("read", err)
	}
	defer func() { _ = rows.Close() }()
	var list []Entry
	for rows.Next() {
		var e Entry
		var seq, at int64
		var kind, text string
		if err := rows.Scan(&seq, &e.Run, &at, &e.T, &kind, &text); err != nil {
			return nil, j.explain("read", err)
		}
		e.Seq, e.Wall, e.Kind, e.JSON = uint64(seq), wall(at), engine.EventKind(kind), json.RawMessage(text)
		list = append(list, e)
	}
	return list, j.explain("read", rows.Err())
}

// State is what was last committed under key.
func (j *Journal) State(ctx context.Context, key string) ([]byte, bool, error) {
	var value []byte
	err := j.reader.QueryRowContext(ctx, "SELECT value FROM state WHERE key = ?", key).Scan(&value)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, false, nil
	}
	return value, err == nil, j.explain("read", err)
}

// InputRow is one saved stretch of a run's inputs.
type InputRow struct {
	N         uint64 // rises
	Run, Zone string
	log       []byte
}

// Inputs are its inputs; each is good until the next one.
func (r *InputRow) Inputs() iter.Seq2[*engine.Input, error] {
	return func(yield func(*engine.Input, error) bool) {
		var in engine.Input
		if _, err := yieldLog(r.log, &in, yield); err != nil {
			yield(nil, fmt.Errorf("cannot read inputs %d of run %q: %w", r.N, r.Run, err))
		}
	}
}

// RunInputsAfter are up to limit rows of the inputs of runs after row n, in
// their order.
func (j *Journal) RunInputsAfter(ctx context.Context, n uint64, limit int) ([]InputRow, error) {
	rows, err := j.reader.QueryContext(ctx, "SELECT i.n, i.run, r.zone, i.log FROM inputs i JOIN runs r ON r.id = i.run WHERE i.n > ? ORDER BY i.n LIMIT ?", int64(n), limit)
	if err != nil {
		return nil, j.explain("read", err)
	}
	defer func() { _ = rows.Close() }()
	var list []InputRow
	for rows.Next() {
		var r InputRow
		if err := rows.Scan(&r.N, &r.Run, &r.Zone, &r.log); err != nil {
			return nil, j.explain("read", err)
		}
		list = append(list, r)
	}
	return list, j.explain("read", rows.Err())
}

// LastInput is the number of the newest row of inputs. It goes back when all
// rows were pruned.
func (j *Journal) LastInput(ctx context.Context) (uint64, error) {
	var n int64
	err := j.reader.QueryRowContext(ctx, "SELECT ifnull(max(n), 0) FROM inputs").Scan(&n)
	return uint64(n), j.explain("read", err)
}
