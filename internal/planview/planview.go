// Package planview turns a feed of the configuration into what the plan page
// shows: words in the person's units and numbers ready to draw. The dose comes
// from dosing, the flows from hydraulics; the only thing worked out here is the
// EC foreseen over time, as plug flow.
package planview

import (
	"context"
	"errors"
	"strings"
	"sync"

	"boxd/config"
	"boxd/internal/dosing"
	"boxd/internal/hydraulics"
	"boxd/internal/say"
	"boxd/internal/web"
)

// maxSolved bounds the zones kept solved.
const maxSolved = 8

// Planner answers for one configuration. Any number of goroutines may use it;
// one solves at a time, so that a hurried reader can't take the whole board.
type Planner struct {
	cfg *config.Config

	mu     sync.Mutex // guards solved and order
	solved map[string]*hydraulics.Model
	order  []string // oldest first
}

// New makes a planner. The configuration is not to be changed afterwards.
func New(cfg *config.Config) *Planner {
	return &Planner{cfg: cfg, solved: map[string]*hydraulics.Model{}}
}

// Choices lists the zones and feeds there are.
func (p *Planner) Choices() web.PlanChoices {
	var c web.PlanChoices
	for i := range p.cfg.Zones {
		c.Zones = append(c.Zones, p.cfg.Zones[i].Name)
	}
	for i := range p.cfg.Feeds {
		c.Feeds = append(c.Feeds, web.PlanFeed{Name: p.cfg.Feeds[i].Name, Zone: p.cfg.Feeds[i].Zone})
	}
	return c
}

// Plan works a feed out for a zone. The error is a *web.PlanFault where names
// or the file are to blame.
func (p *Planner) Plan(ctx context.Context, zone, feed string, voice say.Voice) (web.PlanView, error) {
	none, w := web.PlanView{}, writer{voice.Units, voice}
	z, err := p.cfg.Zone(zone)
	if err != nil {
		return none, &web.PlanFault{Missing: true, Lines: lines(err)}
	}
	f, err := p.cfg.Feed(feed)
	if err != nil {
		return none, &web.PlanFault{Missing: true, Lines: lines(err)}
	}
	if f.Zone != "" && f.Zone != z.Name {
		return none, &web.PlanFault{Lines: []string{w.say("Feed %s is for zone %s, not %s. Choose another feed or zone.", f.Name, f.Zone, z.Name)}}
	}
	m, err := p.model(ctx, z)
	if err != nil {
		return none, fault(err)
	}
	d, err := p.cfg.DosePlan(f, m)
	if err != nil {
		return none, fault(err)
	}
	v := w.show(d, m, p.cfg.Supply)
	v.RowNotes = w.rowNotes(z, m.Summary())
	return v, nil
}

// model solves a zone, or has it solved.
func (p *Planner) model(ctx context.Context, z *config.Zone) (*hydraulics.Model, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if m := p.solved[z.Name]; m != nil {
		return m, nil
	}
	if err := ctx.Err(); err != nil {
		return nil, err // nobody waits for it any more
	}
	m, err := p.cfg.Model(z)
	if err != nil {
		return nil, err
	}
	if len(p.order) == maxSolved {
		delete(p.solved, p.order[0])
		p.order = p.order[1:]
	}
	p.solved[z.Name] = m
	p.order = append(p.order, z.Name)
	return m, nil
}

// fault makes of the file's faults something the page can show.
func fault(err error) error {
	var fs config.Faults
	if errors.As(err, &fs) {
		return &web.PlanFault{Lines: lines(err)}
	}
	return err
}

func lines(err error) []string { return strings.Split(strings.TrimSpace(err.Error()), "\n") }

// show writes a plan for the page.
func (w writer) show(d dosing.Plan, m *hydraulics.Model, supply dosing.Supply) web.PlanView {
	v := web.PlanView{
		Zone: d.Zone, Feed: d.Feed, Minutes: d.Total.Minutes(),
		Wanted: w.wanted(d), Dial: w.dial(d), Run: w.run(d, m), EC: w.curves(d, m, supply),
		Travel: w.travel(m), Rows: w.rows(m),
	}
	for _, t := range d.Tanks {
		v.Tanks = append(v.Tanks, w.tank(t, len(d.Tanks)))
	}
	for _, s := range d.Stages {
		v.Stages = append(v.Stages, w.stage(s))
	}
	w.notes(&v, d)
	return v
}
