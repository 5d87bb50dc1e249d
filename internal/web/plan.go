package web

import (
	"context"
	"errors"
	"net/http"
	"strings"

	"boxd/internal/say"
	"boxd/internal/units"
)

// Planner works out what a feed comes to in a zone, before a run.
type Planner interface {
	// Choices lists the zones and feeds there are.
	Choices() PlanChoices
	// Plan works one out and says it in a voice. The error is a *PlanFault
	// where the choice or the box's file is to blame.
	Plan(ctx context.Context, zone, feed string, voice say.Voice) (PlanView, error)
}

// PlanChoices is what a person can choose from.
type PlanChoices struct {
	Zones []string
	Feeds []PlanFeed
}

// PlanFeed is a feed and the zone it is for; Zone is empty where any will do.
type PlanFeed struct{ Name, Zone string }

// PlanFault says why there is no plan.
type PlanFault struct {
	Missing bool // there is no zone or feed of that name
	Lines   []string
}

func (f *PlanFault) Error() string { return strings.Join(f.Lines, "\n") }

// PlanView is a plan in words and numbers ready to draw.
type PlanView struct {
	Zone, Feed string
	Wanted     []PlanFact
	Tanks      []PlanTank
	Dial       PlanDial
	Stages     []PlanStage
	Minutes    float64 // all stages
	Run        []PlanFact
	EC         PlanCurves
	Travel     []PlanFact
	Rows       PlanRows

	// Notes stand where they belong; Care and Rules are the standing cautions.
	MixNotes, DialNotes, RunNotes, ECNotes, RowNotes, Care, Rules, Means []PlanNote
}

// PlanFact is a value with its name and a remark.
type PlanFact struct{ Name, Value, Aside string }

// PlanNote is something to know. Severity is note, caution, stop or empty.
type PlanNote struct{ Severity, Text string }

// PlanTank is one stock tank.
type PlanTank struct {
	Name  string
	Weigh []PlanFact // Value is the mass, Name the product
	Facts []PlanFact
}

// PlanDial is what to set at the injector, and how the block's flow parts.
type PlanDial struct {
	Set, Words string
	Through    float64 // part of the block's flow that goes through the branch
	Facts      []PlanFact
}

// PlanStage is one stretch of the run.
type PlanStage struct {
	Name, Tank string
	Minutes    float64
	For, Pass  string
	Says       string
}

// PlanCurves are what the box's EC probe and the last emitter should see.
type PlanCurves struct {
	What, Unit string
	Decimals   int
	Box, End   []PlanPoint
	Says       []string
}

// PlanPoint is one corner of a curve.
type PlanPoint struct{ Minute, Value float64 }

// PlanRows is the emitters' flow, row by row, against the mean of all.
type PlanRows struct {
	Rows    []PlanRow
	LeftOut string // which rows are not drawn, if any
	Facts   []PlanFact
}

// PlanRow is one lateral. OffPct is each stretch's flow over the mean, less
// one, in per cent, from the header outwards.
type PlanRow struct {
	Number int
	OffPct []float64
	End    string // when the water of the box is at its last emitter
}

// Stops are the notes that speak against the whole run, wherever they stand.
func (v PlanView) Stops() []PlanNote {
	var out []PlanNote
	for _, list := range [][]PlanNote{v.MixNotes, v.DialNotes, v.RunNotes, v.ECNotes, v.RowNotes, v.Care, v.Means} {
		for _, n := range list {
			if n.Severity == "stop" {
				out = append(out, n)
			}
		}
	}
	return out
}

// planModel is the page.
type planModel struct {
	frame
	Zones, Feeds, Systems []option
	NoFeeds               bool
	Fault                 []string
	Plan                  *PlanView
	Line                  timeline
	Chart                 chart
	Strips                []strip
	Span                  string
	Through               float64
}

// option is one entry of a list to choose from.
type option struct {
	Value, Says string
	Chosen      bool
}

func (s visit) planPage(w http.ResponseWriter, r *http.Request) {
	if s.opts.Planner == nil {
		http.NotFound(w, r)
		return
	}
	all := s.opts.Planner.Choices()
	q := r.URL.Query()
	zone, feed := choose(all, q.Get("zone"), q.Get("feed"))
	voice := s.show.voice
	if chosen, ok := units.SystemByName(q.Get("units")); ok {
		voice.Units = chosen
	}
	m := planModel{
		frame: s.frame("plan"), Zones: zoneOptions(all, zone), Feeds: s.feedOptions(all, feed), Systems: s.systemOptions(voice.Units),
		NoFeeds: len(all.Feeds) == 0,
	}
	code := http.StatusOK
	switch {
	case m.NoFeeds:
	case feed == "":
		m.Fault = []string{s.show.say("No feed is for zone %s. Choose another zone, or describe a feed for this one in the box's file.", zone)}
	default:
		code = s.fillPlan(r.Context(), &m, voice, zone, feed)
	}
	writePage(w, code, s.pages().plan, m)
}

// fillPlan puts the plan or its fault into the page and gives the answer's code.
func (s visit) fillPlan(ctx context.Context, m *planModel, voice say.Voice, zone, feed string) int {
	p, err := s.opts.Planner.Plan(ctx, zone, feed, voice)
	var fault *PlanFault
	switch {
	case errors.As(err, &fault):
		m.Fault = fault.Lines
		if fault.Missing {
			return http.StatusNotFound
		}
		return http.StatusUnprocessableEntity
	case err != nil:
		m.Fault = []string{err.Error()}
		return http.StatusInternalServerError
	}
	m.Plan = &p
	extent := p.Minutes * timeMargin
	m.Line = s.show.timeline(p, extent)
	m.Chart = s.show.chart(p, extent)
	m.Strips, m.Span = s.show.strips(p.Rows)
	m.Through = 1000 * min(1, max(0, p.Dial.Through))
	return http.StatusOK
}

// choose fills in what was not said: the feed's own zone or the first, and the
// first feed that suits the zone.
func choose(all PlanChoices, zone, feed string) (string, string) {
	zone, feed = clean(zone, noteRunes), clean(feed, noteRunes)
	if zone == "" {
		for _, f := range all.Feeds {
			if f.Name == feed {
				zone = f.Zone
			}
		}
	}
	if zone == "" && len(all.Zones) > 0 {
		zone = all.Zones[0]
	}
	if feed != "" {
		return zone, feed
	}
	for _, f := range all.Feeds {
		if f.Zone == "" || f.Zone == zone {
			return zone, f.Name
		}
	}
	return zone, ""
}

func zoneOptions(all PlanChoices, chosen string) []option {
	var out []option
	for _, z := range all.Zones {
		out = append(out, option{z, z, z == chosen})
	}
	return out
}

func (s visit) feedOptions(all PlanChoices, chosen string) []option {
	var out []option
	for _, f := range all.Feeds {
		says := f.Name
		if f.Zone != "" {
			says = s.show.say("%s (for %s)", f.Name, f.Zone)
		}
		out = append(out, option{f.Name, says, f.Name == chosen})
	}
	return out
}

func (s visit) systemOptions(chosen units.System) []option {
	return []option{{"us", s.show.say("US: gal, psi, lb"), chosen == units.US}, {"metric", s.show.say("metric: L, kPa, kg"), chosen == units.Metric}}
}

// Mark is the shape that goes with the severity's word.
func (n PlanNote) Mark() string {
	switch n.Severity {
	case "stop":
		return "◆"
	case "caution":
		return "▲"
	}
	return "●"
}
