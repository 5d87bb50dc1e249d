package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"testing"
)

// fed is a pipe source and the end to write into it.
func fed(t testing.TB) (*pipe, *os.File) {
	t.Helper()
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = errors.Join(r.Close(), w.Close()) })
	return &pipe{name: "pipe", in: r}, w
}

// Whatever pieces the writer's bytes come in, each beat gets the rows that are
// whole (RFC 4180: a quoted cell may hold a line's end), and is never held up.
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
		{"3,284,\"# two\n", nil},
		{"lines\"\r\n\n4,285,\n5,28", []float64{284, 285}},
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

// A row that is none ends the source with its place.
func TestPipeSaysWhatIsWrong(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]string{
		"time_s,supply_kpa\n0,281\n1,lots\n":                        "pipe:3:3: ",
		"time_s,supply_kpa\n0,\"" + strings.Repeat("x", maxPart+10): "longer than",
	} {
		p, w := fed(t)
		go func() { _, _ = io.WriteString(w, text) }()
		var err error
		for err == nil {
			_, err = p.Samples(context.Background(), 0, nil)
		}
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%.40q: %v, want %q", text, err, want)
		}
		if _, again := p.Samples(context.Background(), 0, nil); again == nil {
			t.Error("a source that failed goes on")
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
