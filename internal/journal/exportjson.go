package journal

import (
	"bufio"
	"context"
	"encoding/json"
	"io"
	"strconv"
	"time"

	"boxd/internal/calibration"
	"boxd/internal/engine"
)

// runJSON is the run's head in the JSON export.
type runJSON struct {
	ID         string          `json:"id"`
	Box        string          `json:"box"`
	Zone       string          `json:"zone"`
	Start      *time.Time      `json:"start"` // null: the clock was not set
	End        *time.Time      `json:"end"`
	Ended      bool            `json:"ended"`
	Software   string          `json:"software"`
	ConfigHash string          `json:"config_sha256"`
	Config     string          `json:"config"`
	Summary    *engine.Summary `json:"summary"`
	Notes      []noteJSON      `json:"notes"`
	Thinned    *time.Time      `json:"thinned"` // null: all samples are there
	// Calibrations are those in force at the start, the newest of each channel;
	// null: can't be told, the clock was not set.
	Calibrations []calibration.Record `json:"calibrations"`
}

// noteJSON is what a person noted of the run afterwards.
type noteJSON struct {
	Time *time.Time `json:"time"`
	By   string     `json:"by"`
	Text string     `json:"text"`
}

func timeOrNull(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

// json writes one object. The table goes out row by row, since it may be long:
// an array of columns, their units, and rows with null for a missing sample.
func (x *story) json(ctx context.Context, w io.Writer) error {
	b := bufio.NewWriterSize(w, 1<<16)
	r := x.Run
	head := runJSON{r.ID, r.Box, r.Zone, timeOrNull(r.Start), timeOrNull(r.End), r.Ended, r.Software, r.ConfigHash, r.Config, x.Summary(), []noteJSON{}, timeOrNull(r.Thinned), x.Calibrations}
	for _, n := range x.Notes {
		head.Notes = append(head.Notes, noteJSON{timeOrNull(n.Wall), n.By, n.Text})
	}
	events := x.Events
	if events == nil {
		events = []engine.Event{}
	}
	columns, units := []string{"time_s"}, []string{"s"}
	for _, c := range channels() {
		columns, units = append(columns, c.Info().Column), append(units, c.Info().Unit)
	}
	columns, units = append(columns, "event"), append(units, "")
	sep := `{"`
	for _, part := range []struct {
		name  string
		value any
	}{{"run", head}, {"events", events}, {"columns", columns}, {"units", units}} {
		text, err := json.Marshal(part.value)
		if err != nil {
			return err
		}
		_, _ = b.WriteString(sep + part.name + `":`) // bufio keeps the error for Flush
		_, _ = b.Write(text)
		sep = ",\n\""
	}
	if err := x.jsonEstimates(ctx, b); err != nil {
		return err
	}
	_, _ = b.WriteString(",\n\"rows\":[")
	if err := x.jsonRows(ctx, b); err != nil {
		return err
	}
	_, _ = b.WriteString("]}\n")
	return b.Flush()
}

// estimatesJSON is what was estimated at a moment.
type estimatesJSON struct {
	T  float64              `json:"t"`
	Of map[string]Estimated `json:"of"`
}

func (x *story) jsonEstimates(ctx context.Context, b *bufio.Writer) error {
	_, _ = b.WriteString(",\n\"estimates\":[")
	sep := "\n"
	for e, err := range x.j.Estimates(ctx, x.Run.ID) {
		if err != nil {
			return err
		}
		text, err := json.Marshal(estimatesJSON{x.since(e.T), e.Of})
		if err != nil {
			return err
		}
		_, _ = b.WriteString(sep)
		_, _ = b.Write(text)
		sep = ",\n"
	}
	_, err := b.WriteString("]")
	return err
}

func (x *story) jsonRows(ctx context.Context, b *bufio.Writer) error {
	list := channels()
	var line []byte
	first := true
	for f, err := range x.frames(ctx) {
		if err != nil {
			return err
		}
		line = line[:0]
		if !first {
			line = append(line, ',')
		}
		first = false
		line = append(line, "\n["...)
		line = strconv.AppendFloat(line, f.T, 'g', -1, 64)
		values, has := f.values()
		for _, c := range list {
			if line = append(line, ','); has[c] {
				line = strconv.AppendFloat(line, values[c], 'g', -1, 64)
			} else {
				line = append(line, "null"...)
			}
		}
		line = append(line, `,"`...)
		line = append(line, deedText(f.Deeds)...) // words of letters and underscores
		line = append(line, `"]`...)
		if _, err := b.Write(line); err != nil {
			return err
		}
	}
	return nil
}
