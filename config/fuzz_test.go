package config

import (
	"bytes"
	"os"
	"strings"
	"testing"

	"boxd/internal/record"
)

// FuzzMapping: any mapping and any logger's file give a trace that can be read
// again, or faults.
func FuzzMapping(f *testing.F) {
	f.Add("time: {column: t, format: seconds}\ncolumns:\n  header_kpa: {column: h, unit: psi}\n", "t,h\n0,10\n1,11\n")
	f.Add("separator: semicolon\ndecimal: comma\ntime: {columns: [Date, Hour], format: \"DD/MM/YYYY hh:mm:ss\"}\ncolumns:\n  ec_box_us_cm: {column: EC, unit: mS/cm}\n",
		"Date;Hour;EC\n01/02/2026;10:00:00;1,4\n")
	if b, err := os.ReadFile("testdata/mapping.yaml"); err == nil {
		f.Add(string(b), "")
	}
	f.Fuzz(func(t *testing.T, mapping, file string) {
		m, err := ParseMapping("m.yaml", []byte(mapping))
		if err != nil {
			return
		}
		var out bytes.Buffer
		rows, err := record.Import(m, "f.csv", strings.NewReader(file), &out)
		if err != nil || rows == 0 {
			return
		}
		rd, err := record.NewTraceReader("out.csv", &out)
		for err == nil {
			_, err = rd.Next()
		}
		if err.Error() != "EOF" {
			t.Fatalf("%q of %q gives a trace that can't be read: %v", file, mapping, err)
		}
	})
}
