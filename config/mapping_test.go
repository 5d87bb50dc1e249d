package config

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"boxd/internal/record"
)

const loggerMap = `
separator: semicolon
decimal: comma
skip: 2
time: {columns: [Fecha, Hora], format: DD/MM/YYYY hh:mm:ss, zone: Europe/Madrid}
columns:
  header_kpa: {column: Presión cabezal, unit: psi}
  main_flow_lpm: {column: Caudal, unit: gal/min}
  ec_box_us_cm: {column: CE, unit: mS/cm}
  water_c: {column: T, unit: °F}
missing: ["---", "-999"]
event: {column: Nota, words: {riego abierto: main_open, "inyector en marcha": injector_on}}
`

// The numbers on the right: 1 psi is 6.894757 kPa and 1 US gallon 3.785412 L
// (NIST SP 811, appendix B); 68 °F are 20 °C, 32 °F are 0 °C.
func TestImportOfALogger(t *testing.T) {
	m, err := ParseMapping("map.yaml", []byte(loggerMap))
	if err != nil {
		t.Fatal(err)
	}
	const csv = "Logger 7;;;;;;\n\nFecha;Hora;CE;Presión cabezal;Caudal;T;Nota\n" +
		"25/10/2026;02:59:58;0,42;10,0;---;68;\n25/10/2026;02:59:59,5;1,5;-999;2;32;riego abierto\n25/10/2026;03:00:00;;;;;\n"
	var out bytes.Buffer
	rows, err := record.Import(m, "l.csv", strings.NewReader(csv), &out)
	if err != nil || rows != 3 {
		t.Fatalf("%d rows, %v", rows, err)
	}
	const want = "time_s,header_kpa,main_flow_lpm,ec_box_us_cm,water_c,event\n0,68.94757,,420,20,\n1.5,,7.57082,1500,0,main_open\n2,,,,,\n"
	if got := rounded(t, out.String()); got != want {
		t.Errorf("got\n%s, want\n%s", got, want)
	}
}

// rounded cuts numbers at five decimals, for what conversion leaves in the last bit.
func rounded(t *testing.T, csv string) string {
	t.Helper()
	var lines []string
	for line := range strings.Lines(csv) {
		cells := strings.Split(strings.TrimSuffix(line, "\n"), ",")
		for i, c := range cells {
			if whole, part, ok := strings.Cut(c, "."); ok && len(part) > 5 {
				cells[i] = whole + "." + part[:5]
			}
		}
		lines = append(lines, strings.Join(cells, ","))
	}
	return strings.Join(lines, "\n") + "\n"
}

func TestImportTellsAllFaults(t *testing.T) {
	m, err := ParseMapping("map.yaml", []byte(loggerMap))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ csv, want string }{
		{"x\nx\nFecha;Hora;CE;Presion;Caudal;T;Nota\n", `l.csv:3:1: there is no column "Presión cabezal": there are "Fecha", "Hora", "CE", "Presion", "Caudal", "T", "Nota"`},
		{"x\nx\nFecha;Hora;CE;Presión cabezal;Caudal;T;Nota\n25/10/2026;03:00:00;0,4;ten;;;\n25/10/2026;3 pm;;;;;\n25/10/2026;02:59:00;;;;;riego\n25/10/2026;03:00:01;;\n",
			`l.csv:4:25: header_kpa "ten" is not a number: name it under missing where it stands for no value
l.csv:5:1: the time "25/10/2026 3 pm" is not written as the mapping says
l.csv:6:1: the row's time does not come after that of the row before (-60 s after it): rows go forward in time
l.csv:6:25: event "riego" is not among the words of the mapping
l.csv:7:22: the row has 4 cells, the header 7`},
		{"x\n", "cannot import l.csv: it ends within the 2 lines to skip"},
		{"x\nx\n", "l.csv:1:1: the file has no header"},
		{"x\nx\nFecha;Hora;CE;Presión cabezal;Caudal;T;Nota\n", "cannot import l.csv: there is no row below its header"},
	} {
		var out bytes.Buffer
		if _, err := record.Import(m, "l.csv", strings.NewReader(c.csv), &out); err == nil || err.Error() != c.want {
			t.Errorf("got\n%v\nwant\n%s", err, c.want)
		}
	}
	bad := "x\nx\nFecha;Hora;CE;Presión cabezal;Caudal;T;Nota\n" + strings.Repeat("never\n", 80)
	if _, err := record.Import(m, "l.csv", strings.NewReader(bad), new(bytes.Buffer)); err == nil || !strings.HasSuffix(err.Error(), "stopped after 50 faults; there may be more") {
		t.Errorf("error %v", err)
	}
}

func TestBadMapping(t *testing.T) {
	const text = `separator: pipe
time: {column: T, columns: [D, H], format: some day}
columns:
  header_kpa: {column: H, unit: gal/min}
  ec_box_us_cm: {unit: mS/cm}
  head: {}
skip: -1
event: {column: N, words: {on: valve_opened}}
more: 1
`
	const want = `m.yaml:1:12: separator "pipe" is not a word boxd knows here; write one of comma, semicolon, tab
m.yaml:2:7: time needs column or columns; write column: Time, or columns: [Date, Hour]
m.yaml:2:44: time.format "some day" is no format of time; write seconds, milliseconds, or a pattern such as YYYY-MM-DD hh:mm:ss, DD/MM/YYYY hh:mm, MM/DD/YY hh:mm:ss AM
`
	_, err := ParseMapping("m.yaml", []byte(text))
	if err == nil {
		t.Fatal("taken")
	}
	if got := err.Error(); !strings.HasPrefix(got, want) {
		t.Errorf("got\n%s", got)
	}
	for _, part := range []string{"m.yaml:4:33: columns.header_kpa.unit ", "m.yaml:5:17: columns.ec_box_us_cm.column is missing", "m.yaml:6:3: columns.head is not a key boxd knows",
		"m.yaml:7:7: skip is -1", `m.yaml:8:32: event.words.on "valve_opened" is no event of a trace`, "m.yaml:9:1: more is not a key boxd knows"} {
		if !strings.Contains(err.Error(), part) {
			t.Errorf("%q is not among\n%v", part, err)
		}
	}
	if _, err := ParseMapping("m.yaml", []byte("skip: 1\n")); err == nil || !strings.Contains(err.Error(), "time is missing") || !strings.Contains(err.Error(), "columns is missing") {
		t.Errorf("error %v", err)
	}
}

func TestLayouts(t *testing.T) {
	for pattern, text := range map[string]string{"YYYY-MM-DD hh:mm:ss": "2026-04-02 15:06:07", "DD.MM.YY hh:mm": "02.04.26 15:06", "MM/DD/YYYY hh:mm:ss AM": "04/02/2026 03:06:07 PM", "YYYY-MM-DDThh:mm:ss": "2026-04-02T15:06:07"} {
		layout, ok := layoutOf(pattern)
		at, err := time.Parse(layout, text)
		if want := time.Date(2026, 4, 2, 15, 6, at.Second(), 0, time.UTC); !ok || err != nil || !at.Equal(want) {
			t.Errorf("%s of %q is %v %v", text, pattern, at, err)
		}
	}
	for _, bad := range []string{"", "YYYY", "hh:mm", "YYYY-MM-DD hh:mm:ss zone", "YYYY-MM-DD DD hh:mm"} {
		if layout, ok := layoutOf(bad); ok {
			t.Errorf("%q is taken as %q", bad, layout)
		}
	}
}
