package journal_test

// What others make of an export: DuckDB of the Parquet file, a browser's printer
// of the page.

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"boxd/internal/journal"
	"boxd/internal/web/webtest"
)

const frozenRun = "20261125T202337Z-0"

// exported writes the frozen run's exports into a folder.
func exported(t *testing.T, formats ...string) (dir string) {
	t.Helper()
	dir = t.TempDir()
	f, err := os.Open("testdata/v1.sqlite.gz")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	b, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "box.db")
	if err := os.WriteFile(path, b, 0o644); err != nil {
		t.Fatal(err)
	}
	j, err := journal.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = j.Close() }()
	for _, format := range formats {
		var b bytes.Buffer
		if err := j.Export(t.Context(), &b, frozenRun, format, nil); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, "run."+format), b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// TestDuckDBReadsParquet: the table is the same as the CSV, cell for cell, and
// units, channels and run are there to be read.
func TestDuckDBReadsParquet(t *testing.T) {
	modules := os.Getenv("BOXD_DUCKDB")
	if modules == "" {
		if os.Getenv("BOXD_REQUIRE_DUCKDB") == "1" {
			t.Fatal("cannot read Parquet with DuckDB: npm install @duckdb/node-api@1.5.6-r.1 and name its node_modules in BOXD_DUCKDB")
		}
		t.Skip("Parquet is not read by DuckDB: BOXD_DUCKDB names no node_modules folder with @duckdb/node-api")
	}
	dir := exported(t, "csv", "parquet")
	const columns = "time_s, supply_kpa, filter_out_kpa, injector_in_kpa, injector_out_kpa, header_kpa, main_flow_lpm, injector_flow_lpm, stock_draw_lpm, ec_box_us_cm, ec_end_us_cm, water_c, box_air_c, event"
	const table, trace = "SELECT " + columns + " FROM 'run.parquet'", "SELECT " + columns + " FROM read_csv('run.csv', header = true, all_varchar = false, sample_size = -1)"
	meta := func(key string) string {
		return "SELECT decode(value) FROM parquet_kv_metadata('run.parquet') WHERE decode(key) = '" + key + "'"
	}
	script, err := filepath.Abs("testdata/query.mjs")
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), "node", script,
		"SELECT count(*) FROM ("+table+")", "SELECT count(*) FROM ("+table+" EXCEPT "+trace+")", "SELECT count(*) FROM ("+trace+" EXCEPT "+table+")",
		"SELECT DISTINCT typeof(header_kpa), typeof(time), typeof(event) FROM 'run.parquet'", meta("units"), meta("channels"), meta("run"),
		"SELECT epoch(min(time)) FROM 'run.parquet'")
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	var answers [][][]any
	for line := range strings.Lines(strings.TrimSpace(string(out))) {
		var rows [][]any
		if err := json.Unmarshal([]byte(line), &rows); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		answers = append(answers, rows)
	}
	text := func(i int) string { s, _ := answers[i][0][0].(string); return s }
	// 4082 rows: those of the frozen program's own CSV, without its header, by wc.
	if text(0) != "4082" || text(1) != "0" || text(2) != "0" {
		t.Errorf("%s rows; %s and %s differ from the CSV", text(0), text(1), text(2))
	}
	if got := answers[3]; len(got) != 1 || got[0][0] != "DOUBLE" || got[0][1] != "TIMESTAMP WITH TIME ZONE" || got[0][2] != "VARCHAR" {
		t.Errorf("types %v", got)
	}
	var units map[string]string
	var channels map[string]struct{ Tag, Name, Unit string }
	if json.Unmarshal([]byte(text(4)), &units) != nil || units["ec_box_us_cm"] != "µS/cm" {
		t.Errorf("units %s", text(4))
	}
	if json.Unmarshal([]byte(text(5)), &channels) != nil || channels["header_kpa"].Tag != "PT-201" || channels["header_kpa"].Unit != "kPa" {
		t.Errorf("channels %s", text(5))
	}
	if start := time.Date(2026, 11, 25, 20, 23, 37, 0, time.UTC).Unix(); text(6) != frozenRun || int64(answers[7][0][0].(float64)) != start {
		t.Errorf("run %s began at %v, want %d", text(6), answers[7][0][0], start)
	}
}

// TestReportPrints: on A4 and letter nothing is wider than the paper, and the
// sheets are as few as a run needs.
func TestReportPrints(t *testing.T) {
	dir := exported(t, "html")
	tab := webtest.Open(t, 8*time.Minute)
	tab.Do("open", webtest.Visit("file://"+filepath.Join(dir, "run.html")), webtest.There("#instruments"))
	pages := regexp.MustCompile(`/Type\s*/Page\b`)
	for name, inch := range map[string][2]float64{"a4": {8.27, 11.69}, "letter": {8.5, 11}} {
		pdf := tab.Print("run-"+name, inch[0], inch[1])
		if n := len(pages.FindAll(pdf, -1)); n < 3 || n > 8 {
			t.Errorf("%s: %d sheets", name, n)
		}
		// As wide as what is left of the paper beside its margins, at 96 px an inch.
		tab.Do("narrow", webtest.Screen(int64((inch[0]-28/25.4)*96), 900, "light"))
		if over := tab.TooWide(); over > 0 {
			t.Errorf("%s: %d px too wide", name, over)
		}
	}
	if bad := tab.Complaints(); len(bad) > 0 {
		t.Errorf("the page complains: %q", bad)
	}
}
