package daemon

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/journal"
	"boxd/internal/telemetry/influx"
	"boxd/internal/units"
)

// Station gives the station's database what the archive holds, so that an
// outage of any length is caught up with: traces of runs once a second, events,
// summaries. The same archive gives the same points, also after a crash.
type Station struct {
	Box     string
	Keep    *journal.Outbox
	Journal *journal.Journal
	Refused string // file that takes what the database refuses

	mark    stationMark
	known   bool        // mark is read
	pending stationMark // mark once the points of the last Next are written
}

// stationMark is what the database has. It is saved as one, so that a point
// sent again has the time it had before.
type stationMark struct {
	Seq     uint64 `json:"seq"`      // events
	EventAt int64  `json:"event_at"` // ns, of the last event
	Row     uint64 `json:"row"`      // inputs
	TraceAt int64  `json:"trace_at"` // ns, of the last row of a trace
	Run     string `json:"run"`      // the last that began
}

const (
	stationKey  = "station.mark"
	stationSink = "station" // its outbox's name
)

// Bounds of one look: a row of inputs is about a second, at most some minutes.
const (
	stationEvents = 200
	stationRows   = 200
)

// Next gives about max points.
func (s *Station) Next(ctx context.Context, max int) ([]influx.Point, error) {
	if err := s.recall(ctx); err != nil {
		return nil, err
	}
	s.pending = s.mark
	events, err := s.Keep.Next(ctx, s.mark.Seq, min(stationEvents, max))
	if err != nil {
		return nil, err
	}
	var out []influx.Point
	for _, m := range events {
		s.pending.Seq = m.Seq
		if e, err := m.Event(); err == nil { // a message is none
			out = s.event(ctx, out, m.Seq, e)
		}
	}
	if last, err := s.Journal.LastInput(ctx); err != nil {
		return nil, err
	} else if last < s.pending.Row {
		s.pending.Row = 0 // all were pruned, and their numbers began anew
	}
	rows, err := s.Journal.RunInputsAfter(ctx, s.pending.Row, stationRows)
	if err != nil {
		return nil, err
	}
	for i := range rows {
		if len(out) >= max {
			break
		}
		if out, err = s.trace(out, &rows[i]); err != nil {
			return nil, err
		}
		s.pending.Row = rows[i].N
	}
	if len(out) == 0 && s.pending != s.mark {
		return nil, s.Done(ctx, nil)
	}
	return out, nil
}

func (s *Station) recall(ctx context.Context) error {
	if s.known {
		return nil
	}
	b, ok, err := s.Journal.State(ctx, stationKey)
	if err == nil && ok {
		err = json.Unmarshal(b, &s.mark)
	}
	s.known = err == nil
	return err
}

// Done moves the mark. What was refused is on the disk before that.
func (s *Station) Done(ctx context.Context, refused []influx.Refused) error {
	if err := s.putAside(refused); err != nil {
		return err
	}
	b, err := json.Marshal(s.pending)
	if err != nil {
		return err
	}
	if err := s.Journal.Commit(ctx, journal.Batch{State: map[string][]byte{stationKey: b}}); err != nil {
		return err
	}
	before := s.mark.Seq
	if s.mark = s.pending; s.mark.Seq == before {
		return nil
	}
	return s.Keep.Done(ctx, s.mark.Seq)
}

// maxRefused bounds the file, in bytes.
const maxRefused = 4 << 20

// putAside appends what the database refused, as line protocol with the reason
// as a remark. When the file is full everything waits for a person.
func (s *Station) putAside(refused []influx.Refused) error {
	if len(refused) == 0 {
		return nil
	}
	var b bytes.Buffer
	for _, r := range refused {
		fmt.Fprintf(&b, "# %s\n%s\n", r.Why, r.Line)
	}
	if st, err := os.Stat(s.Refused); err == nil && st.Size()+int64(b.Len()) > maxRefused {
		return fmt.Errorf("the station's database refuses points and %s is full: correct what its remarks say, write its lines to the database and remove it", s.Refused)
	} else if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("cannot keep refused points: %w", err)
	}
	f, err := os.OpenFile(s.Refused, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o640)
	if err != nil {
		return fmt.Errorf("cannot keep refused points: %w", err)
	}
	_, err = f.Write(b.Bytes())
	return errors.Join(err, f.Sync(), f.Close())
}

// setBack is how far a clock may go back before it counts as set right: its
// times then start from there.
const setBack = int64(time.Hour)

// rising is a time after last, or at's own where the clock was set back.
func rising(last int64, at time.Time) int64 {
	now := at.UnixNano()
	if at.IsZero() {
		now = 0
	}
	if now <= last && last-now < setBack {
		return last + 1
	}
	return now
}

// event adds an event's point and, of a summary, the run's.
func (s *Station) event(ctx context.Context, out []influx.Point, seq uint64, e engine.Event) []influx.Point {
	s.pending.EventAt = rising(s.pending.EventAt, e.Wall)
	p := influx.Point{Measurement: "boxd_event", At: s.pending.EventAt, Tags: map[string]string{"box": s.Box, "kind": string(e.Kind)}, Fields: map[string]any{"seq": int64(seq)}}
	put(p.Fields, "t_s", e.T)
	if e.Kind == engine.RunEvent && e.State == "started" {
		s.pending.Run = e.Name
	}
	if e.ID != "" {
		p.Tags["id"] = e.ID
	}
	for key, text := range map[string]string{"step": e.Step, "name": e.Name, "state": e.State, "priority": e.Priority, "deed": e.Deed, "by": e.By,
		"text": e.Text, "reason": e.Reason, "cause": e.Cause, "why": strings.Join(e.Why, " ")} {
		if text != "" {
			p.Fields[key] = text
		}
	}
	out = append(out, p)
	if e.Sum == nil {
		return out
	}
	return append(out, s.summary(ctx, p, e))
}

// summary is a run's point beside that of its event.
func (s *Station) summary(ctx context.Context, beside influx.Point, e engine.Event) influx.Point {
	r := influx.Point{Measurement: "boxd_run", At: beside.At, Tags: map[string]string{"box": s.Box}, Fields: map[string]any{"seq": beside.Fields["seq"], "flush": e.Sum.Flush}}
	if s.pending.Run != "" {
		r.Tags["run"] = s.pending.Run
		if run, err := s.Journal.Run(ctx, s.pending.Run); err == nil {
			r.Tags["zone"] = run.Zone
		}
	}
	put(r.Fields, "t_s", e.T)
	var body map[string]any
	if b, err := json.Marshal(e.Sum); err == nil && json.Unmarshal(b, &body) == nil {
		numbers(r.Fields, "", body)
	}
	return r
}

// numbers adds the numbers of a JSON object under their names, those of objects
// in it under both. Lists are left out.
func numbers(to map[string]any, under string, from map[string]any) {
	for key, v := range from {
		switch v := v.(type) {
		case float64:
			put(to, under+key, v)
		case map[string]any:
			numbers(to, under+key+"_", v)
		}
	}
}

func put(to map[string]any, key string, v float64) {
	if units.Finite(v) {
		to[key] = v
	}
}

// trace adds a row's inputs, those of one second as one point: of several
// values of a channel the newest counts, and a faulty one is missing. A row that
// ends within a second ends the point, so that a row alone decides.
func (s *Station) trace(out []influx.Point, r *journal.InputRow) ([]influx.Point, error) {
	var p influx.Point
	var second int64
	flush := func() {
		if len(p.Fields) > 0 {
			s.pending.TraceAt = rising(s.pending.TraceAt, time.Unix(0, p.At))
			p.At, p.Fields["seq"] = s.pending.TraceAt, int64(r.N)
			out = append(out, p)
		}
		p = influx.Point{Measurement: "boxd_trace", Tags: map[string]string{"box": s.Box, "zone": r.Zone, "run": r.Run}, Fields: map[string]any{}}
	}
	flush()
	for in, err := range r.Inputs() {
		if err != nil {
			return nil, err
		}
		if now := int64(in.Mono / time.Second); now != second {
			flush()
			second = now
		}
		for _, x := range in.Samples {
			if x.Fault == "" && x.Channel > box.UnknownChannel && x.Channel < box.NumChannels && units.Finite(x.Value) {
				p.Fields[x.Channel.Info().Column] = x.Value
				p.Fields["t_s"] = in.Mono.Seconds()
				p.At = in.Wall.UnixNano()
			}
		}
	}
	flush()
	return out, nil
}
