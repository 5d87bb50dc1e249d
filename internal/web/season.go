package web

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"time"

	"boxd/internal/season"
	"boxd/internal/units"
)

// Seasoner is offered by an archive that can compare a zone's runs. A zero from is
// a year before the last run; a zero until is the end.
type Seasoner interface {
	Zones(ctx context.Context) ([]string, error)
	Season(ctx context.Context, zone string, from, until time.Time) (*season.Season, error)
}

type seasonModel struct {
	frame
	None        bool
	Failed      string
	Zones       []option
	From, Until string
	S           *season.Season
	Span        string
	Series      []seasonSeries
	Grams       []gramLine
	Planned     bool
	GramsSaid   []string
	Alarms      []fact
	AlarmsSaid  string
}

type seasonSeries struct {
	Name, Title string
	Said        []string
	Plot        seasonPlot
	Rows        []seasonRow
	Count       string
}

type seasonRow struct{ Run, When, WhenISO, Value, Change string }

// seasonPlot is drawn in a frame of 640 by 140; what it shows is told in words
// and rows beside it too.
type seasonPlot struct {
	Dots      [][2]float64
	Bars      []float64 // where a change lies
	Low, High string
}

type gramLine struct{ Name, Out, Due, PerPlant string }

func (s visit) seasonPage(w http.ResponseWriter, r *http.Request) {
	m := seasonModel{frame: s.frame("season")}
	arch, ok := s.arch.(Seasoner)
	if m.None = !ok; m.None {
		writePage(w, http.StatusOK, s.pages().season, m)
		return
	}
	code := http.StatusOK
	if err := s.compare(r, arch, &m); err != nil {
		code, m.Failed = http.StatusInternalServerError, err.Error()
	}
	writePage(w, code, s.pages().season, m)
}

func (s visit) compare(r *http.Request, arch Seasoner, m *seasonModel) error {
	q := r.URL.Query()
	zone := clean(q.Get("zone"), nameRunes)
	zones, err := arch.Zones(r.Context())
	if err != nil {
		return err
	}
	if zone == "" && len(zones) > 0 {
		zone = zones[0]
	}
	for _, z := range zones {
		m.Zones = append(m.Zones, option{z, z, z == zone})
	}
	m.From, m.Until = clean(q.Get("from"), 10), clean(q.Get("until"), 10)
	until := s.day(m.Until)
	if !until.IsZero() {
		until = until.AddDate(0, 0, 1) // the day named is part of it
	}
	if m.S, err = arch.Season(r.Context(), zone, s.day(m.From), until); err != nil {
		return err
	}
	if m.S.Runs == 0 {
		return nil
	}
	m.Span = s.show.say("%d runs of %s, from %v to %v", m.S.Runs, zone, s.local(m.S.From), s.local(m.S.Until))
	for i := range m.S.Series {
		m.Series = append(m.Series, s.seasonSeries(&m.S.Series[i]))
	}
	s.seasonGrams(&m.S.Nutrients, m)
	s.seasonAlarms(&m.S.Alarms, m)
	return nil
}

func (s visit) seasonSeries(x *season.Series) seasonSeries {
	out := seasonSeries{Name: x.Name, Title: s.show.voice.Say(x.Title), Said: s.show.voice.Each(x.Said), Plot: s.seasonPlot(x)}
	out.Count = s.show.say("%d runs, %d unknown", len(x.Points), x.Unknown)
	changed := map[string]bool{}
	for _, c := range x.Changes {
		changed[c.From] = true
	}
	for _, p := range x.Points {
		at := s.local(p.At)
		row := seasonRow{Run: p.Run, When: at.Format("2006-01-02 15:04"), WhenISO: at.Format(time.RFC3339), Value: s.seasonValue(p.Value, x.Unit)}
		if changed[p.Run] {
			row.Change = s.show.say("changed from here on")
		}
		out.Rows = append(out.Rows, row)
	}
	return out
}

func (s visit) seasonValue(v float64, unit string) string {
	if unit == "L" {
		return s.show.volume(&v)
	}
	return s.show.in(&v, unit)
}

func (s visit) seasonPlot(x *season.Series) seasonPlot {
	var p seasonPlot
	if len(x.Points) < 2 {
		return p
	}
	low, high := math.Inf(1), math.Inf(-1)
	for _, pt := range x.Points {
		low, high = min(low, pt.Value), max(high, pt.Value)
	}
	p.Low, p.High = s.seasonValue(low, x.Unit), s.seasonValue(high, x.Unit)
	start := x.Points[0].At
	span := max(x.Points[len(x.Points)-1].At.Sub(start).Seconds(), 1)
	across := map[string]float64{}
	for _, pt := range x.Points {
		at := 8 + 624*pt.At.Sub(start).Seconds()/span
		across[pt.Run] = at
		p.Dots = append(p.Dots, [2]float64{at, 132 - 124*(pt.Value-low)/max(high-low, 1e-9)})
	}
	for _, c := range x.Changes {
		p.Bars = append(p.Bars, across[c.From]-3)
	}
	return p
}

func (s visit) seasonGrams(n *season.Nutrients, m *seasonModel) {
	d := s.show
	mass := func(g float64) string { return d.say("%v", units.Gram(g)) }
	due := season.Grams{}
	if m.Planned = n.Due != nil; m.Planned {
		due = *n.Due
	}
	for _, l := range []struct {
		name     string
		out, due float64
	}{{"N", n.Out.N, due.N}, {"P2O5", n.Out.P2O5, due.P2O5}, {"K2O", n.Out.K2O, due.K2O}} {
		line := gramLine{Name: l.name, Out: mass(l.out), Due: d.unknown(), PerPlant: d.unknown()}
		switch {
		case m.Planned && l.due > 0:
			line.Due = fmt.Sprintf("%s (%s\u00a0%%)", mass(l.due), digits(100*l.out/l.due, 0))
		case m.Planned:
			line.Due = mass(l.due)
		}
		if n.Plants != nil && *n.Plants > 0 {
			line.PerPlant = mass(l.out / *n.Plants)
		}
		m.Grams = append(m.Grams, line)
	}
	if n.Unknown > 0 {
		m.GramsSaid = append(m.GramsSaid, d.say("Of %d more runs that injected, the grams can't be told: at least this much went out.", n.Unknown))
	}
	if m.Planned {
		m.GramsSaid = append(m.GramsSaid, d.voice.Say(n.Said))
	} else {
		m.GramsSaid = append(m.GramsSaid, d.say("No plan in the configuration says what was due by now."))
	}
}

func (s visit) seasonAlarms(a *season.Alarms, m *seasonModel) {
	d := s.show
	m.AlarmsSaid = d.voice.Say(a.Said)
	rate := d.unknown()
	if a.PerDay != nil {
		rate = digits(*a.PerDay, 1)
	}
	m.Alarms = []fact{
		{d.say("alarms a day"), rate, d.say("%d in %s h watched", a.Announced, digits(a.ObservedH, 1))},
		{d.say("time in flood"), digits(a.FloodPct, 1) + "\u00a0%", ""},
	}
	for _, c := range a.Most[:min(len(a.Most), 10)] {
		m.Alarms = append(m.Alarms, fact{c.ID, digits(float64(c.Count), 0), ""})
	}
}
