// The daemon is tested with a real archive and a scripted box at a thousand
// times the speed of the real one. What persons are answered, what is on the
// disk and what watchers see has to be one story, also when the disk fails, the
// core panics or boxd starts anew in the middle of a run.
package daemon

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"boxd/config"
	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/journal"
	"boxd/internal/simbox"
	"boxd/internal/telemetry"
	"boxd/internal/units"
	"boxd/internal/web"
)

// patience bounds every wait: a loaded machine of two cores is slow.
const patience = time.Minute

// still is a box at rest, with water in front of the shut valve.
type still struct {
	end    atomic.Pointer[error] // ends the source
	broken atomic.Bool           // the next beat panics
}

func (s *still) Samples(_ context.Context, _ time.Duration, dst []box.Sample) ([]box.Sample, error) {
	if s.broken.Load() {
		panic("an impossible step")
	}
	if err := s.end.Load(); err != nil {
		return dst, *err
	}
	return append(dst, box.Sample{Channel: box.SupplyPressure, Value: 300}, box.Sample{Channel: box.MainFlow}), nil
}

// life is one life of a daemon.
type life struct {
	*Daemon
	t    *testing.T
	j    *journal.Journal
	hub  *telemetry.Hub
	end  context.CancelFunc
	done chan error
}

// shipped is the core of the configuration that boxd brings along.
func shipped(t testing.TB) engine.Config {
	t.Helper()
	cfg, err := config.Parse("the embedded file", config.Default())
	if err != nil {
		t.Fatal(err)
	}
	c, err := cfg.Engine("")
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func core(t *testing.T) engine.Config {
	t.Helper()
	c := shipped(t)
	c.Backflow.NextDue = time.Now().AddDate(1, 0, 0)
	c.Plan = engine.Plan{Injection: 3 * time.Minute}
	return c
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// live starts a daemon on the archive in dir.
func live(t *testing.T, dir string, src Source) *life {
	t.Helper()
	return begin(t, dir, Options{ConfigText: string(config.Default()), Source: src, Beat: time.Second, Speed: 1000, Start: time.Now(), Unsaved: new(Unsaved)})
}

// begin starts a daemon with o on the archive in dir.
func begin(t *testing.T, dir string, o Options) *life {
	t.Helper()
	j, err := journal.Open(filepath.Join(dir, "boxd.sqlite"))
	must(t, err)
	l := prepare(t, j, o)
	l.run()
	return l
}

// prepare makes a daemon with o on j.
func prepare(t *testing.T, j *journal.Journal, o Options) *life {
	t.Helper()
	hub := telemetry.NewHub(8)
	o.Core, o.Version, o.Journal, o.Hub, o.Log = core(t), "test", j, hub, slog.New(slog.DiscardHandler)
	d, err := New(t.Context(), o)
	must(t, err)
	return &life{Daemon: d, t: t, j: j, hub: hub, done: make(chan error, 1)}
}

func (l *life) run() {
	ctx, cancel := context.WithCancel(l.t.Context())
	l.end = cancel
	go func() { l.done <- l.Daemon.Run(ctx) }()
	l.t.Cleanup(func() {
		cancel()
		<-l.over
		_ = l.j.Close() // a test may have closed it
	})
}

// await gives the first view that f likes.
func (l *life) await(what string, f func(engine.View) bool) engine.View {
	l.t.Helper()
	views, stop := l.Subscribe()
	defer stop()
	late := time.After(patience)
	for {
		select {
		case v, ok := <-views:
			if !ok {
				l.t.Fatalf("the core stopped before %s", what)
			}
			if f(v) {
				return v
			}
		case <-late:
			l.t.Fatalf("%s did not come; the view is %+v", what, l.View())
		}
	}
}

// ended waits for the end of Run.
func (l *life) ended() error {
	l.t.Helper()
	select {
	case err := <-l.done:
		return err
	case <-time.After(patience):
		l.t.Fatal("Run did not end")
		return nil
	}
}

func (l *life) confirm(id string, number uint64) web.Answer {
	l.t.Helper()
	return l.Submit(l.t.Context(), box.Action{ID: id, Kind: box.Confirm, Advice: number, By: "Robin"})
}

func advised(deed box.Deed) func(engine.View) bool {
	return func(v engine.View) bool { return v.Advice != nil && v.Advice.Deed == deed.String() }
}

// actions counts what the archive has of an action id.
func (l *life) actions(id string) int {
	l.t.Helper()
	list, err := l.j.EventsAfter(l.t.Context(), 0, 10000)
	must(l.t, err)
	n := 0
	for i := range list {
		e, err := list[i].Event()
		must(l.t, err)
		if e.Action == id && (e.Kind == engine.ActionEvent || e.Kind == engine.RefusalEvent) {
			n++
		}
	}
	return n
}

// alarms are the words the archive has of an alarm.
func (l *life) alarms(id string) (words []string) {
	l.t.Helper()
	list, err := l.j.EventsAfter(l.t.Context(), 0, 10000)
	must(l.t, err)
	for i := range list {
		e, err := list[i].Event()
		must(l.t, err)
		if e.Kind == engine.AlarmEvent && e.ID == id {
			words = append(words, e.State)
		}
	}
	return words
}

func TestSubmit(t *testing.T) {
	l := live(t, t.TempDir(), &still{})
	n := l.await("the first advice", advised(box.RunStart)).Advice.Number

	if a := l.confirm("stale", n+7); a.Accepted || !strings.Contains(a.Reason, "no longer the present one") {
		t.Errorf("a confirmation of another advice: %+v", a)
	}
	if a := l.confirm("", n); a.Accepted || a.Reason == "" {
		t.Errorf("a word without an id: %+v", a)
	}
	if a := l.confirm("good", n); !a.Accepted {
		t.Fatalf("the advised deed: %+v", a)
	}
	// Accepted means saved: it is there now, not a second later.
	if c := l.actions("good"); c != 1 {
		t.Errorf("%d entries of an accepted word", c)
	}
	l.await("the next advice", advised(box.MainOpen))
	// The same words again, as a phone on a bad line sends them.
	if a := l.confirm("good", n); !a.Accepted || l.actions("good") != 1 {
		t.Errorf("an accepted word again: %+v, %d entries", a, l.actions("good"))
	}
	if a := l.confirm("stale", n+7); a.Accepted || !strings.Contains(a.Reason, "no longer the present one") || l.actions("stale") != 1 {
		t.Errorf("a refused word again: %+v, %d entries", a, l.actions("stale"))
	}
	if a := l.confirm("late", n); a.Accepted {
		t.Errorf("a word for the advice before: %+v", a)
	}
	given, cancel := context.WithCancel(t.Context())
	cancel()
	if a := l.Submit(given, box.Action{ID: "gone", Kind: box.Confirm, Advice: 999}); a.Accepted {
		t.Errorf("a sender who hung up: %+v", a)
	}
	l.end()
	must(t, l.ended())
	if st := l.hub.Latest(); !strings.Contains(st.Stopped, "boxd was stopped") {
		t.Errorf("watchers are told %q", st.Stopped)
	}
	if a := l.confirm("after", 1); a.Accepted || !strings.Contains(a.Reason, "stopping") {
		t.Errorf("a word after the end: %+v", a)
	}
}

// TestArchiveFails makes the disk refuse every event, by a trigger set from
// beside, and takes it away again.
func TestArchiveFails(t *testing.T) {
	dir := t.TempDir()
	l := live(t, dir, &still{})
	n := l.await("the first advice", advised(box.RunStart)).Advice.Number
	db, err := sql.Open("sqlite", filepath.Join(dir, "boxd.sqlite")+"?_pragma=busy_timeout(10000)")
	must(t, err)
	defer db.Close()
	_, err = db.ExecContext(t.Context(), "CREATE TRIGGER broken BEFORE INSERT ON events BEGIN SELECT RAISE(ABORT, 'the card is worn out'); END")
	must(t, err)

	if a := l.confirm("first", n); a.Accepted || !strings.Contains(a.Reason, "the card is worn out") {
		t.Errorf("a word that can't be saved: %+v", a)
	}
	failing := func(v engine.View) bool {
		for _, a := range v.Alarms {
			if a.ID == "archive-failing" {
				return a.Priority == "high" && strings.Contains(a.Text, "the card is worn out") && a.Do != "" && a.Active
			}
		}
		return false
	}
	v := l.await("the alarm", failing)
	if v.Advice == nil {
		t.Fatal("no advice")
	}
	if a := l.confirm("second", v.Advice.Number); a.Accepted || !strings.Contains(a.Reason, "not taken") {
		t.Errorf("a word while nothing can be saved: %+v", a)
	}
	if e := l.o.Unsaved.Events(); len(e) == 0 || !slices.ContainsFunc(e, func(e engine.Event) bool { return e.ID == "archive-failing" }) {
		t.Errorf("past the archive go %v", e)
	}
	if l.actions("first")+l.actions("second") != 0 {
		t.Error("the archive has what it refused")
	}

	_, err = db.ExecContext(t.Context(), "DROP TRIGGER broken")
	must(t, err)
	v = l.await("the alarm's end", func(v engine.View) bool { return !failing(v) })
	if e := l.o.Unsaved.Events(); len(e) != 0 {
		t.Errorf("the archive has them, and past it go %v", e)
	}
	if l.actions("first") != 1 {
		t.Error("what was kept back is lost")
	}
	if got := l.alarms("archive-failing"); !slices.Equal(got, []string{"raised", "cleared"}) {
		t.Errorf("the archive's own alarm is kept as %v", got)
	}
	if a := l.Submit(t.Context(), box.Action{ID: "seen", Kind: box.Acknowledge, Alarm: "archive-failing", By: "Robin"}); !a.Accepted {
		t.Errorf("the acknowledgement: %+v", a)
	}
	if a := l.confirm("third", v.Advice.Number); !a.Accepted {
		t.Errorf("a word after the archive came back: %+v", a)
	}
}

// TestShed has an archive fail for hours: inputs are given up, oldest first,
// and nothing that was said or raised.
func TestShed(t *testing.T) {
	d := &Daemon{}
	for i := range 3 * maxDue {
		b := journal.Batch{Inputs: []byte{byte(i)}}
		if i%10 == 0 {
			b.Events = []engine.Event{{T: float64(i)}}
		}
		d.due = append(d.due, b)
		d.shed()
	}
	events := 0
	for _, b := range d.due {
		events += len(b.Events)
	}
	// Each tenth batch stays for its event's sake.
	if len(d.due) > maxDue+3*maxDue/10 || events != 3*maxDue/10 {
		t.Errorf("%d batches and %d events are kept", len(d.due), events)
	}
	if last := d.due[len(d.due)-1]; len(last.Inputs) == 0 {
		t.Error("the newest inputs went first")
	}
}

func TestCorePanics(t *testing.T) {
	src := &still{}
	l := live(t, t.TempDir(), src)
	n := l.await("the first advice", advised(box.RunStart)).Advice.Number
	if a := l.confirm("before", n); !a.Accepted {
		t.Fatalf("%+v", a)
	}
	src.broken.Store(true)
	if err := l.ended(); err == nil || !strings.Contains(err.Error(), "the core stopped: an impossible step") {
		t.Errorf("Run ends with %v", err)
	}
	st := l.hub.Latest()
	if !strings.Contains(st.Stopped, "the core stopped") || st.View == nil {
		t.Errorf("watchers are told %q, view %v", st.Stopped, st.View != nil)
	}
	if a := l.confirm("after", n+1); a.Accepted || a.Reason == "" {
		t.Errorf("a word to a stopped core: %+v", a)
	}
	if l.actions("before") != 1 {
		t.Error("what was accepted is lost")
	}
}

// A sign of life comes from a turn of the core and from nothing else.
func TestAStuckCoreGivesNoSignOfLife(t *testing.T) {
	stuck, free := make(chan struct{}), make(chan struct{})
	src := &sticky{stuck: stuck, free: free}
	j, err := journal.Open(filepath.Join(t.TempDir(), "boxd.sqlite"))
	must(t, err)
	defer j.Close()
	var signs atomic.Int64
	hub := telemetry.NewHub(1)
	d, err := New(t.Context(), Options{Core: core(t), Journal: j, Source: src, Hub: hub, Log: slog.New(slog.DiscardHandler), Beat: time.Second, Speed: 1000,
		Start: time.Now(), Alive: func() { signs.Add(1) }})
	must(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- d.Run(ctx) }()
	<-stuck
	if n := signs.Load(); n != stickyBeats {
		t.Errorf("%d signs of life after %d turns", n, stickyBeats)
	}
	_, _ = d.View(), d.Trace() // the page still answers
	if n := signs.Load(); n != stickyBeats {
		t.Errorf("%d signs of life from a stuck core", n-stickyBeats)
	}
	cancel()
	close(free)
	must(t, <-done)
}

const stickyBeats = 3

// sticky hangs after some beats until it is freed.
type sticky struct {
	still
	beats       int
	stuck, free chan struct{}
}

func (s *sticky) Samples(ctx context.Context, mono time.Duration, dst []box.Sample) ([]box.Sample, error) {
	if s.beats++; s.beats > stickyBeats {
		if s.beats == stickyBeats+1 {
			close(s.stuck)
		}
		<-s.free
	}
	return s.still.Samples(ctx, mono, dst)
}

func TestSourceEnds(t *testing.T) {
	src := &still{}
	l := live(t, t.TempDir(), src)
	l.await("a view", func(engine.View) bool { return true })
	src.end.Store(&[]error{io.EOF}[0])
	if err := l.ended(); !errors.Is(err, io.EOF) {
		t.Errorf("Run ends with %v", err)
	}
	if l.hub.Latest().Stopped == "" {
		t.Error("nobody is told")
	}
}

// plant is the simulated box; it outlives the daemon, as a real one does.
type plant struct {
	p     *simbox.Plant
	at    time.Duration
	fresh bool
	todo  chan box.Deed // what hands did since the last beat
}

func newPlant(c engine.Config) *plant {
	var paths []simbox.Path
	for _, e := range c.Zone.Emitters() {
		paths = append(paths, simbox.Path{Row: e.Lateral, Share: e.Share, Volume: e.Volume})
	}
	spec := simbox.Spec{Paths: paths, LineVolume: c.Zone.LineVolume(), Flow: c.Zone.ExpectedFlow, Inlet: c.Zone.Zone().Inlet,
		Injector: simbox.Injector{Ratio: c.Injector.Ratio}, Water: c.Zone.Zone().Water}
	return &plant{p: simbox.New(spec, 1), todo: make(chan box.Deed, 16)}
}

func (p *plant) Samples(_ context.Context, mono time.Duration, dst []box.Sample) ([]box.Sample, error) {
	if p.fresh {
		p.fresh, p.at = false, mono-time.Second
	}
	p.p.Step(mono - p.at)
	p.at = mono
	for {
		select {
		case d := <-p.todo:
			p.p.Do(d)
		default:
			return p.p.Samples(dst), nil
		}
	}
}

// play does and confirms what is advised until f likes the view.
func (l *life) play(p *plant, what string, f func(engine.View) bool) engine.View {
	l.t.Helper()
	asked := uint64(0)
	return l.await(what, func(v engine.View) bool {
		if f(v) {
			return true
		}
		if v.Advice == nil || v.Advice.Deed == "" || v.Advice.Verifying || v.Advice.Number == asked {
			return false
		}
		d, _ := box.DeedByWord(v.Advice.Deed)
		if a := l.confirm(fmt.Sprintf("%d-%d", l.Born().UnixNano(), v.Advice.Number), v.Advice.Number); a.Accepted {
			asked = v.Advice.Number
			p.todo <- d
		}
		return false
	})
}

func TestRunGoesOnInTheNextLife(t *testing.T) {
	dir, p := t.TempDir(), newPlant(core(t))
	l := live(t, dir, p)
	before := l.play(p, "the flush", func(v engine.View) bool {
		return v.Step == "flush" && v.Progress.FlushPassedL != nil && *v.Progress.FlushPassedL > 20
	})
	l.end()
	must(t, l.ended())
	must(t, l.j.Close())

	p.fresh = true
	l = live(t, dir, p)
	after := l.await("a view", func(engine.View) bool { return true })
	if after.Run != before.Run || after.Step != "flush" || after.T <= before.T {
		t.Fatalf("run %s, step %s, %g s goes on as run %s, step %s, %g s", before.Run, before.Step, before.T, after.Run, after.Step, after.T)
	}
	// What a page of the life before still shows answers nothing in this one.
	if a := l.confirm("stale", before.Advice.Number); a.Accepted || after.Advice == nil || after.Advice.Number <= before.Advice.Number {
		t.Errorf("advice %d of the life before is answered %+v, now %+v", before.Advice.Number, a, after.Advice)
	}
	// Simulated time runs ahead of the clock, which so can't say how long nobody
	// looked: fertilizer may have gone in, and the flush counts anew.
	if got := after.Progress.FlushPassedL; got != nil && *got > *before.Progress.FlushPassedL/2 {
		t.Errorf("flushed %v L before, %v L after", *before.Progress.FlushPassedL, *got)
	}
	l.play(p, "the end", func(v engine.View) bool { return v.Run == "" })
	run, err := l.j.Run(t.Context(), before.Run)
	if err != nil || !run.Ended || !strings.Contains(string(run.Summary), `"flush":"done"`) {
		t.Errorf("the run is kept as %+v, %v", run, err)
	}
}

// TestLinesAreRemembered stops a run in the flush, and starts boxd anew between
// the runs and in the middle of the next: what stands in the lines is known in
// every life, and is delivered once.
func TestLinesAreRemembered(t *testing.T) {
	dir, p := t.TempDir(), newPlant(core(t))
	next := func(l *life) *life {
		l.end()
		must(t, l.ended())
		must(t, l.j.Close())
		p.fresh = true
		return live(t, dir, p)
	}
	l := live(t, dir, p)
	first := l.play(p, "the flush", func(v engine.View) bool {
		return v.Step == "flush" && v.Progress.FlushPassedL != nil && *v.Progress.FlushPassedL > 20
	}).Run
	p.todo <- box.MainClosed
	if a := l.Submit(t.Context(), box.Action{ID: "closed", Kind: box.Report, Deed: box.MainClosed, By: "Robin"}); !a.Accepted {
		t.Fatalf("%+v", a)
	}
	l.await("the end of the water", func(v engine.View) bool { return v.Step == "secure" && advised(box.RunEnd)(v) })
	l.Submit(t.Context(), box.Action{ID: "end", Kind: box.Report, Deed: box.RunEnd, By: "Robin"})
	left := l.await("the end", func(v engine.View) bool { return v.Run == "" && v.Contents != nil }).Contents
	if left.SinceRun != first || left.Litres == nil || *left.Litres <= 0 {
		t.Fatalf("left in the lines: %+v", left)
	}
	l = next(l)
	v := l.await("a view", func(engine.View) bool { return true })
	if v.Contents == nil || v.Contents.Litres == nil || *v.Contents.Litres != *left.Litres || v.Contents.SinceRun != first {
		t.Errorf("in the next life: %+v, left %+v", v.Contents, left)
	}
	half := func(v engine.View) bool {
		return v.Run != "" && v.Contents != nil && v.Contents.DeliveredPct != nil && *v.Contents.DeliveredPct > 50
	}
	before := l.play(p, "half of it to be delivered", half)
	l = next(l)
	after := l.await("a view", func(engine.View) bool { return true })
	if after.Run != before.Run || !half(after) || *after.Contents.Litres != *left.Litres {
		t.Errorf("taken up again as run %s with %+v; before %s, %+v", after.Run, after.Contents, before.Run, before.Contents)
	}
	l.play(p, "the end", func(v engine.View) bool { return v.Run == "" })
	run, err := l.j.Run(t.Context(), before.Run)
	if err != nil || !strings.Contains(string(run.Summary), `"flushed":true`) {
		t.Errorf("the run is kept as %s, %v", run.Summary, err)
	}
	if v := l.await("an empty line", func(v engine.View) bool { return v.Run == "" && v.Contents == nil }); len(v.Learned) == 0 {
		t.Error("nothing is said to be learned")
	}
}

// TestForecastSurvives: a forecast that was taken is known in the next life,
// while its hour lies ahead; a refused one never is.
func TestForecastSurvives(t *testing.T) {
	dir := t.TempDir()
	l := live(t, dir, &still{})
	post := func(id string, low units.Celsius, ahead time.Duration) web.Answer {
		return l.Submit(t.Context(), box.Action{ID: id, Kind: box.Post, By: "station", Forecast: box.Forecast{Low: low, At: time.Now().Add(ahead).UTC()}})
	}
	if a := post("f1", -3.5, 30*time.Hour); !a.Accepted {
		t.Fatalf("%+v", a)
	}
	if a := post("f2", -70, 30*time.Hour); a.Accepted || a.Reason == "" {
		t.Errorf("%+v", a)
	}
	stands := func(v engine.View) bool { return v.Freeze.ForecastLowC != nil && *v.Freeze.ForecastLowC == -3.5 }
	l.await("the forecast", stands)
	l.end()
	must(t, l.ended())
	must(t, l.j.Close())
	l = live(t, dir, &still{})
	l.await("the forecast in the next life", stands)
}
