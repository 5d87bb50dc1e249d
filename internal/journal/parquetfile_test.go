package journal

// The library that reads all of Parquet is the judge here: it is not ours.

import (
	"bytes"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"
)

// TestParquetGroups: what takes several row groups comes back whole, with its
// gaps, at the edges of groups and of bytes of levels too.
func TestParquetGroups(t *testing.T) {
	const rows = 2*parquetGroup + 5
	at, when, event := &parquetColumn{name: "time_s", kind: parquetDouble, required: true}, &parquetColumn{name: "time", kind: parquetTime}, &parquetColumn{name: "event", kind: parquetText}
	value := &parquetColumn{name: "value", kind: parquetDouble}
	var b bytes.Buffer
	f := &parquetFile{w: &b, columns: []*parquetColumn{event, when, at, value}}
	f.begin()
	epoch := time.UnixMicro(1775000000123456)
	for i := range rows {
		at.double(float64(i) / 10)
		if i%3 == 0 {
			when.micros(time.Time{})
		} else {
			when.micros(epoch.Add(time.Duration(i) * time.Microsecond))
		}
		event.text([]string{"", "main_open", "é"}[i%3])
		if i%7 == 2 {
			value.null()
		} else {
			value.double(float64(-i))
		}
		f.rowDone()
	}
	must(t, f.end([][2]string{{"run", "r1"}}, "boxd version 1"))
	type row struct {
		T     float64  `parquet:"time_s"`
		Time  *int64   `parquet:"time,optional,timestamp(microsecond)"`
		Event *string  `parquet:"event,optional"`
		Value *float64 `parquet:"value,optional"`
	}
	got, err := parquet.Read[row](bytes.NewReader(b.Bytes()), int64(b.Len()))
	must(t, err)
	if len(got) != rows {
		t.Fatalf("%d rows, want %d", len(got), rows)
	}
	for i, r := range got {
		if r.T != float64(i)/10 || (r.Time == nil) != (i%3 == 0) || r.Time != nil && *r.Time != epoch.UnixMicro()+int64(i) ||
			(r.Event == nil) != (i%3 == 0) || i%3 == 2 && *r.Event != "é" || (r.Value == nil) != (i%7 == 2) || r.Value != nil && *r.Value != float64(-i) {
			t.Fatalf("row %d is %+v", i, r)
		}
	}
}
