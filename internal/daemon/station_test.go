package daemon

import (
	"compress/gzip"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/journal"
	"boxd/internal/record"
	"boxd/internal/telemetry/influx"
)

// filled fills an archive with a run of so many seconds at two inputs a second,
// with an event every ten, all at one moment of a clock that stands still.
func filled(t *testing.T, j *journal.Journal, seconds int) {
	t.Helper()
	at := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	batches := []journal.Batch{{Start: &journal.RunStart{ID: "r1", Zone: "east", Box: "north", Wall: at},
		Events: []engine.Event{{Wall: at, Kind: engine.RunEvent, Name: "r1", State: "started"}}}}
	for i := range seconds {
		b := journal.Batch{Run: "r1"}
		for _, half := range []time.Duration{0, 500 * time.Millisecond} {
			in := engine.Input{Mono: time.Duration(i)*time.Second + half, Wall: at, Samples: []box.Sample{
				{Channel: box.SupplyPressure, Value: float64(i) + half.Seconds()}, {Channel: box.WaterTemp, Value: 1, Fault: "no answer on the bus"}}}
			log, err := record.AppendInput(b.Inputs, &in)
			must(t, err)
			b.Inputs = log
		}
		if i%10 == 0 {
			b.Events = []engine.Event{{T: float64(i), Wall: at, Kind: engine.NoteEvent, Text: `say "so", please`}}
		}
		batches = append(batches, b)
	}
	left := 12.5
	batches = append(batches, journal.Batch{Run: "r1", Events: []engine.Event{{T: 99, Wall: at, Kind: engine.SummaryEvent, Sum: &engine.Summary{VolumeL: 812, Flush: "done", UndeliveredPct: &left}}}, End: &journal.RunEnd{Wall: at, T: 99}})
	must(t, j.Commit(t.Context(), batches...))
}

// database takes writes as the real one does: what came last of a series and
// time stands.
type database struct {
	rows   map[string]string
	status func(call int) int
	call   int
}

func (d *database) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	d.call++
	if s := d.status(d.call); s != http.StatusNoContent {
		w.WriteHeader(s)
		return
	}
	z, err := gzip.NewReader(r.Body)
	if err != nil {
		w.WriteHeader(http.StatusBadRequest)
		return
	}
	b, _ := io.ReadAll(z)
	for line := range strings.Lines(string(b)) {
		line = strings.TrimSpace(line)
		series, rest, _ := strings.Cut(line, " ") // no name here holds a space
		cut := strings.LastIndexByte(rest, ' ')
		d.rows[series+rest[cut:]] = rest[:cut]
	}
	w.WriteHeader(http.StatusNoContent)
}

func (d *database) count(measurement string) (n int) {
	for key := range d.rows {
		if strings.HasPrefix(key, measurement) {
			n++
		}
	}
	return n
}

func stationOf(t *testing.T, j *journal.Journal, dir string) *Station {
	t.Helper()
	out, err := j.Outbox(t.Context(), "station")
	must(t, err)
	return &Station{Box: "north", Keep: out, Journal: j, Refused: filepath.Join(dir, "refused.lp")}
}

// A day's run is caught up with through outages, and a boxd killed between the
// database's answer and its own note of it sends the same rows again.
func TestStationCatchesUp(t *testing.T) {
	dir := t.TempDir()
	j, err := journal.Open(filepath.Join(dir, "boxd.sqlite"))
	must(t, err)
	defer j.Close()
	s := stationOf(t, j, dir) // before the events: a new sink would start at the beginning all the same
	filled(t, j, 2500)
	db := &database{rows: map[string]string{}, status: func(call int) int {
		if call%3 == 2 {
			return http.StatusInternalServerError
		}
		return http.StatusNoContent
	}}
	srv := httptest.NewServer(db)
	defer srv.Close()
	w, err := influx.New(influx.Config{URL: srv.URL, Bucket: "boxd"}, slog.New(slog.DiscardHandler))
	must(t, err)
	for turn, more := 0, true; more; turn++ {
		if turn > 200 {
			t.Fatal("no end")
		}
		if turn%4 == 1 { // killed after the answer, before the note
			lost := stationOf(t, j, dir)
			points, err := lost.Next(t.Context(), influx.MaxPoints)
			must(t, err)
			if _, err := w.Write(t.Context(), points); err == nil {
				again, err := stationOf(t, j, dir).Next(t.Context(), influx.MaxPoints)
				must(t, err)
				if !reflect.DeepEqual(points, again) {
					t.Fatal("other points after a restart")
				}
			}
			s = stationOf(t, j, dir)
		}
		var err error
		if more, err = w.Turn(t.Context(), s); err != nil {
			more = true
		}
	}
	if db.count("boxd_trace") != 2500 || db.count("boxd_event") != 252 || db.count("boxd_run") != 1 {
		t.Errorf("%d rows of traces, %d of events, %d of runs", db.count("boxd_trace"), db.count("boxd_event"), db.count("boxd_run"))
	}
	// The clock stood still: the times rise by a nanosecond; the newer of two values counts.
	at := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC).UnixNano()
	if got := db.rows[fmt.Sprintf("boxd_trace,box=north,run=r1,zone=east %d", at+2499)]; !strings.Contains(got, "supply_kpa=2499.5") || strings.Contains(got, "water_c") {
		t.Errorf("the last row reads %q", got)
	}
	if got := db.rows[fmt.Sprintf("boxd_run,box=north,run=r1,zone=east %d", at+251)]; !strings.Contains(got, "volume_l=812") || !strings.Contains(got, "undelivered_pct=12.5") || !strings.Contains(got, `flush="done"`) {
		t.Errorf("the run reads %q", got)
	}
	if n, err := s.Keep.Waiting(t.Context()); err != nil || n != 0 {
		t.Errorf("%d wait: %v", n, err)
	}
}

func TestRising(t *testing.T) {
	at := time.Unix(1_800_000_000, 0)
	for _, c := range []struct {
		last int64
		at   time.Time
		want int64
	}{
		{0, at, at.UnixNano()},
		{at.UnixNano(), at, at.UnixNano() + 1},
		{at.UnixNano(), at.Add(-time.Minute), at.UnixNano() + 1},
		{at.UnixNano(), at.Add(-2 * time.Hour), at.Add(-2 * time.Hour).UnixNano()}, // a clock that was wrong
	} {
		if got := rising(c.last, c.at); got != c.want {
			t.Errorf("after %d, at %v: %d, want %d", c.last, c.at, got, c.want)
		}
	}
}

// What the database refuses is kept for a person; when there is no more room,
// everything waits and nothing is lost.
func TestRefusedIsKept(t *testing.T) {
	dir := t.TempDir()
	j, err := journal.Open(filepath.Join(dir, "boxd.sqlite"))
	must(t, err)
	defer j.Close()
	filled(t, j, 1)
	s := stationOf(t, j, dir)
	points, err := s.Next(t.Context(), 10)
	must(t, err)
	must(t, s.Done(t.Context(), []influx.Refused{{Line: points[0].Line(), Why: "field type conflict"}}))
	b, err := os.ReadFile(s.Refused)
	must(t, err)
	if got := strings.Split(string(b), "\n"); len(got) != 3 || got[0] != "# field type conflict" || got[1] != points[0].Line() {
		t.Errorf("kept %q", got)
	}
	before := s.mark
	must(t, os.Truncate(s.Refused, maxRefused))
	must(t, j.Commit(t.Context(), journal.Batch{Events: []engine.Event{{Kind: engine.NoteEvent, Text: "late"}}}))
	points, err = s.Next(t.Context(), 10)
	must(t, err)
	if err := s.Done(context.Background(), []influx.Refused{{Line: points[0].Line()}}); err == nil || !strings.Contains(err.Error(), "refused.lp is full") || s.mark != before {
		t.Errorf("a full file: %v", err)
	}
	if again, err := s.Next(t.Context(), 10); err != nil || !slices.EqualFunc(points, again, func(a, b influx.Point) bool { return a.Line() == b.Line() }) {
		t.Errorf("again %v, %v", again, err)
	}
}
