package journal

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"slices"
	"time"

	"boxd/internal/box"
	"boxd/internal/record"
	"boxd/internal/say"
)

// Formats are what Export can write.
func Formats() []string { return []string{"csv", "parquet", "json", "html"} }

// ErrFormat says that Export does not know the format.
var ErrFormat = errors.New("the format is unknown: csv, parquet, json and html are known")

// Export writes a run:
//
//   - csv: the trace, which can be replayed
//   - parquet: the same table with the wall time and outside air, and the units
//     in its metadata
//   - json: one object with the run, its events, its configuration and the table
//   - html: one page to read and to print, with nothing fetched from elsewhere
//
// Times are seconds since the first input of the run. The same run gives the
// same bytes.
//
// background may be nil.
func (j *Journal) Export(ctx context.Context, w io.Writer, run, format string, background func(*Account) Background) error {
	if !slices.Contains(Formats(), format) {
		return fmt.Errorf("cannot export run %s as %q: %w", run, format, ErrFormat)
	}
	a, err := j.Account(ctx, run)
	if err != nil {
		return fmt.Errorf("cannot export: %w", err)
	}
	x := &story{Account: a, j: j, deeds: a.deeds()}
	if background != nil {
		x.back = background(a)
	}
	switch format {
	case "csv":
		err = x.csv(ctx, w)
	case "parquet":
		err = x.parquet(ctx, w)
	case "json":
		err = x.json(ctx, w)
	case "html":
		err = x.html(ctx, w)
	}
	if err != nil {
		return fmt.Errorf("cannot export run %s: %w", run, err)
	}
	return nil
}

// Background is what of a run only its configuration tells; the archive keeps
// that as a text.
type Background struct {
	Zone   *time.Location // for times that are read by persons; nil: UTC
	Voice  say.Voice      // of the page
	Lang   string         // the code of its language; empty: en
	Groups []Group        // of facts, for the page
}

// Group is a few facts under a heading.
type Group struct {
	Title string
	Facts [][2]string
}

// story is an account on its way out.
type story struct {
	*Account
	j     *Journal
	back  Background
	deeds map[string]box.Deed // of confirmed actions, by action id
}

func seconds(t float64) time.Duration { return time.Duration(math.Round(t * 1e9)) }

// frame is one row of the run's table. Its slices are good until the next one.
type frame struct {
	record.Row
	Wall time.Time
}

// values are the row's values by channel: of several the newest one counts, a
// fault or a number that is none is missing.
func (f *frame) values() (v [box.NumChannels]float64, has [box.NumChannels]bool) {
	for _, s := range f.Samples {
		if s.Channel < box.NumChannels && s.Fault == "" && !math.IsNaN(s.Value) && !math.IsInf(s.Value, 0) {
			v[s.Channel], has[s.Channel] = s.Value, true
		}
	}
	return v, has
}

// frames are the run's inputs as rows whose times rise: inputs of one moment
// become one row. A core that was started anew within the run without keeping
// its Mono goes on after the last row, by the wall clock where that has moved.
func (x *story) frames(ctx context.Context) iter.Seq2[*frame, error] {
	return func(yield func(*frame, error) bool) {
		var f frame
		var at, shift time.Duration
		begun := false
		for in, err := range x.j.Inputs(ctx, x.Run.ID) {
			if err != nil {
				yield(nil, err)
				return
			}
			now := in.Mono - x.start + shift
			if begun && now < at {
				shift += at - now + max(in.Wall.Sub(f.Wall), time.Millisecond)
				now = in.Mono - x.start + shift
			}
			if begun && now > at {
				if !yield(&f, nil) {
					return
				}
				f.Samples, f.Deeds = f.Samples[:0], f.Deeds[:0]
			}
			begun, at = true, now
			f.T, f.Wall = now.Seconds(), in.Wall
			f.Samples = append(f.Samples, in.Samples...)
			f.Deeds = x.appendDeeds(f.Deeds, in.Actions)
		}
		if begun {
			yield(&f, nil)
		}
	}
}

// appendDeeds adds what persons said they did: reports, and confirmations that
// were taken.
func (x *story) appendDeeds(deeds []box.Deed, actions []box.Action) []box.Deed {
	for i := range actions {
		d := box.UnknownDeed
		switch a := &actions[i]; a.Kind {
		case box.Report:
			d = a.Deed
		case box.Confirm:
			d = x.deeds[a.ID]
		case box.UnknownAction, box.Acknowledge, box.Reset, box.Override, box.Post, box.Shelve, box.Unshelve, box.TakeOut, box.PutBack:
		}
		if d > box.UnknownDeed && d < box.NumDeeds {
			deeds = append(deeds, d)
		}
	}
	return deeds
}

func (x *story) csv(ctx context.Context, w io.Writer) error {
	tw, err := record.NewTraceWriter(w, record.TraceColumns())
	if err != nil {
		return err
	}
	for f, err := range x.frames(ctx) {
		if err != nil {
			return err
		}
		if err := tw.Write(f.Row); err != nil {
			return err
		}
	}
	return tw.Flush()
}

// channels are all channels that have a column.
func channels() []box.Channel {
	var list []box.Channel
	for c := box.UnknownChannel + 1; c < box.NumChannels; c++ {
		list = append(list, c)
	}
	return list
}

// deedText is the event cell of a row.
func deedText(deeds []box.Deed) string {
	text := ""
	for i, d := range deeds {
		if i > 0 {
			text += ";"
		}
		text += d.String()
	}
	return text
}
