package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"text/tabwriter"
	"time"

	"boxd/internal/engine"
	"boxd/internal/journal"
	"boxd/internal/season"
	"boxd/internal/units"
	"boxd/internal/web"
)

// defaultData is where the archive lies unless -data or the config says so.
const defaultData = "boxd-data"

func archiveFile(dir string) string { return filepath.Join(dir, "boxd.sqlite") }

func openArchive(dir string) (*journal.Journal, error) {
	j, err := journal.OpenExisting(archiveFile(dir))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("there is no archive in %s; name its folder with -data", dir)
	}
	return j, err
}

func runRuns(a *app, args []string) error {
	f := a.flags("runs")
	data := f.String("data", defaultData, "`DIR` of the archive")
	if err := a.parse(f, args, 0); err != nil {
		return err
	}
	j, err := openArchive(*data)
	if err != nil {
		return err
	}
	defer j.Close()
	rows, err := archive{j}.Runs(a.ctx)
	if err != nil {
		return err
	}
	if len(rows) == 0 {
		_, err = fmt.Fprintln(a.out, "no runs yet")
		return err
	}
	t := tabwriter.NewWriter(a.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "run\tzone\tstarted\tlasted\twater\tflush")
	for _, r := range rows {
		lasted, water := "under way", "unknown"
		if !r.End.IsZero() {
			lasted = r.End.Sub(r.Start).Round(time.Second).String()
		}
		if r.VolumeL != nil {
			water = fmt.Sprintf("%.1f L", *r.VolumeL)
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\n", r.ID, r.Zone, r.Start.Format(time.RFC3339), lasted, water, r.Flush)
	}
	return t.Flush()
}

func runExport(a *app, args []string) error {
	f := a.flags("export")
	data := f.String("data", defaultData, "`DIR` of the archive")
	format := f.String("format", "", "csv, parquet, json or html")
	lang := f.String("lang", "en", "language of the html page: en or es")
	in := f.String("units", "", "`SYSTEM` of the html page: us or metric; default: metric")
	to := f.String("o", "", "write to `FILE` instead of standard output")
	run, err := a.parseRun(f, args)
	if err != nil {
		return err
	}
	if run == "" || *format == "" {
		return a.usage(f, "the run's id and -format are needed; boxd runs lists them")
	}
	system, ok := units.SystemByName(cmp.Or(*in, "metric"))
	reader, also := web.ReaderIn(*lang, system)
	if !ok || !also {
		return a.usage(f, "-lang %s -units %s: the language is en or es, the units us or metric", *lang, *in)
	}
	j, err := openArchive(*data)
	if err != nil {
		return err
	}
	defer j.Close()
	back := teller{reader}.background
	if *to == "" {
		return j.Export(a.ctx, a.out, run, *format, back)
	}
	return writeFile(*to, func(w io.Writer) error { return j.Export(a.ctx, w, run, *format, back) })
}

// writeFile writes beside the target and renames, so that a failed export
// leaves no half file.
func writeFile(path string, write func(io.Writer) error) error {
	return writeFileAs(path, 0o644, write)
}

func writeFileAs(path string, mode fs.FileMode, write func(io.Writer) error) error {
	tmp, err := os.CreateTemp(filepath.Dir(path), ".boxd-*")
	if err != nil {
		return fmt.Errorf("cannot write %s: %w", path, err)
	}
	defer os.Remove(tmp.Name())
	err = write(tmp)
	if err == nil {
		err = tmp.Chmod(mode)
	}
	if err == nil {
		err = tmp.Sync()
	}
	if err = errors.Join(err, tmp.Close()); err != nil {
		return err
	}
	return os.Rename(tmp.Name(), path)
}

// archive shows the journal to the pages.
type archive struct{ j *journal.Journal }

// Runs lists the kept runs, newest first.
func (a archive) Runs(ctx context.Context) ([]web.RunRow, error) {
	return a.Find(ctx, journal.Search{})
}

// Find lists the runs looked for, newest first.
func (a archive) Find(ctx context.Context, ask journal.Search) ([]web.RunRow, error) {
	runs, err := a.j.Find(ctx, ask)
	if err != nil {
		return nil, err
	}
	out := make([]web.RunRow, 0, len(runs))
	for _, r := range runs {
		row := web.RunRow{ID: r.ID, Zone: r.Zone, Start: r.Start, End: r.End, Flush: "unknown"}
		var s engine.Summary
		if len(r.Summary) > 0 && json.Unmarshal(r.Summary, &s) == nil {
			row.Flush, row.VolumeL, row.Observe, row.Dose = s.Flush, &s.VolumeL, s.Observed, s.Dose
		}
		out = append(out, row)
	}
	return out, nil
}

// Zones are those that have runs.
func (a archive) Zones(ctx context.Context) ([]string, error) { return a.j.Zones(ctx) }

// Account tells one run.
func (a archive) Account(ctx context.Context, run string) (*journal.Account, error) {
	acc, err := a.j.Account(ctx, run)
	return acc, noRun(err)
}

// Traces are a run's channels in few points.
func (a archive) Traces(ctx context.Context, run string) (*journal.Traces, error) {
	t, err := a.j.Traces(ctx, run)
	return t, noRun(err)
}

// AddNote keeps a person's note on a run.
func (a archive) AddNote(ctx context.Context, n journal.Note) error {
	return noRun(a.j.AddNote(ctx, n))
}

// noRun is the pages' own word for a run that isn't there.
func noRun(err error) error {
	if errors.Is(err, journal.ErrNoRun) {
		return web.ErrNoRun
	}
	return err
}

// Export writes one run.
func (a archive) Export(ctx context.Context, w io.Writer, id, format string, to web.Reader) error {
	return noRun(a.j.Export(ctx, w, id, format, teller{to}.background))
}

// Alarms are the newest changes of alarms.
func (a archive) Alarms(ctx context.Context, limit int) ([]web.AlarmPast, error) {
	entries, err := a.j.Alarms(ctx, limit)
	if err != nil {
		return nil, err
	}
	out := make([]web.AlarmPast, 0, len(entries))
	for _, e := range entries {
		ev, err := e.Event()
		if err != nil {
			return nil, err
		}
		out = append(out, web.AlarmPast{When: e.Wall, Run: e.Run, ID: ev.ID, Word: ev.State, Priority: ev.Priority, Text: ev.Text, By: ev.By, Cause: ev.Cause})
	}
	return out, nil
}

// Season compares a zone's runs: those from then until then, or of the year up to
// the zone's last run.
func (a archive) Season(ctx context.Context, zone string, from, until time.Time) (*season.Season, error) {
	list, err := a.j.Find(ctx, journal.Search{Zone: zone, From: from, Until: until, Limit: season.MostRuns})
	if err != nil {
		return nil, err
	}
	var runs []season.Run
	for _, r := range slices.Backward(list) { // the newest comes first
		if len(r.Summary) == 0 || from.IsZero() && r.Start.Before(list[0].Start.AddDate(-1, 0, 0)) {
			continue
		}
		one := season.Run{ID: r.ID, Start: r.Start}
		if json.Unmarshal(r.Summary, &one.Sum) == nil {
			runs = append(runs, one)
		}
	}
	return season.Make(zone, runs), nil
}
