// Slices of seasons, and whole ones (package season) are played to the whole box: the daemon's own
// turn with its queue of words, a real archive, and the senders' own logic. The
// power is cut, the disk is slow or fills up, links break, receivers refuse or take
// what they never acknowledge. All of it follows from the seed; time is a bubble's own, and one
// goroutine does everything in turn. At the end the archive and every receiver are
// held against what the core said and what persons were answered.
//
//	go test ./internal/daemon -run WholeBox -whole 500 -whole-seasons 20
//	go test ./internal/daemon -run WholeBox -v -whole 1 -whole-first 17 -whole-only "1:2"
//
// In a bubble no socket works: a publisher and a writer that keep to the same rules
// stand for the real ones, which wire_test.go has.
package daemon

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/engine/enginetest/season"
	"boxd/internal/journal"
	"boxd/internal/telemetry"
	"boxd/internal/telemetry/alert"
	"boxd/internal/telemetry/influx"
	"boxd/internal/web"
)

var (
	wholes       = flag.Int("whole", -1, "slices to play to the whole box; -1: a hundredth of BOXD_SEEDS, or 5, or none with the race detector, under which SQLite crawls")
	wholeSeasons = flag.Int("whole-seasons", -1, "whole seasons to play to it, too; -1: one where BOXD_SEEDS is a thousand or more, else none")
	wholeFirst   = flag.Uint64("whole-first", 0, "the first one's seed")
	wholeOnly    = flag.String("whole-only", "", "play only this part of the plan, as a failure prints it")
)

func howMany(t *testing.T) (slices, seasons int) {
	slices = 5
	if text := os.Getenv("BOXD_SEEDS"); text != "" {
		n, err := strconv.Atoi(text)
		must(t, err)
		slices, seasons = n/100, min(n/1000, 1)
	}
	if raced {
		slices, seasons = 0, 0
	}
	if *wholes >= 0 {
		slices = *wholes
	}
	if *wholeSeasons >= 0 {
		seasons = *wholeSeasons
	}
	return slices, seasons
}

// wholePlans are those to play.
func wholePlans(t *testing.T) (out []season.Plan) {
	slices, seasons := howMany(t)
	for i := range slices {
		out = append(out, season.DrawSlice(*wholeFirst+uint64(i)).Whole())
	}
	for i := range seasons {
		out = append(out, season.Draw(*wholeFirst+uint64(i)).Whole())
	}
	for i := range out {
		if *wholeOnly != "" {
			var err error
			out[i], err = out[i].Only(*wholeOnly)
			must(t, err)
		}
	}
	return out
}

func TestWholeBox(t *testing.T) {
	var all season.Tally
	var sum count
	for _, p := range wholePlans(t) {
		tally, c := playWhole(t, p)
		all.Add(tally)
		sum.add(c)
		if len(tally.Broken) == 0 {
			continue
		}
		for _, f := range tally.Broken {
			t.Errorf("%v", f)
		}
		what := tally.Broken[0].What
		least := season.Shrink(p, func(q season.Plan) bool {
			again, _ := playWhole(t, q)
			for _, f := range again.Broken {
				if f.What == what {
					return true
				}
			}
			return false
		})
		which := "-whole 0 -whole-seasons 1"
		if p.Slice {
			which = "-whole 1 -whole-seasons 0"
		}
		t.Fatalf("smallest plan that shows it: %v\ngo test ./internal/daemon -run WholeBox -v %s -whole-first %d -whole-only %q", least, which, least.Seed, least.Part())
	}
	for _, f := range all.False {
		if afterCut(f) {
			t.Logf("alarm from a pause of unknown length: %v", f)
			continue
		}
		t.Errorf("alarm without a fault: %v", f)
	}
	t.Logf("%d runs; %v\n%s", all.Runs, sum, all.Report())
}

// afterCut: a machine that was off takes at least ten minutes for the pause
// (engine.LeastUnseen). The clock says less, which is told, and an alarm's delay passes in it.
func afterCut(f season.Finding) bool {
	return (f.What == "clock-jump" || f.What == "ratio-off") && strings.Contains(f.Plan, "core restarts")
}

// count is what the whole boxes went through.
type count struct {
	kills, lossy, full, saved, lost, cutOff, words, refused, unheard, tries, bad, notes, rows int
}

func (c *count) add(o count) {
	c.kills, c.lossy, c.full, c.saved, c.lost, c.cutOff = c.kills+o.kills, c.lossy+o.lossy, c.full+o.full, c.saved+o.saved, c.lost+o.lost, c.cutOff+o.cutOff
	c.words, c.refused, c.unheard, c.tries, c.bad = c.words+o.words, c.refused+o.refused, c.unheard+o.unheard, c.tries+o.tries, c.bad+o.bad
	c.notes, c.rows = c.notes+o.notes, c.rows+o.rows
}

func (c count) String() string {
	return fmt.Sprintf("power cut %d times, %d of them with events unsaved; disk full %d times; events archived %d, lost with the power: %d shown while the archive was said to fail, %d neither shown nor answered; words taken %d, refused by the core %d, not taken and said so %d; sendings %d, of them failed or unacknowledged %d; alarms at the phone %d, rows at the database %d",
		c.kills, c.lossy, c.full, c.saved, c.lost, c.cutOff, c.words, c.refused, c.unheard, c.tries, c.bad, c.notes, c.rows)
}

// whole is the box in its lives.
type whole struct {
	t      *testing.T
	root   string
	lives  int
	boots  int // of the machine, the last one
	on     time.Duration
	r      *rand.Rand
	d      *Daemon
	j      *journal.Journal
	hub    *telemetry.Hub
	link   box.Surrounding
	began  time.Duration // season's time of the life's start
	now    time.Duration
	wall   time.Time
	phone  *caller
	table  *Station
	events Events

	cut     bool // no receiver can be reached
	heard   []engine.Event
	pending []engine.Event // not yet on the disk
	turns   []uint64       // of the core that they came in
	shown   uint64         // turn of the newest view
	open    bool           // some of them were shown, since the archive failed
	saved   *atomic.Int64  // events of this life that are on the disk and still in pending
	kept    []engine.Event
	asked   []*asked
	wire    *wire           // real senders, in real time; nil: a bubble's
	life    context.Context // of who waits for an answer in this life
	die     context.CancelFunc
	taken   map[string]bool // words that were said to be accepted
	wasted  map[string]bool // words that were said to be not taken

	notes   map[string]string
	gone    map[string]bool // alarms told past the archive and lost with the power
	broker  map[uint64]string
	sent    uint64
	flying  []flight
	looks   int  // of the senders
	drained bool // the database's had nothing to write when it looked last
	rows    map[string]string
	broken  []string
	done    count
}

// asked is a person's word and what became of it.
type asked struct {
	box.Action
	answer web.Answer
	done   chan struct{} // closed when it has come
	heard  bool          // by the core
	copy   bool          // sent again before it was answered
}

// flight is an event that the broker has acknowledged and that is not struck off.
type flight struct {
	seq uint64
	at  time.Time
}

func playWhole(t *testing.T, p season.Plan) (tally season.Tally, c count) {
	root := inMemory(t)
	synctest.Test(t, func(t *testing.T) {
		time.Sleep(26 * 366 * 24 * time.Hour) // a bubble begins in 2000
		w := newWhole(t, root, p.Seed)
		tally = season.PlayIn(w, p, nil)
		w.finish()
		for _, text := range w.broken {
			tally.Broken = append(tally.Broken, season.Finding{Seed: p.Seed, At: w.now.Seconds(), What: "archive", Text: text})
		}
		must(t, w.j.Close())
		c = w.done
	})
	return tally, c
}

// inMemory is a folder on a disk that is quick, where there is one.
func inMemory(t *testing.T) string {
	root, err := os.MkdirTemp("/dev/shm", "boxd-whole-")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { _ = os.RemoveAll(root) })
	return root
}

func newWhole(t *testing.T, root string, seed uint64) *whole {
	return &whole{t: t, root: root, r: rand.New(rand.NewPCG(seed, 99)), taken: map[string]bool{}, wasted: map[string]bool{},
		notes: map[string]string{}, gone: map[string]bool{}, broker: map[uint64]string{}, rows: map[string]string{}}
}

// rest lets time pass, a hundredth of it where it is real; calm waits until nothing
// moves in a bubble.
func (w *whole) rest(d time.Duration) {
	if w.wire != nil {
		d /= 100
	}
	time.Sleep(d)
}

func (w *whole) calm() {
	if w.wire == nil {
		synctest.Wait()
	}
}

func (w *whole) fault(format string, args ...any) {
	w.broken = append(w.broken, fmt.Sprintf(format, args...))
}

func (w *whole) path() string { return filepath.Join(w.root, strconv.Itoa(w.lives), "boxd.sqlite") }

func (w *whole) Start(cfg engine.Config, mono time.Duration, wall time.Time) (bool, error) {
	ctx := w.t.Context()
	lost := len(w.pending) > 0
	if lost {
		w.done.lossy++
	}
	for _, e := range w.pending {
		if !w.open {
			w.done.cutOff++
			continue
		}
		w.done.lost++
		if e.Kind == engine.AlarmEvent {
			w.gone["box-"+keyOf(e)] = true
		}
	}
	w.pending, w.turns, w.shown, w.open, w.saved = nil, nil, 0, false, new(atomic.Int64)
	var err error
	if w.j, err = journal.Open(w.path()); err != nil {
		return lost, err
	}
	w.life, w.die = context.WithCancel(ctx)
	w.hub = telemetry.NewHub(4)
	log := slog.New(slog.DiscardHandler)
	unsaved := new(Unsaved)
	if w.r.IntN(2) == 0 { // else boxd alone was killed
		w.boots, w.on = w.boots+1, mono
	}
	w.began, w.now, w.wall = mono, mono, wall
	w.d, err = New(ctx, Options{Core: cfg, ConfigText: "zones: []", Version: "trial", Journal: w.j, Hub: w.hub, Log: log, Beat: time.Second, Speed: 1,
		Start: wall, Wall: func() time.Time { return w.wall }, machine: func() (string, time.Duration) { return strconv.Itoa(w.boots), w.now - w.on }, Unsaved: unsaved, Link: func() box.Surrounding { return w.link },
		commit: w.disk()})
	if err != nil {
		return lost, err
	}
	w.d.tap = func(out engine.Output) { w.heard = append(w.heard, out.Events...) }
	box := func(name string) *journal.Outbox {
		o, err := w.j.Outbox(ctx, name)
		must(w.t, err)
		return o
	}
	a := Alerts{Box: "box", Want: []string{"critical", "high", "flush_done"}, Target: handset{w}, Keep: box("alert-x"), Hub: w.hub, Log: log, Journal: w.j, Key: "x", Unsaved: unsaved}
	if w.phone, err = a.caller(ctx); err != nil {
		return lost, err
	}
	w.table = &Station{Box: "box", Keep: box(stationSink), Journal: w.j, Refused: filepath.Join(w.root, "refused")}
	w.events, w.sent, w.flying = Events{Box: "box", Keep: box("mqtt")}, 0, nil
	if w.wire != nil {
		w.wire.begin(w)
	}
	return lost, nil
}

// slowest is short of what counts as a disk that hangs.
const slowest = diskHangs - 500*time.Millisecond

// disk is how this life's commits come to the archive: every other life has a
// disk that takes seconds, beside which the core turns.
func (w *whole) disk() func(context.Context, ...journal.Batch) error {
	j, saved, r := w.j, w.saved, rand.New(rand.NewPCG(w.r.Uint64(), 1))
	slow := r.IntN(2) == 0 && w.wire == nil
	return func(ctx context.Context, list ...journal.Batch) error {
		if slow {
			time.Sleep(time.Duration(r.Int64N(int64(slowest))))
		}
		err := j.Commit(ctx, list...)
		for _, b := range list {
			if err == nil {
				saved.Add(int64(len(b.Events)))
			}
		}
		return err
	}
}

// reap does what the daemon's loop does when a commit is done.
func (w *whole) reap() {
	for {
		w.calm()
		n := w.saved.Swap(0)
		w.kept, w.pending, w.turns = append(w.kept, w.pending[:n]...), w.pending[n:], w.turns[n:]
		w.open = len(w.pending) > 0 && (w.open || w.Failing())
		err, done := w.committed()
		if !done {
			return
		}
		w.d.finish(err)
		w.d.save(w.t.Context())
	}
}

func (w *whole) committed() (err error, done bool) {
	if w.wire != nil && w.d.saving != nil {
		return <-w.d.saved(), true
	}
	select {
	case err = <-w.d.saved():
		return err, true
	default:
		return nil, false
	}
}

// Turn lets the time pass in the bubble, hands the words in as the page does, and
// lets the daemon turn and its senders look.
func (w *whole) Turn(in engine.Input) season.Heard {
	if w.wire == nil {
		w.rest(in.Mono - w.now)
	}
	w.now, w.wall, w.link = in.Mono, in.Wall, in.Link
	w.reap()
	for _, a := range in.Actions {
		w.ask(&asked{Action: a, done: make(chan struct{})})
		if w.r.IntN(10) == 0 { // the phone's line was bad
			w.ask(&asked{Action: a, done: make(chan struct{}), copy: true})
		}
	}
	w.heard = nil
	w.d.mono = w.d.base + w.now - w.began
	must(w.t, w.d.turn(w.t.Context(), in.Samples))
	w.pending = append(w.pending, w.heard...)
	for range w.heard {
		w.turns = append(w.turns, w.d.core.View().Seq)
	}
	w.reap()
	if v := w.d.View(); len(w.pending) > 0 && !w.open && v.Seq >= w.turns[0] {
		w.fault("the view of turn %d is shown, and of turn %d is not saved %+v", v.Seq, w.turns[0], w.pending[0])
	}
	if now := w.d.View().Seq; now < w.shown {
		w.fault("the view of turn %d comes after that of turn %d", now, w.shown)
	} else {
		w.shown = now
	}
	h := season.Heard{Events: w.heard, Unheard: w.answers()}
	w.send()
	if w.wire != nil {
		w.wire.trouble()
	}
	return h
}

// ask sends a word; the queue keeps the order.
func (w *whole) ask(a *asked) {
	w.asked = append(w.asked, a)
	ctx, d, before := w.life, w.d, len(w.d.asks)
	go func() {
		a.answer = d.Submit(ctx, a.Action)
		close(a.done)
	}()
	for w.wire != nil && len(w.d.asks) == before {
		runtime.Gosched()
	}
	w.calm()
}

func (w *whole) answered(a *asked) bool {
	if w.wire != nil { // each commit was waited for
		<-a.done
	}
	select {
	case <-a.done:
		return true
	default:
		return false
	}
}

// answers are looked through for what came; how many words were not taken without a
// look of the core's.
func (w *whole) answers() (unheard int) {
	var waiting []*asked
	for _, a := range w.asked {
		for _, e := range w.heard {
			a.heard = a.heard || e.Action == a.ID
		}
		if !w.answered(a) {
			waiting = append(waiting, a)
			continue
		}
		if n := w.answer(a.Action, a.answer, a.heard); !a.copy {
			unheard += n
		}
	}
	w.asked = waiting
	return unheard
}

// answer notes what a person was told; 1 where the core heard nothing of it.
func (w *whole) answer(a box.Action, ans web.Answer, heard bool) int {
	switch {
	case ans.Accepted:
		w.taken[a.ID] = true
		w.done.words++
		if w.r.IntN(10) == 0 { // the phone sends it again: its line was bad
			if again := w.d.Submit(w.t.Context(), a); !again.Accepted {
				w.fault("word %s was taken, and sent again refused: %s", a.ID, again.Reason)
			}
		}
	case ans.Reason == "":
		w.fault("word %s was refused without a reason", a.ID)
	case heard:
		w.done.refused++
	default:
		w.wasted[a.ID] = true
		w.done.unheard++
		return 1
	}
	return 0
}

func (w *whole) View() engine.View { return w.d.core.View() }
func (w *whole) Failing() bool     { return w.d.failed.Load() != nil }

func (w *whole) Net(up bool) {
	w.cut = !up
	if w.wire == nil {
		return
	}
	if w.wire.cut.Store(w.cut); w.cut {
		w.wire.sever()
	}
}

func (w *whole) Disk(full bool) {
	if full {
		w.done.full++
	}
	must(w.t, w.j.FillUp(w.t.Context(), full))
}

// Kill takes what is on the disk at this moment to the next life; the tail of the
// log may be torn.
func (w *whole) Kill() {
	w.done.kills++
	w.die()
	w.calm()
	w.asked = nil
	from := w.path()
	w.lives++
	must(w.t, os.MkdirAll(filepath.Dir(w.path()), 0o755))
	for _, end := range []string{"", "-wal"} {
		b, err := os.ReadFile(from + end)
		if end != "" && errors.Is(err, os.ErrNotExist) {
			continue
		}
		must(w.t, err)
		if end != "" && w.r.IntN(2) == 0 {
			b = append(b, bytes.Repeat([]byte{0x37}, w.r.IntN(5000))...)
		}
		must(w.t, os.WriteFile(w.path()+end, b, 0o644))
	}
	if w.wire != nil {
		w.wire.end()
	}
	must(w.t, w.j.Close())
}

// try is how a sending fares: not taken, or taken and not acknowledged.
func (w *whole) try() (taken, acknowledged bool) {
	w.done.tries++
	x := w.r.Float64()
	taken = !w.cut && x > 0.3
	acknowledged = taken && x > 0.5
	if !acknowledged {
		w.done.bad++
	}
	return taken, acknowledged
}

var errLink = errors.New("the connection broke")

// handset is the phone.
type handset struct{ w *whole }

func (handset) Name() string { return "phone" }

func (h handset) Send(_ context.Context, n alert.Note) error {
	taken, acknowledged := h.w.try()
	if taken {
		if _, again := h.w.notes[n.ID]; !again {
			h.w.done.notes++
		}
		h.w.notes[n.ID] = n.Title
	}
	if !acknowledged {
		return errLink
	}
	return nil
}

// send lets every sender look once.
func (w *whole) send() {
	ctx := w.t.Context()
	w.looks++
	if err := w.phone.turn(ctx, time.Now()); err != nil && !errors.Is(err, errLink) && !w.Failing() {
		w.fault("alerts: %v", err)
	}
	if w.wire != nil {
		if w.looks%w.wire.each == 0 {
			more, err := w.wire.writer.Turn(ctx, w.table) // it is tried again
			w.drained = !more && err == nil
		}
		return
	}
	if err := w.publish(ctx); err != nil && !w.Failing() {
		w.fault("events: %v", err)
	}
	if w.looks%5 == 0 {
		if err := w.write(ctx); err != nil && !w.Failing() {
			w.fault("station: %v", err)
		}
	}
}

// settled is how long an acknowledgement rests before its event is struck off, as
// in package mqtt.
const settled = 3 * time.Second

// publish is a session with the broker. A lost one begins after what was struck off.
func (w *whole) publish(ctx context.Context) error {
	list, err := w.events.Next(ctx, w.sent, 64)
	if err != nil {
		return err
	}
	if len(list) > 0 {
		taken, acknowledged := w.try()
		if !acknowledged { // the connection breaks somewhere among them
			for _, m := range list[:w.r.IntN(len(list)+1)] {
				if taken {
					w.receive(m)
				}
			}
			w.sent, w.flying = 0, nil
			return nil
		}
	}
	for _, m := range list {
		w.receive(m)
		w.sent, w.flying = m.Seq, append(w.flying, flight{m.Seq, time.Now()})
	}
	for len(w.flying) > 0 && time.Since(w.flying[0].at) >= settled {
		if err := w.events.Done(ctx, w.flying[0].seq); err != nil {
			return err
		}
		w.flying = w.flying[1:]
	}
	return nil
}

func (w *whole) receive(m telemetry.Message) {
	if old, again := w.broker[m.Seq]; again && old != string(m.Payload) {
		w.fault("event %d came as %s and as %s", m.Seq, old, m.Payload)
	}
	w.broker[m.Seq] = string(m.Payload)
}

// place is what makes a line of the write protocol another row: its series and its time.
func place(line string) string {
	series := 0
	for series < len(line) && (line[series] != ' ' || line[series-1] == '\\') {
		series++
	}
	return line[:series] + line[strings.LastIndexByte(line, ' '):]
}

// write is one look of the database's writer.
func (w *whole) write(ctx context.Context) error {
	points, err := w.table.Next(ctx, influx.MaxPoints)
	w.drained = err == nil && len(points) == 0
	if err != nil || len(points) == 0 {
		return err
	}
	taken, acknowledged := w.try()
	if taken {
		for _, p := range points {
			key := place(p.Line())
			if old, again := w.rows[key]; again && old != p.Line() {
				w.fault("two rows at one place: %s and %s", old, p.Line())
			}
			w.rows[key] = p.Line()
		}
	}
	if !acknowledged {
		return nil
	}
	return w.table.Done(ctx, nil)
}

// finish gives the senders their time and holds everything against everything.
func (w *whole) finish() {
	if w.d == nil {
		return
	}
	if w.wire != nil { // a publisher may rest for a minute after many tries in vain
		w.wire.end()
		w.wire.begin(w)
		w.wire.each = 5
	}
	for range 600 {
		w.rest(5 * time.Second)
		w.now += 5 * time.Second
		w.reap()
		w.answers()
		w.send()
		if w.drained && w.waiting() == 0 {
			break
		}
	}
	if n := w.waiting(); n > 0 || !w.drained {
		w.fault("%d events wait for good, or rows; links cut: %v, archive failing: %v", n, w.cut, w.Failing())
	}
	w.die()
	if w.wire != nil {
		w.wire.end()
		w.wire.had(w)
	}
	if n := len(w.asked); n > 0 {
		w.fault("%d words wait for an answer for good", n)
	}
	w.done.saved, w.done.rows = len(w.kept), len(w.rows)
	entries, err := w.j.EventsAfter(w.t.Context(), 0, 1<<20)
	must(w.t, err)
	w.archived(entries)
	w.received(entries)
	w.recounted()
	w.runs()
	w.givenUp()
}

func (w *whole) waiting() (all int) {
	for _, o := range []*journal.Outbox{w.phone.Keep, w.table.Keep, w.events.Keep} {
		n, err := o.Waiting(w.t.Context())
		must(w.t, err)
		all += n
	}
	return all
}

// archived: what the core said and was saved is there in its order, once each; the
// daemon's own notes stand between. Every word said to be taken is there once.
func (w *whole) archived(entries []journal.Entry) {
	k := 0
	words := map[string]int{}
	for i := range entries {
		e, err := entries[i].Event()
		must(w.t, err)
		if e.Kind == engine.ActionEvent {
			words[e.Action]++
		}
		if k < len(w.kept) {
			text, err := json.Marshal(&w.kept[k])
			must(w.t, err)
			if bytes.Equal(text, entries[i].JSON) {
				k++
				continue
			}
		}
		if e.Kind != engine.NoteEvent {
			w.fault("the archive has event %d, which is not the next that was saved: %s", entries[i].Seq, entries[i].JSON)
			return
		}
	}
	if k < len(w.kept) {
		w.fault("the archive lacks %d of %d events, first %+v", len(w.kept)-k, len(w.kept), w.kept[k])
	}
	for id := range w.taken {
		if words[id] != 1 {
			w.fault("word %s was said to be taken; the archive has it %d times", id, words[id])
		}
	}
	for id := range w.wasted {
		if words[id] != 0 {
			w.fault("word %s was said to be not taken; the archive has it", id)
		}
	}
}

// received: each receiver has all of the archive that is for it, and nothing else.
// The phone is told of an alarm's cause, not of what follows from it.
func (w *whole) received(entries []journal.Entry) {
	known := map[string]bool{}
	for i := range entries {
		e, err := entries[i].Event()
		must(w.t, err)
		if _, ok := w.broker[entries[i].Seq]; !ok {
			w.fault("the broker has not got event %d", entries[i].Seq)
		}
		if e.Kind != engine.AlarmEvent {
			continue
		}
		id := "box-" + keyOf(e)
		known[id] = true
		if _, ok := w.notes[id]; !ok && e.State == "raised" && e.Cause == "" && (e.Priority == "critical" || e.Priority == "high") {
			w.fault("the phone was not told of %s", id)
		}
	}
	if len(w.broker) != len(entries) {
		w.fault("the broker has %d events, the archive %d", len(w.broker), len(entries))
	}
	for id, title := range w.notes {
		if e, err := strconv.ParseUint(id[len("box-"):], 10, 64); !known[id] && !w.gone[id] && (err != nil || w.broker[e] == "") {
			w.fault("the phone was told %s (%s), which the archive has not", id, title)
		}
	}
	n := 0
	for key := range w.rows {
		if len(key) >= len("boxd_event") && key[:len("boxd_event")] == "boxd_event" {
			n++
		}
	}
	if n != len(entries) {
		w.fault("the database has %d rows of events, the archive %d events", n, len(entries))
	}
}

// recounted: the database has the archive's points, as one who never failed gives them.
func (w *whole) recounted() {
	ctx, n := w.t.Context(), 0
	again := &Station{Box: "box", Journal: w.j, Keep: w.absent(), Refused: filepath.Join(w.root, "refused"), known: true} // from the beginning
	for {
		points, err := again.Next(ctx, influx.MaxPoints)
		must(w.t, err)
		if len(points) == 0 {
			break
		}
		for _, p := range points {
			n++
			if key := place(p.Line()); w.rows[key] != p.Line() {
				w.fault("the archive gives the row %s, the database has %q", p.Line(), w.rows[key])
				return
			}
		}
		again.mark = again.pending
	}
	if n != len(w.rows) {
		w.fault("the database has %d rows, the archive gives %d", len(w.rows), n)
	}
}

// absent is the outbox of a receiver that takes nothing.
func (w *whole) absent() *journal.Outbox {
	o, err := w.j.Outbox(w.t.Context(), "absent")
	must(w.t, err)
	return o
}

// givenUp: what the absent receiver is not kept, by age and then by size, is counted and
// said to the last one; nobody else loses any, and a run stays.
func (w *whole) givenUp() {
	ctx, o := w.t.Context(), w.absent()
	all, err := o.Waiting(ctx)
	must(w.t, err)
	last := w.j.LastSeq()
	runs, err := w.j.Runs(ctx)
	must(w.t, err)
	u := &Upkeep{Journal: w.j, Hub: w.hub, Log: slog.New(slog.DiscardHandler)}
	said := func(bound string) {
		for _, had := range []*journal.Outbox{w.phone.Keep, w.table.Keep, w.events.Keep} {
			must(w.t, had.Done(ctx, w.j.LastSeq())) // the notes of it
		}
		lost, err := w.j.LostTotal(ctx)
		must(w.t, err)
		waits, err := o.Waiting(ctx)
		must(w.t, err)
		if notes := int(w.j.LastSeq() - last); int(lost)+waits != all+notes {
			w.fault("by %s %d are given up and %d wait, of %d and %d notes", bound, lost, waits, all, notes)
		}
		if text := u.Trouble(); lost > 0 && !(strings.Contains(text, "that absent had not taken") && strings.Contains(text, fmt.Sprintf("%d in all", lost))) {
			w.fault("by %s %d are given up, and said is %q", bound, lost, u.Trouble())
		}
	}
	if len(runs) == 0 {
		return
	}
	must(w.t, u.drop(ctx, runs[0].Start))
	said("age")
	for more := true; more; {
		more, err = u.shrink(ctx)
		must(w.t, err)
	}
	said("size")
	if runs, err = w.j.Runs(ctx); err != nil || len(runs) == 0 {
		w.fault("no run is left: %v", err)
	}
}

// runs: each that began has its record, an end and a summary; one that could not be
// taken up again has a note that says so.
func (w *whole) runs() {
	list, err := w.j.Runs(w.t.Context())
	must(w.t, err)
	began := map[string]int{}
	for _, e := range w.kept {
		if e.Kind == engine.RunEvent && e.State == "started" {
			began[e.Name]++
		}
	}
	for _, r := range list {
		if began[r.ID] != 1 {
			w.fault("run %s is in the archive and was begun %d times", r.ID, began[r.ID])
		}
		delete(began, r.ID)
		if !r.Ended {
			w.fault("run %s has no end", r.ID)
		}
		if r.Summary == nil && !w.cutOff(r.ID) {
			w.fault("run %s has neither a summary nor a word why", r.ID)
		}
	}
	for id := range began {
		w.fault("run %s is not in the archive", id)
	}
}

func (w *whole) cutOff(run string) bool {
	list, err := w.j.Events(w.t.Context(), run)
	must(w.t, err)
	for _, e := range list {
		if e.Kind == engine.NoteEvent && bytes.Contains(e.JSON, []byte("could not be taken up again")) {
			return true
		}
	}
	return false
}
