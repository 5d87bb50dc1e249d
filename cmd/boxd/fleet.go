package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"boxd/internal/engine"
	"boxd/internal/safety"
	"boxd/internal/telemetry"
	"boxd/internal/telemetry/broker"
	"boxd/internal/telemetry/mqtt"
)

// Bounds and paces of a simulated fleet.
const (
	mostBoxes  = 5000
	fleetEach  = 5 * time.Millisecond // between two boxes' starts: a broker takes some hundred a second
	fleetTells = 5 * time.Second
	slowestBox = 0.02 // views a second
	mostEvents = 2000 // that wait in a box for the broker; the oldest go then
)

// fleetFlags are how a fleet is called.
type fleetFlags struct {
	boxes   int
	rate    float64
	seed    uint64
	to      mqtt.Config
	listen  string
	measure time.Duration
	page    string
}

func (o fleetFlags) fault() string {
	switch {
	case o.boxes < 1 || o.boxes > mostBoxes:
		return fmt.Sprintf("-boxes %d: it is 1 to %d", o.boxes, mostBoxes)
	case !(o.rate >= slowestBox && o.rate <= 1):
		return fmt.Sprintf("-rate %g: it is %g to 1; a box publishes no value more often than once a second", o.rate, slowestBox)
	case o.measure < 0 || o.page != "" && o.measure == 0:
		return "-measure says for how long, as 1m; -page goes with it"
	}
	return ""
}

func runFleet(a *app, args []string) error {
	f := a.flags("fleet")
	var o fleetFlags
	f.IntVar(&o.boxes, "boxes", 1000, "how many, 1 to 5000")
	f.Float64Var(&o.rate, "rate", 1, "views a second of each box, 0.02 to 1")
	f.Uint64Var(&o.seed, "seed", 1, "the same seed plays the same runs")
	f.StringVar(&o.to.URL, "broker", "", "`URL` of the broker to publish to; default: one of its own")
	f.StringVar(&o.to.User, "user", "", "`NAME` at the broker")
	f.StringVar(&o.to.PasswordFile, "password-file", "", "`FILE` with the password at the broker")
	f.StringVar(&o.to.CAFile, "ca-file", "", "`FILE` with the authority that signed the broker's certificate")
	f.StringVar(&o.to.CertFile, "cert-file", "", "`FILE` with the boxes' own certificate for the broker")
	f.StringVar(&o.to.KeyFile, "key-file", "", "`FILE` with its key")
	f.StringVar(&o.listen, "listen", "127.0.0.1:1883", "`ADDR` of its own broker")
	f.DurationVar(&o.measure, "measure", 0, "for so long, once all boxes are live, time how soon a station's page shows what changed; then end")
	f.StringVar(&o.page, "page", "", "`URL` of the station's page to time; default: a station of its own")
	if err := a.parse(f, args, 0); err != nil {
		return err
	}
	if fault := o.fault(); fault != "" {
		return a.usage(f, "%s", fault)
	}
	if o.to.URL == "" {
		b, err := broker.StartWith(broker.Options{Addr: o.listen, Clients: o.boxes + 64})
		if err != nil {
			return err
		}
		defer func() { _ = b.Close() }()
		o.to.URL = b.URL()
		o.to.User, o.to.Password = b.Credentials()
	}
	return a.playFleet(o)
}

func (a *app) playFleet(o fleetFlags) error {
	fl := fleet{to: o.to, rate: o.rate, seed: o.seed, log: slog.New(slog.NewTextHandler(a.err, &slog.HandlerOptions{Level: slog.LevelWarn}))}
	if _, err := fl.box(0); err != nil { // what is wrong with the broker's settings is wrong for all
		return err
	}
	fmt.Fprintf(a.out, "simulating runs …\n")
	var err error
	if fl.tapes, err = recordTapes(o.seed); err != nil {
		return err
	}
	fmt.Fprintf(a.out, "fleet      %d simulated boxes   topics boxd/#\nstop       Ctrl-C\n", o.boxes)
	ctx, cancel := context.WithCancel(a.ctx)
	defer cancel()
	var wg sync.WaitGroup
	defer wg.Wait()
	if o.measure == 0 {
		wg.Go(func() { fl.tell(ctx, a.out) })
		return fl.run(ctx, o.boxes)
	}
	fl.changes = newChanges()
	failed := make(chan error, 1)
	wg.Go(func() {
		failed <- measureFleet(ctx, a.out, &fl, o)
		cancel()
	})
	if err := fl.run(ctx, o.boxes); err != nil {
		return err
	}
	return <-failed
}

// fleet are many boxes with links of their own to one broker, as real boxes have.
type fleet struct {
	tapes   []tape
	to      mqtt.Config
	rate    float64 // views a second of each box
	seed    uint64
	log     *slog.Logger
	changes *changes // told what each box shows; nil: nobody times it

	mu    sync.Mutex // boxes are added one by one, tell looks at them
	boxes []*fleetBox
	shown atomic.Uint64 // views
}

// run plays n boxes until ctx ends.
func (f *fleet) run(ctx context.Context, n int) error {
	var wg sync.WaitGroup
	defer wg.Wait()
	pace := time.NewTicker(fleetEach)
	defer pace.Stop()
	for i := range n {
		b, err := f.box(i)
		if err != nil {
			return err
		}
		f.mu.Lock()
		f.boxes = append(f.boxes, b)
		f.mu.Unlock()
		wg.Go(func() { b.run(ctx) })
		select {
		case <-ctx.Done():
			return nil
		case <-pace.C:
		}
	}
	<-ctx.Done()
	return nil
}

// count is how many boxes are connected, and what all have sent.
func (f *fleet) count() (up int, sent uint64) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, b := range f.boxes {
		if b.pub.Link().Up {
			up++
		}
		sent += b.pub.Sent()
	}
	return up, sent
}

// tell says every few seconds what is achieved.
func (f *fleet) tell(ctx context.Context, out io.Writer) {
	tick := time.NewTicker(fleetTells)
	defer tick.Stop()
	var views, sent uint64
	for last := time.Now(); ; {
		select {
		case <-ctx.Done():
			return
		case now := <-tick.C:
			up, all := f.count()
			shown, took := f.shown.Load(), now.Sub(last).Seconds()
			perBox := float64(shown-views) / took / float64(max(1, up))
			fmt.Fprintf(out, "%d boxes connected, %.2f views a second each of %g, %.0f messages a second in all\n", up, perBox, f.rate, float64(all-sent)/took)
			views, sent, last = shown, all, now
		}
	}
}

// fleetBox is one box: its publisher is that of the daemon.
type fleetBox struct {
	fleet  *fleet
	name   string
	tape   tape
	from   int // where in the tape it begins
	pub    *mqtt.Publisher
	events waiting
}

func fleetName(i int) string { return fmt.Sprintf("box-%04d", i+1) }

// box makes the i-th: one in twenty has trouble.
func (f *fleet) box(i int) (*fleetBox, error) {
	c := f.to
	c.Box = fleetName(i)
	for _, d := range safety.Definitions() {
		c.Alarms = append(c.Alarms, d.ID)
	}
	log := f.log
	if i > 0 { // what goes wrong goes wrong for all, and tell says for how many
		log = slog.New(slog.DiscardHandler)
	}
	p, err := mqtt.New(c, log)
	if err != nil {
		return nil, err
	}
	b := &fleetBox{fleet: f, name: c.Box, pub: p}
	// Numbers of events rise from one life of the fleet to the next.
	b.events.seq = uint64(time.Now().UnixMilli())
	if len(f.tapes) > 0 {
		which := 0
		if i%20 == 19 {
			which = 1 + i/20%(len(f.tapes)-1)
		}
		b.tape = f.tapes[which]
		b.from = int((f.seed + uint64(i)) * 7919 % uint64(len(b.tape))) // spread over the run
	}
	return b, nil
}

// run shows a view at each beat until ctx ends.
func (b *fleetBox) run(ctx context.Context) {
	hub := telemetry.NewHub(1)
	var wg sync.WaitGroup
	defer wg.Wait()
	wg.Go(func() { b.pub.Run(ctx, hub, &b.events) })
	tick := time.NewTicker(time.Duration(float64(time.Second) / b.fleet.rate))
	defer tick.Stop()
	for n := 0; ; n++ {
		b.show(hub, n, time.Now())
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

func (b *fleetBox) show(hub *telemetry.Hub, n int, now time.Time) {
	f := b.tape[(b.from+n)%len(b.tape)]
	v := *f.view
	v.Box, v.Wall, v.Seq = b.name, now, uint64(n)+1
	for _, e := range f.events {
		e.Wall = now
		if err := b.events.add(b.name, v.Run, e); err != nil {
			b.fleet.log.Error("an event is lost", "box", b.name, "err", err)
		}
	}
	b.fleet.shown.Add(1)
	b.fleet.changes.publish(&v)
	hub.Publish(&v)
}

// waiting is the outbox of a box without a journal.
type waiting struct {
	mu    sync.Mutex // the box adds, its publisher takes
	queue []telemetry.Message
	seq   uint64
}

func (w *waiting) add(box, run string, e engine.Event) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.seq++
	m, err := telemetry.EventMessage(box, run, w.seq, e)
	if err != nil {
		return err
	}
	w.queue = append(w.queue, m)
	if over := len(w.queue) - mostEvents; over > 0 {
		w.queue = append(w.queue[:0], w.queue[over:]...)
	}
	return nil
}

// Next gives those not yet sent.
func (w *waiting) Next(_ context.Context, after uint64, most int) (out []telemetry.Message, err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, m := range w.queue {
		if m.Seq > after && len(out) < most {
			out = append(out, m)
		}
	}
	return out, nil
}

// Done strikes off what the broker has.
func (w *waiting) Done(_ context.Context, upto uint64) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	n := 0
	for n < len(w.queue) && w.queue[n].Seq <= upto {
		n++
	}
	w.queue = append(w.queue[:0], w.queue[n:]...)
	return nil
}
