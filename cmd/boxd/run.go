package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"time"

	"boxd/config"
	"boxd/internal/box"
	"boxd/internal/daemon"
	"boxd/internal/dosing"
	"boxd/internal/record"
	"boxd/internal/sensors/hwio"
	"boxd/internal/units"
)

func runDaemon(a *app, args []string) error {
	f := a.flags("run")
	path := f.String("config", "", "configuration `FILE`")
	zone := f.String("zone", "", "zone `NAME`; default: the only one")
	samples := f.String("samples", "", "live samples from `FILE` or pipe, rows as in a trace, instead of the configured sensors; - is standard input")
	if err := a.parse(f, args, 0); err != nil {
		return err
	}
	if *path == "" {
		return a.usage(f, "-config is needed")
	}
	text, err := os.ReadFile(*path)
	if err != nil {
		return fmt.Errorf("cannot read the configuration: %w", err)
	}
	cfg, err := config.Parse(*path, text)
	if err != nil {
		return err
	}
	core, err := cfg.Engine(*zone)
	if err != nil {
		return err
	}
	src, closeSrc, err := openSource(cfg, *samples)
	if err != nil {
		return err
	}
	defer closeSrc()
	data := cmp.Or(cfg.Box.Data, os.Getenv("STATE_DIRECTORY"), defaultData) // the second is systemd's
	s := &service{cfg: cfg, text: string(text), core: core, source: src, beat: 100 * time.Millisecond, idle: time.Second, speed: 1, data: data, listen: cfg.Web.Listen,
		tell: func(format string, args ...any) { fmt.Fprintf(a.out, format+"\n", args...) },
		log:  slog.New(slog.NewTextHandler(a.err, nil))}
	s.board = s.boardOf()
	ctx, cancel := context.WithCancel(a.ctx)
	defer cancel()
	err = s.run(ctx)
	if errors.Is(err, io.EOF) {
		return errors.New("the source of samples ended")
	}
	return err
}

// openSource opens the instruments of the configuration, or the samples of a
// file.
func openSource(cfg *config.Config, samples string) (daemon.Source, func(), error) {
	if samples != "" {
		return openSamples(samples)
	}
	if len(cfg.Sensors) == 0 {
		return nil, nil, fmt.Errorf("no source of samples: %s has no sensors; list them below sensors:, or feed rows as in a trace from a logger with -samples FILE (a pipe) or -samples -", cfg.Name)
	}
	src, err := hwio.Open(cfg.Wirings(), nil)
	if err != nil {
		return nil, nil, err
	}
	// As for fertilized water: the rise is what counts, and on the supply's own
	// water, the baseline, it errs alike before and after.
	src.Compensate(func(ec, celsius float64) (float64, error) {
		v, err := dosing.Linear(dosing.RawEC(ec), units.Celsius(celsius), dosing.AlphaFeed)
		return float64(v), err
	})
	return src, src.Close, nil
}

// pipe reads rows as they come and gives each beat what has arrived since the
// last. The rows' own times say nothing here: a sample counts when it arrives.
type pipe struct {
	rows chan []box.Sample
	err  error // read after rows is closed
}

const maxRows = 256

func openSamples(path string) (*pipe, func(), error) {
	in := io.ReadCloser(os.Stdin)
	if path != "-" {
		f, err := os.Open(path)
		if err != nil {
			return nil, nil, fmt.Errorf("cannot read samples: %w", err)
		}
		in = f
	}
	p := &pipe{rows: make(chan []box.Sample, maxRows)}
	done := make(chan struct{})
	go p.read(path, in, done)
	return p, func() { close(done); _ = in.Close() }, nil
}

func (p *pipe) read(name string, in io.Reader, done <-chan struct{}) {
	defer close(p.rows)
	rd, err := record.NewTraceReader(name, in)
	if err != nil {
		p.err = err
		return
	}
	for {
		row, err := rd.Next()
		if err != nil {
			p.err = err
			return
		}
		select {
		case p.rows <- append([]box.Sample(nil), row.Samples...):
		case <-done:
			p.err = io.EOF
			return
		}
	}
}

// Samples gives what has arrived; nothing is no error.
func (p *pipe) Samples(_ context.Context, _ time.Duration, dst []box.Sample) ([]box.Sample, error) {
	for {
		select {
		case row, ok := <-p.rows:
			if !ok {
				return dst, p.err
			}
			dst = append(dst, row...)
		default:
			return dst, nil
		}
	}
}
