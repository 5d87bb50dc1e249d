// Package daemon runs the core beside the world: one goroutine owns the core,
// takes samples and persons' words, saves what came of them and only then shows
// it. It opens no output; what a person confirms goes into the core and nowhere
// else.
package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/journal"
	"boxd/internal/record"
	"boxd/internal/say"
	"boxd/internal/telemetry"
	"boxd/internal/web"
)

// Source gives the samples of one beat. It is called by one goroutine.
type Source interface {
	// Samples appends to dst what was measured up to mono, the core's time. An
	// error that ends the source is io.EOF or worth stopping for; a sensor's
	// trouble is a faulty sample instead.
	Samples(ctx context.Context, mono time.Duration, dst []box.Sample) ([]box.Sample, error)
}

// Options are what a daemon needs.
type Options struct {
	Core       engine.Config
	ConfigText string
	Version    string
	Journal    *journal.Journal
	Source     Source
	Hub        *telemetry.Hub
	Log        *slog.Logger
	Beat       time.Duration                                 // core time between turns
	Idle       time.Duration                                 // without samples and words the core is turned this seldom; 0: at every beat. At Speed 1 alone
	Speed      float64                                       // core seconds in a real second; 1 but for simulations
	Start      time.Time                                     // wall time of core time zero
	Wall       func() time.Time                              // the clock that labels the turns at Speed 1; nil: the board's
	Link       func() box.Surrounding                        // how the link to the broker fares; nil: there is none
	Unsaved    *Unsaved                                      // gets the alarms that the archive can't take; nil: nobody wants them
	StandIn    string                                        // why the journal is one in memory, in place of the real one; empty: it is the real one
	Board      func() []box.Vital                            // how the board fares, asked at each turn; nil: nobody knows
	Trouble    func() string                                 // what else is wrong with the archive's room; empty: nothing. nil: nobody looks
	Alive      func()                                        // called by the core's own goroutine after each turn, and at once; nil: nobody asks
	machine    func() (boot string, up time.Duration)        // of a trial: which switching on this is, and since when; nil: as the system says
	commit     func(context.Context, ...journal.Batch) error // of a trial: a slower disk; nil: the journal's
}

// Daemon is the running box. Its methods but Run may be called by anybody.
type Daemon struct {
	o      Options
	core   *engine.Engine
	asks   chan *ask
	over   chan struct{} // closed when Run has ended
	mono   time.Duration
	base   time.Duration // core time at the start of this life
	began  time.Time     // of this life: what its start takes counts as passed
	run    string
	inputs []byte
	minute time.Duration          // core time of the estimates kept last; 0: none in this run
	again  []box.Action           // to be said to the core in its first turn
	due    []journal.Batch        // to be handed over to the disk, oldest first
	words  []word                 // of due
	saving *saving                // handed over; nil: nothing
	synced time.Time              // when something was handed over last
	failed atomic.Pointer[string] // why the archive can't be written
	full   atomic.Bool            // it is the disk's room
	hands  atomic.Int32           // on valves: how many want each beat

	tap func(engine.Output) // a trial's ear at the core; nil in service

	mu     sync.Mutex
	view   engine.View
	shown  time.Time
	trace  []web.Point
	onShow onShow
	inVain inVain
}

// ask is a person's word and who waits for the answer: several, where it was sent again.
type ask struct {
	action box.Action
	to     []chan web.Answer
}

func (a *ask) say(to web.Answer) {
	for _, c := range a.to {
		c <- to
	}
}

const (
	maxAsks   = 32
	maxTrace  = 5400 // points of the plots
	maxDue    = 600  // turns kept while the archive can't be written
	maxInputs = 64 << 10
)

// advicesInLife is how many bits number the advice of one life. What a page still
// shows from an earlier life then answers nothing in this one.
const advicesInLife = 16

// New makes a daemon and, where the archive holds a run that was not ended,
// takes it up again.
func New(ctx context.Context, o Options) (*Daemon, error) {
	// What the archive has grown to tells this life's runs from any other's.
	o.Core.RunSuffix = "-" + strconv.FormatUint(o.Journal.LastSeq(), 36)
	o.Core.AdviceAfter = o.Journal.LastSeq() << advicesInLife
	if o.commit == nil {
		o.commit = o.Journal.Commit
	}
	d := &Daemon{o: o, began: time.Now(), asks: make(chan *ask, maxAsks), over: make(chan struct{})}
	if err := d.recall(ctx); err != nil {
		return nil, err
	}
	if err := d.recallForecast(ctx); err != nil {
		return nil, err
	}
	d.core = engine.New(d.o.Core)
	if err := d.resume(ctx); err != nil {
		return nil, err
	}
	d.markLife(ctx)
	return d, nil
}

// resume feeds the inputs of an unfinished run to the core, which so comes to
// the state it was in, and leaves a gap of core time for what nobody saw.
func (d *Daemon) resume(ctx context.Context) error {
	r, ok, err := d.o.Journal.Unfinished(ctx)
	if err != nil || !ok {
		return err
	}
	was := d.o.Core
	if _, suffix, ok := strings.Cut(r.ID, "-"); ok {
		was.RunSuffix = "-" + suffix
	}
	d.core = engine.New(was)
	var last engine.Input
	for in, err := range d.o.Journal.Inputs(ctx, r.ID) {
		if err != nil {
			return fmt.Errorf("cannot take up run %s: %w", r.ID, err)
		}
		d.core.Step(*in)
		last.Mono, last.Wall = in.Mono, in.Wall
	}
	v := d.core.View()
	if v.Run != r.ID {
		// Its inputs don't lead back into it (an older version's rules, or none
		// were saved): it is ended as it stands.
		d.o.Core.Past = d.o.Core.Past.Lost(d.zone(), r.ID)
		d.core = engine.New(d.o.Core)
		note := engine.Event{T: last.Mono.Seconds(), Wall: d.o.Start, Kind: engine.NoteEvent, Text: "run " + r.ID + " was cut off by a restart and could not be taken up again"}
		return d.o.Journal.Commit(ctx, journal.Batch{Run: r.ID, Events: []engine.Event{note}, End: &journal.RunEnd{Wall: d.o.Start, T: last.Mono.Seconds()}, State: d.memory(&d.o.Core.Past)})
	}
	gap, unseen := d.away(ctx, last)
	d.run, d.base = r.ID, last.Mono+gap
	note := engine.Event{T: d.base.Seconds(), Wall: d.o.Start, Kind: engine.NoteEvent,
		Text: "boxd restarted during this run: what the water did " + unseen + " was not seen"}
	return d.o.Journal.Commit(ctx, journal.Batch{Run: r.ID, Events: []engine.Event{note}})
}

// wasStopped is why the core no longer works when a person has stopped it.
const wasStopped = "boxd was stopped"

// Run turns the core until ctx ends or the source does; it is called once. A panic of the core is
// caught once: watchers read "stopped: do not rely on this".
func (d *Daemon) Run(ctx context.Context) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("the core stopped: %v", p)
		}
		if err != nil {
			d.o.Hub.Stop(err.Error())
		} else {
			d.o.Hub.Stop(wasStopped)
		}
		err = errors.Join(err, d.settle())
		d.refuseAll()
		close(d.over)
	}()
	period := time.Duration(float64(d.o.Beat) / d.o.Speed)
	tick := time.NewTicker(period)
	defer tick.Stop()
	var samples []box.Sample
	for {
		select {
		case <-ctx.Done():
			return nil
		case err := <-d.saved():
			d.finish(err)
			d.save(ctx)
			continue
		case <-tick.C:
		}
		now := d.base + time.Duration(float64(time.Since(d.began))*d.o.Speed)
		if d.o.Speed != 1 { // a simulation may lag, never skip
			now = max(d.mono, d.base) + d.o.Beat
		}
		samples, err = d.o.Source.Samples(ctx, now, samples[:0])
		if err != nil {
			return err
		}
		if len(samples)+len(d.asks)+len(d.again) == 0 && d.o.Speed == 1 && now-d.mono < d.o.Idle {
			continue
		}
		d.mono = now
		if err := d.turn(ctx, samples); err != nil {
			return err
		}
	}
}

// turn is one step of the core: input, step, save, show. Answers and views of what is
// not yet saved come once it is.
func (d *Daemon) turn(ctx context.Context, samples []box.Sample) error {
	in := engine.Input{Mono: d.mono, Wall: d.wall(), Samples: samples, Archive: d.archive()}
	if d.o.Link != nil {
		in.Link = brief(d.o.Link())
	}
	in.Actions, d.again = d.again, nil
	asks := d.take()
	for _, a := range asks {
		in.Actions = append(in.Actions, a.action)
	}
	out := d.core.Step(in)
	if d.tap != nil {
		d.tap(out)
	}
	d.keep(in, out)
	d.estimate()
	d.hear(asks, out.Events)
	d.save(ctx)
	if len(asks)+len(out.Events) > 0 || !d.shownLately() {
		d.show()
	}
	if d.o.Alive != nil {
		d.o.Alive()
	}
	return nil
}

// archive is how the archive fared in the turns before.
func (d *Daemon) archive() box.Surrounding {
	if why := d.failed.Load(); why != nil {
		return brief(box.Surrounding{Health: box.Failing, Why: *why})
	}
	if d.o.StandIn != "" {
		return brief(box.Surrounding{Health: box.Failing, Why: d.o.StandIn})
	}
	if d.o.Trouble != nil {
		if why := d.o.Trouble(); why != "" {
			return brief(box.Surrounding{Health: box.Failing, Why: why})
		}
	}
	return box.Surrounding{Health: box.Well}
}

// maxWhy bounds a reason, which is logged with every turn it holds in.
const maxWhy = 160

func brief(s box.Surrounding) box.Surrounding {
	if len(s.Why) > maxWhy {
		s.Why = strings.ToValidUTF8(s.Why[:maxWhy], "") + "…"
	}
	return s
}

// wall is the label of this turn: the clock's own word, which a board without a
// battery sets right only after its start; in a simulation, simulated time.
func (d *Daemon) wall() time.Time {
	if d.o.Speed == 1 && d.o.Wall != nil {
		return d.o.Wall().Round(0) // without Go's hidden monotonic reading
	}
	if d.o.Speed == 1 {
		return time.Now().Round(0)
	}
	return d.o.Start.Add(d.mono - d.base)
}

// take empties the queue of persons' words. While the archive can't be written
// nothing can be confirmed, for it would not survive.
func (d *Daemon) take() []*ask {
	var out []*ask
	for {
		select {
		case a := <-d.asks:
			if why := d.failed.Load(); why != nil && a.action.Kind != box.Acknowledge {
				a.say(refused(say.T("not taken: the archive can't be written (%s)", *why)))
				continue
			}
			if !d.joined(a, out) {
				out = append(out, a)
			}
		default:
			return out
		}
	}
}

// keep lines up what this turn leaves to be saved.
func (d *Daemon) keep(in engine.Input, out engine.Output) {
	events := out.Events
	started, ended := "", false
	for i := range events {
		if e := &events[i]; e.Kind == engine.RunEvent {
			if e.State == "started" {
				started = e.Name
			} else {
				ended = true
			}
		}
	}
	if started != "" {
		d.cut()
		d.run = started
	}
	if d.run != "" {
		in.Actions = accepted(in.Actions, events)
		if b, err := record.AppendInput(d.inputs, &in); err == nil {
			d.inputs = b
		} else {
			d.o.Log.Error("cannot log an input", "error", err)
		}
	}
	if len(events) == 0 && !ended && out.Memory == nil {
		return
	}
	b := journal.Batch{Run: d.run, Inputs: d.inputs, Events: append([]engine.Event(nil), events...), State: d.keepForecast(d.memory(out.Memory), events)}
	d.inputs = nil
	if started != "" {
		b.Start = &journal.RunStart{ID: started, Zone: d.o.Core.Zone.Zone().Name, Box: d.o.Core.Box, Wall: in.Wall, T: in.Mono.Seconds(), Config: d.o.ConfigText, Software: d.o.Version}
	}
	if ended {
		b.End = &journal.RunEnd{Wall: in.Wall, T: in.Mono.Seconds()}
		d.run = ""
	}
	d.due = append(d.due, b)
}

// cut lines up logged inputs without events.
func (d *Daemon) cut() {
	if len(d.inputs) > 0 {
		d.due = append(d.due, journal.Batch{Run: d.run, Inputs: d.inputs})
		d.inputs = nil
	}
}

// Full says whether the last commit found the disk full.
func (d *Daemon) Full() bool { return d.full.Load() }

// accepted are the words that counted, as reports of what was done: the number
// of an advice means nothing once the core starts from the log.
func accepted(actions []box.Action, events []engine.Event) []box.Action {
	var out []box.Action
	for _, a := range actions {
		for i := range events {
			e := &events[i]
			if e.Kind != engine.ActionEvent || e.Action != a.ID {
				continue
			}
			if deed, ok := box.DeedByWord(e.Deed); ok && a.Kind == box.Confirm {
				a.Kind, a.Deed, a.Advice = box.Report, deed, 0
			}
			out = append(out, a)
			break
		}
	}
	return out
}

func stopping() web.Answer { return refused(say.T("boxd is stopping: nothing is taken any more")) }

func (d *Daemon) refuseAll() {
	for {
		select {
		case a := <-d.asks:
			a.say(stopping())
		default:
			return
		}
	}
}

// calmly is how old a view may grow when nothing happens: two views a second then.
const calmly = 490 * time.Millisecond

// shownLately says that the last view will do. Where somebody looks at the valve's page
// each beat is shown.
func (d *Daemon) shownLately() bool {
	return d.hands.Load() == 0 && d.o.Speed == 1 && d.Age() > 0 && d.Age() < calmly
}

// show lets everybody see what the core sees, if nothing of it is yet to be saved.
func (d *Daemon) show() {
	if !d.held() {
		d.publish(d.core.View(), time.Now())
	}
}

// publish makes a view of the core the one everybody sees.
func (d *Daemon) publish(v engine.View, made time.Time) {
	if d.o.Board != nil {
		if vitals := d.o.Board(); len(vitals) > 0 {
			v.Board = engine.BoardViews(vitals)
		}
	}
	d.mu.Lock()
	d.shown = made
	now := time.Now()
	d.inVain.tell(&v, now)
	d.view = v
	d.onShow.see(&v, now)
	if n := len(d.trace); n == 0 || v.T-d.trace[n-1].T >= 0.99 {
		if n >= maxTrace {
			d.trace = append(d.trace[:0], d.trace[n/4:]...)
		}
		d.trace = append(d.trace, web.PointOf(v))
	}
	d.mu.Unlock()
	d.o.Hub.Publish(&v)
}
