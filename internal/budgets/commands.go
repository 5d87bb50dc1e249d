package main

import (
	"bytes"
	"compress/gzip"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"
)

// build makes boxd as internal/packaging does and gives its size in bytes.
func build(ctx context.Context, path string, env ...string) (int64, error) {
	c := exec.CommandContext(ctx, "go", "build", "-trimpath", "-buildvcs=false", "-ldflags", "-s -w -buildid=", "-o", path, "./cmd/boxd")
	c.Env = append(append(os.Environ(), "CGO_ENABLED=0"), env...)
	if out, err := c.CombinedOutput(); err != nil {
		return 0, fmt.Errorf("cannot build boxd: %w\n%s", err, out)
	}
	st, err := os.Stat(path)
	if err != nil {
		return 0, err
	}
	return st.Size(), nil
}

const mega = 1e6

func size(ctx context.Context, dir string) ([]row, error) {
	n, err := build(ctx, filepath.Join(dir, "boxd-armv6"), "GOOS=linux", "GOARCH=arm", "GOARM=6")
	return []row{{"program, stripped, linux/arm GOARM=6", "24 MB", fmt.Sprintf("%.1f MB", float64(n)/mega), n <= 24*mega}}, err
}

// once runs boxd to its end on one processor and gives what it took.
func once(ctx context.Context, boxd string, args ...string) (wall, cpu time.Duration, err error) {
	c := exec.CommandContext(ctx, boxd, args...)
	c.Env = append(os.Environ(), "GOMAXPROCS=1")
	var said bytes.Buffer
	c.Stderr = &said
	began := time.Now()
	if err := c.Run(); err != nil {
		return 0, 0, fmt.Errorf("boxd %s: %w\n%s", strings.Join(args, " "), err, &said)
	}
	return time.Since(began), c.ProcessState.UserTime() + c.ProcessState.SystemTime(), nil
}

// checks is the longest check of any shipped configuration, each the median of
// several.
func checks(ctx context.Context, boxd string) ([]row, error) {
	const times = 15
	shipped, err := filepath.Glob("config/*.yaml")
	if err != nil {
		return nil, err
	}
	traces, err := filepath.Glob("cmd/boxd/testdata/traces/*.yaml")
	if err != nil {
		return nil, err
	}
	var longest, mostCPU time.Duration
	var of string
	for _, file := range append(shipped, traces...) {
		var walls, cpus []time.Duration
		for range times {
			wall, cpu, err := once(ctx, boxd, "check", "-config", file)
			if err != nil {
				return nil, err
			}
			walls, cpus = append(walls, wall), append(cpus, cpu)
		}
		if m := median(walls); m > longest {
			longest, mostCPU, of = m, median(cpus), filepath.Base(file)
		}
	}
	return []row{{"`boxd check`, whole process, the slowest file (" + of + ")", "50 ms", ms(longest) + " (" + ms(mostCPU) + " of processor)", longest < 50*time.Millisecond}}, nil
}

// The recorded traces: a run without a fault, and one in which a row bursts.
const clean, burst = "cmd/boxd/testdata/traces/a-clean-1", "cmd/boxd/testdata/traces/g-burst-1"

// trace is a recorded trace, its header first.
func trace(path string) ([]string, error) {
	f, err := os.Open(path + ".csv.gz")
	if err != nil {
		return nil, err
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		return nil, err
	}
	b, err := io.ReadAll(z)
	return strings.Split(strings.TrimSpace(string(b)), "\n"), err
}

func replay(ctx context.Context, boxd, dir string) ([]row, error) {
	var out []row
	for _, t := range []struct{ path, what string }{
		{clean, "replay, CSV to JSON Lines, rows of 12 channels a second of one processor"},
		{burst, "the same, of a run in which a row bursts"},
	} {
		rate, err := replayed(ctx, boxd, dir, t.path)
		if err != nil {
			return nil, err
		}
		out = append(out, row{t.what, "300,000", fmt.Sprintf("%.0f", rate), rate >= 300000})
	}
	return out, nil
}

// replayed is how many rows of twelve channels a replay takes a second of one
// processor, from CSV to JSON Lines, after what the process' start takes.
func replayed(ctx context.Context, boxd, dir, path string) (float64, error) {
	const times, again = 5, 40
	lines, err := trace(path)
	if err != nil {
		return 0, err
	}
	short, long := filepath.Join(dir, "short.csv"), filepath.Join(dir, "long.csv")
	if err := writeTrace(short, lines, 1); err != nil {
		return 0, err
	}
	if err := writeTrace(long, lines, again); err != nil {
		return 0, err
	}
	took := func(file string) (time.Duration, error) {
		var cpus []time.Duration
		for range times {
			_, cpu, err := once(ctx, boxd, "replay", "-config", path+".yaml", "-trace", file, "-json")
			if err != nil {
				return 0, err
			}
			cpus = append(cpus, cpu)
		}
		return median(cpus), nil
	}
	one, err := took(short)
	if err != nil {
		return 0, err
	}
	all, err := took(long)
	if err != nil {
		return 0, err
	}
	return float64((again-1)*(len(lines)-1)) / (all - one).Seconds(), nil
}

// writeTrace writes the trace's rows so many times over, one run after another.
func writeTrace(path string, lines []string, times int) error {
	var b bytes.Buffer
	fmt.Fprintln(&b, lines[0])
	for n := range times {
		for _, line := range lines[1:] {
			at, rest, _ := strings.Cut(line, ",")
			fmt.Fprintf(&b, "%d,%s\n", n*(len(lines)-1)+whole(at), rest)
		}
	}
	return os.WriteFile(path, b.Bytes(), 0o600)
}
