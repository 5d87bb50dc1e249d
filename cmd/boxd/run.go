package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"boxd/config"
	"boxd/internal/box"
	"boxd/internal/daemon"
	"boxd/internal/dosing"
	"boxd/internal/sensors"
	"boxd/internal/sensors/hwio"
	"boxd/internal/units"
	"boxd/internal/web"
)

func runDaemon(a *app, args []string) error {
	f := a.flags("run")
	o := operation{app: a, hold: new(hold)}
	f.StringVar(&o.config, "config", "", "configuration `FILE`")
	f.StringVar(&o.state, "state", os.Getenv("STATE_DIRECTORY"), "`DIR` of the archive, and of the configuration that the guide on the page makes where -config isn't there") // systemd's
	f.StringVar(&o.listen, "listen", "127.0.0.1:8080", "`ADDR` of the guide's page")
	f.StringVar(&o.zone, "zone", "", "zone `NAME`; default: the only one")
	f.StringVar(&o.samples, "samples", "", "live samples from `FILE` or pipe, rows as in a trace, instead of the configured sensors; - is standard input")
	if err := a.parse(f, args, 0); err != nil {
		return err
	}
	if o.config == "" && o.state == "" {
		return a.usage(f, "-config is needed, or -state for the guide")
	}
	defer o.close()
	return o.run()
}

// operation is a box between its guide and its work.
type operation struct {
	*app
	config, state, listen, zone, samples string

	hold *hold
	pipe *pipe // what -samples names, once it is open
	shut func()
}

func (o *operation) close() {
	o.hold.close()
	if o.shut != nil {
		o.shut()
	}
}

// errAgain ends operation for the guide.
var errAgain = errors.New("out of operation, to the guide")

// run works by the configuration that rules. Where there is none, or a person asks
// for it, the guide comes first; it comes again where what it made does not start.
func (o *operation) run() error {
	ask, trouble := false, error(nil)
	for {
		file, err := o.rules()
		if err != nil {
			return err
		}
		guided := file == "" || ask
		if guided {
			if err := o.guide(trouble); err != nil || o.ctx.Err() != nil {
				return err
			}
			if file, err = o.rules(); err != nil {
				return err
			}
		}
		began, err := o.work(file)
		switch ask, trouble = false, nil; {
		case errors.Is(err, errAgain):
			ask = true
		case err != nil && guided && !began && o.ctx.Err() == nil:
			fmt.Fprintln(o.err, err)
			ask, trouble = true, err
		default:
			return err
		}
	}
}

// rules is the file that rules: the one named, else the one in the state folder;
// empty where there is none yet.
func (o *operation) rules() (string, error) {
	if o.config != "" {
		_, err := os.Stat(o.config)
		if o.state == "" || !errors.Is(err, fs.ErrNotExist) {
			return o.config, nil // reading it says what is wrong
		}
	}
	own := o.own()
	_, err := os.Stat(own)
	switch {
	case err == nil:
		return own, nil
	case errors.Is(err, fs.ErrNotExist):
		return "", nil
	}
	return "", fmt.Errorf("cannot read the configuration: %w", err)
}

// own is the configuration that the guide makes.
func (o *operation) own() string { return filepath.Join(o.state, "box.yaml") }

// work runs the daemon by a file. Began is whether it came to turning the core.
func (o *operation) work(file string) (began bool, err error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return false, fmt.Errorf("cannot read the configuration: %w", err)
	}
	cfg, err := config.Parse(file, text)
	if err != nil {
		return false, err
	}
	core, err := cfg.Engine(o.zone)
	if err != nil {
		return false, err
	}
	src, closeSrc, err := o.source(cfg, file)
	if err != nil {
		return false, err
	}
	defer closeSrc()
	ctx, cancel := context.WithCancelCause(o.ctx)
	defer cancel(nil)
	s := o.service(cfg, cmp.Or(cfg.Box.Data, o.state, defaultData), cfg.Web.Listen)
	s.text, s.core, s.source, s.beat, s.idle, s.speed = string(text), core, src, 100*time.Millisecond, time.Second, 1
	s.board = s.boardOf()
	s.began = func() { began = true }
	s.ruling = &web.Ruling{Path: file, Text: s.redacted()}
	if file == o.own() && madeByGuide(o.state, text) {
		s.ruling.Again = func(context.Context) error { cancel(errAgain); return nil }
	}
	err = s.run(ctx)
	switch {
	case errors.Is(err, io.EOF):
		return began, errors.New("the source of samples ended")
	case err == nil && errors.Is(context.Cause(ctx), errAgain):
		return began, errAgain
	}
	return began, err
}

func (o *operation) service(cfg *config.Config, data, listen string) *service {
	return &service{cfg: cfg, data: data, listen: listen, hold: o.hold,
		tell: func(format string, args ...any) { fmt.Fprintf(o.out, format+"\n", args...) },
		log:  slog.New(slog.NewTextHandler(o.err, nil))}
}

// source opens the instruments of the configuration, or the samples of a file, which
// stay open from the guide on.
func (o *operation) source(cfg *config.Config, file string) (daemon.Source, func(), error) {
	switch {
	case o.samples != "":
		p, err := o.logger()
		return p, func() {}, err
	case len(cfg.Sensors) > 0:
		return openSource(cfg)
	case file == o.own():
		return noInstruments{}, func() {}, nil
	}
	return nil, nil, fmt.Errorf("no source of samples: %s has no sensors; list them below sensors:, or feed rows as in a trace from a logger with -samples FILE (a pipe) or -samples -", cfg.Name)
}

// logger is what brings rows of samples, opened once.
func (o *operation) logger() (*pipe, error) {
	if o.pipe != nil {
		return o.pipe, nil
	}
	p, shut, err := openSamples(o.samples, slog.New(slog.NewTextHandler(o.err, nil)))
	if err == nil {
		o.pipe, o.shut = p, shut
	}
	return p, err
}

// noInstruments is a box that can only be looked at.
type noInstruments struct{}

// Samples gives none: every reading is unknown.
func (noInstruments) Samples(_ context.Context, _ time.Duration, dst []box.Sample) ([]box.Sample, error) {
	return dst, nil
}

// openSource opens the instruments of the configuration.
func openSource(cfg *config.Config) (daemon.Source, func(), error) {
	src, err := openInstruments(cfg.Wirings())
	if err != nil {
		return nil, nil, err
	}
	return src, src.Close, nil
}

// openInstruments begins to read instruments.
func openInstruments(wirings []sensors.Wiring) (*hwio.Source, error) {
	src, err := hwio.Open(wirings, nil)
	if err != nil {
		return nil, err
	}
	// As for fertilized water: the rise is what counts, and on the supply's own
	// water, the baseline, it errs alike before and after.
	src.Compensate(func(ec, celsius float64) (float64, error) {
		v, err := dosing.Linear(dosing.RawEC(ec), units.Celsius(celsius), dosing.AlphaFeed)
		return float64(v), err
	})
	return src, nil
}
