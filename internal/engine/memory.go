package engine

import (
	"math"

	"boxd/internal/alarm"
	"boxd/internal/estimate"
	"boxd/internal/say"
	"boxd/internal/units"
)

// Memory is what a zone's runs leave for the next: plain data, kept in the
// archive. It holds for the layout it was made with.
type Memory struct {
	Zone     string             `json:"zone"`
	Layout   [3]float64         `json:"layout"` // line volume and flush volume, L; flow at the target, L/h
	Contents *estimate.Contents `json:"contents"`
	Lessons  estimate.Lessons   `json:"lessons"`
	Watch    *Watch             `json:"watch,omitempty"` // since the run before

	OutOfService []OutOfService `json:"out_of_service,omitempty"` // alarms
	Latched      []Latched      `json:"latched,omitempty"`
}

// Latched is an alarm that waits for a person's reset, or will. It outlives a power cut:
// what was seen then is not undone by a box that starts anew.
type Latched struct {
	ID           string `json:"id"`
	Text         string `json:"text"` // what was seen, in the box's own voice
	Acknowledged bool   `json:"acknowledged,omitempty"`
}

// OutOfService is an alarm that a person took out of service. A shelf is not
// remembered: after a restart its alarm speaks early rather than late.
type OutOfService struct {
	ID     string `json:"id"`
	By     string `json:"by"`
	Reason string `json:"reason"`
}

// Lost is the memory after a run whose end nobody saw: what it left in the lines
// is unknown. An empty run is one not known either.
func (m Memory) Lost(zone, run string) Memory {
	m.Zone, m.Contents = zone, &estimate.Contents{Since: run}
	return m
}

// layout tells a zone from the same zone laid otherwise.
func (g *Engine) layout() [3]float64 {
	z := g.cfg.Zone
	return [3]float64{round(float64(z.LineVolume()), 3), round(float64(z.FlushVolume()), 3), round(float64(z.ExpectedFlow(g.cfg.Limits.HeaderTarget)), 3)}
}

// recall takes up what earlier lives left. Where the zone is no longer the same
// nothing learned counts, and what stands in the lines is unknown.
func (g *Engine) recall(m Memory) {
	g.watched.Watch = m.Watch.believable()
	for _, o := range m.OutOfService {
		// One that may no longer be taken out is back in service.
		if _, err := g.guard.Panel().TakeOut(o.ID, alarm.Aside{By: o.By, Reason: o.Reason}); err == nil {
			g.memory.OutOfService = append(g.memory.OutOfService, o)
		}
	}
	for _, l := range m.Latched {
		if g.guard.Panel().TakeUp(l.ID, say.Text{Format: l.Text}, l.Acknowledged) { // said as it is: its numbers are in it
			g.memory.Latched = append(g.memory.Latched, l)
		}
	}
	if m.Zone == "" || m.Zone != g.cfg.Zone.Zone().Name {
		return
	}
	same := true
	for i, x := range g.layout() {
		same = same && math.Abs(m.Layout[i]-x) <= 0.001*x
	}
	if same {
		g.memory.Lessons = m.Lessons
		g.est.Know(m.Lessons)
	}
	if m.Contents == nil {
		return
	}
	c := *m.Contents
	c.Sure = c.Sure && same
	g.memory.Contents = &c
	g.est.Remember(c)
}

// rememberAlarms notes which alarms are out of service, and which wait for a reset.
// During a run the memory stays as it was at its start: the run's own log leads to the
// same.
func (g *Engine) rememberAlarms() {
	g.memory.Zone, g.memory.Layout = g.cfg.Zone.Zone().Name, g.layout()
	g.memory.OutOfService, g.memory.Latched = nil, nil
	for _, a := range g.guard.Panel().Alarms() {
		switch {
		case a.State == alarm.OutOfService:
			g.memory.OutOfService = append(g.memory.OutOfService, OutOfService{a.Def.ID, a.Aside.By, a.Aside.Reason})
		case a.Def.Latches && a.State.Stands():
			g.memory.Latched = append(g.memory.Latched, Latched{a.Def.ID, g.voice.Say(a.Text), a.State.Seen()})
		}
	}
	if g.run == "" {
		g.keepWatch()
		m := g.memory
		g.left = &m
	}
}

// remember hands out what the next life should know.
func (g *Engine) remember() {
	g.memory.Zone, g.memory.Layout, g.memory.Contents = g.cfg.Zone.Zone().Name, g.layout(), nil
	if c, some := g.est.Settle(); some {
		g.memory.Contents = &c
	}
	g.keepWatch()
	m := g.memory
	g.left = &m
	g.moved = false
}

// between watches the water between runs: where it moved what stands in the
// lines, that is to be remembered once it is still again.
func (g *Engine) between() {
	if g.run != "" {
		return
	}
	if g.e.Flowing == estimate.Yes {
		g.moved = true
	} else if g.moved && g.e.Flowing == estimate.No {
		g.remember()
	}
}

// carriedNotes tells what stood in the lines when the run began.
func (g *Engine) carriedNotes() {
	g.heard = heard{}
	if c := &g.e.Carried; c.On {
		g.note(c.Sentence())
	}
}

// heard is what was told in this run.
type heard struct {
	drained bool
	lesson  [estimate.NumLessons]bool
	alarms  map[string]bool // raised in this run
}

func (g *Engine) note(t say.Text) { g.emit(Event{Kind: NoteEvent, Said: Said{Text: t}}) }

// departed tells, once a run, that the lines had run empty, and where the run
// departs from those before.
func (g *Engine) departed() {
	if g.run == "" {
		return
	}
	if c := &g.e.Carried; c.Drained && !g.heard.drained {
		g.heard.drained = true
		g.note(c.Sentence())
	}
	for which := estimate.FillVolume; which < estimate.NumLessons; which++ {
		if !g.heard.lesson[which] && g.est.Departs(which) {
			g.heard.lesson[which] = true
			s := g.est.Shown(which)
			g.note(s.Words(which))
		}
	}
}

func (g *Engine) alarmed(c *alarm.Change) {
	if c.On != alarm.Rise {
		return
	}
	if g.heard.alarms == nil {
		g.heard.alarms = map[string]bool{}
	}
	g.heard.alarms[c.Alarm.Def.ID] = true
}

// trouble reports whether this run must not teach a lesson: an alarm of that
// kind stood in it.
func (g *Engine) trouble(which estimate.Lesson) bool {
	ids := []string{"sensor-fault", "flow-above-expected", "flow-below-expected", "header-pressure-low", "header-pressure-high", "supply-pressure-low", "backflow-sign"}
	if which == estimate.CleanFilter {
		ids = []string{"sensor-fault", "filter-clogging", "filter-torn"}
	}
	for _, id := range ids {
		if g.heard.alarms[id] || g.guard.Find(id).Standing() {
			return true
		}
	}
	return false
}

// departures are the sentences of the findings, for the summary.
func (g *Engine) departures() (out []say.Text) {
	if g.e.Carried.Drained {
		out = append(out, g.e.Carried.Sentence())
	}
	for which := estimate.FillVolume; which < estimate.NumLessons; which++ {
		if s := g.est.Shown(which); s.Departs {
			out = append(out, s.Words(which))
		}
	}
	return out
}

// ContentsView is fertilizer of earlier runs in the lines. Numbers are null
// where they can't be told.
type ContentsView struct {
	SinceRun     string   `json:"since_run"`
	Litres       *float64 `json:"litres"`        // of line that held it when the run began
	RiseUSCm     *float64 `json:"rise_us_cm"`    // mean, above clean water
	GPerL        *float64 `json:"g_per_l"`       // of product, where its EC is known
	PctOfDose    *float64 `json:"pct_of_dose"`   // of what that run had to give
	DeliveredPct *float64 `json:"delivered_pct"` // of it since, over all emitters
	LastPct      *float64 `json:"last_emitter_delivered_pct"`
	LeftL        *float64 `json:"left_l"` // of line that holds it now
	Drained      bool     `json:"drained"`
	Flushed      bool     `json:"flushed"` // clean water has followed it past the last emitter
	Text         string   `json:"text"`

	Said say.Text `json:"-"`
}

func (g *Engine) contents(c *estimate.Carried, left units.Litre) *ContentsView {
	if !c.On {
		return nil
	}
	v := &ContentsView{SinceRun: c.Since, Drained: c.Drained, Flushed: c.Out, Said: c.Sentence()}
	v.Text = g.voice.Say(v.Said)
	if !c.Sure {
		return v
	}
	v.Litres, v.LeftL = ptr(round(float64(c.Litres), 2)), ptr(round(float64(left), 2))
	v.DeliveredPct, v.LastPct = ptr(round(c.Delivered.Percent(), 2)), ptr(round(c.LastEmitter.Percent(), 2))
	if c.Litres > 0 {
		v.RiseUSCm = ptr(round(float64(c.Rise), 0))
		if per := g.cfg.Injector.ECPerGPerL; per > 0 {
			v.GPerL = ptr(round(float64(c.Rise)/per, 3))
		}
	}
	if c.OfDose > 0 {
		v.PctOfDose = ptr(round(c.OfDose.Percent(), 2))
	}
	return v
}

// contentsNow is what was carried into the run under way or, between runs, what
// the next would find.
func (g *Engine) contentsNow() *ContentsView {
	if g.run == "" {
		return g.contents(&g.e.Remaining, g.e.Remaining.Litres)
	}
	return g.contents(&g.e.Carried, g.est.Held())
}

// Across is the part of a summary that reaches beyond its run.
type Across struct {
	Carried *ContentsView `json:"carried,omitempty"`       // of earlier runs, found in the lines
	Left    *ContentsView `json:"left_in_lines,omitempty"` // for the next run to find
	Learned []LearnedView `json:"learned,omitempty"`
}

// LearnedView is what past runs teach and this run shows. The unit is in the
// name.
type LearnedView struct {
	Name       string   `json:"name"`
	Value      *float64 `json:"value"` // the usual; null before five runs
	Spread     *float64 `json:"spread"`
	Runs       int      `json:"runs"`
	Now        *float64 `json:"now"` // null until the run shows it
	DepartsPct *float64 `json:"departs_pct"`
	Departs    bool     `json:"departs"` // by more than runs differ
}

func (g *Engine) learned() []LearnedView {
	out := make([]LearnedView, 0, estimate.NumLessons)
	for which := estimate.FillVolume; which < estimate.NumLessons; which++ {
		s := g.est.Shown(which)
		v := LearnedView{Name: which.String(), Runs: s.Usual.Runs, Departs: s.Departs}
		if s.Learned {
			v.Value, v.Spread = ptr(round(s.Usual.Value, 2)), ptr(round(s.Usual.Spread, 2))
		}
		if s.Now.Known {
			v.Now = ptr(round(s.Now.V, 2))
			if s.Learned {
				v.DepartsPct = ptr(round(s.Off().Percent(), 1))
			}
		}
		out = append(out, v)
	}
	return out
}
