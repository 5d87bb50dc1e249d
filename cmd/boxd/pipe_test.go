package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// fed is a pipe source and the end to write into it.
func fed(t testing.TB) (*pipe, *os.File) {
	t.Helper()
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = errors.Join(r.Close(), w.Close()) })
	return &pipe{name: "pipe", in: r, log: slog.New(slog.DiscardHandler)}, w
}

// Whatever pieces the writer's bytes come in, each beat gets the rows that are
// whole, and is never held up.
func TestPipeGivesWholeRows(t *testing.T) {
	t.Parallel()
	p, w := fed(t)
	for _, step := range []struct {
		write string
		want  []float64
	}{
		{"", nil},
		{"time_s,supply_kpa,ev", nil},
		{"ent\n0,281,\n1,282,\n", []float64{281, 282}},
		{"2,2", nil},
		{"83,", nil},
		{"\n", []float64{283}},
		{"\r\n\n", nil},
		{"3,284,\"# a re", nil},
		{"mark\"\r\n\n4,285,\n5,28", []float64{284, 285}},
		{"6,\n", []float64{286}},
	} {
		if _, err := io.WriteString(w, step.write); err != nil {
			t.Fatal(err)
		}
		samples, err := p.Samples(context.Background(), 0, nil)
		var got []float64
		for _, s := range samples {
			got = append(got, s.Value)
		}
		if err != nil || fmt.Sprint(got) != fmt.Sprint(step.want) {
			t.Errorf("after %q: %v, %v; want %v", step.write, got, err, step.want)
		}
	}
	_, _ = io.WriteString(w, "6,287,") // the logger dies before the line's end
	_ = w.Close()
	samples, err := p.Samples(context.Background(), 0, nil)
	if len(samples) != 1 || !errors.Is(err, io.EOF) {
		t.Errorf("at the end: %v, %v", samples, err)
	}
}

// A writer that runs away is taken a beat's bound at a time, and nothing is lost.
func TestPipeBoundsABeat(t *testing.T) {
	t.Parallel()
	p, w := fed(t)
	var b strings.Builder
	b.WriteString("time_s,supply_kpa\n")
	for i := range 1000 {
		fmt.Fprintf(&b, "%d,%d\n", i, i)
	}
	if _, err := io.WriteString(w, b.String()); err != nil {
		t.Fatal(err)
	}
	next := 0
	for range 5 {
		samples, err := p.Samples(context.Background(), 0, nil)
		if err != nil || len(samples) > maxRows {
			t.Fatalf("%d samples, %v", len(samples), err)
		}
		for _, s := range samples {
			if s.Value != float64(next) {
				t.Fatalf("%v, want %d", s.Value, next)
			}
			next++
		}
	}
	if next != 1000 {
		t.Errorf("%d rows of 1000", next)
	}
}

// A named pipe is there before its writer and after it: the logger may be started
// late, die in the middle of a row and be started anew.
func TestNamedPipeOutlivesItsWriter(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "logger")
	if err := unix.Mkfifo(path, 0o600); err != nil {
		t.Fatal(err)
	}
	p, shut, err := openSamples(path, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(shut)
	beat := func(want ...float64) {
		t.Helper()
		samples, err := p.Samples(context.Background(), 0, nil)
		var got []float64
		for _, s := range samples {
			if s.Fault == "" {
				got = append(got, s.Value)
			}
		}
		if err != nil || !slices.Equal(got, want) {
			t.Errorf("%v, %v; want %v", got, err, want)
		}
	}
	write := func(w *os.File, s string) {
		t.Helper()
		if _, err := io.WriteString(w, s); err != nil {
			t.Fatal(err)
		}
	}
	open := func() *os.File {
		t.Helper()
		w, err := os.OpenFile(path, os.O_WRONLY, 0)
		if err != nil {
			t.Fatal(err)
		}
		return w
	}
	beat()
	w := open()
	beat()
	write(w, "time_s,supply_kpa\n0,281\n1,2")
	beat(281)
	_ = w.Close()
	beat() // 2 may have been going to be 282
	w = open()
	write(w, "time_s,supply_kpa\n0,283\n")
	beat(283)
	_ = w.Close()
	beat()
	w = open()
	write(w, "1,284\n")
	beat(284)
	_ = w.Close()
}

// A wrong header ends the source with its place.
func TestPipeSaysWhatIsWrong(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]string{
		"time_s,supply\n0,281\n": "pipe:1:8: ",
		"time_s,supply_kpa\n0,281\nsupply_kpa,time_s,flow\n281,1,2\n": "pipe:3:19: ",
	} {
		p, w := fed(t)
		if _, err := io.WriteString(w, text); err != nil {
			t.Fatal(err)
		}
		_, err := p.Samples(context.Background(), 0, nil)
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%.40q: %v, want %q", text, err, want)
		}
		if _, again := p.Samples(context.Background(), 0, nil); again == nil {
			t.Error("a source that failed goes on")
		}
	}
}

// A row that is wrong is told with its place, once a minute at most, and the source
// goes on; so it does after a line that does not end.
func TestPipeGoesOn(t *testing.T) {
	t.Parallel()
	p, w := fed(t)
	var told strings.Builder
	p.log = slog.New(slog.NewTextHandler(&told, nil))
	for _, step := range []struct {
		at          time.Duration
		write, want string
		told        []string
	}{
		{0, "time_s,supply_kpa\n0,281\n", "281 ", nil},
		{0, "1,lots\n2,283\n", "! 283 ", []string{"rows=1", "pipe:3:3: "}},
		{30 * time.Second, "3,few\n4\n5,284\n", "! ! 284 ", nil},
		{61 * time.Second, "6,\"285\n7,286\n", "! 286 ", []string{"rows=3", "pipe:8:3: "}},
		{3 * time.Minute, "8," + strings.Repeat("x", maxPart), "! ", []string{"rows=1", "pipe:10:3: "}},
		{5 * time.Minute, "x\n9,287\n", "! 287 ", []string{"rows=1", "pipe:11:1: "}},
	} {
		done := make(chan error, 1)
		go func() { _, err := io.WriteString(w, step.write); done <- err }()
		got := ""
		told.Reset()
		for written := false; !written || readable(p.in); {
			select {
			case err := <-done:
				if written = true; err != nil {
					t.Fatal(err)
				}
			default:
			}
			samples, err := p.Samples(context.Background(), step.at, nil)
			if err != nil {
				t.Fatal(err)
			}
			for _, s := range samples {
				if s.Fault != "" {
					got += "! "
				} else {
					got += fmt.Sprint(s.Value, " ")
				}
			}
		}
		if got != step.want || len(step.told) == 0 && told.Len() > 0 {
			t.Errorf("after %.20q: %q, told %q; want %q", step.write, got, &told, step.want)
		}
		for _, what := range step.told {
			if strings.Count(told.String(), what) != 1 {
				t.Errorf("after %.20q: told %q, want %q once", step.write, &told, what)
			}
		}
	}
}

// One row of twelve channels a beat.
func BenchmarkPipe(b *testing.B) {
	p, w := fed(b)
	head := "time_s,supply_kpa,filter_out_kpa,injector_in_kpa,injector_out_kpa,header_kpa,main_flow_lpm,injector_flow_lpm,stock_draw_lpm,ec_box_us_cm,ec_end_us_cm,water_c,box_air_c\n"
	if _, err := io.WriteString(w, head); err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		fmt.Fprintf(w, "%d,288.5,286.3,287.8,246.2,69.3,9.60,4.15,0.110,1764,426,17.25,21.3\n", n)
		n++
		if s, err := p.Samples(context.Background(), 0, nil); err != nil || len(s) != 12 {
			b.Fatal(len(s), err)
		}
	}
}
