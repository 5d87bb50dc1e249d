package journal

// What is exported is read back by something else: the trace by package
// record, JSON by encoding/json, Parquet by a library that reads all of it, HTML
// by its tags.

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"

	"boxd/internal/box"
	"boxd/internal/calibration"
	"boxd/internal/engine"
	"boxd/internal/record"
	"boxd/internal/say"
	"boxd/internal/units"
)

// exampleRun is an invented run with a gap, a fault, a confirmation that was
// taken, one that was refused, and two inputs of one moment.
func exampleRun(t testing.TB) *Journal {
	j := openTemp(t)
	var inputs []engine.Input
	for i := range 8 {
		inputs = append(inputs, sampleInput(i))
	}
	inputs[0].Actions = []box.Action{{Kind: box.Report, Deed: box.RunStart}, {Kind: box.Report, Deed: box.MainOpen}}
	inputs[2].Samples = nil
	inputs[3].Samples[1] = box.Sample{Channel: box.HeaderPressure, Fault: "no answer"}
	inputs[4].Actions = []box.Action{{ID: "act-1", Kind: box.Confirm, Advice: 3}, {ID: "act-2", Kind: box.Confirm, Advice: 2}, {Kind: box.Acknowledge, Alarm: "freeze-risk"}}
	inputs[6].Mono, inputs[6].Samples = inputs[5].Mono, []box.Sample{{Channel: box.StockDraw, Value: 0.242}}
	must(t, j.Commit(t.Context(), Batch{Calibrations: []calibration.Record{
		{ID: "before", Channel: "water_c", Wall: morning.AddDate(0, 0, -1), Points: []calibration.Point{{Reading: 0.25}}},
		{ID: "after", Channel: "water_c", Wall: morning.AddDate(0, 0, 1)}}}))
	must(t, j.Commit(t.Context(), Batch{Start: start("r1"), Inputs: logOf(t, inputs...), Events: someEvents(), End: &RunEnd{morning.Add(time.Minute), 107},
		Estimates: &Estimates{T: 103, Wall: morning, Of: map[string]Estimated{"header_kpa": {Value: f64(68.3), Sigma: f64(0.4), Quality: "good"}, "filter": {Word: "clean", Quality: "good"}, "rise_us_cm": {Quality: "unknown"}}}}))
	return j
}

func export(t *testing.T, j *Journal, format string) []byte {
	t.Helper()
	var a, b bytes.Buffer
	must(t, j.Export(t.Context(), &a, "r1", format, nil))
	must(t, j.Export(t.Context(), &b, "r1", format, nil))
	if !bytes.Equal(a.Bytes(), b.Bytes()) {
		t.Errorf("%s: two exports differ", format)
	}
	return a.Bytes()
}

func TestExportCSV(t *testing.T) {
	const want = `time_s,supply_kpa,filter_out_kpa,injector_in_kpa,injector_out_kpa,header_kpa,main_flow_lpm,injector_flow_lpm,stock_draw_lpm,ec_box_us_cm,ec_end_us_cm,water_c,box_air_c,event
0,288.5,,,,68.3,19.6,,,416,,,,run_start;main_open
1,288.6,,,,68.3,19.6,,,416.1,,,,
2,,,,,,,,,,,,,
3,288.8,,,,,19.6,,,416.3,,,,
4,288.9,,,,68.3,19.6,,,416.4,,,,injector_on
5,289,,,,68.3,19.6,,0.242,416.5,,,,
7,288.5,,,,68.3,19.6,,,416.7,,,,
`
	if got := string(export(t, exampleRun(t), "csv")); got != want {
		t.Errorf("got\n%s, want\n%s", got, want)
	}
}

// TestExportedTraceReplays: inputs of a trace come out of the archive as the
// same trace, number for number.
func TestExportedTraceReplays(t *testing.T) {
	j := openTemp(t)
	trace := "time_s,supply_kpa,main_flow_lpm,event\n0,288.5,0.1,run_start\n0.1,0.30000000000000004,,main_open;stock_in\n12345.678,-1e-07,5e-324,\n"
	var inputs []engine.Input
	read := func(r io.Reader, each func(record.Row)) {
		tr, err := record.NewTraceReader("t.csv", r)
		must(t, err)
		for {
			row, err := tr.Next()
			if errors.Is(err, io.EOF) {
				return
			}
			must(t, err)
			each(row)
		}
	}
	read(strings.NewReader(trace), func(row record.Row) {
		in := row.Input(true)
		in.Samples = slices.Clone(in.Samples)
		inputs = append(inputs, in)
	})
	must(t, j.Commit(t.Context(), Batch{Start: start("r1"), Inputs: logOf(t, inputs...)}))
	i := 0
	read(bytes.NewReader(export(t, j, "csv")), func(row record.Row) {
		in := row.Input(true)
		if !bytes.Equal(logOf(t, in), logOf(t, inputs[i])) {
			t.Errorf("row %d is %+v, want %+v", i, in, inputs[i])
		}
		i++
	})
	if i != len(inputs) {
		t.Errorf("%d rows, want %d", i, len(inputs))
	}
}

// TestCoreStartedAnew: a Mono that begins again must not stop an export.
func TestCoreStartedAnew(t *testing.T) {
	j := openTemp(t)
	first, second := sampleInput(0), sampleInput(1)
	third := sampleInput(30)
	third.Mono = time.Second
	must(t, j.Commit(t.Context(), Batch{Start: start("r1"), Inputs: logOf(t, first, second, third)}))
	lines := strings.Split(strings.TrimSpace(string(export(t, j, "csv"))), "\n")
	if len(lines) != 4 || !strings.HasPrefix(lines[3], "30,") { // 29 s later by the wall clock
		t.Errorf("%q", lines)
	}
}

func TestExportJSON(t *testing.T) {
	var got struct {
		Run struct {
			ID, Zone, Config string
			Start            time.Time
			Calibrations     []calibration.Record
			Summary          struct {
				Volume     float64 `json:"volume_l"`
				Milestones []engine.MilestoneRecord
			}
		}
		Events    []map[string]any
		Estimates []struct {
			T  float64
			Of map[string]Estimated
		}
		Columns []string
		Units   []string
		Rows    [][]any
	}
	must(t, json.Unmarshal(export(t, exampleRun(t), "json"), &got))
	if got.Run.ID != "r1" || got.Run.Summary.Volume != 512.5 || !got.Run.Start.Equal(morning) || got.Run.Config != "zones: []\n" {
		t.Errorf("run %+v", got.Run)
	}
	if c := got.Run.Calibrations; len(c) != 1 || c[0].ID != "before" {
		t.Errorf("in force at the start: %+v", c)
	}
	if m := got.Run.Summary.Milestones; len(m) != 1 || m[0].T != 2.5 { // 102.5 s of the core, of a run that began at 100
		t.Errorf("milestones %+v", m)
	}
	if len(got.Events) != len(someEvents()) || got.Events[1]["why"] != "main flow seen" || got.Events[2]["t"] != 2.5 {
		t.Errorf("events %+v", got.Events)
	}
	if e := got.Estimates; len(e) != 1 || e[0].T != 3 || *e[0].Of["header_kpa"].Value != 68.3 || e[0].Of["filter"].Word != "clean" || e[0].Of["rise_us_cm"].Value != nil {
		t.Errorf("estimates %+v", e)
	}
	at := func(row int, column string) any { return got.Rows[row][slices.Index(got.Columns, column)] }
	if len(got.Rows) != 7 || at(3, "header_kpa") != nil || at(4, "ec_box_us_cm") != 416.4 || at(0, "outside_air_c") != -3.25 || at(4, "event") != "injector_on" {
		t.Errorf("rows %v", got.Rows)
	}
	if len(got.Units) != len(got.Columns) || got.Units[slices.Index(got.Columns, "main_flow_lpm")] != "L/min" {
		t.Errorf("units %v", got.Units)
	}
}

func TestExportParquet(t *testing.T) {
	data := export(t, exampleRun(t), "parquet")
	type row struct {
		T      float64  `parquet:"time_s"`
		Time   *int64   `parquet:"time,optional,timestamp(microsecond)"`
		Header *float64 `parquet:"header_kpa,optional"`
		EC     *float64 `parquet:"ec_box_us_cm,optional"`
		Air    *float64 `parquet:"outside_air_c,optional"`
		Stock  *float64 `parquet:"stock_draw_lpm,optional"`
		Event  *string  `parquet:"event,optional"`
	}
	rows, err := parquet.Read[row](bytes.NewReader(data), int64(len(data)))
	must(t, err)
	if len(rows) != 7 {
		t.Fatalf("%d rows, want 7", len(rows))
	}
	if r := rows[4]; r.T != 4 || r.EC == nil || *r.EC != 416.4 || r.Event == nil || *r.Event != "injector_on" || r.Stock != nil ||
		r.Time == nil || *r.Time != morning.Add(4*time.Second).UnixMicro() || r.Air == nil || *r.Air != -3.25 {
		t.Errorf("row 4 is %+v", r)
	}
	if rows[3].Header != nil || rows[2].EC != nil || rows[5].Stock == nil || *rows[5].Stock != 0.242 {
		t.Errorf("rows %+v %+v %+v", rows[2], rows[3], rows[5])
	}
	f, err := parquet.OpenFile(bytes.NewReader(data), int64(len(data)))
	must(t, err)
	units, _ := f.Lookup("units")
	var byColumn map[string]string
	must(t, json.Unmarshal([]byte(units), &byColumn))
	if byColumn["ec_box_us_cm"] != "µS/cm" || byColumn["header_kpa"] != "kPa" || byColumn["time_s"] != "s" {
		t.Errorf("units %v", byColumn)
	}
	if run, _ := f.Lookup("run"); run != "r1" {
		t.Errorf("run %q", run)
	}
}

func TestExportHTML(t *testing.T) {
	page := string(export(t, exampleRun(t), "html"))
	for _, want := range []string{"<title>r1: east</title>", "512.5 L", "unknown", "lines full", "freeze-risk", "water 2.5 °C &lt;cold&gt;", "injector on",
		"refused: the advice has changed", "Ada", "0:00:02", "zones: []", "<svg", "Flush: unknown"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	// Self-contained: nothing is fetched from anywhere.
	if m := regexp.MustCompile(`(?i)(src|href)=|url\(|@import|<script|NaN|Inf\b`).FindString(page); m != "" {
		t.Errorf("the page has %q", m)
	}
}

// TestReportForAReader: 512.5 L are 135.4 US gallons, 19.6 L/min 5.178 gal/min and
// -3.25 °C 26.15 °F (NIST SP 811, appendix B).
func TestReportForAReader(t *testing.T) {
	var b bytes.Buffer
	back := func(*Account) Background {
		return Background{Zone: time.FixedZone("X", -5*3600), Lang: "es", Voice: say.Voice{Units: units.US, Messages: say.Messages{"Flow": "Caudal", "Began": "Comenzó"}}}
	}
	must(t, exampleRun(t).Export(t.Context(), &b, "r1", "html", back))
	page := b.String()
	for _, want := range []string{`lang="es"`, "135.4 gal", "Caudal, gal/min", "Comenzó", "5.178", "26.15", "2026-04-02 02:00:00 X"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
}

// The dose is in the report and, number by number, in the JSON.
func TestExportDose(t *testing.T) {
	dose := &engine.DoseView{
		Weighings: []engine.WeighingView{
			{Method: "stock drawn", Known: true, StockL: f64(1.5), StockStdL: f64(0.03), ProductG: f64(150), ProductStdG: f64(3.4)},
			{Method: "EC rise", Why: "the EC at the box was not read"},
		},
		Verdict: "nothing to compare", Text: "There are not two weighings to compare.",
		Best:      engine.WeighingView{Method: "mean of those that agree", Known: true, StockL: f64(1.5), StockStdL: f64(0.03)},
		Nutrients: &engine.GramsView{N: 19.5, K2O: 66}, Due: &engine.GramsView{N: 21.25},
		Delivered: engine.DeliveredView{Known: true, Pct: f64(92.5), PctStd: f64(0.2), Nutrients: &engine.GramsView{N: 18.04}},
		StopNow:   &engine.StopView{Undelivered: f64(7.5), Text: "The water was stopped early: all of row 1 got 30 % less.", Parts: []engine.PartView{{FromRow: 1, ToRow: 1, ToPct: 100, MissingPct: 30}}},
	}
	j := openTemp(t)
	must(t, j.Commit(t.Context(), Batch{Start: start("r1"), Events: []engine.Event{{T: 107, Kind: engine.SummaryEvent, Wall: morning, Sum: &engine.Summary{Flush: "incomplete", Dose: dose}}},
		End: &RunEnd{morning.Add(time.Minute), 107}}))
	page := string(export(t, j, "html"))
	for _, want := range []string{"1.5 L ± 0.03 L", "150 g ± 3.4 g", "the EC at the box was not read", "21.25", "18.04", "92.5 % ± 0.2 %", "all of row 1 got 30 % less"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	var got struct {
		Run struct {
			Summary engine.Summary `json:"summary"`
		} `json:"run"`
	}
	must(t, json.Unmarshal(export(t, j, "json"), &got))
	if d := got.Run.Summary.Dose; d == nil || d.Nutrients.N != 19.5 || *d.Delivered.Pct != 92.5 || d.StopNow.Parts[0].MissingPct != 30 || d.Weighings[1].Known {
		t.Errorf("read back %+v", d)
	}
}

func TestExportEmptyRun(t *testing.T) {
	j := openTemp(t)
	must(t, j.Commit(t.Context(), Batch{Start: start("r1")}))
	for _, format := range Formats() {
		if len(export(t, j, format)) == 0 {
			t.Errorf("%s: nothing", format)
		}
	}
	if page := string(export(t, j, "html")); !strings.Contains(page, "has not ended") {
		t.Error("the page does not say that the run has not ended")
	}
}

func TestExportRefuses(t *testing.T) {
	j := exampleRun(t)
	if err := j.Export(t.Context(), io.Discard, "r1", "xls", nil); !errors.Is(err, ErrFormat) {
		t.Errorf("error %v, want one about the format", err)
	}
	if err := j.Export(t.Context(), io.Discard, "r2", "csv", nil); !errors.Is(err, ErrNoRun) {
		t.Errorf("error %v, want no such run", err)
	}
	if err := j.Export(t.Context(), brokenWriter{}, "r1", "csv", nil); err == nil || !strings.Contains(err.Error(), "the pipe is gone") {
		t.Errorf("error %v", err)
	}
}

type brokenWriter struct{}

func (brokenWriter) Write([]byte) (int, error) { return 0, errors.New("the pipe is gone") }

func TestScaleHoldsItsValues(t *testing.T) {
	for _, c := range [][2]float64{{0, 0}, {5, 5}, {0, 288.5}, {-12, 3}, {0.001, 0.0042}, {1e9, 2e9}} {
		s := newScale(c[0], c[1])
		marks := (s.high - s.low) / s.step
		if s.low > min(c[0], 0) || s.high < c[1] || marks < 3 || marks > 12 || math.Abs(marks-math.Round(marks)) > 1e-9 {
			t.Errorf("%v: scale %+v with %v marks", c, s, marks)
		}
	}
}

// TestDurabilityIsSwitchedOn: WAL with synchronous FULL (2) is what makes a
// commit outlive a power loss (SQLite documentation, PRAGMA synchronous).
func TestDurabilityIsSwitchedOn(t *testing.T) {
	j := openTemp(t)
	for pragma, want := range map[string]string{"journal_mode": "wal", "synchronous": "2", "foreign_keys": "1"} {
		var got string
		must(t, j.writer.QueryRowContext(t.Context(), "PRAGMA "+pragma).Scan(&got))
		if got != want {
			t.Errorf("%s is %s, want %s", pragma, got, want)
		}
	}
}

func BenchmarkExportCSV(b *testing.B) {
	j := openTemp(b)
	var inputs []engine.Input
	for i := range 3600 {
		inputs = append(inputs, sampleInput(i))
	}
	must(b, j.Commit(b.Context(), Batch{Start: start("r1"), Inputs: logOf(b, inputs...)}))
	for b.Loop() {
		must(b, j.Export(b.Context(), io.Discard, "r1", "csv", nil))
	}
	b.ReportMetric(3600*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
}
