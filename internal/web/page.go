package web

import (
	"bytes"
	"crypto/rand"
	"encoding/json"
	"html/template"
	"net/http"
	"strings"
	"time"

	"boxd/internal/access"
	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/say"
)

// frame is what every page has around it.
type frame struct {
	Page, Box, Version string
	Help               string // where the manual tells of this page
	Demo, Open         bool
	Planned            bool // there is a plan page
	Lang               string
	Words              string // what scripts say, as JSON by its English form
	Who                string // signed in as; empty: nobody
	May                may
	Guarded            bool // people sign in
	SettingUp          bool // there are no other pages than the guide's
	Shown              shown
}

// may is what the visitor may do, for the pages to offer no more.
type may struct{ Operate, Administer bool }

func (s visit) frame(page string) frame {
	return frame{
		Page: page, Help: helpFor(page), Box: s.opts.Box, Version: s.opts.Version, Demo: s.opts.Demo, Open: s.opts.Keeper == nil, Planned: s.opts.Planner != nil,
		Lang: s.lang, Words: s.pages().words, Who: s.who.Name, Guarded: s.opts.Keeper != nil, Shown: s.shown(),
		May: s.may(), SettingUp: s.workshop != nil,
	}
}

func (s visit) may() may {
	return may{s.who.Role.May(access.Operate), s.who.Role.May(access.Administer)}
}

// runModel is the run page: the parts that change, and the form that stays.
type runModel struct {
	frame
	Live
	ActID, By, Refused     string
	KPaFactor, LpmFactor   float64
	PressureUnit, FlowUnit string
	Deeds                  []deedLine
	StaleSec               float64
}

type deedLine struct{ Word, Says string }

// Live is what changes with each view, written for the templates. It is
// exported for embedding only.
type Live struct {
	V          engine.View
	Stopped    bool
	StoppedWhy string
	Heard      string // how long ago
	Steps      []stepMark
	RunTime    string
	Advice     *engine.AdviceView
	Minutes    string
	Alarms     []alarmLine
	Offer      may  // to the visitor
	NoteWanted bool // something offered takes a reason
	Dials      []dial
	Facts      []fact
	Readings   []readingLine
	Drawing    drawing
	Rows       []rowBar
	RowsHeight float64
	Plants     []plantBars
	PlantsHigh float64
	Cost       []fact
	StopText   string
	Past       []milestoneLine
}

type stepMark struct {
	Name, State, Mark string // State: past, now, next
}

type alarmLine struct {
	engine.AlarmView
	Mark, Since string
	Respond     string
	CanAck      bool
	CanReset    bool
}

type fact struct{ Name, Value, Aside string }

type readingLine struct {
	Tag, Name, Value, Quality, Mark, Why, Column string
}

type milestoneLine struct{ Name, Ago string }

// live writes a view for the templates.
func (s visit) live(v engine.View) Live {
	age := s.age(v)
	l := Live{
		V: v, Heard: s.show.seconds(age.Seconds()), Offer: s.may(),
		Steps: stepMarks(v), RunTime: s.runTime(v.RunT), Advice: v.Advice,
		Alarms: s.alarmLines(v), Dials: s.dials(v), Facts: s.facts(v),
		Readings: s.readings(v), Drawing: s.drawing(v), Cost: s.costs(v), StopText: stopText(v), Past: s.milestones(v),
	}
	l.Rows, l.RowsHeight = s.rowBars(v)
	l.Plants, l.PlantsHigh = s.alongRows(v)
	if stopped(v, age) {
		l.Stopped = true
		l.StoppedWhy = s.show.say("nothing heard from the core for %s", l.Heard)
		if v.Step == stepStopped {
			l.StoppedWhy = v.StepWhy
		}
	}
	if v.Advice != nil {
		l.Minutes = s.show.minutesOf(v.Advice.Minutes)
	}
	for _, a := range l.Alarms {
		l.NoteWanted = l.NoteWanted || l.Offer.Operate && a.CanReset
	}
	for _, h := range v.Holds {
		l.NoteWanted = l.NoteWanted || l.Offer.Administer && h.Overridable
	}
	return l
}

// runSteps are the steps of a run as the core names them.
func runSteps() []string { return []string{"ready", "pressurise", "inject", "flush", "secure"} }

func stepMarks(v engine.View) []stepMark {
	names := runSteps()
	at := -1
	for i, n := range names {
		if n == v.Step {
			at = i
		}
	}
	marks := make([]stepMark, len(names))
	for i, n := range names {
		marks[i] = stepMark{Name: n, State: "next", Mark: "○"}
		switch {
		case i == at:
			marks[i].State, marks[i].Mark = "now", "▶"
		case i < at:
			marks[i].State, marks[i].Mark = "past", "✓"
		}
	}
	return marks
}

func (s visit) runTime(t *float64) string {
	if t == nil {
		return ""
	}
	return s.show.minutes(*t / 60)
}

// alarmMark is the shape of a priority, so that colour never speaks alone.
func alarmMark(priority string) string {
	switch priority {
	case "critical":
		return "◆"
	case "high":
		return "▲"
	}
	return "●"
}

// alarmLines say how long in minutes: a part that changed each second would be
// read out each second.
func (s visit) alarmLines(v engine.View) []alarmLine {
	lines := make([]alarmLine, 0, len(v.Alarms))
	for _, a := range v.Alarms {
		lines = append(lines, s.alarmLine(v, a))
	}
	return lines
}

func (s visit) alarmLine(v engine.View, a engine.AlarmView) alarmLine {
	return alarmLine{
		AlarmView: a, Mark: alarmMark(a.Priority), Since: s.show.minutes(max(0, v.T-a.SinceT) / 60),
		CanAck: !a.Acked, CanReset: a.Latched && a.Acked, Respond: s.show.minutes(a.RespondMin),
	}
}

func (s visit) readings(v engine.View) []readingLine {
	lines := make([]readingLine, 0, len(v.Channels))
	for _, c := range v.Channels {
		l := readingLine{Tag: c.Tag, Name: s.show.word(c.Name), Value: s.show.channel(c), Quality: c.Quality, Column: c.Column}
		switch c.Quality {
		case box.Good.String():
		case box.Uncertain.String():
			l.Mark = "≈"
		case box.Bad.String():
			l.Mark = "✕"
		default:
			l.Mark = "?"
		}
		if l.Mark != "" {
			l.Why = s.whyReading(c)
		}
		lines = append(lines, l)
	}
	return lines
}

func (s visit) whyReading(c engine.ChannelView) string {
	why := s.show.say(c.Cause)
	if why != "" && c.Why != "" {
		why += ": "
	}
	why += c.Why
	if c.AgeS >= 3 {
		if why != "" {
			why += "; "
		}
		why += s.show.say("last heard %s ago", s.show.seconds(c.AgeS))
	}
	return why
}

func (s visit) milestones(v engine.View) []milestoneLine {
	var lines []milestoneLine
	for _, m := range v.Past {
		name := s.show.say(strings.ReplaceAll(m.Name, "_", " "))
		lines = append(lines, milestoneLine{name, s.show.say("%s ago", s.show.seconds(max(0, v.T-m.T)))})
	}
	return lines
}

// facts are what the readings say, for the step under way.
func (s visit) facts(v engine.View) []fact {
	p, d := v.Progress, s.show
	flow := fact{d.say("flow"), d.flow(p.FlowLpm), d.say("the zone takes %s at this pressure", d.flow(p.ExpectedLpm))}
	if p.ExpectedLpm == nil {
		flow.Aside = d.say("what the zone should take is unknown")
	}
	facts := []fact{flow}
	switch v.Step {
	case "pressurise":
		facts = append(facts,
			fact{d.say("lines filled"), d.percent(p.FilledPct), d.say("of %s", d.volume(&p.LineVolumeL))},
			fact{d.say("clean water"), d.conductivity(p.BaselineUSCm), d.say("the baseline the flush is judged by")})
	case "inject":
		facts = append(facts,
			fact{d.say("injected"), d.minutesOf(p.InjectedMin), s.plannedAside(p.PlannedMin)},
			fact{d.say("field ratio"), d.ratio(p.FieldRatioPct), d.say("stock in all the water; in the branch %s", d.ratio(p.BranchRatioPct))},
			fact{d.say("EC rise"), d.conductivity(p.RiseUSCm), d.say("over %s", d.conductivity(p.BaselineUSCm))})
		facts = append(facts, s.weighings(p.StockL)...)
		facts = append(facts, s.doseFacts(v.Dose)...)
	case "flush":
		facts = append(facts,
			fact{d.say("EC rise"), d.conductivity(p.RiseUSCm), d.say("clean is within %s of %s", d.conductivity(p.ReturnBandUSCm), d.conductivity(p.BaselineUSCm))},
			fact{d.say("clean at the box"), d.yes(p.CleanAtBox), ""},
			fact{d.say("clean water passed"), d.volume(p.FlushPassedL), d.say("of %s, margin %s included", d.volume(p.FlushNeededL), digits(p.MarginPct, 0)+"\u00a0%")},
			fact{d.say("by the volume"), d.word(p.VolumeWitness), ""},
			fact{d.say("by the line's end"), d.word(p.EndWitness), ""})
		facts = append(facts, s.doseFacts(v.Dose)...)
	}
	facts = append(facts, fact{d.say("filter difference"), d.pressure(p.FilterDiffKPa), ""})
	if p.FreezeHours != nil {
		facts = append(facts, fact{d.say("to freezing"), digits(*p.FreezeHours, 1) + "\u00a0h", d.say("of the coldest small volume")})
	}
	return facts
}

func (s visit) plannedAside(m *float64) string {
	if m == nil {
		return s.show.say("no length was planned")
	}
	return s.show.say("of %s planned", s.show.minutes(*m))
}

func (s visit) weighings(w engine.Weighings) []fact {
	d := s.show
	return []fact{
		{d.say("stock out, drawn"), d.volume(w.Drawn), d.say("by the stock meter")},
		{d.say("stock out, by EC"), d.volume(w.ByEC), d.say("by rise × flow")},
		{d.say("stock out, by ratio"), d.volume(w.ByRatio), d.say("by nominal ratio × branch flow")},
	}
}

func (d display) yes(b bool) string {
	if b {
		return d.say("yes")
	}
	return d.say("not yet")
}

// costs are what stopping now would cost, when there is fertilizer on its way.
func (s visit) costs(v engine.View) []fact {
	if v.Step != "inject" && v.Step != "flush" {
		return nil
	}
	p, d := v.Progress, s.show
	return []fact{
		{d.say("last emitter has had"), d.delivered(p.LastEmitterPct), d.say("of its share")},
		{d.say("all plants have had"), d.delivered(p.DeliveredPct), d.say("of what was injected")},
		{d.say("minutes left"), d.minutesOf(p.MinutesLeft), d.doubt(p)},
	}
}

// pages are the parsed templates in one language.
type pages struct {
	run, parts, runs, plan, signIn, begin, people *template.Template
	alarms, alarmParts, boxPage, boxParts         *template.Template
	offline, valve, valveParts, valveNext         *template.Template
	record, whatIf, setup, ruling, help           *template.Template

	season, calibration *template.Template

	words string // of the scripts, as JSON
}

func parsePages(m say.Messages) *pages {
	v := say.Voice{Messages: m}
	all := template.New("").Funcs(template.FuncMap{
		"line": line,
		"t":    func(format string, args ...any) string { return v.Say(say.Text{Format: format, Args: args}) },
	})
	all = template.Must(all.ParseFS(files, "pages/*.html"))
	settleWords(all, v)
	return &pages{
		run: all.Lookup("run.html"), parts: all.Lookup("parts"), runs: all.Lookup("runs.html"), plan: all.Lookup("plan.html"),
		signIn: all.Lookup("signin.html"), begin: all.Lookup("begin.html"), people: all.Lookup("people.html"),
		alarms: all.Lookup("alarms.html"), alarmParts: all.Lookup("alarm-parts"), boxPage: all.Lookup("box.html"), boxParts: all.Lookup("box-parts"), offline: all.Lookup("offline.html"),
		valve: all.Lookup("valve.html"), valveParts: all.Lookup("valve-parts"), valveNext: all.Lookup("valve-next"),
		record: all.Lookup("record.html"), help: all.Lookup("help.html"), whatIf: all.Lookup("whatif.html"), season: all.Lookup("season.html"), calibration: all.Lookup("calibration.html"), setup: all.Lookup("setup.html"), ruling: all.Lookup("ruling.html"),
		words: scriptWords(m),
	}
}

// line is the first or the second line of a label of several words.
func line(n int, label string) string {
	at := strings.LastIndexByte(label, ' ')
	if n == 1 {
		return label[:max(at, 0)]
	}
	return label[at+1:]
}

func (s visit) runPage(w http.ResponseWriter, _ *http.Request) {
	s.writeRunPage(w, http.StatusOK, "", "")
}

func (s visit) writeRunPage(w http.ResponseWriter, code int, by, refused string) {
	v := s.core.View().In(s.show.voice)
	m := runModel{
		frame: s.frame("run"), Live: s.live(v),
		ActID: rand.Text(), By: s.name(by), Refused: refused,
		Deeds: s.deedLines(), StaleSec: staleAfter.Seconds(),
	}
	m.KPaFactor, m.LpmFactor = s.show.factors()
	m.PressureUnit, m.FlowUnit = s.show.unitNames()
	writePage(w, code, s.pages().run, m)
}

// deedLines are what a person may report unasked.
func (s visit) deedLines() []deedLine {
	says := map[box.Deed]string{
		box.RunStart: "run started", box.MainOpen: "shutoff valve opened", box.MainClosed: "shutoff valve closed",
		box.InjectorOn: "injector valves opened", box.InjectorOff: "injector valves closed",
		box.LoopThrottled: "loop valve throttled", box.LoopOpened: "loop valve opened",
		box.FilterCleaned: "filter cleaned", box.StockIn: "suction hose put in the stock",
		box.StockOut: "suction hose taken out", box.RunEnd: "run ended",
	}
	lines := make([]deedLine, 0, len(says))
	for d := box.UnknownDeed + 1; d < box.NumDeeds; d++ {
		if says[d] != "" {
			lines = append(lines, deedLine{d.String(), s.show.say(says[d])})
		}
	}
	return lines
}

func writePage(w http.ResponseWriter, code int, t *template.Template, model any) {
	var b bytes.Buffer
	if err := t.Execute(&b, model); err != nil {
		http.Error(w, "cannot draw the page: "+err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(code)
	_, _ = w.Write(b.Bytes()) // a broken connection has nobody to tell
}

func writeJSON(w http.ResponseWriter, model any) {
	b, err := json.Marshal(model)
	if err != nil {
		http.Error(w, "cannot write this as JSON: "+err.Error(), http.StatusInternalServerError)
		return
	}
	if w.Header().Get("Content-Type") == "" {
		w.Header().Set("Content-Type", "application/json")
	}
	_, _ = w.Write(b) // a broken connection has nobody to tell
}

func (s visit) apiView(w http.ResponseWriter, _ *http.Request) {
	writeJSON(w, s.core.View().In(s.show.voice))
}

func (s visit) apiTrace(w http.ResponseWriter, _ *http.Request) {
	points := s.core.Trace()
	if points == nil {
		points = []Point{}
	}
	writeJSON(w, points)
}

// healthz is 200 while views come and the core hasn't stopped.
func (s *server) healthz(w http.ResponseWriter, _ *http.Request) {
	v := s.core.View()
	if age := s.age(v); stopped(v, age) {
		http.Error(w, "stopped: last view "+age.Round(time.Second).String()+" old, step "+v.Step, http.StatusServiceUnavailable)
		return
	}
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	_, _ = w.Write([]byte("ok\n")) // a broken connection has nobody to tell
}

// doubt says how far the minutes left can be off, and why.
func (d display) doubt(p engine.Progress) string {
	if p.MinutesLeft == nil || p.MinutesSpread == nil {
		return ""
	}
	spread := d.written(p.MinutesSpread, 1, 1, "min")
	if p.TailMinutes != nil && *p.TailMinutes >= 0.5 {
		return d.say("give or take %s for meter and pipe sizes; a thin rest in slow tape ends up to %s more", spread, d.written(p.TailMinutes, 1, 0, "min"))
	}
	return d.say("give or take %s for meter and pipe sizes", spread)
}
