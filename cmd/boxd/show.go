package main

import (
	"flag"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"boxd/internal/engine"
	"boxd/internal/journal"
)

// parseRun is parse for a command that takes a run's id, before its flags or
// behind them; empty: none was given.
func (a *app) parseRun(f *flag.FlagSet, args []string) (string, error) {
	if len(args) > 0 && !strings.HasPrefix(args[0], "-") {
		return args[0], a.parse(f, args[1:], 0)
	}
	err := a.parse(f, args, 1)
	return f.Arg(0), err
}

func runShow(a *app, args []string) error {
	f := a.flags("show")
	data := f.String("data", defaultData, "`DIR` of the archive")
	run, err := a.parseRun(f, args)
	if err != nil {
		return err
	}
	if run == "" {
		return a.usage(f, "the run's id is needed; boxd runs lists them")
	}
	j, err := openArchive(*data)
	if err != nil {
		return err
	}
	defer j.Close()
	acc, err := j.Account(a.ctx, run)
	if err != nil {
		return err
	}
	return showRun(a.out, acc, teller{}.background(acc).Zone)
}

// showRun tells a run on a terminal.
func showRun(w io.Writer, acc *journal.Account, zone *time.Location) error {
	if zone == nil {
		zone = time.UTC
	}
	r, t := acc.Run, tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	line := func(format string, args ...any) { fmt.Fprintf(t, format+"\n", args...) }
	line("run\t%s", r.ID)
	line("box, zone\t%s, %s", r.Box, r.Zone)
	line("began\t%s", moment(r.Start, zone))
	if r.Ended {
		line("ended\t%s", moment(r.End, zone))
	} else {
		line("ended\tnot yet")
	}
	line("persons\t%s", orNone(strings.Join(acc.Persons(), ", ")))
	line("written by\tboxd %s, configuration %.12s", r.Software, r.ConfigHash)
	if !r.Thinned.IsZero() {
		line("samples\tthinned on %s", r.Thinned.Format(time.DateOnly))
	}
	if s := acc.Summary(); s != nil {
		showSummary(line, s)
	}
	for i := range acc.Events {
		if e := &acc.Events[i]; e.Kind == engine.MilestoneEvent || e.Kind == engine.AlarmEvent || e.Kind == engine.ActionEvent {
			line("%s\t%s", elapsed(e.T), sentence(e))
		}
	}
	for _, n := range acc.Notes {
		line("note\t%s, %s: %s", moment(n.Wall, zone), orNone(n.By), n.Text)
	}
	return t.Flush()
}

func showSummary(line func(string, ...any), s *engine.Summary) {
	line("water\t%.1f L", s.VolumeL)
	line("flush\t%s", s.Flush)
	if s.Dose == nil {
		return
	}
	for _, x := range append(s.Dose.Weighings[:len(s.Dose.Weighings):len(s.Dose.Weighings)], s.Dose.Best) {
		switch {
		case !x.Known:
			line("stock, %s\tunknown: %s", x.Method, x.Why)
		case x.StockL != nil && x.StockStdL != nil:
			line("stock, %s\t%.2f L ± %.2f L", x.Method, *x.StockL, *x.StockStdL)
		}
	}
	line("\t%s", s.Dose.Text)
	if g := s.Dose.Nutrients; g != nil {
		line("past the box\tN %.1f g, P2O5 %.1f g, K2O %.1f g", g.N, g.P2O5, g.K2O)
	}
}

func moment(t time.Time, zone *time.Location) string {
	if t.IsZero() {
		return "at a time not known (the clock was not set)"
	}
	return t.In(zone).Format("2006-01-02 15:04:05 MST")
}

// elapsed is a time of the run as h:mm:ss.
func elapsed(t float64) string {
	s := int64(t + 0.5)
	return fmt.Sprintf("%d:%02d:%02d", s/3600, s/60%60, s%60)
}

func orNone(s string) string {
	if s == "" {
		return "nobody is named"
	}
	return s
}
