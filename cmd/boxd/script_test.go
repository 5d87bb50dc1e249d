// These tests drive the real commands as a shell would: testdata/script holds
// the scripts, this file the few words they need besides boxd itself. What a
// replay reaches is held against the reference traces' own true times.
package main

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"
	"github.com/rogpeppe/go-internal/testscript"

	"boxd/config"
	"boxd/internal/journal"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"boxd": main})
}

func TestScripts(t *testing.T) {
	traces, err := filepath.Abs("testdata/traces")
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir:   "testdata/script",
		Setup: func(env *testscript.Env) error { return prepare(env, traces) },
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"gunzip": gunzip, "fields": fields, "truth": truth, "milestones": milestones,
			"await-run": awaitRun, "save-run": saveRun, "parquet": checkParquet, "jsonlines": jsonLines,
			"exit-code": exitCode,
		},
		RequireExplicitExec: true, RequireUniqueNames: true,
	})
}

// prepare gives every script the traces' folder and the demo's configuration.
func prepare(env *testscript.Env, traces string) error {
	env.Setenv("TRACES", traces)
	return os.WriteFile(filepath.Join(env.WorkDir, "demo.yaml"), demoConfig(), 0o644)
}

// demoConfig is the embedded configuration with papers that outlive this test.
func demoConfig() []byte {
	return bytes.Replace(config.Default(), []byte("next_due: 2027-04-02"), []byte("next_due: 2099-04-02"), 1)
}

// gunzip FROM TO unpacks.
func gunzip(ts *testscript.TestScript, neg bool, args []string) {
	want(ts, neg, args, 2, "gunzip FROM TO")
	f, err := os.Open(ts.MkAbs(args[0]))
	ts.Check(err)
	defer f.Close()
	z, err := gzip.NewReader(f)
	ts.Check(err)
	b, err := io.ReadAll(z)
	ts.Check(err)
	ts.Check(os.WriteFile(ts.MkAbs(args[1]), b, 0o644))
}

// exit-code N PROGRAM ARGS... says with what code a program ends.
func exitCode(ts *testscript.TestScript, neg bool, args []string) {
	want(ts, neg, args, 2, "exit-code N PROGRAM ARGS...")
	code := 0
	if err := ts.Exec(args[1], args[2:]...); err != nil {
		var e *exec.ExitError
		if !errors.As(err, &e) {
			ts.Fatalf("%v", err)
		}
		code = e.ExitCode()
	}
	if strconv.Itoa(code) != args[0] {
		ts.Fatalf("%q ended with %d, not %s", args[1:], code, args[0])
	}
}

// want is the shape of every call here.
func want(ts *testscript.TestScript, neg bool, args []string, n int, usage string) {
	if neg || len(args) < n {
		ts.Fatalf("usage: %s", usage)
	}
}

// fields FILE PATH NAME... says that the JSON object at PATH (a.0.b, or .) has
// exactly these names.
func fields(ts *testscript.TestScript, neg bool, args []string) {
	want(ts, neg, args, 3, "fields FILE PATH NAME...")
	var v any
	ts.Check(json.Unmarshal([]byte(ts.ReadFile(args[0])), &v))
	for p := range strings.SplitSeq(strings.Trim(args[1], "."), ".") {
		switch x := v.(type) {
		case map[string]any:
			if p != "" {
				v = x[p]
			}
		case []any:
			i, err := strconv.Atoi(p)
			ts.Check(err)
			v = x[i]
		}
	}
	m, ok := v.(map[string]any)
	if !ok {
		ts.Fatalf("%s in %s is no object", args[1], args[0])
	}
	var got []string
	for k := range m {
		got = append(got, k)
	}
	slices.Sort(got)
	names := slices.Sorted(slices.Values(args[2:]))
	if !slices.Equal(got, names) {
		ts.Fatalf("%s at %s has %q, not %q", args[0], args[1], got, names)
	}
}

// line is what a script looks at of a replayed event.
type line struct {
	T     *float64 `json:"t"`
	Kind  string   `json:"kind"`
	Name  string   `json:"name"`
	ID    string   `json:"id"`
	State string   `json:"state"`
	Flush string   `json:"flush"`
}

func lines(ts *testscript.TestScript, file string) []line {
	var out []line
	for s := range strings.Lines(ts.ReadFile(file)) {
		var l line
		if err := json.Unmarshal([]byte(s), &l); err != nil || l.T == nil || l.Kind == "" {
			ts.Fatalf("%s: %q is no event: %v", file, s, err)
		}
		if n := len(out); n > 0 && *l.T < *out[n-1].T {
			ts.Fatalf("%s: time runs back at %q", file, s)
		}
		out = append(out, l)
	}
	if len(out) == 0 {
		ts.Fatalf("%s holds no event", file)
	}
	return out
}

// jsonlines FILE says that every line is an event and time never runs back.
func jsonLines(ts *testscript.TestScript, neg bool, args []string) {
	want(ts, neg, args, 1, "jsonlines FILE")
	lines(ts, args[0])
}

// reached are the milestones' times, the first of each name.
func reached(all []line) map[string]float64 {
	out := map[string]float64{}
	for _, l := range all {
		if _, ok := out[l.Name]; l.Kind == "milestone" && !ok {
			out[l.Name] = *l.T
		}
	}
	return out
}

// truth EVENTS TRUTH holds a replay against the trace's true times. A flush
// said done before clean water reached the last emitter breaks a promise, so
// that bound has no slack on the early side; late, 8 % of the flush.
func truth(ts *testscript.TestScript, neg bool, args []string) {
	want(ts, neg, args, 2, "truth EVENTS TRUTH")
	var known struct {
		Times   map[string]any     `json:"times_s"`
		Hazards map[string]float64 `json:"hazards"`
	}
	ts.Check(json.Unmarshal([]byte(ts.ReadFile(args[1])), &known))
	all := lines(ts, args[0])
	got := reached(all)
	within := func(name, truth string, early, late float64) {
		want, ok := known.Times[truth].(float64)
		at, said := got[name]
		if !ok || !said || at < want-early || at > want+late {
			ts.Fatalf("%s: %s at %g s (said: %v), true %g s, wanted -%g/+%g s", args[0], name, at, said, want, early, late)
		}
	}
	end, clean := known.Times["injection_end"].(float64), known.Times["far_end_within_5pct_for_good"].(float64)
	within("lines_full", "lines_full_volume", 25, 25)
	within("pressurised", "lines_full_and_at_pressure", 25, 25)
	within("injection_started", "injection_start", 20, 20)
	within("injection_ended", "injection_end", 20, 20)
	within("clean_at_box", "injection_end", 0, 60)
	within("flush_done", "far_end_within_5pct_for_good", 0, 0.08*(clean-end))
	within("secured", "main_valve_finally_closed", 0, 60)
	if onset, ok := known.Hazards["burst_onset_s"]; ok {
		raised(ts, all, "flow-above-expected", onset, onset+30)
	}
	if onset, ok := known.Hazards["filter_clog_onset_s"]; ok {
		raised(ts, all, "filter-clogging", onset, known.Hazards["filter_differential_above_35kpa_s"])
	}
	if !slices.ContainsFunc(all, func(l line) bool { return l.Kind == "summary" && l.Flush == "done" }) {
		ts.Fatalf("%s has no summary with the flush done", args[0])
	}
}

func raised(ts *testscript.TestScript, all []line, id string, from, to float64) {
	i := slices.IndexFunc(all, func(l line) bool { return l.Kind == "alarm" && l.ID == id && l.State == "raised" })
	if i < 0 || *all[i].T < from || *all[i].T > to {
		ts.Fatalf("%s is not raised first between %g and %g s", id, from, to)
	}
}

// milestones A B TOLERANCE says that two lists of events reach the same
// milestones, measured from lines_full, within seconds of one another.
func milestones(ts *testscript.TestScript, neg bool, args []string) {
	want(ts, neg, args, 3, "milestones A B SECONDS")
	by, err := strconv.ParseFloat(args[2], 64)
	ts.Check(err)
	a, b := reached(lines(ts, args[0])), reached(lines(ts, args[1]))
	if len(a) != 7 || len(b) != len(a) {
		ts.Fatalf("seven milestones are wanted on both sides: %v and %v", a, b)
	}
	for name, at := range a {
		other, ok := b[name]
		if !ok || math.Abs((at-a["lines_full"])-(other-b["lines_full"])) > by {
			ts.Fatalf("%s: %g s of %v, but %g s of %v", name, at, a, other, b)
		}
	}
}

// await-run DIR waits until the archive holds an ended run, at most a minute,
// and puts its id into $RUN. It reads beside the running daemon.
func awaitRun(ts *testscript.TestScript, neg bool, args []string) {
	want(ts, neg, args, 1, "await-run DIR")
	run, err := endedRun(ts.MkAbs(args[0]), time.Minute)
	ts.Check(err)
	ts.Setenv("RUN", run.ID)
}

// save-run DIR FILE writes the events of $RUN as the archive has them.
func saveRun(ts *testscript.TestScript, neg bool, args []string) {
	want(ts, neg, args, 2, "save-run DIR FILE")
	j, err := journal.OpenExisting(archiveFile(ts.MkAbs(args[0])))
	ts.Check(err)
	defer j.Close()
	events, err := j.Events(context.Background(), ts.Getenv("RUN"))
	ts.Check(err)
	var b bytes.Buffer
	for _, e := range events {
		b.Write(e.JSON)
		b.WriteByte('\n')
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[1]), b.Bytes(), 0o644))
}

// parquet FILE CSV says that the Parquet file reads, and has the rows and the
// columns of the CSV export of the same run.
func checkParquet(ts *testscript.TestScript, neg bool, args []string) {
	want(ts, neg, args, 2, "parquet FILE CSV")
	b := ts.ReadFile(args[0])
	f, err := parquet.OpenFile(strings.NewReader(b), int64(len(b)))
	ts.Check(err)
	rows := strings.Split(strings.TrimSpace(ts.ReadFile(args[1])), "\n")
	if f.NumRows() != int64(len(rows)-1) {
		ts.Fatalf("%s has %d rows, the CSV %d", args[0], f.NumRows(), len(rows)-1)
	}
	for _, c := range []string{"time_s", "main_flow_lpm", "ec_box_us_cm"} {
		if _, ok := f.Schema().Lookup(c); !ok {
			ts.Fatalf("%s has no column %s: %v", args[0], c, f.Schema())
		}
	}
}
