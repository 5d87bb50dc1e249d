package web

import (
	"cmp"
	"context"
	"maps"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"boxd/internal/access"
	"boxd/internal/box"
	"boxd/internal/say"
	"boxd/internal/setup"
)

// Workshop is a box that is being set up, for the pages of the guide. There is no
// core then: nothing is advised.
type Workshop interface {
	// Draft is a copy of what has been answered.
	Draft() *setup.Draft
	// Update changes the answers and keeps them before it returns.
	Update(change func(*setup.Draft) error) error
	// Look is the newest of each instrument that can be read now.
	Look() []setup.Seen
	// Check reads the answers as the daemon would.
	Check(d *setup.Draft) setup.Result
	// Begin writes the configuration and lets the box go into operation.
	Begin(r setup.Result) error
	// Try sends a test to the address for alerts, or connects to the broker.
	Try(ctx context.Context, t Trial) error
	// Trouble is why the box did not go into operation the last time; empty: nothing.
	Trouble() string
}

// Trial is what can be tried before the box is at work.
type Trial uint8

// The trials.
const (
	UnknownTrial Trial = iota
	TryAlert
	TryBroker
)

func (t Trial) String() string {
	switch t {
	case TryAlert:
		return "try-alert"
	case TryBroker:
		return "try-broker"
	case UnknownTrial:
	}
	return "unknown"
}

// trialBudget bounds one, within answerWait.
const trialBudget = 25 * time.Second

// NewSetup makes the handler of a box that is being set up: the guide, and the way
// in. Who is no administrator sees none of it.
func NewSetup(w Workshop, opts Options) http.Handler {
	s := newServer(nil, nil, opts)
	s.workshop = w
	mux := http.NewServeMux()
	page := func(pattern string, need access.Role, h func(visit, http.ResponseWriter, *http.Request)) {
		mux.HandleFunc(pattern, s.guard(need, h))
	}
	page("GET /{$}", access.Administer, visit.toSetup)
	page("GET /setup", access.Administer, visit.toSetup)
	page("GET /setup/{step}", access.Administer, visit.setupPage)
	page("POST /setup/{step}", access.Administer, visit.takeSetup)
	page("GET /setup/live", access.Administer, visit.setupLive)
	s.calibrationPages(page)
	page("POST /shown", access.Nobody, visit.setShown)
	page("GET /manifest.webmanifest", access.Nobody, visit.manifest)
	page("GET /help", access.Nobody, visit.helpPage)
	page("GET /help/{file...}", access.Nobody, visit.helpPage)
	page("GET /sign-in", access.Nobody, visit.signInPage)
	page("POST /sign-in", access.Nobody, visit.signIn)
	page("POST /sign-out", access.Nobody, visit.signOut)
	page("GET /begin", access.Nobody, visit.beginPage)
	page("POST /begin", access.Nobody, visit.begin)
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) {
		http.Error(w, "being set up: nothing is measured", http.StatusServiceUnavailable)
	})
	mux.Handle("GET /static/", staticFiles())
	return s.around(mux)
}

// setupModel is a page of the guide.
type setupModel struct {
	frame
	Step, Title string
	About       []string
	Steps       []setupStep
	Refused     string
	Tried       string // with success
	Secret      bool   // an address for alerts is kept
	OwnBroker   bool
	Trouble     string
	Fields      []fieldLine
	Groups      []groupLine
	Faults      []faultLine
	Live        []liveLine
	Dates       []fieldLine // of certificates
	DatesOpen   bool
	Measure     []measureLine // instruments that can be measured against a standard
	Facts       []fact
	Buses       []fact
	Text, Sum   string
	More        more
	Warnings    []string
	Ready       bool
}

type setupStep struct{ Word, Title, State, Mark string }

// fieldLine is a question as it is drawn.
type fieldLine struct {
	Name, Label, Hint, Kind, Value, Practice, Fault, FaultLang string
	Must, Kept                                                 bool // Kept: a secret that is not shown
	Choices                                                    []option
	Known                                                      []string
	Nothing                                                    string // what choosing nothing means
}

// groupLine are the questions of one instrument.
type groupLine struct {
	Title, Tag, Where string
	Live              liveLine
	Fields            []fieldLine
	Open              bool
}

// liveLine is what an instrument gives now, in words ready to show.
type liveLine struct {
	ID      string `json:"id"`
	Name    string `json:"-"`
	Value   string `json:"value"`
	Wire    string `json:"wire"`
	Why     string `json:"why"`
	Quality string `json:"quality"`
}

// more is what can be added by hand.
type more struct{ Feed, Zone string }

// measureLine leads to the calibration of a channel.
type measureLine struct{ Column, Tag, Name, Record string }

type faultLine struct{ Step, Title, Field, Where, Text, Lang string }

func (s visit) toSetup(w http.ResponseWriter, r *http.Request) {
	d := s.workshop.Draft()
	http.Redirect(w, r, "/setup/"+d.At(s.workshop.Check(d)).String(), http.StatusSeeOther)
}

func (s visit) setupPage(w http.ResponseWriter, r *http.Request) {
	step, ok := setup.StepByName(r.PathValue("step"))
	if !ok {
		http.NotFound(w, r)
		return
	}
	s.writeSetup(w, http.StatusOK, step, "")
}

// takeSetup takes the answers of a step.
func (s visit) takeSetup(w http.ResponseWriter, r *http.Request) {
	step, ok := setup.StepByName(r.PathValue("step"))
	r.Body = http.MaxBytesReader(w, r.Body, setupLimit)
	if !ok || r.ParseForm() != nil {
		http.Error(w, s.show.say("cannot tell what is meant; load the page again"), http.StatusBadRequest)
		return
	}
	if step == setup.RunStep {
		s.beginOperation(w, r)
		return
	}
	if err := s.workshop.Update(func(d *setup.Draft) error { return d.Take(step, r.PostForm.Get) }); err != nil {
		s.writeSetup(w, http.StatusConflict, step, s.why(err))
		return
	}
	for _, t := range []Trial{TryAlert, TryBroker} {
		if step == setup.TellStep && r.PostForm.Get("do") == t.String() && len(s.workshop.Check(s.workshop.Draft()).Of(step)) == 0 {
			s.try(w, r, t)
			return
		}
	}
	if system := r.PostForm.Get("box.units"); step == setup.NameStep && s.knows(s.lang, system) {
		s.keepShown(w, r, s.lang, system) // the guide goes on in the box's own units
	}
	d := s.workshop.Draft()
	if len(s.workshop.Check(d).Of(step)) > 0 || r.PostForm.Get("do") == "stay" {
		http.Redirect(w, r, "/setup/"+step.String(), http.StatusSeeOther)
		return
	}
	http.Redirect(w, r, "/setup/"+step.Next().String(), http.StatusSeeOther)
}

// setupLimit is that of a step's form, in bytes: a board has a dozen instruments.
const setupLimit = 64 << 10

// try tries what was said, and says how it went.
func (s visit) try(w http.ResponseWriter, r *http.Request, t Trial) {
	ctx, cancel := context.WithTimeout(r.Context(), trialBudget)
	defer cancel()
	if err := s.workshop.Try(ctx, t); err != nil {
		s.writeSetup(w, http.StatusConflict, setup.TellStep, s.why(err))
		return
	}
	told := s.show.say("The broker takes what the box publishes, and keeps it.")
	if t == TryAlert {
		told = s.show.say("The service took the test message. See that it reaches the phone.")
	}
	s.writeTold(w, http.StatusOK, setup.TellStep, "", told)
}

// beginOperation writes the configuration, if it is the one that was seen.
func (s visit) beginOperation(w http.ResponseWriter, r *http.Request) {
	result := s.workshop.Check(s.workshop.Draft())
	if result.Sum() != r.PostForm.Get("seen") {
		s.writeSetup(w, http.StatusConflict, setup.RunStep, s.show.say("The answers have changed since this page was shown: read it again."))
		return
	}
	if err := s.workshop.Begin(result); err != nil {
		s.writeSetup(w, http.StatusConflict, setup.RunStep, s.why(err))
		return
	}
	// A new connection waits until the daemon answers.
	w.Header().Set("Connection", "close")
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

func (s visit) writeSetup(w http.ResponseWriter, code int, step setup.Step, refused string) {
	s.writeTold(w, code, step, refused, "")
}

func (s visit) writeTold(w http.ResponseWriter, code int, step setup.Step, refused, tried string) {
	d := s.workshop.Draft()
	r := s.workshop.Check(d)
	m := setupModel{
		frame: s.frame("setup"), Step: step.String(), Title: s.show.voice.Say(step.Title()), About: s.show.voice.Each(step.About()),
		Steps: s.setupSteps(d, r, step), Refused: refused, Tried: tried, Trouble: s.workshop.Trouble(),
	}
	s.putFields(&m, d, r, step)
	switch step {
	case setup.BoardStep:
		for _, b := range d.Switching() {
			m.Buses = append(m.Buses, fact{b.Path, b.What, b.SwitchOn})
		}
		if c := d.Clock(); c != "" {
			m.Buses = append(m.Buses, fact{s.show.say("clock"), c, ""})
		}
	case setup.ChannelStep:
		if d.Board == setup.ByLogger {
			m.Live = s.liveLines()
		}
	case setup.TellStep:
		broker, _ := d.Answer(setup.BrokerSaid)
		m.Secret, m.OwnBroker = d.Secret(setup.AlertAddress) != "", broker == setup.OwnBroker
	case setup.ZoneStep:
		m.Facts = s.zoneFacts(r.Zone)
	case setup.RunStep:
		m.More = more{setup.ExampleFeed(d.ZoneName()), setup.ExampleZone()}
		m.Text, m.Sum, m.Warnings, m.Ready = r.Text, r.Sum(), r.Warnings, r.Config != nil
		m.Faults = s.faultLines(d, r.Faults)
		m.Facts = s.zoneFacts(r.Zone)
	case setup.CalibrateStep:
		m.Measure = s.measureLines(d)
		m.Dates, m.Fields = m.Fields, nil
		m.DatesOpen = slices.ContainsFunc(m.Dates, func(f fieldLine) bool { return f.Value != "" || f.Fault != "" })
	case setup.NameStep, setup.BackflowStep, setup.InjectorStep, setup.UnknownStep:
	}
	writePage(w, code, s.pages().setup, m)
}

func (s visit) setupSteps(d *setup.Draft, r setup.Result, now setup.Step) (out []setupStep) {
	for _, x := range setup.Steps() {
		line := setupStep{x.String(), s.show.voice.Say(x.Title()), "next", "○"}
		switch {
		case d.Done(x, r):
			line.State, line.Mark = "past", "✓"
		case slices.Contains(d.Kept, x):
			line.State, line.Mark = "wrong", "✕"
		}
		if x == now {
			line.State, line.Mark = "now", "▶"
		}
		out = append(out, line)
	}
	return out
}

// putFields draws a step's questions, those of an instrument together. What is wrong
// is told once the step has been answered.
func (s visit) putFields(m *setupModel, d *setup.Draft, r setup.Result, step setup.Step) {
	var faults []setup.Fault
	if slices.Contains(d.Kept, step) {
		faults = r.Of(step)
	}
	groups := map[string]int{}
	var live map[string]liveLine
	for _, f := range d.Fields(step) {
		line := s.fieldLine(d, f, faults)
		if f.Group == "" {
			m.Fields = append(m.Fields, line)
			continue
		}
		at, ok := groups[f.Group]
		if !ok {
			at = len(m.Groups)
			groups[f.Group] = at
			if live == nil {
				live = s.liveByID()
			}
			i := d.Instruments[at]
			m.Groups = append(m.Groups, groupLine{Title: s.show.voice.Say(i.Name()), Tag: i.Tag(), Where: i.Where(), Live: live["i"+strconv.Itoa(at)]})
		}
		g := &m.Groups[at]
		g.Fields = append(g.Fields, line)
		g.Open = g.Open || line.Fault != "" || f.Must && line.Value == ""
	}
	for _, f := range faults {
		if f.Field == "" {
			m.Faults = append(m.Faults, s.faultLines(d, []setup.Fault{f})...)
		}
	}
}

func (s visit) fieldLine(d *setup.Draft, f setup.Field, faults []setup.Fault) fieldLine {
	v := s.show.voice
	value, said := d.Answer(f.Name)
	line := fieldLine{Name: f.Name, Label: v.Say(f.Label), Hint: v.Say(f.Hint), Kind: f.Kind.String(), Value: value, Must: f.Must, Known: f.Known, Nothing: s.show.say("choose")}
	if f.Group != "" {
		line.Nothing = s.show.say("not fitted")
	}
	if f.Practice != "" {
		if !said {
			line.Value = f.Practice
		}
		if line.Value == f.Practice {
			line.Practice = s.show.say("common practice, not measured here: change it where you know better")
		}
	}
	for _, c := range f.Choices {
		line.Choices = append(line.Choices, option{c.Value, v.Say(c.Says), c.Value == value})
	}
	for _, x := range faults {
		if x.Field == f.Name {
			line.Fault, line.FaultLang = v.Say(x.Text), s.langOf(x)
		}
	}
	// What will do is kept to itself; what won't is shown to be put right.
	if line.Kept = f.Kind == setup.Secret && d.Secret(f.Name) != ""; line.Kept && line.Fault != "" && f.Name == setup.AlertAddress {
		line.Kept, line.Value = false, d.Secret(f.Name)
	}
	return line
}

func (s visit) faultLines(d *setup.Draft, faults []setup.Fault) (out []faultLine) {
	for _, f := range faults {
		line := faultLine{Step: f.Step.String(), Title: s.show.voice.Say(f.Step.Title()), Text: s.show.voice.Say(f.Text), Lang: s.langOf(f)}
		for _, x := range d.Fields(f.Step) {
			if x.Name == f.Field {
				line.Field = s.show.voice.Say(d.Called(x))
			}
		}
		if f.Line > 0 {
			line.Where = s.show.say("line %d, column %d", f.Line, f.Column)
		}
		out = append(out, line)
	}
	return out
}

// langOf is the language a fault is told in: what the configuration's reader finds is
// in English alone.
func (s visit) langOf(f setup.Fault) string {
	if f.Line > 0 || f.Text.Format == say.Verbatim("").Format {
		return languages()[0]
	}
	return s.lang
}

// zoneFacts are what hydraulics makes of a zone.
func (s visit) zoneFacts(z *setup.Facts) []fact {
	if z == nil {
		return nil
	}
	d := s.show
	return []fact{
		{d.say("flow of the zone"), d.flow(&z.FlowLpm), d.say("%d emitters", z.Emitters)},
		{d.say("flush volume"), d.volume(&z.FlushL), d.say("until clean water is at the last emitter, before any margin")},
		{d.say("at that flow"), d.minutesOf(&z.FlushMin), d.say("water needs %s to the last emitter of all", d.minutes(z.FarMin))},
		{d.say("worst emitter"), d.pressure(&z.WorstKPa), d.say("the best has %s, the header's inlet %s", d.pressure(&z.BestKPa), d.pressure(&z.HeaderKPa))},
		{d.say("emission uniformity"), d.percent(&z.UniformityPct), d.say("emitter flow varies by %s; a design should keep under 20 %%", d.percent(&z.FlowVariationPct))},
	}
}

// measureLines are the instruments that can be measured against a standard, and when
// that was done last.
func (s visit) measureLines(d *setup.Draft) (out []measureLine) {
	if s.opts.Calibrate == nil {
		return nil
	}
	list, err := s.inForce()
	wired := d.Wirings()
	for _, at := range slices.Sorted(maps.Keys(wired)) {
		c := wired[at].Channel.Info()
		l := measureLine{Column: c.Column, Tag: c.Tag, Name: s.show.word(c.Name), Record: s.show.say("no record")}
		if err != nil {
			l.Record = s.why(err)
		}
		for n := range list {
			if r := &list[n]; r.Channel == c.Column {
				l.Record = s.show.voice.Say(say.T("%s by %s: %v; next due %s", r.Wall.Format(time.DateOnly), r.By, r.Said(), r.Next.Format(time.DateOnly)))
			}
		}
		out = append(out, l)
	}
	return out
}

// liveByID is what the instruments give, by what their place on the page is called.
func (s visit) liveByID() map[string]liveLine {
	out := map[string]liveLine{}
	for _, l := range s.liveLines() {
		out[l.ID] = l
	}
	return out
}

func (s visit) liveLines() []liveLine {
	lines := []liveLine{}
	for _, x := range s.workshop.Look() {
		lines = append(lines, s.liveLine(x))
	}
	slices.SortStableFunc(lines, func(a, b liveLine) int { return cmp.Compare(a.ID, b.ID) })
	return lines
}

// liveLine is what an instrument gives, in words.
func (s visit) liveLine(x setup.Seen) liveLine {
	c := x.Sample.Channel.Info()
	l := liveLine{ID: x.ID(), Name: s.show.word(c.Name), Value: s.show.unknown(), Quality: box.Bad.String()}
	if c.Unit == "" { // of the board itself
		c.Unit = "V"
	}
	switch v := x.Sample.Value; {
	case !x.Heard:
		l.Why = s.show.say("nothing heard yet")
	case x.Sample.Fault != "":
		why := say.Text{Format: x.Sample.Fault}
		if strings.Contains(x.Sample.Fault, "%.4g") {
			why.Args = []any{v}
		}
		l.Why = s.show.voice.Say(why)
	default:
		l.Value, l.Quality = s.show.in(&v, c.Unit), box.Good.String()
		if n, unit, ok := setup.Wire(x.Wiring, v); ok {
			l.Wire = digits(n, 2)
			if unit != "" {
				l.Wire += "\u00a0" + unit
			}
		}
	}
	return l
}

// setupLive is what the instruments give now, for the page to show.
func (s visit) setupLive(w http.ResponseWriter, _ *http.Request) { writeJSON(w, s.liveLines()) }
