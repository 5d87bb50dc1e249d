package record

// The traces here are written by hand or by EPANET's generator; what the reader
// makes of them is checked against the standard library's encoding/csv and
// strconv, which share no code with it.

import (
	"bytes"
	"encoding/csv"
	"errors"
	"io"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"boxd/internal/box"
)

type kept struct {
	T       float64
	Samples []box.Sample
	Deeds   []box.Deed
}

func readAll(r io.Reader) ([]kept, error) {
	tr, err := NewTraceReader("t.csv", r)
	if err != nil {
		return nil, err
	}
	var rows []kept
	for {
		row, err := tr.Next()
		if errors.Is(err, io.EOF) {
			return rows, nil
		}
		if err != nil {
			return rows, err
		}
		rows = append(rows, kept{row.T, slices.Clone(row.Samples), slices.Clone(row.Deeds)})
	}
}

func TestTraceAgreesWithEncodingCSV(t *testing.T) {
	data, err := os.ReadFile("testdata/clean.csv")
	if err != nil {
		t.Fatal(err)
	}
	want, err := csv.NewReader(bytes.NewReader(data)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	got, err := readAll(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != len(want)-1 {
		t.Fatalf("%d rows, want %d", len(got), len(want)-1)
	}
	deeds := 0
	for i, row := range got {
		cells := map[string]string{}
		for j, name := range want[0] {
			cells[name] = want[i+1][j]
		}
		checkRow(t, i, row, cells)
		deeds += len(row.Deeds)
	}
	if deeds != 6 { // counted in the file by eye
		t.Errorf("%d deeds, want 6", deeds)
	}
}

func checkRow(t *testing.T, i int, row kept, cells map[string]string) {
	t.Helper()
	if x, _ := strconv.ParseFloat(cells["time_s"], 64); row.T != x {
		t.Fatalf("row %d: time %v, want %v", i, row.T, x)
	}
	n := 0
	for c := box.UnknownChannel + 1; c < box.NumChannels; c++ {
		text := cells[c.Info().Column]
		if text == "" {
			continue
		}
		x, _ := strconv.ParseFloat(text, 64)
		if s := row.Samples[n]; s.Channel != c || s.Value != x {
			t.Fatalf("row %d: sample %+v, want %v %v", i, s, c, x)
		}
		n++
	}
	if n != len(row.Samples) {
		t.Fatalf("row %d: %d samples, want %d", i, len(row.Samples), n)
	}
}

func TestTraceTolerates(t *testing.T) {
	want := []kept{
		{0, []box.Sample{{Channel: box.SupplyPressure, Value: 280.5}, {Channel: box.WaterTemp, Value: -1.5}}, []box.Deed{box.RunStart, box.MainOpen}},
		{1.5, []box.Sample{{Channel: box.WaterTemp, Value: 2e1}}, nil},
		{3, []box.Sample{{Channel: box.SupplyPressure, Value: 7}}, []box.Deed{box.MainClosed}},
	}
	cases := map[string]string{
		"plain":              "time_s,supply_kpa,water_c,event\n0,280.5,-1.5,run_start;main_open\n1.5,,2e1,\n3,7,,main_closed\n",
		"other order":        "event,water_c,time_s,supply_kpa\nrun_start;main_open,-1.5,0,280.5\n,2e1,1.5,\nmain_closed,,3,7\n",
		"mark, CRLF, no end": "\ufefftime_s,supply_kpa,water_c,event\r\n0,280.5,-1.5,run_start;main_open\r\n1.5,,2e1,\r\n3,7,,main_closed",
		"blanks":             "time_s , supply_kpa,water_c,event\n 0 ,280.5\t,-1.5, run_start ; main_open ;\n1.5, ,+20,\n\n3,7,,;main_closed\n",
		"quotes":             "\"time_s\",\"supply_kpa\",water_c,event\n\"0\",\"280.5\",-1.5,\"run_start;main_open\"\n1.5,\"\",20.0,\"\"\n3,7,,\"main_closed\"\n",
		"remarks":            "time_s,supply_kpa,water_c,event\n0,280.5,-1.5,\"run_start;main_open # a, \"\"b\"\"; loop_opened\nflush_done\"\n1.5,,20,#main_open\n3,7,,main_closed#x;y\n",
	}
	for name, text := range cases {
		got, err := readAll(strings.NewReader(text))
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if len(got) != len(want) {
			t.Errorf("%s: %d rows, want %d", name, len(got), len(want))
			continue
		}
		for i := range want {
			if got[i].T != want[i].T || !slices.Equal(got[i].Samples, want[i].Samples) || !slices.Equal(got[i].Deeds, want[i].Deeds) {
				t.Errorf("%s: row %d is %+v, want %+v", name, i, got[i], want[i])
			}
		}
	}
}

func TestTraceFaults(t *testing.T) {
	cases := []struct {
		name, text string
		want       []string // beginnings of the lines of the error
	}{
		{"empty", "", []string{"t.csv:1:1: the trace is empty"}},
		{"header", "time,supply_kpa,supply_kpa,\n", []string{
			"t.csv:1:1: column \"time\" is unknown", "t.csv:1:1: there is no column time_s",
			"t.csv:1:17: column \"supply_kpa\" is there twice", "t.csv:1:28: column \"\" is unknown"}},
		{"all at once", "time_s,supply_kpa,event\n0,1,\n1,x,\n1,NaN,jump\n2,Inf,\n,0x1p3,\n3,1e999,\n4,1\n", []string{
			"t.csv:3:3: supply_kpa \"x\" is not a number",
			"t.csv:4:1: time_s 1 does not come after 1",
			"t.csv:4:3: supply_kpa \"NaN\"", "t.csv:4:7: event word \"jump\" is unknown",
			"t.csv:5:3: supply_kpa \"Inf\"", "t.csv:6:1: time_s is empty", "t.csv:6:2: supply_kpa \"0x1p3\"",
			"t.csv:7:3: supply_kpa \"1e999\"", "t.csv:8:3: the row has 2 cells, the header 3"}},
		{"place after a remark of two lines", "time_s,event,water_c\n0,\"# a\nb\",y\n", []string{"t.csv:3:4: water_c \"y\""}},
		{"open quote", "time_s,event\n0,\"main_open\n1,\n", []string{"t.csv:2:3: a quoted cell is not closed"}},
		{"stray quote", "time_s,event\n0,main\"open\n", []string{"t.csv:2:7: there is a quote inside"}},
		{"text after a quote", "time_s,event\n0,\"main_open\" x\n", []string{"t.csv:2:14: there is text after"}},
		{"time too large", "time_s\n1e10\n", []string{"t.csv:2:1: time_s 1e+10 is beyond"}},
	}
	for _, c := range cases {
		_, err := readAll(strings.NewReader(c.text))
		var fs *Faults
		if !errors.As(err, &fs) {
			t.Errorf("%s: error %v, want faults", c.name, err)
			continue
		}
		lines := strings.Split(err.Error(), "\n")
		if len(lines) != len(c.want) {
			t.Errorf("%s: %d faults, want %d:\n%v", c.name, len(lines), len(c.want), err)
			continue
		}
		for i, w := range c.want {
			if !strings.HasPrefix(lines[i], w) {
				t.Errorf("%s: %q, want %q…", c.name, lines[i], w)
			}
		}
	}
}

func TestTraceFaultsAreBounded(t *testing.T) {
	text := "time_s,water_c\n"
	for i := range 3 * MaxFaults {
		text += strconv.Itoa(i) + ",warm\n"
	}
	err := CheckTrace("t.csv", strings.NewReader(text))
	var fs *Faults
	if !errors.As(err, &fs) || len(fs.List) != MaxFaults || !fs.More {
		t.Fatalf("want %d faults and more, got %v", MaxFaults, err)
	}
	if fs.List[MaxFaults-1].Line != MaxFaults+1 {
		t.Errorf("the last fault is at line %d", fs.List[MaxFaults-1].Line)
	}
}

func TestTraceRefusesEndlessRow(t *testing.T) {
	endless := io.MultiReader(strings.NewReader("time_s,event\n0,\"#"), &repeat{'x', 8 << 20})
	if err := CheckTrace("t.csv", endless); err == nil || !strings.Contains(err.Error(), "longer than") {
		t.Errorf("error %v, want one about a long row", err)
	}
}

// repeat gives n times the byte b.
type repeat struct {
	b byte
	n int
}

func (r *repeat) Read(p []byte) (int, error) {
	if r.n == 0 {
		return 0, io.EOF
	}
	n := min(len(p), r.n)
	for i := range n {
		p[i] = r.b
	}
	r.n -= n
	return n, nil
}

type brokenReader struct{}

func (brokenReader) Read([]byte) (int, error) { return 0, errors.New("the disk is gone") }

func TestTraceTellsReadErrors(t *testing.T) {
	_, err := readAll(io.MultiReader(strings.NewReader("time_s\n1\n"), brokenReader{}))
	if err == nil || !strings.Contains(err.Error(), "cannot read trace t.csv: the disk is gone") {
		t.Errorf("error %v", err)
	}
}

func TestRowInput(t *testing.T) {
	row := Row{T: 12.25, Samples: []box.Sample{{Channel: box.MainFlow, Value: 3}}, Deeds: []box.Deed{box.StockIn}}
	in := row.Input(true)
	if in.Mono != 12*time.Second+250*time.Millisecond || len(in.Samples) != 1 {
		t.Errorf("input %+v", in)
	}
	if want := (box.Action{Kind: box.Report, Deed: box.StockIn}); len(in.Actions) != 1 || in.Actions[0] != want {
		t.Errorf("actions %+v, want %+v", in.Actions, want)
	}
	if in := row.Input(false); in.Actions != nil {
		t.Errorf("without the person: %+v", in.Actions)
	}
}

// FuzzParseNumber holds the short way against strconv.
func FuzzParseNumber(f *testing.F) {
	for _, s := range []string{"0", "-0", "0.1", "-17.25", "999999999999999", "9999999999999999", "1e-300", ".5", "5.", ".", "+3", "1.2.3", "000000000000000000000000.1", "1e", "--1"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got, ok := parseNumber([]byte(s))
		want, err := strconv.ParseFloat(s, 64)
		if strings.ContainsAny(s, "xXpPiInN_") {
			err = strconv.ErrSyntax // words and hexadecimal are refused
		}
		if ok != (err == nil) {
			t.Fatalf("%q: ok %v, strconv says %v", s, ok, err)
		}
		if ok && math.Float64bits(got) != math.Float64bits(want) {
			t.Fatalf("%q: %v, strconv says %v", s, got, want)
		}
		tr, err := NewTraceReader("t.csv", strings.NewReader("time_s,supply_kpa\n"))
		if err != nil {
			t.Fatal(err)
		}
		tr.t.raw = []byte("0," + s)
		if row := &tr.row; tr.bare() && len(row.Samples) > 0 && (!ok || math.Float64bits(row.Samples[0].Value) != math.Float64bits(got)) {
			t.Fatalf("%q: %v in a bare row, %v elsewhere", s, row.Samples[0].Value, got)
		}
	})
}

// FuzzTrace reads anything; what encoding/csv refuses must be refused too.
func FuzzTrace(f *testing.F) {
	f.Add([]byte("time_s,supply_kpa,event\n0,1.5,run_start;main_open # x\n1,,\n"))
	f.Add([]byte("\ufefftime_s,event\r\n0,\"main_open # \"\"a\"\"\nb\"\r\n"))
	f.Add([]byte("time_s\n\"1\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		rows, err := readAll(bytes.NewReader(data))
		if err != nil {
			return
		}
		std := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(data, []byte("\ufeff"))))
		want, stdErr := std.ReadAll()
		if stdErr != nil {
			t.Fatalf("accepted what encoding/csv refuses: %v", stdErr)
		}
		if len(rows) != len(want)-1 {
			t.Fatalf("%d rows, encoding/csv finds %d", len(rows), len(want)-1)
		}
		for i := 1; i < len(rows); i++ {
			if !(rows[i].T > rows[i-1].T) {
				t.Fatalf("time stands still at row %d", i)
			}
		}
	})
}

func BenchmarkTraceReader(b *testing.B) {
	data := syntheticTrace(20000)
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	rows := 0
	for b.Loop() {
		tr, err := NewTraceReader("t.csv", bytes.NewReader(data))
		if err != nil {
			b.Fatal(err)
		}
		for {
			if _, err = tr.Next(); err != nil {
				break
			}
			rows++
		}
		if !errors.Is(err, io.EOF) {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(rows)/b.Elapsed().Seconds(), "rows/s")
}

// syntheticTrace repeats one ordinary row with a running clock.
func syntheticTrace(n int) []byte {
	var b bytes.Buffer
	b.WriteString("time_s,supply_kpa,filter_out_kpa,injector_in_kpa,injector_out_kpa,header_kpa,main_flow_lpm,injector_flow_lpm,stock_draw_lpm,ec_box_us_cm,ec_end_us_cm,water_c,box_air_c,event\n")
	for i := range n {
		b.WriteString(strconv.Itoa(i))
		b.WriteString(",288.5,280.3,270.8,231.2,68.3,19.60,12.11,0.242,1416,424,17.00,20.9,\n")
	}
	return b.Bytes()
}
