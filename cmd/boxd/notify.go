package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"slices"
	"sync"
	"time"

	"boxd/config"
	"boxd/internal/daemon"
	"boxd/internal/journal"
	"boxd/internal/telemetry"
	"boxd/internal/telemetry/alert"
	"boxd/internal/units"
	"boxd/internal/web"
)

// targets are where an alert of the config goes; n is its place in the list.
func targets(n int, a config.Alert) ([]*alert.Target, error) {
	c := alert.Config{Where: fmt.Sprintf("alerts[%d]", n), File: a.URLFile, Env: a.URLEnv}
	if a.URL != "" {
		c.URLs = []telemetry.Secret{telemetry.Secret(a.URL)}
	}
	snd, err := alert.New(c)
	if err != nil {
		return nil, err
	}
	return snd.Targets(), nil
}

// style is how notes in a language are written.
func style(c *config.Config, language string) alert.Style {
	to, _ := web.ReaderIn(language, c.Box.Units) // one nobody has: English
	return alert.Style{US: c.Box.Units == units.US, Messages: to.Voice.Messages, Page: publicPage(c)}
}

// publicPage is the page's address for those who get alerts: as the config says,
// else the first name it gives the box; empty where nobody outside could use it.
func publicPage(c *config.Config) string {
	if c.Web.Public != "" || len(c.Web.Hosts) == 0 {
		return c.Web.Public
	}
	_, port, err := net.SplitHostPort(c.Web.Listen)
	if err != nil {
		return ""
	}
	scheme := "https"
	if c.Web.TLS == config.TLSOff {
		scheme = "http"
	}
	return scheme + "://" + net.JoinHostPort(c.Web.Hosts[0], port) + "/"
}

// alerts starts a sender for every target.
func (s *service) alerts(ctx context.Context, j *journal.Journal, hub *telemetry.Hub, unsaved *daemon.Unsaved) error {
	for n, a := range s.cfg.Alerts {
		list, err := targets(n, a)
		if err != nil {
			return err
		}
		spoken := style(s.cfg, a.Language)
		for _, t := range list {
			out, err := j.Outbox(ctx, "alert-"+t.Key())
			if err != nil {
				return err
			}
			al := daemon.Alerts{Box: s.core.Box, Want: a.Events, Style: spoken, Target: t, Keep: out, Hub: hub, Log: s.log, MaxAge: 24 * time.Hour,
				Quiet: alert.Quiet{From: a.Quiet.From, Until: a.Quiet.Until, Zone: s.cfg.Box.Timezone}, Repeat: a.Repeat, Journal: j, Key: t.Key(), Unsaved: unsaved, Life: j.LastSeq() + 1}
			vigil := daemon.Vigil{Box: s.core.Box, Style: spoken, Target: t, Hub: hub, Log: s.log}
			s.wg.Go(func() { al.Run(ctx) })
			s.wg.Go(func() { vigil.Run(ctx) })
			s.tell("alerts     %s", t.Name())
		}
	}
	if len(s.cfg.Alerts) > 0 {
		o := daemon.Outlook{Journal: j, Hub: hub, Style: style(s.cfg, config.Languages()[0]), Zone: s.cfg.Box.Timezone, Dusk: s.cfg.Box.Dusk, Log: s.log}
		s.wg.Go(func() { o.Run(ctx) })
	}
	return nil
}

// terminal shows alerts where the demo was started, as a phone would.
func (s *service) terminal(ctx context.Context, j *journal.Journal, hub *telemetry.Hub) error {
	out, err := j.Outbox(ctx, "terminal")
	if err != nil {
		return err
	}
	if err := out.Done(ctx, j.LastSeq()); err != nil { // earlier runs were told when they were
		return err
	}
	al := daemon.Alerts{Box: s.core.Box, Want: []string{"flush_done", "critical", "high"}, Style: alert.Style{US: s.core.Units.String() == "us"}, Target: screen{s.tell}, Keep: out, Hub: hub, Log: s.log}
	s.wg.Go(func() { al.Run(ctx) })
	return nil
}

// screen is a terminal as a target of alerts.
type screen struct{ tell func(string, ...any) }

// Name is what errors call it.
func (screen) Name() string { return "terminal" }

// Send prints the note.
func (s screen) Send(_ context.Context, n alert.Note) error {
	s.tell("alert      %s: %s", n.Title, n.Text)
	return nil
}

// runNotify sends a test message to the config's targets.
func runNotify(a *app, args []string) error {
	f := a.flags("notify test")
	path := f.String("config", "", "configuration `FILE`")
	only := f.Int("to", 0, "only the `N`th target, counted from 1; 0: all")
	if len(args) == 0 || args[0] != "test" {
		return a.usage(f, "say what: boxd notify test -config FILE")
	}
	if err := a.parse(f, args[1:], 0); err != nil {
		return err
	}
	if *path == "" {
		return a.usage(f, "-config is needed")
	}
	cfg, err := config.Load(*path)
	if err != nil {
		return err
	}
	var list []*alert.Target
	var notes []alert.Note
	var faults []error
	for n, al := range cfg.Alerts {
		t, err := targets(n, al)
		list, faults = append(list, t...), append(faults, err)
		notes = append(notes, slices.Repeat([]alert.Note{style(cfg, al.Language).Test(cfg.Box.Name, time.Now())}, len(t))...)
	}
	if err := errors.Join(faults...); err != nil {
		return err
	}
	switch {
	case len(list) == 0:
		return fmt.Errorf("nobody to notify: %s has no alerts; add the list alerts", *path)
	case *only < 0 || *only > len(list):
		return a.usage(f, "-to must be 1 to %d, or 0 for all", len(list))
	}
	return a.notify(list, notes, *only)
}

// notify tries all targets at once and says how each fared.
func (a *app) notify(list []*alert.Target, notes []alert.Note, only int) error {
	errs := make([]error, len(list))
	took := make([]time.Duration, len(list))
	var wg sync.WaitGroup
	for i, t := range list {
		if only == 0 || only == i+1 {
			wg.Go(func() {
				began := time.Now()
				errs[i] = t.Send(a.ctx, notes[i])
				took[i] = time.Since(began)
			})
		}
	}
	wg.Wait()
	failed := 0
	for i, t := range list {
		switch {
		case only != 0 && only != i+1:
		case errs[i] != nil:
			failed++
			fmt.Fprintf(a.out, "%d  %s  failed: %v\n", i+1, t.Name(), errs[i])
		default:
			fmt.Fprintf(a.out, "%d  %s  sent in %.1f s\n", i+1, t.Name(), took[i].Seconds())
		}
	}
	if failed > 0 {
		return fmt.Errorf("%d of the targets did not take the message: see to those above", failed)
	}
	return nil
}
