package main

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"io"
	"math"
	"os"
	"syscall"
	"testing"
	"time"

	"boxd/config"
	"boxd/internal/engine"
)

// BenchmarkReplay is a replay of twelve channels from CSV to JSON Lines by the
// processor's time: other programs on the machine don't count.
func BenchmarkReplay(b *testing.B) {
	for _, id := range []string{"a-clean-1", "c-filter-1", "e-drift-1", "g-burst-1"} {
		b.Run(id, func(b *testing.B) { benchmarkReplay(b, id) })
	}
}

func benchmarkReplay(b *testing.B, id string) {
	cfg, err := config.Load("testdata/traces/" + id + ".yaml")
	if err != nil {
		b.Fatal(err)
	}
	core, err := cfg.Engine("")
	if err != nil {
		b.Fatal(err)
	}
	core.Replay = true
	trace := unpacked(b, "testdata/traces/"+id+".csv.gz")
	rows := bytes.Count(trace, []byte("\n")) - 1
	b.ReportAllocs()
	began := processorTime(b)
	pass, quickest := began, time.Duration(math.MaxInt64)
	for b.Loop() {
		err := sound(io.Discard, func(out io.Writer) error {
			p := printer{out, true, json.NewEncoder(out)}
			return replay(engine.New(core), id, bytes.NewReader(trace), false, time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC), p.print)
		})
		if err != nil {
			b.Fatal(err)
		}
		now := processorTime(b)
		pass, quickest = now, min(quickest, now-pass)
	}
	b.ReportMetric(float64(rows*b.N)/(pass-began).Seconds(), "rows/cpu-s")
	b.ReportMetric(float64(rows)/quickest.Seconds(), "quickest-rows/cpu-s")
}

func unpacked(b *testing.B, path string) []byte {
	f, err := os.Open(path)
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		b.Fatal(err)
	}
	data, err := io.ReadAll(z)
	if err != nil {
		b.Fatal(err)
	}
	return data
}

// processorTime is what this process has used of the processors.
func processorTime(b *testing.B) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
