package journal

// These tests treat the archive as the daemon does: commit, kill, open again,
// and ask for everything that was acknowledged. Expected values are what was
// put in; nothing here reads the tables directly except to damage them.

import (
	"bufio"
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/record"
)

func TestMain(m *testing.M) {
	if path := os.Getenv("BOXD_TEST_VICTIM"); path != "" {
		victim(path)
		return
	}
	os.Exit(m.Run())
}

func openTemp(t testing.TB) *Journal {
	t.Helper()
	j, err := Open(filepath.Join(t.TempDir(), "a b#c?", "box.db"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := j.Close(); err != nil {
			t.Error(err)
		}
	})
	return j
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

var morning = time.Date(2026, 4, 2, 7, 0, 0, 123456789, time.UTC) // a constant in all but type

// sampleInput is turn i of an invented run at 1 Hz.
func sampleInput(i int) engine.Input {
	in := engine.Input{Mono: time.Duration(100+i) * time.Second, Wall: morning.Add(time.Duration(i) * time.Second)}
	in.Samples = []box.Sample{
		{Channel: box.SupplyPressure, Value: 288.5 + float64(i%7)/10}, {Channel: box.HeaderPressure, Value: 68.3},
		{Channel: box.MainFlow, Value: 19.6}, {Channel: box.BoxEC, Value: 416 + 0.1*float64(i)}, {Channel: box.OutsideAirTemp, Value: -3.25}}
	return in
}

func logOf(t testing.TB, inputs ...engine.Input) []byte {
	t.Helper()
	var log []byte
	for i := range inputs {
		var err error
		log, err = record.AppendInput(log, &inputs[i])
		must(t, err)
	}
	return log
}

func start(id string) *RunStart {
	return &RunStart{ID: id, Zone: "east", Box: "north-box", Wall: morning, T: 100, Config: "zones: []\n", Software: "0.1.0"}
}

func f64(x float64) *float64 { return &x }

// someEvents has one event of every kind.
func someEvents() []engine.Event {
	return []engine.Event{
		{T: 100, Kind: engine.RunEvent, Wall: morning, State: "started"},
		{T: 101, Kind: engine.StepEvent, Wall: morning, Step: "pressurise", Why: engine.Reasons{"main flow seen"}},
		{T: 102.5, Kind: engine.MilestoneEvent, Wall: morning, Name: "lines_full"},
		{T: 103, Kind: engine.AlarmEvent, Wall: morning, ID: "freeze-risk", State: "raised", Priority: "high", Text: "water 2.5 °C <cold>"},
		{T: 103, Kind: engine.AdviceEvent, Wall: morning, Number: 3, Deed: "injector_on", Text: "open both injector valves", Why: engine.Reasons{"a", "b"}},
		{T: 104, Kind: engine.ActionEvent, Wall: morning, Deed: "injector_on", By: "Ada", Action: "act-1"},
		{T: 104, Kind: engine.RefusalEvent, Wall: morning, By: "Ada", Action: "act-2", Reason: "the advice has changed"},
		{T: 105, Kind: engine.HoldEvent, Wall: morning, On: "inject", Reason: "no test on file"},
		{T: 105, Kind: engine.ReleaseEvent, Wall: morning, On: "inject"},
		{T: 106, Kind: engine.NoteEvent, Wall: morning, Text: "flow is 3 % low"},
		{T: 107, Kind: engine.SummaryEvent, Wall: morning, Sum: &engine.Summary{VolumeL: 512.5, StockL: engine.Weighings{ByEC: f64(7.25)},
			Flush: "unknown", UndeliveredPct: f64(12.5), Milestones: []engine.MilestoneRecord{{Name: "lines_full", T: 102.5}}, Notes: []string{"n"}}},
	}
}

func TestCommitAndReadBack(t *testing.T) {
	j, ctx := openTemp(t), t.Context()
	want := someEvents()
	log := logOf(t, sampleInput(0), sampleInput(1))
	must(t, j.Commit(ctx,
		Batch{Inputs: logOf(t, sampleInput(-1)), Events: []engine.Event{{T: 99, Kind: engine.NoteEvent, Text: "before"}}},
		Batch{Start: start("r1"), Inputs: log, Events: want[:6], State: map[string][]byte{"k": []byte("v"), "empty": nil}}))
	if r, ok, err := j.Unfinished(ctx); err != nil || !ok || r.ID != "r1" || r.Config != "zones: []\n" {
		t.Errorf("unfinished %+v %v %v", r, ok, err)
	}
	must(t, j.Commit(ctx, Batch{Run: "r1", Events: want[6:], End: &RunEnd{morning.Add(time.Hour), 3700}}))
	if _, ok, err := j.Unfinished(ctx); err != nil || ok {
		t.Errorf("an ended run is unfinished: %v %v", ok, err)
	}
	checkEvents(t, j, "r1", want)
	r, err := j.Run(ctx, "r1")
	must(t, err)
	if !r.Ended || !r.End.Equal(morning.Add(time.Hour)) || !r.Start.Equal(morning) || r.Zone != "east" || r.Box != "north-box" ||
		r.StartT != 100 || r.EndT != 3700 || r.Software != "0.1.0" || !bytes.Contains(r.Summary, []byte(`"volume_l":512.5`)) {
		t.Errorf("run %+v", r)
	}
	// SHA-256 of "zones: []\n", by sha256sum of GNU coreutils.
	if r.ConfigHash != "3d22e63d99a3f9564a684566b0d92f8cf88a8575a7962c8a53e822222a94edc5" {
		t.Errorf("configuration hash %s", r.ConfigHash)
	}
	if list, err := j.Runs(ctx); err != nil || len(list) != 1 || list[0].ID != "r1" {
		t.Errorf("runs %+v %v", list, err)
	}
	for key, want := range map[string]string{"k": "v", "empty": ""} {
		if v, ok, err := j.State(ctx, key); err != nil || !ok || string(v) != want {
			t.Errorf("state %s is %q %v %v", key, v, ok, err)
		}
	}
	if _, ok, err := j.State(ctx, "nothing"); ok || err != nil {
		t.Errorf("a state that is not there: %v %v", ok, err)
	}
	if _, err := j.Run(ctx, "r2"); !errors.Is(err, ErrNoRun) {
		t.Errorf("error %v, want no such run", err)
	}
}

func checkEvents(t *testing.T, j *Journal, run string, want []engine.Event) {
	t.Helper()
	entries, err := j.Events(t.Context(), run)
	must(t, err)
	if len(entries) != len(want) {
		t.Fatalf("%d events, want %d", len(entries), len(want))
	}
	for i := range entries {
		got, err := entries[i].Event()
		must(t, err)
		if !reflect.DeepEqual(got, want[i]) {
			t.Errorf("event %d is %+v, want %+v", i, got, want[i])
		}
		if i > 0 && entries[i].Seq <= entries[i-1].Seq {
			t.Errorf("seq %d after %d", entries[i].Seq, entries[i-1].Seq)
		}
	}
}

// TestInputsComeBackBitwise: what was replayed once must replay the same.
func TestInputsComeBackBitwise(t *testing.T) {
	j, ctx := openTemp(t), t.Context()
	odd := engine.Input{Mono: 103 * time.Second, Wall: morning.In(time.FixedZone("", -18000)),
		Samples: []box.Sample{{Channel: box.EndEC, Value: math.Float64frombits(0x7ff8000000000abc)}, {Channel: box.MainFlow, Value: math.Copysign(0, -1)},
			{Channel: box.BoxEC, Fault: "no answer", Cause: box.Failure}},
		Actions: []box.Action{{ID: "x", Kind: box.Confirm, Advice: 3, By: "Ada", Note: "done"}}}
	first, second := logOf(t, sampleInput(0), sampleInput(1)), logOf(t, odd, sampleInput(4))
	must(t, j.Commit(ctx, Batch{Start: start("r1"), Inputs: first}, Batch{Inputs: logOf(t, sampleInput(2))}))
	must(t, j.Commit(ctx, Batch{Run: "r1", Inputs: second}))
	var back []byte
	for in, err := range j.Inputs(ctx, "r1") {
		must(t, err)
		back = append(back, logOf(t, *in)...)
	}
	if want := append(first, second...); !bytes.Equal(back, want) {
		t.Errorf("inputs differ:\n%x, want\n%x", back, want)
	}
}

func TestCommitIsAllOrNothing(t *testing.T) {
	j, ctx := openTemp(t), t.Context()
	must(t, j.Commit(ctx, Batch{Start: start("r1")}))
	before := j.LastSeq()
	for name, bad := range map[string]Batch{
		"run twice":       {Start: start("r1")},
		"end of no run":   {Run: "r9", End: &RunEnd{}},
		"torn log":        {Inputs: []byte{1, 9, 0}},
		"other run":       {Run: "r1", Start: start("r2")},
		"nameless run":    {Start: start("")},
		"nameless notice": {Messages: []Message{{}}},
	} {
		if err := j.Commit(ctx, Batch{Events: someEvents()}, bad); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
	if list, err := j.EventsAfter(ctx, 0, 100); err != nil || len(list) != 0 || j.LastSeq() != before {
		t.Errorf("%d events left by failed commits, seq %d, %v", len(list), j.LastSeq(), err)
	}
	must(t, j.Commit(ctx, Batch{Run: "r1", Events: someEvents()}))
}

func TestEventWithoutJSONIsNotLost(t *testing.T) {
	j, ctx := openTemp(t), t.Context()
	must(t, j.Commit(ctx, Batch{Start: start("r1"), Events: []engine.Event{
		{T: 1, Kind: engine.SummaryEvent, Sum: &engine.Summary{VolumeL: math.NaN()}}, {T: math.NaN(), Kind: engine.StepEvent}}}))
	list, err := j.Events(ctx, "r1")
	must(t, err)
	for i, kind := range []string{"(summary)", "(step)"} {
		if e, err := list[i].Event(); err != nil || e.Kind != engine.NoteEvent || !strings.Contains(e.Text, kind+" could not be written down") {
			t.Errorf("%+v %v", e, err)
		}
	}
	if r, err := j.Run(ctx, "r1"); err != nil || r.Summary != nil {
		t.Errorf("summary %s, %v", r.Summary, err)
	}
}

// TestReadersBesideTheWriter reads all the time while commits go on; more
// commits than rows held at once.
func TestReadersBesideTheWriter(t *testing.T) {
	j, ctx := openTemp(t), t.Context()
	must(t, j.Commit(ctx, Batch{Start: start("r1")}))
	const commits = 3*inputRows + 1
	done := make(chan error, 1)
	go func() {
		for i := range commits {
			in := sampleInput(i)
			log, err := record.AppendInput(nil, &in)
			if err == nil {
				err = j.Commit(ctx, Batch{Run: "r1", Inputs: log, Events: someEvents()[9:10]})
			}
			if err != nil {
				done <- err
				return
			}
		}
		done <- nil
	}()
	for finished := false; !finished; {
		select {
		case err := <-done:
			must(t, err)
			finished = true
		default:
		}
		before := j.LastSeq()
		n := 0
		for in, err := range j.Inputs(ctx, "r1") {
			must(t, err)
			if in.Mono != sampleInput(n).Mono {
				t.Fatalf("input %d at %v", n, in.Mono)
			}
			n++
		}
		if uint64(n) < before || finished && n != commits {
			t.Fatalf("%d inputs read, %d were committed", n, before)
		}
	}
}

func TestRepeatedSubmit(t *testing.T) {
	j, ctx := openTemp(t), t.Context()
	e := engine.Event{T: 5, Kind: engine.ActionEvent, Deed: "stock_in", By: "Ada", Action: "act-1"}
	must(t, j.Commit(ctx, Batch{Events: []engine.Event{e, {T: 5, Kind: engine.NoteEvent, Text: "x"}}}))
	e.T = 6
	must(t, j.Commit(ctx, Batch{Events: []engine.Event{e}}))
	list, err := j.Events(ctx, "")
	must(t, err)
	if len(list) != 2 {
		t.Errorf("%d events, want 2", len(list))
	}
	if a, ok, err := j.Answered(ctx, "act-1"); err != nil || !ok || a.T != 5 {
		t.Errorf("answer %+v %v %v", a, ok, err)
	}
	if _, ok, err := j.Answered(ctx, "act-2"); err != nil || ok {
		t.Errorf("an action never sent is answered: %v %v", ok, err)
	}
}

func TestOutbox(t *testing.T) {
	j, ctx := openTemp(t), t.Context()
	note := func(s string) engine.Event { return engine.Event{Kind: engine.NoteEvent, Wall: morning, Text: s} }
	must(t, j.Commit(ctx, Batch{Messages: []Message{{Kind: "sample"}}})) // nobody wants it
	a, err := j.Outbox(ctx, "a")
	must(t, err)
	b, err := j.Outbox(ctx, "b")
	must(t, err)
	for i := range 3 {
		must(t, j.Commit(ctx, Batch{Events: []engine.Event{note(strconv.Itoa(i))}, Messages: []Message{{Kind: "sample", Wall: morning, Payload: []byte("[1]")}}}))
	}
	list, err := a.Next(ctx, 0, 4)
	must(t, err)
	if got := seqs(list); got != "1:note 2:sample 3:note 4:sample" || string(list[1].Payload) != "[1]" || !list[0].Wall.Equal(morning) {
		t.Errorf("next: %s %+v", got, list)
	}
	if string(list[0].Payload) != `{"t":0,"kind":"note","text":"0"}` {
		t.Errorf("payload %s", list[0].Payload)
	}
	if e, err := list[2].Event(); err != nil || e.Text != "1" || !e.Wall.Equal(morning) {
		t.Errorf("event %+v %v", e, err)
	}
	if _, err := list[1].Event(); err == nil {
		t.Error("a sample is taken for an event")
	}
	must(t, a.Done(ctx, 4))
	must(t, a.Done(ctx, 2)) // late word: changes nothing
	for after, want := range map[uint64]string{0: "5:note 6:sample", 5: "6:sample", 6: ""} {
		if list, err = a.Next(ctx, after, 100); err != nil || seqs(list) != want {
			t.Errorf("after %d: %s, want %s, %v", after, seqs(list), want, err)
		}
	}
	if list, err = b.Next(ctx, 0, 100); err != nil || len(list) != 6 {
		t.Errorf("the other sink has %d, %v", len(list), err)
	}
	if n, err := b.Waiting(ctx); err != nil || n != 6 {
		t.Errorf("waiting %d %v", n, err)
	}
	if err := a.Done(ctx, 99); err == nil {
		t.Error("done beyond the end is accepted")
	}
	must(t, b.Done(ctx, 6))
	must(t, a.Done(ctx, 6))
	again, err := Open(j.Path()) // both sinks done, all messages gone: numbers must go on
	must(t, err)
	defer func() { must(t, again.Close()) }()
	if again.LastSeq() != 6 {
		t.Errorf("the sequence went back to %d", again.LastSeq())
	}
}

func seqs(list []Message) string {
	var words []string
	for _, m := range list {
		words = append(words, fmt.Sprintf("%d:%s", m.Seq, m.Kind))
	}
	return strings.Join(words, " ")
}

func TestPrune(t *testing.T) {
	j, ctx := openTemp(t), t.Context()
	old, recent := morning, morning.AddDate(0, 6, 0)
	addRun := func(id string, at time.Time, ended bool) {
		s := start(id)
		s.Wall, s.Config = at, "config of "+id
		b := Batch{Start: s, Inputs: logOf(t, sampleInput(0)), Events: someEvents()[:4]}
		if ended {
			b.End = &RunEnd{at.Add(time.Hour), 9}
		}
		must(t, j.Commit(ctx, b))
	}
	addRun("old", old, true)
	addRun("unset", time.Unix(77, 0), true)
	must(t, j.Commit(ctx, Batch{Inputs: logOf(t, sampleInput(1)), Events: someEvents()[9:10]}))
	box, err := j.Outbox(ctx, "slow")
	must(t, err)
	must(t, box.Done(ctx, 3)) // the sink has not had the fourth event of the old run
	addRun("recent", recent, true)
	addRun("open", old, false)
	cut := morning.AddDate(0, 1, 0)
	p, err := j.Prune(ctx, cut)
	must(t, err)
	if want := (Pruned{Runs: 0, Events: 3, Inputs: 1}); p != want {
		t.Errorf("pruned %+v, want %+v", p, want)
	}
	must(t, box.Done(ctx, j.LastSeq()))
	p, err = j.Prune(ctx, cut)
	must(t, err)
	if want := (Pruned{Runs: 1, Events: 2}); p != want {
		t.Errorf("pruned %+v, want %+v", p, want)
	}
	list, err := j.Runs(ctx)
	must(t, err)
	if len(list) != 3 || list[0].ID != "open" || list[1].ID != "recent" || list[2].ID != "unset" {
		t.Errorf("left: %+v", list)
	}
	if r, err := j.Run(ctx, "open"); err != nil || r.Config != "config of open" {
		t.Errorf("%+v %v", r, err)
	}
}

func TestPruneGivesRoomBack(t *testing.T) {
	j, ctx := openTemp(t), t.Context()
	var inputs []engine.Input
	for i := range 1000 {
		inputs = append(inputs, sampleInput(i))
	}
	for range 30 {
		must(t, j.Commit(ctx, Batch{Inputs: logOf(t, inputs...)}))
	}
	size := func() int64 {
		st, err := os.Stat(j.Path())
		must(t, err)
		return st.Size()
	}
	_, err := j.writer.ExecContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)")
	must(t, err)
	before := size()
	p, err := j.Prune(ctx, morning.AddDate(1, 0, 0))
	must(t, err)
	if after := size(); p.Inputs != 29 || before < 1<<20 || after > before/4 {
		t.Errorf("pruned %+v, the file went from %d to %d bytes", p, before, after)
	}
}

// TestDiskFull lets SQLite run into its page limit, which gives the same error
// (SQLITE_FULL, 13) as a full disk does.
func TestDiskFull(t *testing.T) {
	j, ctx := openTemp(t), t.Context()
	must(t, j.Commit(ctx, Batch{Start: start("r1"), Events: someEvents()[:1]}))
	_, err := j.writer.ExecContext(ctx, "PRAGMA max_page_count = 60")
	must(t, err)
	kept := 1
	for i := 0; err == nil && i < 1000; i++ {
		if err = j.Commit(ctx, Batch{Run: "r1", Events: someEvents()[1:2], Inputs: logOf(t, sampleInput(i))}); err == nil {
			kept++
		}
	}
	if !errors.Is(err, ErrFull) || !strings.Contains(err.Error(), j.Path()) {
		t.Fatalf("error %v, want a full disk and the path", err)
	}
	list, err := j.Events(ctx, "r1")
	if err != nil || len(list) != kept {
		t.Errorf("%d events, %d were acknowledged, %v", len(list), kept, err)
	}
	_, err = j.writer.ExecContext(ctx, "PRAGMA max_page_count = 10000")
	must(t, err)
	must(t, j.Commit(ctx, Batch{Run: "r1", Events: someEvents()[1:2]}))
}

func TestBallast(t *testing.T) {
	j := openTemp(t)
	for range 2 {
		must(t, j.KeepBallast())
		if st, err := os.Stat(j.Path() + ".ballast"); err != nil || st.Size() != BallastSize {
			t.Errorf("%+v %v", st, err)
		}
	}
	must(t, j.DropBallast())
	must(t, j.DropBallast())
}

func TestOpenRefuses(t *testing.T) {
	path := filepath.Join(t.TempDir(), "box.db")
	if _, err := OpenExisting(path); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("error %v, want no such file", err)
	}
	must(t, os.WriteFile(path, bytes.Repeat([]byte("no archive "), 1000), 0o600))
	if _, err := Open(path); !errors.Is(err, ErrDamaged) {
		t.Errorf("error %v, want damaged", err)
	}
}

func TestOpenSeesDamage(t *testing.T) {
	path := filepath.Join(t.TempDir(), "box.db")
	j, err := Open(path)
	must(t, err)
	for i := range 50 {
		must(t, j.Commit(t.Context(), Batch{Inputs: logOf(t, sampleInput(i)), Events: someEvents()[9:10]}))
	}
	must(t, j.Close())
	data, err := os.ReadFile(path)
	must(t, err)
	for i := 4096; i < len(data); i += 4096 { // the head of every page but the first
		copy(data[i:], "\xff\xff\xff\xff\xff\xff\xff\xff")
	}
	must(t, os.WriteFile(path, data, 0o600))
	if _, err := Open(path); !errors.Is(err, ErrDamaged) {
		t.Errorf("error %v, want damaged", err)
	}
}

func execFile(t *testing.T, path, text string) {
	t.Helper()
	db, err := sql.Open("sqlite", path)
	must(t, err)
	defer func() { must(t, db.Close()) }()
	_, err = db.ExecContext(t.Context(), text)
	must(t, err)
}

// TestVersion1StaysReadable opens an archive made from the frozen dump.
func TestVersion1StaysReadable(t *testing.T) {
	dump, err := os.ReadFile("testdata/v1.sql")
	must(t, err)
	path := filepath.Join(t.TempDir(), "box.db")
	execFile(t, path, string(dump))
	j, err := Open(path)
	must(t, err)
	defer func() { must(t, j.Close()) }()
	if j.LastSeq() != 12 {
		t.Errorf("seq %d, want 12", j.LastSeq())
	}
	checkEvents(t, j, "r1", []engine.Event{
		{T: 41, Kind: engine.StepEvent, Wall: time.Unix(1775113200, 0).UTC(), Step: "pressurise", Why: engine.Reasons{"main flow seen"}},
		{T: 3640, Kind: engine.AdviceEvent, Wall: time.Unix(1775116800, 0).UTC(), Number: 4, Text: "close the supply valve", Why: engine.Reasons{"a", "b"}}})
	n := 0
	for in, err := range j.Inputs(t.Context(), "r1") {
		must(t, err)
		if n++; in.Mono != time.Second {
			t.Errorf("input at %v", in.Mono)
		}
	}
	if n != 1 {
		t.Errorf("%d inputs, want 1", n)
	}
	box, err := j.Outbox(t.Context(), "field")
	must(t, err)
	if list, err := box.Next(t.Context(), 0, 9); err != nil || seqs(list) != "9:advice 12:sample" {
		t.Errorf("outbox %s %v", seqs(list), err)
	}
	must(t, j.Commit(t.Context(), Batch{Start: start("r2"), Events: someEvents(), End: &RunEnd{morning, 1}}))
}

func TestMigrate(t *testing.T) {
	path := filepath.Join(t.TempDir(), "m.db")
	db, err := sql.Open("sqlite", path)
	must(t, err)
	defer func() { must(t, db.Close()) }()
	ctx := t.Context()
	one := &fstest.MapFile{Data: []byte("CREATE TABLE a (x); INSERT INTO a VALUES (1);")}
	two := &fstest.MapFile{Data: []byte("ALTER TABLE a ADD COLUMN y DEFAULT 2;")}
	bad := &fstest.MapFile{Data: []byte("INSERT INTO a VALUES (5, 5); SELECT nothing FROM nowhere;")}
	var copied []int
	backup := func(version int) error { copied = append(copied, version); return nil }
	must(t, migrate(ctx, db, fstest.MapFS{"migrations/1.sql": one}, backup))
	must(t, migrate(ctx, db, fstest.MapFS{"migrations/1.sql": one, "migrations/2.sql": two}, backup))
	must(t, migrate(ctx, db, fstest.MapFS{"migrations/1.sql": one, "migrations/2.sql": two}, backup))
	if len(copied) != 1 || copied[0] != 1 {
		t.Errorf("copied at versions %v, want once at 1: a new archive has nothing to lose", copied)
	}
	if err := migrate(ctx, db, fstest.MapFS{"migrations/1.sql": one, "migrations/2.sql": two, "migrations/3.sql": bad}, func(int) error { return errors.New("no room") }); err == nil || !strings.Contains(err.Error(), "no room") {
		t.Errorf("error %v, want no migration without a copy", err)
	}
	if err := migrate(ctx, db, fstest.MapFS{"migrations/1.sql": one, "migrations/2.sql": two, "migrations/3.sql": bad}, backup); err == nil {
		t.Error("a migration that fails is accepted")
	}
	var rows, y int
	must(t, db.QueryRowContext(ctx, "SELECT count(*), max(y) FROM a").Scan(&rows, &y))
	if v, err := schemaVersion(ctx, db); err != nil || v != 2 || rows != 1 || y != 2 {
		t.Errorf("version %d, %d rows, y %d, %v", v, rows, y, err)
	}
	if err := migrate(ctx, db, fstest.MapFS{"migrations/1.sql": one}, backup); err == nil || !strings.Contains(err.Error(), "newer program") {
		t.Errorf("error %v, want one about the newer program", err)
	}
}

// victim commits until it is killed and says so after each commit.
func victim(path string) {
	j, err := Open(path)
	if err != nil {
		fmt.Println("error", err)
		return
	}
	ctx := context.Background()
	box, err := j.Outbox(ctx, "sink")
	if err != nil {
		fmt.Println("error", err)
		return
	}
	from := int(j.LastSeq()) / 2
	for i := from; i < from+100000; i++ {
		in := sampleInput(i)
		log, _ := record.AppendInput(nil, &in)
		b := Batch{Inputs: log, Events: []engine.Event{{T: float64(i), Kind: engine.NoteEvent, Text: "n"}}, Messages: []Message{{Kind: "sample", Payload: log}}}
		if err := j.Commit(ctx, b); err != nil {
			fmt.Println("error", err)
			return
		}
		fmt.Println(i)
		if i%10 == 9 {
			if err := box.Done(ctx, uint64(2*i-10)); err != nil && i > 10 {
				fmt.Println("error", err)
				return
			}
		}
	}
}

// TestKill kills a committing process a few times, at no particular moment.
func TestKill(t *testing.T) {
	path := filepath.Join(t.TempDir(), "box.db")
	acknowledged := -1
	for _, commits := range []int{1, 37, 80, 23} {
		acknowledged = killAfter(t, path, commits, acknowledged)
		j, err := Open(path)
		must(t, err)
		checkSurvivors(t, j, acknowledged)
		must(t, j.Close())
	}
}

// killAfter runs a victim until it has acknowledged so many commits more, kills
// it by its process and returns the last number it acknowledged.
func killAfter(t *testing.T, path string, commits, last int) int {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 60*time.Second)
	defer cancel()
	cmd := exec.CommandContext(ctx, os.Args[0])
	cmd.Env = append(os.Environ(), "BOXD_TEST_VICTIM="+path)
	out, err := cmd.StdoutPipe()
	must(t, err)
	must(t, cmd.Start())
	lines := bufio.NewScanner(out)
	for n := 0; lines.Scan(); n++ {
		if n == commits {
			must(t, cmd.Process.Kill()) // what is still in the pipe was acknowledged too
		}
		i, err := strconv.Atoi(lines.Text())
		if err != nil {
			t.Fatalf("victim: %s", lines.Text())
		}
		last = i
	}
	if err := cmd.Wait(); err == nil {
		t.Fatal("the victim ended by itself")
	}
	return last
}

// checkSurvivors wants all that was acknowledged, once each, and at most one
// commit more, which died between the disk and the pipe.
func checkSurvivors(t *testing.T, j *Journal, acknowledged int) {
	t.Helper()
	list, err := j.Events(t.Context(), "")
	must(t, err)
	if n := len(list); n != acknowledged+1 && n != acknowledged+2 {
		t.Fatalf("%d events, %d commits were acknowledged", n, acknowledged+1)
	}
	for i, e := range list {
		if e.T != float64(i) || e.Seq != uint64(2*i+1) {
			t.Fatalf("event %d is t %v seq %d", i, e.T, e.Seq)
		}
	}
	n := 0
	for in, err := range j.Inputs(t.Context(), "") {
		must(t, err)
		if want := sampleInput(n); in.Mono != want.Mono {
			t.Fatalf("input %d at %v", n, in.Mono)
		}
		n++
	}
	if n != len(list) {
		t.Fatalf("%d inputs, %d events", n, len(list))
	}
}

// BenchmarkCommit is one second of the daemon at 10 Hz.
func BenchmarkCommit(b *testing.B) {
	j := openTemp(b)
	var inputs []engine.Input
	for i := range 10 {
		inputs = append(inputs, sampleInput(i))
	}
	log := logOf(b, inputs...)
	must(b, j.Commit(b.Context(), Batch{Start: start("r1")}))
	b.ReportAllocs()
	for b.Loop() {
		must(b, j.Commit(b.Context(), Batch{Run: "r1", Inputs: log, Events: someEvents()[9:10]}))
	}
	b.ReportMetric(10*float64(b.N)/b.Elapsed().Seconds(), "turns/s")
}

// BenchmarkDrain is an outbox of 64 events read and struck off.
func BenchmarkDrain(b *testing.B) {
	j := openTemp(b)
	o, err := j.Outbox(b.Context(), "mqtt")
	must(b, err)
	var events []engine.Event
	for len(events) < 64 {
		events = append(events, someEvents()[9])
	}
	must(b, j.Commit(b.Context(), Batch{Start: start("r1")}))
	b.ReportAllocs()
	for b.Loop() {
		b.StopTimer()
		must(b, j.Commit(b.Context(), Batch{Run: "r1", Events: events}))
		b.StartTimer()
		list, err := o.Next(b.Context(), 0, 64)
		must(b, err)
		if len(list) == 0 {
			b.Fatal("nothing waits")
		}
		must(b, o.Done(b.Context(), list[len(list)-1].Seq))
	}
}

// BenchmarkLook is a look into an outbox in which nothing waits, as sinks do
// several times a second.
func BenchmarkLook(b *testing.B) {
	j := openTemp(b)
	o, err := j.Outbox(b.Context(), "mqtt")
	must(b, err)
	b.ReportAllocs()
	for b.Loop() {
		if list, err := o.Next(b.Context(), 0, 64); err != nil || len(list) != 0 {
			b.Fatal(list, err)
		}
	}
}
