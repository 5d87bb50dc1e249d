// Command budgets measures what boxd takes of a small machine and prints the
// README's table: the program as it is packaged, fed twelve channels at 10 Hz,
// with its archive, its broker and one viewer of its page. Run it at the root of
// the module on Linux; nothing but this machine is touched.
//
//	go run ./internal/budgets [-idle 5m] [-run 3m] [-parts size,check,replay,start,day]
package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"
)

// row is one line of the table.
type row struct {
	what, budget, measured string
	met                    bool
}

func main() {
	idle := flag.Duration("idle", 5*time.Minute, "how long to watch the box between runs")
	run := flag.Duration("run", 3*time.Minute, "how long to watch it in an injection")
	parts := flag.String("parts", "size,check,replay,start,day", "what to measure; the daemon is in start and day")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if err := measure(ctx, *idle, *run, strings.Split(*parts, ",")); err != nil {
		fmt.Fprintln(os.Stderr, err)
		stop()
		os.Exit(1)
	}
}

// measure does all of it and prints the table.
func measure(ctx context.Context, idle, run time.Duration, wanted []string) error {
	if _, err := os.Stat("cmd/boxd/main.go"); err != nil {
		return fmt.Errorf("cannot find the sources: %w; run this at the root of the module", err)
	}
	dir, err := os.MkdirTemp("", "budgets")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	boxd := filepath.Join(dir, "boxd")
	if _, err := build(ctx, boxd); err != nil {
		return err
	}
	fmt.Fprintf(os.Stderr, "on %d processors (%s), others' load %s\n", runtime.NumCPU(), runtime.GOARCH, load())
	var table []row
	parts := map[string]func() ([]row, error){
		"size":   func() ([]row, error) { return size(ctx, dir) },
		"check":  func() ([]row, error) { return checks(ctx, boxd) },
		"replay": func() ([]row, error) { return replay(ctx, boxd, dir) },
		"start":  func() ([]row, error) { return starts(ctx, boxd, dir) },
		"day":    func() ([]row, error) { return days(ctx, boxd, dir, idle, run) },
	}
	for _, name := range wanted {
		part, ok := parts[name]
		if !ok {
			return fmt.Errorf("there is no part %q to measure: size, check, replay, start and day are", name)
		}
		rows, err := part()
		if err != nil {
			return err
		}
		table = append(table, rows...)
	}
	fmt.Println("| What | Budget | Measured | Met |\n|---|---|---|---|")
	for _, r := range table {
		fmt.Printf("| %s | %s | %s | %s |\n", r.what, r.budget, r.measured, yes(r.met))
	}
	return nil
}

func yes(met bool) string {
	if met {
		return "yes"
	}
	return "no"
}

func median[T ~int64 | ~float64](v []T) T {
	slices.Sort(v)
	return v[len(v)/2]
}

func ms(d time.Duration) string { return fmt.Sprintf("%.0f ms", float64(d.Microseconds())/1000) }
