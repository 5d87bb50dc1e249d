package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"text/tabwriter"
	"time"

	"boxd/config"
	"boxd/internal/engine"
	"boxd/internal/journal"
	"boxd/internal/whatif"
)

func runWhatIf(a *app, args []string) error {
	f := a.flags("whatif")
	path := f.String("config", "", "the other configuration `FILE`")
	data := f.String("data", defaultData, "`DIR` of the archive")
	asJSON := f.Bool("json", false, "print one JSON object")
	all := f.Bool("all", false, "print also what both say at the same time")
	run, err := a.parseRun(f, args)
	if err != nil {
		return err
	}
	if run == "" || *path == "" {
		return a.usage(f, "the run's id and -config are needed; boxd runs lists the runs")
	}
	text, err := os.ReadFile(*path)
	if err != nil {
		return fmt.Errorf("cannot read the configuration: %w", err)
	}
	j, err := openArchive(*data)
	if err != nil {
		return err
	}
	defer j.Close()
	r, err := whatIf(a.ctx, j, run, *path, text, func(float64) error { return a.ctx.Err() })
	if err != nil {
		return err
	}
	if *asJSON {
		return json.NewEncoder(a.out).Encode(r)
	}
	return printWhatIf(a.out, r, *all)
}

// whatIf replays a run with its own configuration and with another's text.
func whatIf(ctx context.Context, j *journal.Journal, run, name string, text []byte, tick func(float64) error) (*whatif.Result, error) {
	r, err := j.Run(ctx, run)
	if err != nil {
		return nil, fmt.Errorf("cannot replay run %q: %w", run, err)
	}
	if !r.Thinned.IsZero() {
		return nil, fmt.Errorf("cannot replay run %s: its samples were thinned on %s, and what would have been said can't be told from the rest", run, r.Thinned.Format(time.DateOnly))
	}
	other, err := config.Parse(name, text)
	if err != nil {
		return nil, err
	}
	b, err := other.Engine(r.Zone)
	if err != nil {
		return nil, err
	}
	own, err := kept(r)
	if err != nil {
		return nil, fmt.Errorf("cannot replay run %s: this version can't read the configuration kept with it: %w", run, err)
	}
	a, err := own.Engine(r.Zone)
	if err != nil {
		return nil, err
	}
	return whatif.Compare(run, j.Inputs(ctx, run), a, b, tick)
}

// WhatIf replays an archived run for the pages.
func (a archive) WhatIf(ctx context.Context, run string, text []byte, tick func(float64) error) (*whatif.Result, error) {
	r, err := whatIf(ctx, a.j, run, "configuration", text, tick)
	return r, noRun(err)
}

// printWhatIf writes the comparison for a person.
func printWhatIf(w io.Writer, r *whatif.Result, all bool) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintf(t, "own\tother\trun %s with its own configuration, and with the other\n", r.Run)
	for _, row := range summaryRows(r) {
		fmt.Fprintf(t, "%s\t%s\t%s\n", row[1], row[2], row[0])
	}
	hidden := 0
	for i := range r.Lines {
		l := &r.Lines[i]
		if l.Same() && !all {
			hidden++
			continue
		}
		fmt.Fprintf(t, "%s\t%s\t%s\n", said(l.A), said(l.B), lineText(l))
	}
	if hidden > 0 {
		fmt.Fprintf(t, "\t\t(%d things both say at the same time: -all shows them)\n", hidden)
	}
	fmt.Fprintf(t, "\t\tWhat persons did stays as it was; what earlier runs taught is left out.\n")
	return t.Flush()
}

func said(s *whatif.Saying) string {
	if s == nil {
		return "-"
	}
	return elapsed(s.T)
}

func lineText(l *whatif.Line) string {
	text := string(l.Kind) + " " + l.ID
	if l.State != "" {
		text += " " + l.State
	}
	switch {
	case l.B != nil && l.B.Text != "":
		text += ": " + l.B.Text
	case l.A != nil && l.A.Text != "":
		text += ": " + l.A.Text
	}
	return text
}

// summaryRows are the numbers of both summaries: what, own, other.
func summaryRows(r *whatif.Result) [][3]string {
	of := func(get func(*engine.Summary) string) (string, string) {
		put := func(s *engine.Summary) string {
			if s == nil {
				return "no run"
			}
			return get(s)
		}
		return put(r.A), put(r.B)
	}
	litres := func(v *float64, unit string) string {
		if v == nil {
			return "unknown"
		}
		return fmt.Sprintf("%.4g %s", *v, unit)
	}
	var rows [][3]string
	for _, row := range []struct {
		name string
		get  func(*engine.Summary) string
	}{
		{"flush", func(s *engine.Summary) string { return s.Flush }},
		{"water", func(s *engine.Summary) string { return litres(&s.VolumeL, "L") }},
		{"stock drawn", func(s *engine.Summary) string { return litres(s.StockL.Drawn, "L") }},
		{"stock by EC", func(s *engine.Summary) string { return litres(s.StockL.ByEC, "L") }},
		{"stock by ratio", func(s *engine.Summary) string { return litres(s.StockL.ByRatio, "L") }},
		{"undelivered", func(s *engine.Summary) string { return litres(s.UndeliveredPct, "%") }},
		{"last emitter, of its share", func(s *engine.Summary) string { return litres(s.LastEmitterDelivered, "%") }},
	} {
		a, b := of(row.get)
		rows = append(rows, [3]string{row.name, a, b})
	}
	return rows
}
