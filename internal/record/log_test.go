package record

// The log is held to one thing: what goes in comes out, bit for bit, or an
// error says so. CRC-32C is checked against the check value of RFC 3720 B.4.

import (
	"bytes"
	"errors"
	"io"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/units"
)

func TestChecksum(t *testing.T) {
	// RFC 3720 appendix B.4: 32 bytes of zeros give aa 36 91 8a on the wire,
	// low byte first.
	if got := checksum(make([]byte, 32)); got != 0x8a9136aa {
		t.Errorf("CRC-32C of 32 zeros is %#x", got)
	}
}

// TestFrozenRecord keeps version 1 readable: these bytes were written once and
// are never rewritten.
func TestFrozenRecord(t *testing.T) {
	in := engine.Input{Mono: 1500 * time.Millisecond, Wall: time.Date(2026, 4, 2, 7, 30, 0, 5, time.FixedZone("", -18000)),
		Samples: []box.Sample{{Channel: box.SupplyPressure, Value: 288.5}, {Channel: box.BoxEC, Fault: "no answer", Cause: box.Failure}},
		Actions: []box.Action{{ID: "a1", Kind: box.Confirm, Advice: 300, Deed: box.InjectorOn, By: "Ada", Note: "ok"}}}
	const frozen = "\x01=\x00\x00\x00\x80\xbc\xc1\x96\v\x01\x90\x85\xf3\x9c\r\x05\x9f\x99\x02\x02\x01\x00\x00\x00\x00\x00\br@\x89\x00\x00\x00\x00\x00\x00\x00\x00\x01\tno answer\x01\x01\x04\xac\x02\x02a1\x00\x03Ada\x02ok\xed\xe2\xed\x95"
	got, err := AppendInput(nil, &in)
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != frozen {
		t.Errorf("version 1 is written as\n%q, want\n%q", got, frozen)
	}
	var back engine.Input
	if _, err := ReadInput([]byte(frozen), &back); err != nil || !sameInput(&in, &back) {
		t.Errorf("read %+v, %v", back, err)
	}
}

// sameInput compares floats by their bits and times by instant and offset.
func sameInput(a, b *engine.Input) bool {
	if a.Mono != b.Mono || len(a.Samples) != len(b.Samples) || len(a.Actions) != len(b.Actions) {
		return false
	}
	for i, x := range a.Actions {
		y := b.Actions[i]
		if !sameTime(x.Forecast.At, y.Forecast.At) || math.Float64bits(float64(x.Forecast.Low)) != math.Float64bits(float64(y.Forecast.Low)) {
			return false
		}
		if x.Forecast, y.Forecast = (box.Forecast{}), (box.Forecast{}); x != y {
			return false
		}
	}
	for i, s := range a.Samples {
		r := b.Samples[i]
		if math.Float64bits(s.Value) != math.Float64bits(r.Value) || s.Channel != r.Channel || s.Fault != r.Fault || s.Cause != r.Cause {
			return false
		}
	}
	return sameTime(a.Wall, b.Wall) && a.Archive == b.Archive && a.Link == b.Link
}

// sameTime: the instant and the zone's offset; zones themselves are pointers.
func sameTime(a, b time.Time) bool {
	_, offA := a.Zone()
	_, offB := b.Zone()
	return a.Equal(b) && offA == offB
}

func anyInput() *rapid.Generator[engine.Input] {
	word := rapid.StringN(0, 12, 40)
	sample := rapid.Custom(func(t *rapid.T) box.Sample {
		return box.Sample{Channel: box.Channel(rapid.IntRange(0, 127).Draw(t, "channel")),
			Value: math.Float64frombits(rapid.Uint64().Draw(t, "bits")), Fault: rapid.OneOf(rapid.Just(""), word).Draw(t, "fault"),
			Cause: box.Cause(rapid.IntRange(0, 4).Draw(t, "cause"))}
	})
	action := rapid.Custom(func(t *rapid.T) box.Action {
		a := box.Action{ID: word.Draw(t, "id"), Kind: box.ActionKind(rapid.Byte().Draw(t, "kind")), Advice: rapid.Uint64().Draw(t, "advice"),
			Deed: box.Deed(rapid.Byte().Draw(t, "deed")), Alarm: word.Draw(t, "alarm"), By: word.Draw(t, "by"), Note: word.Draw(t, "note")}
		if a.Kind == box.Post {
			a.Forecast = box.Forecast{Low: units.Celsius(rapid.Float64().Draw(t, "low")), At: time.Unix(rapid.Int64Range(-1e10, 1e11).Draw(t, "at"), 0).UTC()}
		}
		if a.Kind == box.Shelve {
			a.For = time.Duration(rapid.Int64().Draw(t, "for"))
		}
		return a
	})
	return rapid.Custom(func(t *rapid.T) engine.Input {
		in := engine.Input{Mono: time.Duration(rapid.Int64().Draw(t, "mono")),
			Samples: rapid.SliceOfN(sample, 0, 20).Draw(t, "samples"), Actions: rapid.SliceOfN(action, 0, 4).Draw(t, "actions")}
		if rapid.Bool().Draw(t, "clock") {
			zone := time.FixedZone("", 900*rapid.IntRange(-56, 56).Draw(t, "zone"))
			in.Wall = time.Unix(rapid.Int64Range(-1e10, 1e11).Draw(t, "wall"), rapid.Int64Range(0, 999999999).Draw(t, "nanos")).In(zone)
		}
		if rapid.Bool().Draw(t, "watched") {
			in.Archive = box.Surrounding{Health: box.Failing, Why: word.Draw(t, "archive")}
			in.Link = box.Surrounding{Health: box.Health(rapid.IntRange(0, 2).Draw(t, "link")), To: box.Far(rapid.IntRange(0, 3).Draw(t, "to"))}
		}
		return in
	})
}

// TestForecastInTheLog: what only a posted forecast has stands behind its note,
// so that words of other kinds are written as they always were.
func TestForecastInTheLog(t *testing.T) {
	want := box.Action{ID: "f", Kind: box.Post, By: "station", Forecast: box.Forecast{Low: -3.5, At: time.Date(2026, 11, 26, 6, 0, 0, 0, time.UTC)}}
	in := engine.Input{Actions: []box.Action{want, {ID: "b", Kind: box.Override, Alarm: "flow-unknown", By: "Ada", Note: "bucket"}}}
	log, err := AppendInput(nil, &in)
	if err != nil {
		t.Fatal(err)
	}
	var back engine.Input
	if _, err := ReadInput(log, &back); err != nil || len(back.Actions) != 2 || back.Actions[0] != want || back.Actions[1] != in.Actions[1] {
		t.Errorf("read back as %+v, %v", back.Actions, err)
	}
}

// TestOldLog: a turn in which nobody told of archive and link is written as it
// always was, byte for byte, and what is written since then says so.
func TestOldLog(t *testing.T) {
	in := engine.Input{Mono: time.Second, Actions: []box.Action{{ID: "a", Kind: box.Reset, Alarm: "x", By: "Ada", Note: "n"}}}
	const old = "\x01\x15\x00\x00\x00" + "\x80\xa8\xd6\xb9\x07" + "\x00" + "\x00" + "\x01" + "\x04\x00\x00" + "\x01a" + "\x01x" + "\x03Ada" + "\x01n"
	log, err := AppendInput(nil, &in)
	if err != nil || string(log[:len(log)-sumSize]) != old {
		t.Errorf("%q, %v", log, err)
	}
	in.Archive.Health = box.Well
	log, _ = AppendInput(nil, &in)
	back := engine.Input{Link: box.Surrounding{Health: box.Failing}}
	if _, err := ReadInput(log, &back); err != nil || log[0] != 2 || back.Archive != in.Archive || back.Link != in.Link {
		t.Errorf("version %d, %+v, %v", log[0], back, err)
	}
	in.Link = box.Surrounding{Health: box.Failing, Why: "refused", To: box.Database}
	log, _ = AppendInput(nil, &in)
	if _, err := ReadInput(log, &back); err != nil || log[0] != 3 || back.Link != in.Link {
		t.Errorf("version %d, %+v, %v", log[0], back, err)
	}
	log[0] = 4
	if _, err := ReadInput(log, &back); !errors.Is(err, ErrVersion) {
		t.Errorf("a later version: %v", err)
	}
}

func TestLogRoundTripAndTornTail(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		inputs := rapid.SliceOfN(anyInput(), 1, 5).Draw(t, "inputs")
		var log []byte
		var ends []int
		for i := range inputs {
			var err error
			if log, err = AppendInput(log, &inputs[i]); err != nil {
				t.Fatal(err)
			}
			ends = append(ends, len(log))
		}
		cut := rapid.IntRange(0, len(log)).Draw(t, "cut")
		tail := log[:cut:cut]
		if rapid.Bool().Draw(t, "zeros") {
			tail = append(tail, make([]byte, rapid.IntRange(0, 300).Draw(t, "n"))...)
		}
		whole := 0
		for whole < len(ends) && bytes.HasPrefix(tail, log[:ends[whole]]) {
			whole++
		}
		l := NewLogReader(bytes.NewReader(tail))
		for i := range whole {
			var in engine.Input
			if err := l.Next(&in); err != nil {
				t.Fatalf("record %d: %v", i, err)
			}
			if !sameInput(&in, &inputs[i]) {
				t.Fatalf("record %d: %+v, want %+v", i, in, inputs[i])
			}
		}
		checkEnd(t, l, whole > 0 && ends[whole-1] == len(tail) || len(tail) == 0)
	})
}

func checkEnd(t *rapid.T, l *LogReader, clean bool) {
	var in engine.Input
	err := l.Next(&in)
	if !errors.Is(err, io.EOF) || l.Torn() == clean {
		t.Fatalf("the log ends with %v, torn %v; whole is %v", err, l.Torn(), clean)
	}
}

// TestLogSeesEveryFlippedBit: CRC-32C finds any single bit error (Castagnoli 1993).
func TestLogSeesEveryFlippedBit(t *testing.T) {
	in := engine.Input{Mono: 7, Samples: []box.Sample{{Channel: box.MainFlow, Value: 19.6}}}
	log, _ := AppendInput(nil, &in)
	one := len(log)
	log, _ = AppendInput(log, &in)
	for bit := range 8 * one {
		bent := bytes.Clone(log)
		bent[bit/8] ^= 1 << (bit % 8)
		var got engine.Input
		if _, err := ReadInput(bent, &got); err == nil {
			t.Errorf("bit %d flipped and not seen", bit)
		}
	}
}

func TestLogDamageInTheMiddle(t *testing.T) {
	in := engine.Input{Mono: 7, Samples: []box.Sample{{Channel: box.MainFlow, Value: 19.6}}}
	log, _ := AppendInput(nil, &in)
	one := len(log)
	log, _ = AppendInput(log, &in)
	log, _ = AppendInput(log, &in)
	log[one+headSize+1] ^= 1
	l := NewLogReader(bytes.NewReader(log))
	if err := l.Next(&in); err != nil {
		t.Fatal(err)
	}
	if err := l.Next(&in); !errors.Is(err, ErrDamaged) {
		t.Errorf("error %v, want damaged", err)
	}
}

func TestLogNewerVersion(t *testing.T) {
	var in engine.Input
	if _, err := ReadInput([]byte{withFar + 1, 0, 0, 0, 0}, &in); !errors.Is(err, ErrVersion) {
		t.Errorf("error %v, want one about the version", err)
	}
}

func TestLogRefusesWhatDoesNotFit(t *testing.T) {
	in := engine.Input{Actions: []box.Action{{Note: strings.Repeat("x", maxPayload)}}}
	if b, err := AppendInput([]byte("abc"), &in); !errors.Is(err, ErrTooLong) || string(b) != "abc" {
		t.Errorf("%d bytes, error %v", len(b), err)
	}
}

// FuzzLog reads anything; what it accepts must read the same again once written.
func FuzzLog(f *testing.F) {
	in := engine.Input{Mono: 7, Wall: time.Unix(1e9, 0).UTC(), Samples: []box.Sample{{Channel: box.MainFlow, Value: 19.6}, {Channel: box.EndEC, Fault: "x"}},
		Actions: []box.Action{{ID: "a", Kind: box.Report, Deed: box.StockIn}}}
	log, _ := AppendInput(nil, &in)
	f.Add(log[headSize : len(log)-sumSize])
	f.Fuzz(func(t *testing.T, payload []byte) {
		d := decoder{b: payload}
		var first, second engine.Input
		if d.input(&first, withAround); d.bad { // what is there of both versions
			return
		}
		again, err := AppendInput(nil, &first)
		if err != nil {
			return
		}
		if _, err := ReadInput(again, &second); err != nil || !sameInput(&first, &second) {
			t.Fatalf("%+v became %+v, %v", first, second, err)
		}
		_ = NewLogReader(bytes.NewReader(payload)).Next(&first) // must not crash
	})
}

func TestTraceWriterRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var out bytes.Buffer
		tw, err := NewTraceWriter(&out, TraceColumns())
		if err != nil {
			t.Fatal(err)
		}
		var rows []kept
		at := 0.0
		for range rapid.IntRange(0, 5).Draw(t, "rows") {
			at += rapid.Float64Range(1e-3, 1e5).Draw(t, "step")
			row := kept{T: at}
			for c := box.SupplyPressure; c <= box.BoxAirTemp; c++ {
				if rapid.Bool().Draw(t, "there") {
					row.Samples = append(row.Samples, box.Sample{Channel: c, Value: rapid.Float64().Draw(t, "value")})
				}
			}
			for range rapid.IntRange(0, 2).Draw(t, "deeds") {
				row.Deeds = append(row.Deeds, box.Deed(rapid.IntRange(1, int(box.RunEnd)).Draw(t, "deed")))
			}
			rows = append(rows, row)
			if err := tw.Write(Row(row)); err != nil {
				t.Fatal(err)
			}
		}
		if err := tw.Flush(); err != nil {
			t.Fatal(err)
		}
		got, err := readAll(&out)
		if err != nil {
			t.Fatal(err)
		}
		same := func(a, b kept) bool {
			return a.T == b.T && slices.Equal(a.Samples, b.Samples) && slices.Equal(a.Deeds, b.Deeds)
		}
		if !slices.EqualFunc(got, rows, same) {
			t.Fatalf("%+v, want %+v", got, rows)
		}
	})
}

func TestTraceWriterLeavesGaps(t *testing.T) {
	var out bytes.Buffer
	has := [box.NumChannels]bool{box.HeaderPressure: true, box.BoxEC: true}
	tw, _ := NewTraceWriter(&out, has)
	samples := []box.Sample{{Channel: box.HeaderPressure, Value: 1}, {Channel: box.HeaderPressure, Value: 68.25}, {Channel: box.HeaderPressure, Fault: "late"}, {Channel: box.BoxEC, Value: math.NaN()}}
	if err := tw.Write(Row{T: 0.5, Samples: samples, Deeds: []box.Deed{box.MainOpen, box.StockIn}}); err != nil {
		t.Fatal(err)
	}
	if err := tw.Write(Row{T: 0.5}); err == nil {
		t.Error("a time that stands still is accepted")
	}
	_ = tw.Flush()
	if want := "time_s,header_kpa,ec_box_us_cm,event\n0.5,68.25,,main_open;stock_in\n"; out.String() != want {
		t.Errorf("%q, want %q", out.String(), want)
	}
}

func BenchmarkAppendInput(b *testing.B) {
	tr, _ := NewTraceReader("t.csv", bytes.NewReader(syntheticTrace(1)))
	row, _ := tr.Next()
	in := row.Input(false)
	var buf []byte
	b.ReportAllocs()
	for b.Loop() {
		buf, _ = AppendInput(buf[:0], &in)
	}
	b.ReportMetric(float64(len(buf)), "bytes/turn")
}

func BenchmarkReadInput(b *testing.B) {
	tr, _ := NewTraceReader("t.csv", bytes.NewReader(syntheticTrace(1)))
	row, _ := tr.Next()
	in := row.Input(false)
	buf, _ := AppendInput(nil, &in)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := ReadInput(buf, &in); err != nil {
			b.Fatal(err)
		}
	}
}
