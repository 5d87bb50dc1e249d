package season

import (
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
)

// Box is what a season is played to: the core alone, or with what stands around
// it.
type Box interface {
	// Start begins a life at core time mono of the season and at wall time. Lost
	// means that the life before had not yet saved its last.
	Start(cfg engine.Config, mono time.Duration, wall time.Time) (lost bool, err error)
	// Turn lets the time since the turn before pass and takes what comes then.
	Turn(in engine.Input) Heard
	// View is the newest view; after a start that of the run taken up.
	View() engine.View
	// Kill ends the life as a power cut does.
	Kill()
	// Disk fills the archive's disk or frees it; Net cuts the links to all receivers
	// or mends them.
	Disk(full bool)
	Net(up bool)
	// Failing: the archive has just not taken what was to be saved.
	Failing() bool
}

// Heard is what became of a turn.
type Heard struct {
	Events  []engine.Event
	Unheard int // words the box took nothing of, and said so
}

// around is how archive and link fare, as a daemon tells its core.
type around struct{ full, cut bool }

func (a around) inputs() (archive, link box.Surrounding) {
	archive, link = box.Surrounding{Health: box.Well}, box.Surrounding{Health: box.Well}
	if a.full {
		archive = box.Surrounding{Health: box.Failing, Why: "the disk is full"}
	}
	if a.cut {
		link = box.Surrounding{Health: box.Failing, Why: "no route", To: box.Broker}
	}
	return archive, link
}

// bare is the core alone, with the log of the run under way.
type bare struct {
	core *engine.Engine
	past engine.Memory // as the core last wanted it remembered
	log  []engine.Input
	open bool
	full bool
}

func (b *bare) Start(cfg engine.Config, _ time.Duration, _ time.Time) (bool, error) {
	cfg.Past = b.past
	b.core = engine.New(cfg)
	for _, in := range b.log {
		b.core.Step(in)
	}
	return false, nil
}

func (b *bare) Turn(in engine.Input) Heard {
	out := b.core.Step(in)
	if out.Memory != nil {
		b.past = *out.Memory
	}
	b.keep(in, out.Events)
	return Heard{Events: out.Events}
}

// keep logs a run's input as the daemon does: accepted words as reports.
func (b *bare) keep(in engine.Input, events []engine.Event) {
	words := in.Actions
	in.Actions = nil
	for _, e := range events {
		if e.Kind == engine.RunEvent {
			b.log, b.open = b.log[:0], e.State == "started"
		}
		if d, ok := box.DeedByWord(e.Deed); ok && e.Kind == engine.ActionEvent && d != box.UnknownDeed {
			in.Actions = append(in.Actions, box.Action{Kind: box.Report, Deed: d, By: e.By})
		}
	}
	for _, a := range words {
		if a.Kind == box.Acknowledge || a.Kind == box.Reset {
			in.Actions = append(in.Actions, a)
		}
	}
	if b.open {
		b.log = append(b.log, in)
	}
}

func (b *bare) View() engine.View { return b.core.View() }
func (b *bare) Kill()             {}
func (b *bare) Disk(full bool)    { b.full = full }
func (b *bare) Net(bool)          {}
func (b *bare) Failing() bool     { return b.full }
