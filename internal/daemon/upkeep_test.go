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
	_, err := l.j.Outbox(t.Context(), stationSink)
	must(t, err)
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
	full, err := l.j.Size(t.Context())
	must(t, err)
	l.u.Keep.Most = full / 2
	l.turn()
	if size, err := l.j.Size(t.Context()); err != nil || size > full/2 || len(l.ids()) >= 20 || len(l.ids()) < 8 || l.ids()[0] != "r19" {
		t.Errorf("%d of %d bytes, runs %v, %v", size, full, l.ids(), err)
	}
	l.u.Keep.Most = 1
	l.turn()
	if got := fmt.Sprint(l.ids()); got != "[r19]" {
		t.Errorf("runs %s: the newest stays", got)
	}
}

// A run whose samples the database has not had goes all the same where there is
// no room, and that is counted.
func TestSamplesLostToTheDatabaseAreCounted(t *testing.T) {
	l := newLarder(t)
	o, err := l.j.Outbox(t.Context(), stationSink)
	must(t, err)
	l.run("r0", 3)
	l.run("r1", 2)
	l.run("r2", 1)
	must(t, o.Done(t.Context(), l.j.LastSeq()))
	must(t, l.j.Commit(t.Context(), journal.Batch{State: map[string][]byte{stationKey: []byte(`{"row":700}`)}}))
	l.u.Keep.Most = 1
	l.turn() // r0 was had; of r1 the first hundred
	if got := l.u.Trouble(); !strings.HasPrefix(got, "500 stretches of samples that station had not taken by 2026-10-30") {
		t.Errorf("says %q", got)
	}
	if v := l.u.Vitals(); len(v) != 1 || v[0].Value != 500 {
		t.Errorf("counts %+v", v)
	}
}

// A full disk takes the reserve and no run: another program may have filled it.
// Once there is room the reserve is back.
func TestAFullDiskTakesNoRun(t *testing.T) {
	l := newLarder(t)
	l.run("r0", 3)
	l.run("r1", 2)
	l.turn()
	if !l.j.HasBallast() || l.u.Trouble() != "" {
		t.Fatalf("no reserve: %s", l.u.Trouble())
	}
	l.u.useReserve()
	if got := fmt.Sprint(l.ids()); got != "[r1 r0]" || l.j.HasBallast() || !strings.Contains(l.u.Trouble(), "the disk is full") {
		t.Errorf("runs %s, says %q", got, l.u.Trouble())
	}
	l.u.restore()
	if !l.j.HasBallast() || l.u.Trouble() != "" {
		t.Errorf("not back: %s", l.u.Trouble())
	}
}

// A clock set back dates what is new as old: it is not given up, since something
// young comes before it. What bears no believable time goes with what is old.
func TestAClockSetBackLosesNothing(t *testing.T) {
	l := newLarder(t)
	o, err := l.j.Outbox(t.Context(), "mqtt")
	must(t, err)
	var b journal.Batch
	for _, daysAgo := range []int{300, 30000, 200, 1, 400, 30000} { // 30,000 days ago is before 1970
		b.Events = append(b.Events, engine.Event{Wall: l.now.AddDate(0, 0, -daysAgo), Kind: engine.NoteEvent, Text: "n"})
	}
	must(t, l.j.Commit(t.Context(), b))
	list, err := l.j.GiveUp(t.Context(), l.now.AddDate(0, 0, -100))
	must(t, err)
	if len(list) != 1 || list[0].Count != 3 || list[0].Total != 3 {
		t.Errorf("given up %+v", list)
	}
	if rows, err := o.Next(t.Context(), 0, 10); err != nil || len(rows) != 3 || rows[0].Seq != 4 {
		t.Errorf("left %+v, %v", rows, err)
	}
}

// One run under a clock that is years ahead takes no other run along.
func TestAClockAheadLosesNothing(t *testing.T) {
	l := newLarder(t)
	l.run("a", 40)
	l.run("b", 1)
	l.run("ahead", -5000)
	l.turn()
	if got := strings.Join(l.ids(), " "); got != "ahead b a" || l.inputs("b") != 600 {
		t.Errorf("left are %s; of b %d inputs", got, l.inputs("b"))
	}
	l.run("c", 0)
	l.turn()
	if l.inputs("b") != 600 || l.inputs("a") == 600 {
		t.Errorf("of b %d inputs, of a %d", l.inputs("b"), l.inputs("a"))
	}
}

// A receiver that is no longer configured holds nothing back and loses nothing.
func TestFormerReceiversAreForgotten(t *testing.T) {
	file := filepath.Join(t.TempDir(), "boxd.sqlite")
	for _, names := range [][]string{{"mqtt", "alert-1"}, {"mqtt"}} {
		j, err := journal.Open(file)
		must(t, err)
		for _, n := range names {
			_, err := j.Outbox(t.Context(), n)
			must(t, err)
		}
		must(t, j.DropOtherSinks(t.Context()))
		some, err := j.HasSink(t.Context(), "alert-1")
		must(t, err)
		kept, err := j.HasSink(t.Context(), "mqtt")
		must(t, err)
		if some != (len(names) == 2) || !kept {
			t.Errorf("opened %v: alert-1 %v, mqtt %v", names, some, kept)
		}
		must(t, j.Close())
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
