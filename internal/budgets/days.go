package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"time"
)

// Seconds of the recorded trace at which the box stands still and stock goes in.
const (
	standing  = 10
	injecting = 500
)

// toInjection are the spans of the recorded trace that bring the box there soon:
// water comes, the lines are full and at pressure, the injector starts.
func toInjection() [][2]int { return [][2]int{{75, 85}, {435, 480}} }

// starts is how long it takes from the program's start to the first reading
// that its interface tells.
func starts(ctx context.Context, boxd, dir string) ([]row, error) {
	const times = 7
	var took []time.Duration
	for n := range times {
		own := filepath.Join(dir, fmt.Sprintf("start%d", n))
		if err := os.Mkdir(own, 0o700); err != nil {
			return nil, err
		}
		began := time.Now()
		d, err := start(ctx, boxd, own, standing)
		if err != nil {
			return nil, err
		}
		if err := d.reading(ctx); err != nil {
			return nil, err
		}
		took = append(took, time.Since(began))
		if err := d.stop(); err != nil {
			return nil, err
		}
	}
	m := median(took)
	return []row{{"start to first reading through the interface, new archive", "500 ms", ms(m), m <= 500*time.Millisecond}}, nil
}

// settle is how long a box runs before it is measured: the archive is made, the
// viewer has its page.
const settle = 20 * time.Second

// days watches the box between runs and in one, with a viewer of the run's page.
func days(ctx context.Context, boxd, dir string, idle, run time.Duration) ([]row, error) {
	own := filepath.Join(dir, "days")
	if err := os.Mkdir(own, 0o700); err != nil {
		return nil, err
	}
	d, err := start(ctx, boxd, own, standing)
	if err != nil {
		return nil, err
	}
	if err := d.look(ctx, "run"); err != nil {
		return nil, err
	}
	if err := wait(ctx, settle); err != nil {
		return nil, err
	}
	still, err := d.watch(ctx, "between runs", idle)
	if err != nil {
		return nil, err
	}
	if err := d.inject(ctx); err != nil {
		return nil, err
	}
	injection, err := d.watch(ctx, "in an injection", run)
	if err != nil {
		return nil, err
	}
	return append(still.rows("between runs"), injection.rows("in an injection")...), d.stop()
}

// inject brings the box into an injection, a second of the trace in a second.
func (d *daemon) inject(ctx context.Context) error {
	for _, span := range toInjection() {
		for s := span[0]; s < span[1]; s++ {
			d.second.Store(int64(s))
			if err := wait(ctx, time.Second); err != nil {
				return err
			}
		}
	}
	d.second.Store(injecting)
	if v, err := d.now(); err != nil || v.Step != "inject" {
		return fmt.Errorf("the box is not in an injection but in %q (%v): the recorded trace no longer leads there", v.Step, err)
	}
	return nil
}

// span is what the daemon took over a time.
type span struct {
	cpu            float64 // of one processor
	resident, peak int64
	file           int64   // of resident: pages of the program's file
	written        float64 // bytes a day
	woken          float64 // a second
}

func (d *daemon) watch(ctx context.Context, what string, long time.Duration) (span, error) {
	fmt.Fprintf(os.Stderr, "%s: %s, others' load %s\n", what, long, load())
	before, err := usageOf(d.cmd.Process.Pid)
	if err != nil {
		return span{}, err
	}
	if err := wait(ctx, long); err != nil {
		return span{}, err
	}
	after, err := usageOf(d.cmd.Process.Pid)
	if err != nil {
		return span{}, err
	}
	seconds := after.at.Sub(before.at).Seconds()
	s := span{cpu: (after.cpu - before.cpu).Seconds() / seconds, resident: after.resident, peak: after.peak, file: after.file,
		written: float64(after.written-before.written) / seconds * 86400, woken: float64(after.woken-before.woken) / seconds}
	fmt.Fprintf(os.Stderr, "%s: %+v\n", what, s)
	return s, nil
}

func (s span) rows(when string) []row {
	out := []row{
		{"processor " + when + ", of one core", "1 %", fmt.Sprintf("%.2f %%", 100*s.cpu), s.cpu <= 0.01},
		{"resident memory " + when + " (of it pages of the program's file; peak)", "30 MB", fmt.Sprintf("%.1f MB (%.1f; %.1f)", float64(s.resident)/mega, float64(s.file)/mega, float64(s.peak)/mega), s.resident <= 30*mega},
		{"times woken a second " + when, "", fmt.Sprintf("%.0f", s.woken), true},
	}
	if when == "between runs" {
		return append(out, row{"disk writes between runs", "20 MB a day", fmt.Sprintf("%.1f MB a day", s.written/mega), s.written <= 20*mega})
	}
	return out
}

func wait(ctx context.Context, d time.Duration) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(d):
		return nil
	}
}
