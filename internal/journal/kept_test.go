package journal

// What happens to an archive over years: its schema goes on, persons note things,
// old samples thin out. Frozen archives are files that a program of their time
// wrote; nothing of ours made them anew.

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
)

// frozen are the archives of the released schemas. v1.sqlite.gz is what
// "boxd demo -person auto -speed 1000" left of one run, before there was a
// version 2, and v2 likewise before there was a version 3; csv is the SHA-256 of what that program's own export wrote of it.
func frozen() map[string]struct{ run, csv string } {
	return map[string]struct{ run, csv string }{
		"v1": {"20261125T202337Z-0", "023394c4aada6ae962b2d0d0346b5caf2282b7fddde6cc102b5c8581016fbca0"},
		"v2": {"20261125T212558Z-0", "ab0d32c305b2ca759329749b9a5bb650d954a99cc5d90d1bd624f28134ab2db2"},
	}
}

// thaw unpacks a frozen archive.
func thaw(t *testing.T, name string) string {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", name+".sqlite.gz"))
	must(t, err)
	defer func() { must(t, f.Close()) }()
	z, err := gzip.NewReader(f)
	must(t, err)
	b, err := io.ReadAll(z)
	must(t, err)
	path := filepath.Join(t.TempDir(), "box.db")
	must(t, os.WriteFile(path, b, 0o644))
	return path
}

// TestEveryReleasedSchemaOpens: whoever adds a migration freezes an archive of
// the version before it.
func TestEveryReleasedSchemaOpens(t *testing.T) {
	names, err := fs.Glob(migrationFiles, "migrations/*.sql")
	must(t, err)
	for version := 1; version < len(names); version++ {
		name := fmt.Sprintf("v%d", version)
		want, ok := frozen()[name]
		if !ok {
			t.Fatalf("there is no frozen archive of schema %d", version)
		}
		path := thaw(t, name)
		j, err := Open(path)
		must(t, err)
		var csv bytes.Buffer
		must(t, j.Export(t.Context(), &csv, want.run, "csv", nil))
		if sum := sha256.Sum256(csv.Bytes()); hex.EncodeToString(sum[:]) != want.csv {
			t.Errorf("%s: its run is no longer the trace that it was (%x)", name, sum)
		}
		for _, format := range Formats() {
			must(t, j.Export(t.Context(), io.Discard, want.run, format, nil))
		}
		must(t, j.Commit(t.Context(), Batch{Start: start("new"), Events: someEvents(), End: &RunEnd{morning, 1}}))
		must(t, j.AddNote(t.Context(), Note{ID: "n1", Run: want.run, Wall: morning, Text: "x"}))
		must(t, j.Close())

		// The copy from before is the old archive, to the old program.
		old, err := sql.Open("sqlite", BackupFile(path, version))
		must(t, err)
		if v, err := schemaVersion(t.Context(), old); err != nil || v != version {
			t.Errorf("%s: the copy's schema is %d %v", name, v, err)
		}
		var runs int
		must(t, old.QueryRowContext(t.Context(), "SELECT count(*) FROM runs").Scan(&runs))
		if runs != 1 {
			t.Errorf("%s: the copy has %d runs", name, runs)
		}
		must(t, old.Close())
	}
}

func TestNotes(t *testing.T) {
	j, ctx := exampleRun(t), t.Context()
	n := Note{ID: "n1", Run: "r1", Wall: morning, By: "Ada", Text: " the third row was dry "}
	must(t, j.AddNote(ctx, n))
	must(t, j.AddNote(ctx, n)) // a double touch
	must(t, j.AddNote(ctx, Note{ID: "n2", Run: "r1", Text: "again"}))
	for _, bad := range []Note{{ID: "n3", Run: "nobody", Text: "x"}, {ID: "n3", Run: "r1", Text: "  "}, {Run: "r1", Text: "x"}, {ID: "n3", Run: "r1", Text: string(make([]byte, MaxNote+1))}} {
		if err := j.AddNote(ctx, bad); err == nil {
			t.Errorf("%.20v is kept", bad)
		}
	}
	if err := j.AddNote(ctx, Note{ID: "n3", Run: "nobody", Text: "x"}); !errors.Is(err, ErrNoRun) {
		t.Errorf("error %v", err)
	}
	got, err := j.Notes(ctx, "r1")
	must(t, err)
	if len(got) != 2 || got[0].Text != "the third row was dry" || got[0].By != "Ada" || !got[0].Wall.Equal(morning) || got[1].ID != "n2" {
		t.Errorf("notes %+v", got)
	}
	// They go with their run, which is no longer the newest row of inputs.
	must(t, j.Commit(ctx, Batch{Inputs: logOf(t, sampleInput(400))}))
	_, err = j.Prune(ctx, morning.AddDate(1, 0, 0))
	must(t, err)
	if got, err := j.Notes(ctx, "r1"); err != nil || len(got) != 0 {
		t.Errorf("notes of a run that is gone: %+v %v", got, err)
	}
}

func TestFind(t *testing.T) {
	j, ctx := openTemp(t), t.Context()
	for i, flush := range []string{"done", "incomplete", ""} {
		s := start(fmt.Sprintf("R%d", i+1))
		s.Wall, s.Zone = morning.AddDate(0, 0, i), []string{"east", "west", "east"}[i]
		b := Batch{Start: s}
		if flush != "" {
			b.Events = []engine.Event{{Kind: engine.SummaryEvent, Sum: &engine.Summary{Flush: flush}}}
		}
		must(t, j.Commit(ctx, b))
	}
	must(t, j.AddNote(ctx, Note{ID: "n", Run: "R2", Text: "Wind took a Row 'loose' 100 %"}))
	for _, c := range []struct {
		s    Search
		want string
	}{
		{Search{}, "R3 R2 R1"}, {Search{Limit: 2}, "R3 R2"}, {Search{Zone: "east"}, "R3 R1"}, {Search{Flush: "done"}, "R1"},
		{Search{Flush: "unknown"}, "R3"}, {Search{From: morning.Add(time.Hour)}, "R3 R2"}, {Search{Until: morning.Add(time.Hour)}, "R1"},
		{Search{Text: "row 'LOOSE'"}, "R2"}, {Search{Text: "r3"}, "R3"}, {Search{Text: "%"}, "R2"}, {Search{Zone: "west", Flush: "done"}, ""},
	} {
		runs, err := j.Find(ctx, c.s)
		must(t, err)
		got := ""
		for _, r := range runs {
			if got != "" {
				got += " "
			}
			got += r.ID
		}
		if got != c.want {
			t.Errorf("%+v finds %q, want %q", c.s, got, c.want)
		}
	}
}

// longRun is a run of n seconds, one alarm in it, 64 inputs in a row.
func longRun(t testing.TB, j *Journal, n, alarm int) {
	t.Helper()
	must(t, j.Commit(t.Context(), Batch{Start: start("r1"), Events: []engine.Event{{T: 100, Kind: engine.RunEvent, State: "started"}, {T: 100 + float64(alarm), Kind: engine.AlarmEvent, ID: "freeze-risk", State: "raised"}}}))
	for from := 0; from < n; from += 64 {
		var inputs []engine.Input
		for i := from; i < min(from+64, n); i++ {
			in := sampleInput(i)
			in.Samples[0].Value = []float64{288, 289, 450}[i%3] // a spike in three: their median is 289
			if i%20 < 10 {
				in.Samples[3] = box.Sample{Channel: box.BoxEC, Fault: "no answer"}
			}
			if i == n/2 {
				in.Actions = []box.Action{{Kind: box.Report, Deed: box.StockIn, By: "Ada"}}
			}
			inputs = append(inputs, in)
		}
		must(t, j.Commit(t.Context(), Batch{Run: "r1", Inputs: logOf(t, inputs...)}))
	}
	must(t, j.Commit(t.Context(), Batch{Run: "r1", End: &RunEnd{morning.Add(time.Hour), 100 + float64(n)}}))
}

func TestThin(t *testing.T) {
	const n, alarm = 6000, 1000
	j, ctx := openTemp(t), t.Context()
	longRun(t, j, n, alarm)
	if got, err := j.Thin(ctx, morning, math.MaxInt64); err != nil || got != 0 {
		t.Errorf("a young run is thinned: %d %v", got, err)
	}
	if got, err := j.Thin(ctx, morning.AddDate(0, 0, 90), math.MaxInt64); err != nil || got != 1 {
		t.Errorf("thinned %d %v, want 1", got, err)
	}
	if got, err := j.Thin(ctx, morning.AddDate(0, 0, 90), math.MaxInt64); err != nil || got != 0 {
		t.Errorf("thinned twice: %d %v", got, err)
	}
	kept, words := map[int]bool{}, 0
	last := -time.Second
	for in, err := range j.Inputs(ctx, "r1") {
		must(t, err)
		at := int(in.Mono/time.Second) - 100
		if words += len(in.Actions); in.Mono <= last {
			t.Fatalf("second %d comes after %v", at, last)
		}
		last, kept[at] = in.Mono, true
		full := at <= 60 || at >= alarm-60 && at <= alarm+60 || at == n/2 // the run's start, the alarm, the word
		for _, s := range in.Samples {
			if s.Channel == box.SupplyPressure && !full && at%64 < 50 && s.Value != 289 {
				t.Errorf("second %d has %g, no median", at, s.Value)
			}
		}
	}
	for at := range n {
		if at <= 60 || at >= alarm-60 && at <= alarm+60 || at == n/2 {
			if !kept[at] {
				t.Errorf("second %d, when something happened, is gone", at)
			}
		}
	}
	// 182 seconds whole, the rest one in ten, and a short window at the row of a transaction.
	if quiet := len(kept) - 182; quiet < 580 || quiet > 600 || words != 1 {
		t.Errorf("%d inputs kept besides, %d words", quiet, words)
	}
	if r, err := j.Run(ctx, "r1"); err != nil || !r.Thinned.Equal(morning.AddDate(0, 0, 90)) {
		t.Errorf("thinned %v %v", r.Thinned, err)
	}
	if len(export(t, j, "csv")) == 0 {
		t.Error("nothing to export")
	}
}

// BenchmarkSize says how much an hour of a run takes, in bytes: at one input a
// second with ten channels, as it is and thinned.
func BenchmarkSize(b *testing.B) {
	size := func(j *Journal) float64 {
		var pages, page float64
		must(b, j.reader.QueryRowContext(b.Context(), "SELECT (SELECT page_count FROM pragma_page_count) - (SELECT freelist_count FROM pragma_freelist_count), (SELECT page_size FROM pragma_page_size)").Scan(&pages, &page))
		return pages * page
	}
	for b.Loop() {
		j := openTemp(b)
		longRun(b, j, 3600, 1000)
		b.ReportMetric(size(j), "B/h")
		_, err := j.Thin(b.Context(), morning.AddDate(0, 0, 90), math.MaxInt64)
		must(b, err)
		b.ReportMetric(size(j), "B-thinned/h")
	}
}

// TestTraces: what is drawn spans all that was measured, peaks and gaps.
func TestTraces(t *testing.T) {
	j := openTemp(t)
	longRun(t, j, 6000, 1000)
	got, err := j.Traces(t.Context(), "r1")
	must(t, err)
	supply, ec := got.Columns["supply_kpa"], got.Columns["ec_box_us_cm"]
	if len(got.T) != 1000 || len(supply) != 1000 || got.T[0] < 0 || got.T[999] > 5999 || got.Columns["box_air_c"] != nil {
		t.Fatalf("%d points, %d of the supply", len(got.T), len(supply))
	}
	low, high, gaps := *supply[0], *supply[0], 0
	for i := range supply {
		low, high = min(low, *supply[i]), max(high, *supply[i])
		if i > 0 && got.T[i] <= got.T[i-1] {
			t.Errorf("point %d at %g after %g", i, got.T[i], got.T[i-1])
		}
		if i < len(ec) && ec[i] == nil {
			gaps++
		}
	}
	if low != 288 || high != 450 || gaps != 0 { // EC is silent for ten seconds in twenty: every stretch of 12 has some
		t.Errorf("from %g to %g, %d gaps", low, high, gaps)
	}
	if _, err := j.Traces(t.Context(), "nobody"); !errors.Is(err, ErrNoRun) {
		t.Errorf("error %v", err)
	}
}
