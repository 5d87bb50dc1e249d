package main

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"sync"
	"time"

	"boxd/config"
	"boxd/internal/box"
	"boxd/internal/daemon"
	"boxd/internal/engine"
	"boxd/internal/hydraulics"
	"boxd/internal/journal"
	"boxd/internal/simbox"
	"boxd/internal/units"
	"boxd/internal/web"
)

func runDemo(a *app, args []string) error {
	f := a.flags("demo")
	speed := f.Float64("speed", 25, "box seconds in a real second, 0.1 to 1000")
	person := f.String("person", "none", "who confirms: none (you, on the page) or auto")
	listen := f.String("listen", "127.0.0.1:8080", "`ADDR` of the web page")
	data := f.String("data", defaultData, "`DIR` of the archive")
	path := f.String("config", "", "configuration `FILE` of the box to simulate, with what it tells its links; default: an invented one")
	if err := a.parse(f, args, 0); err != nil {
		return err
	}
	if !(*speed >= 0.1 && *speed <= 1000) {
		return a.usage(f, "-speed %g: it is 0.1 to 1000", *speed)
	}
	if *person != "auto" && *person != "none" {
		return a.usage(f, "-person %s: it is auto or none", *person)
	}
	name, text, err := demoText(*path)
	if err != nil {
		return err
	}
	cfg, err := config.Parse(name, text)
	if err != nil {
		return err
	}
	core, err := cfg.Engine("")
	if err != nil {
		return err
	}
	// The demo's papers are invented; they never run out.
	now := time.Now()
	core.Backflow.LastTest, core.Backflow.NextDue = now.AddDate(0, -2, 0), now.AddDate(0, 10, 0)
	sim := newSimulation(core, now)
	tell := func(format string, args ...any) { fmt.Fprintf(a.out, format+"\n", args...) }
	tell("boxd demo: a simulated box, %g times as fast as real. Nothing here moves a real valve.", *speed)
	s := &service{cfg: cfg, text: string(text), core: core, source: sim, beat: time.Second, speed: *speed,
		data: *data, listen: *listen, wander: true, demo: true, tell: tell, log: slog.New(slog.NewTextHandler(a.err, &slog.HandlerOptions{Level: slog.LevelWarn})),
		before: sim.catchUp, wrap: func(c web.Core) web.Core { return hand{c, sim} }}
	s.after = func(ctx context.Context, d *daemon.Daemon) {
		if *person == "auto" {
			tell("person     auto: confirms each step by itself; look at the page")
			playPerson(ctx, d, hand{d, sim}, *speed)
		} else {
			tell("person     you: open the page and confirm each step; the simulated valves follow your word; the loop valve is turned as the advice says, the last part at your word")
			followLoop(ctx, d, sim)
		}
	}
	tell("stop       Ctrl-C; the archive keeps the run")
	if err := s.run(a.ctx); err != nil {
		return err
	}
	tell("stopped; the runs are in %s (boxd runs -data %s)", archiveFile(*data), *data)
	return nil
}

func demoText(path string) (name string, text []byte, err error) {
	if path == "" {
		return "the embedded demo configuration", config.Default(), nil
	}
	text, err = os.ReadFile(path)
	if err != nil {
		err = fmt.Errorf("cannot read the configuration: %w", err)
	}
	return path, text, err
}

// simulation is the simulated plant as a source of samples.
type simulation struct {
	mu    sync.Mutex // the core's goroutine samples, a person's hand turns valves
	plant *simbox.Plant
	at    time.Duration
	begun bool
	led   bool // a hand turns the loop valve by the advice
	word  bool // the person has said that the injector runs
}

func newSimulation(core engine.Config, now time.Time) *simulation {
	m := core.Zone
	spec := simbox.Spec{
		Paths: paths(m), LineVolume: m.LineVolume(), Flow: m.ExpectedFlow, Inlet: m.Zone().Inlet,
		Injector: simulatedInjector(core), Water: m.Zone().Water,
	}
	// The stock is as salty as the feed says; unknown is the recipe's own.
	spec.StockRise = units.USPerCm(core.Injector.ECPerGPerL * float64(core.Injector.Strength))
	return &simulation{plant: simbox.New(spec, uint64(now.UnixNano()))}
}

// simulatedInjector suits its block and has room left under its rating a tenth
// over what starts it.
func simulatedInjector(core engine.Config) simbox.Injector {
	j, m := core.Injector, core.Zone
	branch := min(j.RatedFlow.Scale(0.9), m.ExpectedFlow(m.Zone().Inlet).Scale(0.6))
	return simbox.Injector{Ratio: j.Ratio, Branch: branch, StartsAt: j.StartsAt, Throttle: j.StartsAt * 1.1}
}

// paths are the zone's emitters as the plant wants them.
func paths(m *hydraulics.Model) []simbox.Path {
	var out []simbox.Path
	for _, e := range m.Emitters() {
		out = append(out, simbox.Path{Row: e.Lateral, Share: e.Share, Volume: e.Volume})
	}
	return out
}

// Samples lets the plant run on to mono and reads its instruments.
func (s *simulation) Samples(_ context.Context, mono time.Duration, dst []box.Sample) ([]box.Sample, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.begun {
		s.plant.Step(mono - s.at)
	}
	s.begun, s.at = true, mono
	return s.plant.Samples(dst), nil
}

// catchUp brings the plant to where an unfinished run left it: a real box keeps
// its valves and its water while boxd is away. In between nothing moves.
func (s *simulation) catchUp(ctx context.Context, j *journal.Journal) error {
	r, ok, err := j.Unfinished(ctx)
	if err != nil || !ok {
		return err
	}
	var dst []box.Sample
	for in, err := range j.Inputs(ctx, r.ID) {
		if err != nil {
			return fmt.Errorf("cannot take up run %s: %w", r.ID, err)
		}
		if dst, err = s.Samples(ctx, in.Mono, dst[:0]); err != nil {
			return err
		}
		for _, a := range in.Actions {
			if a.Kind == box.Report {
				s.do(a.Deed)
				if a.Deed == box.InjectorOn { // a hand turned the loop valve next, which no log has
					s.do(box.LoopThrottled)
				}
			}
		}
	}
	s.begun = false
	return nil
}

func (s *simulation) do(d box.Deed) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.word = d == box.LoopThrottled || s.word && d != box.LoopOpened
	if d == box.LoopThrottled && s.led {
		return
	}
	s.plant.Do(d)
}

// handWaits is where the loop valve is left until the person's word: the
// difference has risen most of its way, the injector does not run yet.
const handWaits = 0.75

// turn moves the loop valve by a part of its travel; above 0 it shuts. Alone it
// goes to where it waits and says false when it is there.
func (s *simulation) turn(by float64, over time.Duration, alone bool) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	to := s.plant.LoopPlace() - by
	if alone && !s.word {
		to = max(to, handWaits)
		if s.plant.LoopPlace() <= handWaits {
			return false
		}
	}
	s.led = true
	s.plant.Turn(to, over)
	return true
}

// hand is the demo's person at the simulated box: whatever the core accepts as
// done is done to the simulated valves, since nobody else is there to do it.
type hand struct {
	web.Core
	sim *simulation
}

// Age passes on how old the view is.
func (h hand) Age() time.Duration {
	if a, ok := h.Core.(web.Ager); ok {
		return a.Age()
	}
	return 0
}

// Hasten passes on that somebody looks closely.
func (h hand) Hasten() (calm func()) {
	if c, ok := h.Core.(web.Hastener); ok {
		return c.Hasten()
	}
	return func() {}
}

// Submit asks the core and then moves the simulated valve.
func (h hand) Submit(ctx context.Context, a box.Action) web.Answer {
	deed := a.Deed
	if v := h.View(); a.Kind == box.Confirm && v.Advice != nil && v.Advice.Number == a.Advice {
		deed, _ = box.DeedByWord(v.Advice.Deed)
	}
	ans := h.Core.Submit(ctx, a)
	if ans.Accepted {
		h.sim.do(deed)
	}
	return ans
}

// playPerson confirms each advice a little after it shows, through the same
// door as everybody, and that the loop valve is throttled once it is.
func playPerson(ctx context.Context, d *daemon.Daemon, h hand, speed float64) {
	var p autoPerson
	var turns loopHand
	views, end := d.Subscribe()
	defer end()
	n := 0
	for {
		select {
		case <-ctx.Done():
			return
		case v, ok := <-views:
			if !ok {
				return
			}
			now := time.Duration(v.T * float64(time.Second))
			if by, over := turns.look(&v.Loop, now); by != 0 {
				h.sim.turn(by, over, false)
			}
			if !throttling(&v) {
				p.see(v, now)
			}
			for _, a := range p.act(now) {
				n++
				a.ID, a.By = fmt.Sprintf("auto-%d-%d", d.Born().UnixNano(), n), "demo person"
				h.Submit(ctx, a)
			}
		}
	}
}
