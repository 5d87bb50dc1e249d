package record

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// shown is samples in short: "=" and the value, or the fault's first words.
func shown(l *LiveReader) (string, error) {
	samples, err := l.Next()
	var b strings.Builder
	for _, s := range samples {
		switch {
		case s.Fault == "":
			fmt.Fprintf(&b, "%s=%g ", s.Channel.Info().Column, s.Value)
		case s.Fault == noNumber:
			fmt.Fprintf(&b, "%s:number ", s.Channel.Info().Column)
		case s.Fault == noRow:
			fmt.Fprintf(&b, "%s:row ", s.Channel.Info().Column)
		}
	}
	return strings.TrimSpace(b.String()), err
}

// Each row of a logger stands alone: what can be read of it counts, the rest is a
// fault of its channels, with its place, and the next row is as if nothing had been.
func TestLiveRowsStandAlone(t *testing.T) {
	const both = "supply_kpa:row header_kpa:row"
	for _, c := range []struct{ row, samples, wrong string }{
		{"1,280,69", "supply_kpa=280 header_kpa=69", ""},
		{"2,lots,69", "header_kpa=69 supply_kpa:number", `live:3:3: supply_kpa "lots" is not a number`},
		{"3,,6..9", "header_kpa:number", `live:3:4: header_kpa "6..9" is not a number`},
		{"4,\x00\xff,69", "header_kpa=69 supply_kpa:number", "live:3:3: supply_kpa"},
		{"5,280", both, "live:3:3: the row has 2 cells, the header 3"},
		{"5,280,69,1", both, "live:3:7: the row has 4 cells, the header 3"},
		{`6,"280,69`, both, "live:3:3: a quoted cell is not closed"},
		{`6,2"80,69`, both, "live:3:4: there is a quote inside a cell"},
		{",280,69", "supply_kpa=280 header_kpa=69", "live:3:1: time_s is empty"},
		{"soon,280,69", "supply_kpa=280 header_kpa=69", `live:3:1: time_s "soon" is not a number`},
		{"-7,280,69", "supply_kpa=280 header_kpa=69", ""}, // its clock was set
		{"8,,", "", ""},
	} {
		l, err := NewLiveReader("live", strings.NewReader("time_s,supply_kpa,header_kpa\n0,1,2\n"+c.row+"\n9,281,70\n"))
		if err != nil {
			t.Fatal(err)
		}
		if got, err := shown(l); got != "supply_kpa=1 header_kpa=2" || err != nil {
			t.Errorf("before %q: %q, %v", c.row, got, err)
		}
		got, err := shown(l)
		var wrong *Faults
		if got != c.samples || c.wrong == "" && err != nil || c.wrong != "" && (!errors.As(err, &wrong) || !strings.Contains(err.Error(), c.wrong)) {
			t.Errorf("%q: %q, %v; want %q, %q", c.row, got, err, c.samples, c.wrong)
		}
		if got, err := shown(l); got != "supply_kpa=281 header_kpa=70" || err != nil {
			t.Errorf("after %q: %q, %v", c.row, got, err)
		}
		if got, err := shown(l); got != "" || !errors.Is(err, io.EOF) {
			t.Errorf("at the end: %q, %v", got, err)
		}
	}
}

// A logger that is started anew sends its header again, and may send another one.
func TestLoggerBeginsAnew(t *testing.T) {
	l, err := NewLiveReader("live", strings.NewReader("time_s,supply_kpa\n100,280\ntime_s,supply_kpa\n0,281\nheader_kpa,event,time_s,supply_kpa\n69,,1,282\n69,2,283\nsupply_kpa,time_s,pressure\n1,2,3\n"))
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"supply_kpa=280", "", "supply_kpa=281", "", "supply_kpa=282 header_kpa=69"} {
		if got, err := shown(l); got != want || err != nil {
			t.Errorf("%q, %v; want %q", got, err, want)
		}
	}
	var wrong *Faults
	if got, err := shown(l); got != "supply_kpa:row header_kpa:row" || !errors.As(err, &wrong) {
		t.Errorf("a row of the columns before: %q, %v", got, err)
	}
	if _, err := l.Next(); err == nil || errors.As(err, &wrong) || !strings.Contains(err.Error(), `live:8:19: column "pressure" is unknown`) {
		t.Errorf("a header that is wrong: %v", err)
	}
	if _, err := NewLiveReader("live", strings.NewReader("supply_kpa\n1\n")); !errors.As(err, &wrong) {
		t.Errorf("no time: %v", err)
	}
}

// Whatever comes down the line, a good row after it is read as it stands.
func TestLiveReaderGoesOn(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		noise := strings.NewReplacer("\n", "", "time_s", "").Replace(rapid.StringOf(rapid.SampledFrom([]rune("0123456789.,;-e\"\r #\xffxtime_s"))).Draw(t, "noise"))
		l, err := NewLiveReader("live", strings.NewReader("time_s,supply_kpa\n0,280\n"+noise+"\n1,281\n"))
		if err != nil {
			t.Fatal(err)
		}
		last := ""
		for {
			got, err := shown(l)
			var wrong *Faults
			if err != nil && !errors.As(err, &wrong) {
				if !errors.Is(err, io.EOF) {
					t.Fatal(err)
				}
				break
			}
			last = got
		}
		if last != "supply_kpa=281" {
			t.Fatalf("after %q: %q", noise, last)
		}
	})
}
