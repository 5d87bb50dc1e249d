// Upkeep is tried on real archives: what goes is what the bounds say, what a
// receiver loses by it is counted and said, and nothing goes during a run.
package daemon

import (
	"fmt"
	"log/slog"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/journal"
	"boxd/internal/record"
	"boxd/internal/telemetry"
)

const keepDay = 24 * time.Hour

type larder struct {
	*testing.T
	j   *journal.Journal
	u   *Upkeep
	now time.Time
}

func newLarder(t *testing.T) *larder {
	j, err := journal.Open(filepath.Join(t.TempDir(), "boxd.sqlite"))
	must(t, err)
	t.Cleanup(func() { _ = j.Close() })
	u := &Upkeep{Journal: j, Hub: telemetry.NewHub(1), Full: func() bool { return false }, Log: slog.New(slog.DiscardHandler),
		Keep: Keep{ThinAfter: 30 * keepDay, Runs: 1000 * keepDay, Undelivered: 100 * keepDay, Most: 1 << 30}}
	return &larder{t, j, u, time.Date(2026, 11, 1, 12, 0, 0, 0, time.UTC)}
}

// run puts a run of some minutes into the archive that ended so many days ago.
func (l *larder) run(id string, daysAgo int) {
	l.Helper()
	at := l.now.AddDate(0, 0, -daysAgo)
	batches := []journal.Batch{{Run: id, Start: &journal.RunStart{ID: id, Zone: "east", Box: "north", Wall: at}, Events: []engine.Event{{Wall: at, Kind: engine.RunEvent, Name: id, State: "started"}}}}
	for i := range 600 {
		in := engine.Input{Mono: time.Duration(i) * time.Second, Wall: at.Add(time.Duration(i) * time.Second), Samples: []box.Sample{{Channel: box.SupplyPressure, Value: float64(i)}}}
		log, err := record.AppendInput(nil, &in)
		must(l.T, err)
		batches = append(batches, journal.Batch{Run: id, Inputs: log})
	}
	batches = append(batches, journal.Batch{Run: id, Events: []engine.Event{{T: 600, Wall: at, Kind: engine.RunEvent, Name: id, State: "ended"}}, End: &journal.RunEnd{Wall: at, T: 600}})
	must(l.T, l.j.Commit(l.Context(), batches...))
}

func (l *larder) inputs(id string) (n int) {
	l.Helper()
	for _, err := range l.j.Inputs(l.Context(), id) {
		must(l.T, err)
		n++
	}
	return n
}

func (l *larder) ids() (out []string) {
	l.Helper()
	runs, err := l.j.Runs(l.Context())
	must(l.T, err)
	for _, r := range runs {
		out = append(out, r.ID)
	}
	return out
}

func (l *larder) turn() {
	l.Helper()
	must(l.T, l.u.turn(l.Context()))
}

func TestOldSamplesThinOutAndOldRunsGo(t *testing.T) {
	l := newLarder(t)
	l.run("ancient", 1001)
	l.run("old", 31)
	l.run("new", 29)
	l.run("newest", 0)
	l.turn()
	if got := fmt.Sprint(l.ids()); got != "[newest new old]" {
		t.Errorf("runs %s", got)
	}
	if n := l.inputs("old"); n > 250 || n < 60 {
		t.Errorf("%d inputs of the old run stay: one in ten seconds and a minute around what was said", n)
	}
	if n := l.inputs("new"); n != 600 {
		t.Errorf("%d inputs of the new run", n)
	}
	if l.u.Trouble() != "" {
		t.Errorf("trouble: %s", l.u.Trouble())
	}
}

// A database that lags keeps the samples whole, until its time is over.
func TestALaggingDatabaseKeepsTheSamples(t *testing.T) {
	l := newLarder(t)
	l.run("waits", 60)
	l.run("now", 0)
	must(t, l.j.Commit(t.Context(), journal.Batch{State: map[string][]byte{stationKey: []byte(`{"row":10}`)}}))
	l.turn()
	if n := l.inputs("waits"); n != 600 {
		t.Errorf("%d inputs: the database has not had them", n)
	}
	l.now = l.now.AddDate(0, 0, 41)
	l.run("later", 0)
	l.turn()
	if n := l.inputs("waits"); n == 600 {
		t.Error("kept for a database that did not take them in its time")
	}
}

// What a receiver does not take in its time is given up: counted over all times,
// noted and shown for a day.
func TestWhatIsGivenUpIsSaid(t *testing.T) {
	l := newLarder(t)
	_, err := l.j.Outbox(t.Context(), "mqtt")
	must(t, err)
	l.run("r1", 101)
	l.run("r2", 99)
	l.run("r3", 0)
	l.turn()
	if got := l.u.Trouble(); !strings.HasPrefix(got, "2 messages that mqtt had not taken by 2026-07-24 are given up, 2 in all") {
		t.Errorf("says %q", got)
	}
	l.now = l.now.AddDate(0, 0, 2)
	l.run("r4", 0)
	l.turn()
	if got := l.u.Trouble(); !strings.Contains(got, "2 messages that mqtt") || !strings.Contains(got, "4 in all") {
		t.Errorf("says %q", got)
	}
	list, err := l.j.EventsAfter(t.Context(), 4, 20)
	must(t, err)
	if last := list[len(list)-1]; last.Kind != engine.NoteEvent || !strings.Contains(string(last.JSON), "4 in all") {
		t.Errorf("noted last %s", last.JSON)
	}
	o, err := l.j.Outbox(t.Context(), "mqtt")
	must(t, err)
	if rows, err := o.Next(t.Context(), 0, 20); err != nil || len(rows) != 6 || rows[0].Seq != 5 {
		t.Errorf("still to be sent: %v, %v", rows, err) // two runs and the two notes
	}
}

// The archive keeps to its size: the oldest runs go, the newest never.
func TestTheArchiveKeepsToItsSize(t *testing.T) {
	l := newLarder(t)
	for n := range 20 {
		l.run(fmt.Sprintf("r%02d", n), 25-n)
	}
	l.turn()
	full := l.j.Size()
	l.u.Keep.Most = full / 2
	l.turn()
	if l.j.Size() > full/2 || len(l.ids()) >= 20 || l.ids()[0] != "r19" {
		t.Errorf("%d of %d bytes, runs %v", l.j.Size(), full, l.ids())
	}
	l.u.Keep.Most = 1
	l.turn()
	if got := fmt.Sprint(l.ids()); got != "[r19]" {
		t.Errorf("runs %s: the newest stays", got)
	}
}

// A number of an input is never used twice, though all before it are gone: the
// database's mark goes by it.
func TestNumbersOfInputsAreNotUsedTwice(t *testing.T) {
	l := newLarder(t)
	l.run("r0", 1500)
	l.run("r1", 1499)
	last, err := l.j.LastInput(t.Context())
	must(t, err)
	l.u.Keep.Most = 1
	l.turn()
	l.run("r2", 1)
	rows, err := l.j.RunInputsAfter(t.Context(), last, 10)
	must(t, err)
	if len(rows) == 0 || rows[0].N != last+1 || rows[0].Run != "r2" {
		t.Errorf("after %d come %+v", last, rows)
	}
}
