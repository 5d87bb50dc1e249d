package main

import (
	"context"
	"fmt"
	"log/slog"
	"net/url"
	"sync"
	"time"

	"boxd/config"
	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/safety"
	"boxd/internal/simbox"
	"boxd/internal/telemetry"
	"boxd/internal/telemetry/broker"
	"boxd/internal/telemetry/mqtt"
)

// Bounds and paces of a simulated fleet.
const (
	mostBoxes   = 5000
	fleetBeat   = time.Second
	fleetEach   = 5 * time.Millisecond // between two boxes' starts: a broker takes some hundred a second
	tapeEvery   = 4                    // box seconds from one view to the next: a run of an hour plays in a quarter
	tapeLongest = 2 * time.Hour        // no run is longer
)

func runFleet(a *app, args []string) error {
	f := a.flags("fleet")
	n := f.Int("boxes", 1000, "how many, 1 to 5000")
	to := f.String("broker", "", "`URL` of the broker to publish to; default: one of its own")
	user := f.String("user", "", "`NAME` at the broker")
	secret := f.String("password-file", "", "`FILE` with the password at the broker")
	listen := f.String("listen", "127.0.0.1:1883", "`ADDR` of its own broker")
	if err := a.parse(f, args, 0); err != nil {
		return err
	}
	if *n < 1 || *n > mostBoxes {
		return a.usage(f, "-boxes %d: it is 1 to %d", *n, mostBoxes)
	}
	c := mqtt.Config{URL: *to, User: *user, PasswordFile: *secret}
	if *to == "" {
		b, err := broker.StartWith(broker.Options{Addr: *listen, Clients: *n + 64})
		if err != nil {
			return err
		}
		defer func() { _ = b.Close() }()
		c.URL = b.URL()
		c.User, c.Password = b.Credentials()
	} else if u, err := url.Parse(*to); err == nil && u.User != nil {
		return a.usage(f, "-broker: give user and password apart, with -user and -password-file")
	}
	fmt.Fprintf(a.out, "simulating runs …\n")
	tapes, err := recordTapes()
	if err != nil {
		return err
	}
	fmt.Fprintf(a.out, "fleet      %d simulated boxes at %s   topics boxd/#\nstop       Ctrl-C\n", *n, c.URL)
	fl := fleet{tapes: tapes, to: c, log: slog.New(slog.NewTextHandler(a.err, &slog.HandlerOptions{Level: slog.LevelWarn}))}
	return fl.run(a.ctx, *n)
}

// tape is what a core showed of a simulated run, a view every few seconds.
type tape []*engine.View

// recordTapes plays runs of one zone: most boxes have the first, whole one; in
// the others something goes wrong.
func recordTapes() ([]tape, error) {
	cfg, err := config.Parse("the simulated fleet's configuration", config.Default())
	if err != nil {
		return nil, err
	}
	troubles := []func(*simbox.Plant){
		nil,
		func(p *simbox.Plant) { p.Burst(250) },
		func(p *simbox.Plant) { p.SetFilter(12) },
	}
	out := make([]tape, len(troubles))
	for i, trouble := range troubles {
		core, err := cfg.Engine("")
		if err != nil {
			return nil, err
		}
		now := time.Now()
		core.Backflow.LastTest, core.Backflow.NextDue = now.AddDate(0, -2, 0), now.AddDate(0, 10, 0)
		out[i] = playRun(core, trouble, now)
	}
	return out, nil
}

// troubleAt is when it comes, in box time: stock is on its way by then.
const troubleAt = 20 * time.Minute

func playRun(core engine.Config, trouble func(*simbox.Plant), now time.Time) (t tape) {
	sim, eng := newSimulation(core, now), engine.New(core)
	var who autoPerson
	var turns loopHand
	for mono := time.Duration(0); mono < tapeLongest; mono += time.Second {
		if mono == troubleAt && trouble != nil {
			trouble(sim.plant)
		}
		samples, _ := sim.Samples(context.Background(), mono, nil) // a simulated plant has no errors
		in := engine.Input{Mono: mono, Wall: now, Samples: samples, Actions: who.act(mono)}
		for _, e := range eng.Step(in).Events {
			if e.Kind == engine.ActionEvent {
				deed, _ := box.DeedByWord(e.Deed) // one it does not know moves nothing
				sim.do(deed)
			}
		}
		v := eng.View()
		if by, over := turns.look(&v.Loop, mono); by != 0 {
			sim.turn(by, over, false)
		}
		if !throttling(&v) {
			who.see(v, mono)
		}
		if int(mono/time.Second)%tapeEvery == 0 {
			t = append(t, &v)
		}
		if len(v.Past) > 0 && v.Run == "" {
			return t
		}
	}
	return t
}

// fleet are many boxes with links of their own to one broker, as real boxes have.
type fleet struct {
	tapes []tape
	to    mqtt.Config
	log   *slog.Logger
}

// run plays n boxes until ctx ends.
func (f fleet) run(ctx context.Context, n int) error {
	var wg sync.WaitGroup
	defer wg.Wait()
	pace := time.NewTicker(fleetEach)
	defer pace.Stop()
	for i := range n {
		b, err := f.box(i)
		if err != nil {
			return err
		}
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

// fleetBox is one box: its publisher is that of the daemon.
type fleetBox struct {
	name string
	tape tape
	from int // where in the tape it begins
	pub  *mqtt.Publisher
}

func fleetName(i int) string { return fmt.Sprintf("box-%04d", i+1) }

func (f fleet) box(i int) (*fleetBox, error) {
	c := f.to
	c.Box = fleetName(i)
	for _, d := range safety.Definitions() {
		c.Alarms = append(c.Alarms, d.ID)
	}
	p, err := mqtt.New(c, f.log)
	if err != nil {
		return nil, err
	}
	which := 0
	if i%20 == 19 { // one in twenty has trouble
		which = 1 + i/20%(len(f.tapes)-1)
	}
	t := f.tapes[which]
	return &fleetBox{name: c.Box, tape: t, from: i * 7919 % len(t), pub: p}, nil // spread over the run; 7919 is prime to its length
}

// run shows a view a second until ctx ends.
func (b *fleetBox) run(ctx context.Context) {
	hub := telemetry.NewHub(1)
	var wg sync.WaitGroup
	defer wg.Wait()
	wg.Go(func() { b.pub.Run(ctx, hub, noEvents{}) })
	tick := time.NewTicker(fleetBeat)
	defer tick.Stop()
	for n := 0; ; n++ {
		v := *b.tape[(b.from+n)%len(b.tape)]
		v.Box, v.Wall, v.Seq = b.name, time.Now(), uint64(n)+1
		hub.Publish(&v)
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// noEvents is the outbox of a box without a journal.
type noEvents struct{}

// Next has none.
func (noEvents) Next(context.Context, uint64, int) ([]telemetry.Message, error) { return nil, nil }

// Done has nothing to strike off.
func (noEvents) Done(context.Context, uint64) error { return nil }
