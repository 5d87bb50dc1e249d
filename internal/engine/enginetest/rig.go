// Package enginetest joins the core with the simulated plant and a person's
// hand and word, for tests alone. Its checkers look at the plant's truth, which
// the core never sees. The hand and the word are apart: a rig can do without
// saying and say without doing.
package enginetest

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/hydraulics"
	"boxd/internal/safety"
	"boxd/internal/simbox"
	"boxd/internal/units"
)

// Rig is a box, its planting and its core. One turn is a Beat.
type Rig struct {
	Core  *engine.Engine
	Plant *simbox.Plant
	Now   time.Duration
	Wall  time.Time
	Beat  time.Duration
	Said  []engine.Event // all events so far
	Mute  bool           // no samples reach the core
	// Archive and Link are how they fare.
	Archive, Link box.Surrounding
	Tap           func(engine.Input, engine.Output)
	Left          *engine.Memory // what the core last wanted remembered
	cfg           engine.Config
	ids           int
	log           []engine.Input // of the run under way, as the daemon keeps it
	open          bool           // a run is under way
	turns         int
	Every         int  // turns between samples; 0 is every turn
	Dark          bool // the box has no clock
}

// Zone is a small block: two rows of 20 m, 200 emitters of 0.72 L/h.
func Zone() *hydraulics.Model {
	pipe := func(l units.Metre) hydraulics.Pipe { return hydraulics.Pipe{Length: l, Bore: 20.4, Roughness: 0.0015} }
	m, err := hydraulics.NewModel(hydraulics.Zone{
		Name: "two-rows", Water: 20, Inlet: 68.95, Lead: pipe(3),
		Header:   hydraulics.Header{Feed: hydraulics.FeedEnd, Beds: 2, BedSpacing: 1.2, FirstTee: 0.6, TapesPerBed: 1, Bore: 20.4, Roughness: 0.0015},
		Laterals: hydraulics.Laterals{Lengths: []units.Metre{20}, LeadIn: 0.2, EmitterSpacing: 0.2, Bore: 15.9, Roughness: 0.0015},
		Emitters: hydraulics.Emitters{Flow: 0.72, At: 68.95, Exponent: 0.5},
	})
	if err != nil {
		panic(fmt.Sprintf("enginetest: %v", err))
	}
	return m
}

// OutsideProbe is the name of a box that has a probe for the air outside.
const OutsideProbe = "box-with-outside-probe"

// Monday is when a rig is switched on, for labels.
func Monday() time.Time { return time.Date(2026, 5, 4, 7, 0, 0, 0, time.UTC) }

// Config is a core for zone with papers in order, a probe at the line end and
// five minutes to inject.
func Config(zone *hydraulics.Model) engine.Config {
	return engine.Config{
		Box: "box", Zone: zone, Limits: safety.DefaultLimits(),
		Backflow: safety.Backflow{Declared: true, Device: "reduced-pressure-zone", Place: "pump house", Tester: "licence 0000",
			LastTest: Monday().AddDate(0, -1, 0), NextDue: Monday().AddDate(0, 11, 0)},
		Injector: engine.Injector{Ratio: 0.02, StartsAt: 34},
		Probe:    engine.Probe{Present: true, Lag: 25 * time.Second},
		Plan:     engine.Plan{Injection: 5 * time.Minute},
		Meter:    engine.Meter{FlowError: 0.015, GeometryError: 0.005},
	}
}

// Spec is the plant that New gives a core.
func Spec(cfg engine.Config, quiet bool) simbox.Spec {
	spec := simbox.Spec{
		LineVolume: cfg.Zone.LineVolume(), Flow: cfg.Zone.ExpectedFlow, Inlet: cfg.Limits.HeaderTarget,
		Injector: simbox.Injector{StartsAt: cfg.Injector.StartsAt}, Quiet: quiet, EndLag: cfg.Probe.Lag, OutsideProbe: cfg.Box == OutsideProbe,
	}
	for _, e := range cfg.Zone.Emitters() {
		spec.Paths = append(spec.Paths, simbox.Path{Row: e.Lateral, Share: e.Share, Volume: e.Volume})
	}
	return spec
}

// New joins a core and a plant; a turn is a second. Quiet instruments show no
// noise.
func New(cfg engine.Config, seed uint64, quiet bool) *Rig {
	return &Rig{cfg: cfg, Core: engine.New(cfg), Plant: simbox.New(Spec(cfg, quiet), seed), Wall: Monday(), Beat: time.Second}
}

// Turn lets a beat pass and tells the core what the instruments and these
// words say. The events are the rig's to keep.
func (r *Rig) Turn(words ...box.Action) []engine.Event {
	r.Plant.Step(r.Beat)
	r.Now, r.Wall = r.Now+r.Beat, r.Wall.Add(r.Beat)
	r.turns++
	in := engine.Input{Mono: r.Now, Wall: r.Wall, Actions: words, Archive: r.Archive, Link: r.Link}
	if r.Dark {
		in.Wall = time.Time{}
	}
	if !r.Mute && r.turns%max(r.Every, 1) == 0 {
		in.Samples = r.Plant.Samples(nil)
	}
	for i := range in.Actions {
		r.ids++
		in.Actions[i].ID = fmt.Sprintf("word-%d", r.ids)
	}
	out := r.Core.Step(in)
	if out.Memory != nil {
		r.Left = out.Memory
	}
	if r.Tap != nil {
		r.Tap(in, out)
	}
	n := len(r.Said)
	r.Said = append(r.Said, out.Events...)
	r.keep(in, r.Said[n:])
	return r.Said[n:]
}

// Restart gives the box a new core, as between runs: what it remembers has gone
// through the archive's form.
func (r *Rig) Restart() {
	if r.Left != nil {
		kept, err := json.Marshal(r.Left)
		if err != nil {
			panic(fmt.Sprintf("enginetest: %v", err))
		}
		r.cfg.Past = engine.Memory{}
		if err := json.Unmarshal(kept, &r.cfg.Past); err != nil {
			panic(fmt.Sprintf("enginetest: %v", err))
		}
	}
	r.Core = engine.New(r.cfg)
}

// keep logs a run's inputs as the daemon does: from the turn that starts the run,
// with the words that counted as reports of deeds.
func (r *Rig) keep(in engine.Input, events []engine.Event) {
	words := in.Actions
	in.Actions = nil
	for _, e := range events {
		switch {
		case e.Kind == engine.RunEvent:
			r.log, r.open = nil, e.State == "started"
		case e.Kind == engine.ActionEvent:
			i := slices.IndexFunc(words, func(a box.Action) bool { return a.ID == e.Action })
			if i < 0 {
				continue
			}
			a := words[i]
			if d, ok := box.DeedByWord(e.Deed); ok && a.Kind == box.Confirm {
				a.Kind, a.Deed, a.Advice = box.Report, d, 0
			}
			in.Actions = append(in.Actions, a)
		}
	}
	if r.open {
		r.log = append(r.log, in)
	}
}

// Away stops the core, lets gap pass at the box and takes the run up again in
// another core from the log. What the hand does meanwhile happens at once, when
// the core is gone.
func (r *Rig) Away(gap time.Duration, hand ...box.Deed) {
	for _, d := range hand {
		r.Plant.Do(d)
	}
	r.Plant.Step(gap)
	r.Now, r.Wall = r.Now+gap, r.Wall.Add(gap)
	if !r.open {
		r.Restart()
		return
	}
	r.Core = engine.New(r.cfg)
	for _, in := range r.log {
		r.Core.Step(in)
	}
}

// Advance lets d pass without a word.
func (r *Rig) Advance(d time.Duration) (out []engine.Event) {
	for ; d > 0; d -= r.Beat {
		out = append(out, r.Turn()...)
	}
	return out
}

// Until lets time pass until the core says an event that f picks, at most for d.
func (r *Rig) Until(d time.Duration, f func(*engine.Event) bool) (out []engine.Event, ok bool) {
	for ; d > 0; d -= r.Beat {
		for _, e := range r.Turn() {
			out = append(out, e)
			ok = ok || f(&e)
		}
		if ok {
			break
		}
	}
	return out, ok
}

// Confirm is "done" to the advice on the screen.
func (r *Rig) Confirm(by string) box.Action {
	a := box.Action{Kind: box.Confirm, By: by}
	if v := r.Core.View().Advice; v != nil {
		a.Advice = v.Number
	}
	return a
}

// Obey does what the advice on the screen asks, if it asks for anything, and
// gives the word for it.
func (r *Rig) Obey(by string) []box.Action {
	v := r.Core.View().Advice
	if v == nil || v.Deed == "" || v.Verifying {
		return nil
	}
	d, _ := box.DeedByWord(v.Deed)
	r.Plant.Do(d)
	return []box.Action{r.Confirm(by)}
}

// Line writes an event for a story.
func Line(e *engine.Event) string {
	w := func(parts ...string) string {
		var kept []string
		for _, p := range parts {
			if p != "" {
				kept = append(kept, p)
			}
		}
		return fmt.Sprintf("%5.0f  %s: %s", e.T, e.Kind, strings.Join(kept, " "))
	}
	switch e.Kind {
	case engine.StepEvent:
		return w(e.Step, "("+e.Why[0]+")")
	case engine.AlarmEvent:
		return w(e.ID, e.State, "("+about(e)+"):", e.Text)
	case engine.AdviceEvent:
		return w(fmt.Sprintf("#%d", e.Number), e.Deed, "|", e.Text)
	case engine.HoldEvent, engine.ReleaseEvent:
		return w(e.On, e.ID+":", e.Reason)
	case engine.OverrideEvent:
		return w(e.On, e.ID, by(e.By)+":", e.Reason)
	case engine.ForecastEvent:
		return w(fmt.Sprintf("%.1f °C at %s", e.Forecast.LowC, e.Forecast.At.Format(time.TimeOnly)), by(e.By))
	case engine.ActionEvent, engine.RefusalEvent:
		return w(e.Name, e.Deed, e.ID, by(e.By), e.Reason)
	case engine.SummaryEvent:
		return w(fmt.Sprintf("flush %s, observed %v, undelivered %s %%, last emitter %s %%", e.Sum.Flush, e.Sum.Observed,
			Number(e.Sum.UndeliveredPct), Number(e.Sum.LastEmitterDelivered))) + contents("found in the lines", e.Sum.Carried) + contents("left in the lines", e.Sum.Left)
	case engine.MilestoneEvent, engine.NoteEvent, engine.RunEvent:
	}
	return w(e.Name, e.State, e.Text)
}

// about is what an alarm event says besides its text.
func about(e *engine.Event) string {
	s := e.Priority
	if e.Cause != "" {
		s += ", follows " + e.Cause
	}
	if e.UntilT != nil {
		s += fmt.Sprintf(", until %.0f", *e.UntilT)
	}
	if e.Reason != "" {
		s += ", " + e.Reason
	}
	return s
}

func contents(where string, v *engine.ContentsView) string {
	if v == nil {
		return ""
	}
	return fmt.Sprintf("\n       %s: %s L at %s µS/cm, %s %% of the dose of %s; delivered since %s %%, last emitter %s %%, flushed %v", where,
		Number(v.Litres), Number(v.RiseUSCm), Number(v.PctOfDose), v.SinceRun, Number(v.DeliveredPct), Number(v.LastPct), v.Flushed)
}

func by(name string) string {
	if name == "" {
		return ""
	}
	return "by " + name
}

// Number writes a number that may be unknown.
func Number(v *float64) string {
	if v == nil {
		return "unknown"
	}
	return fmt.Sprintf("%.1f", *v)
}
