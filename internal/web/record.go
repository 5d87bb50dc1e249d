package web

import (
	"crypto/rand"
	"encoding/json"
	"errors"
	"net/http"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/journal"
)

// recordModel is the page of an archived run, alone or with another laid over it.
type recordModel struct {
	frame
	ID, Zone, Began, BeganISO, Took string
	Under                           bool // the run has not ended
	Thinned                         string
	Facts                           []recordFact
	Marks                           []recordMark
	Past                            []saidLine
	Notes                           []noteLine
	Other, OtherSays                string
	Others                          []option
	Aligned                         []option
	Zero, OtherZero                 float64 // seconds of each run at which the drawing begins to count
	Upright                         string  // where milestones stand in the drawing, as JSON: the run's, the other's
	Channels                        string  // of the drawing, as JSON
	NoteID, Refused                 string
	Export, Missing                 bool
}

// recordFact is a number of the run and, beside it, of the other.
type recordFact struct{ Name, Value, Other string }

// recordMark is a milestone in the run and in the other, times from what they are
// aligned on.
type recordMark struct{ Name, At, Other, Differ string }

type saidLine struct{ At, What, Text string }

type noteLine struct{ When, By, Text string }

// runFile is /runs/{file}: a page of a run or, with an ending, the run as a file.
func (s visit) runFile(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("file")
	if lib, ok := s.catalogue(); ok && !strings.Contains(id, ".") && plainID(id) {
		s.recordPage(w, r, lib, http.StatusOK, "")
		return
	}
	s.export(w, r)
}

func (s visit) recordPage(w http.ResponseWriter, r *http.Request, lib Library, code int, refused string) {
	acc, err := lib.Account(r.Context(), r.PathValue("file"))
	if err != nil {
		s.noRun(w, err)
		return
	}
	var other *journal.Account
	if id := r.URL.Query().Get("with"); plainID(id) {
		if other, err = lib.Account(r.Context(), id); err != nil && !errors.Is(err, ErrNoRun) {
			s.noRun(w, err)
			return
		}
	}
	rows, err := lib.Find(r.Context(), journal.Search{Limit: runsShown})
	if err != nil {
		s.noRun(w, err)
		return
	}
	m := s.record(acc, other, r.URL.Query().Get("at"))
	m.Refused = refused
	m.Others = []option{{"", s.show.say("no other run"), other == nil}}
	for _, row := range rows {
		if row.ID != acc.Run.ID {
			m.Others = append(m.Others, option{row.ID, row.Zone + " " + s.local(row.Start).Format("2006-01-02 15:04"), row.ID == m.Other})
		}
	}
	_, m.Export = s.arch.(Exporter)
	writePage(w, code, s.pages().record, m)
}

func (s visit) noRun(w http.ResponseWriter, err error) {
	if errors.Is(err, ErrNoRun) {
		http.Error(w, s.show.say("There is no such run in the archive."), http.StatusNotFound)
		return
	}
	http.Error(w, s.show.say("Cannot read the archive:")+" "+err.Error(), http.StatusInternalServerError)
}

// record writes a run for the template.
func (s visit) record(acc, other *journal.Account, align string) recordModel {
	r := acc.Run
	m := recordModel{frame: s.frame("runs"), ID: r.ID, Zone: r.Zone, Began: s.moment(r.Start), BeganISO: s.local(r.Start).Format(time.RFC3339), Took: s.took(acc), Under: !r.Ended, NoteID: rand.Text()}
	if !r.Thinned.IsZero() {
		m.Thinned = s.local(r.Thinned).Format(time.DateOnly)
	}
	if other != nil {
		m.Other, m.OtherSays = other.Run.ID, other.Run.Zone+" "+s.moment(other.Run.Start)
	}
	m.Facts = s.recordFacts(acc, other)
	s.marks(&m, acc, other, align)
	m.Past = s.past(acc)
	for _, n := range acc.Notes {
		m.Notes = append(m.Notes, noteLine{s.moment(n.Wall), n.By, n.Text})
	}
	m.Channels = s.channels(&m)
	return m
}

func (s visit) moment(t time.Time) string {
	if t.IsZero() {
		return s.show.unknown()
	}
	return s.local(t).Format("2006-01-02 15:04")
}

func (s visit) took(acc *journal.Account) string {
	if !acc.Run.Ended {
		return s.show.say("not ended")
	}
	return s.show.minutes((acc.Run.EndT - acc.Run.StartT) / 60)
}

// recordFacts are the numbers of a run's summary, and the other's beside them.
func (s visit) recordFacts(acc, other *journal.Account) []recordFact {
	d := s.show
	of := func(a *journal.Account) []fact {
		sum := a.Summary()
		if sum == nil {
			sum = &engine.Summary{Flush: unknown}
		}
		facts := []fact{{d.say("persons"), strings.Join(a.Persons(), ", "), ""}, {d.say("took"), s.took(a), ""},
			{d.say("water through the box"), d.volume(known(sum.VolumeL, a.Summary() != nil)), ""}, {d.say("Flush"), d.word(sum.Flush), ""}}
		facts = append(facts, s.weighings(sum.StockL)...)
		facts = append(facts, fact{d.say("last emitter has had"), d.delivered(sum.LastEmitterDelivered), ""}, fact{d.say("not delivered"), d.percent(sum.UndeliveredPct), ""},
			fact{d.say("clean water"), d.conductivity(sum.BaselineUSCm), ""}, fact{d.say("EC rise"), d.conductivity(sum.RiseUSCm), ""}, fact{d.say("dose"), d.doseLine(sum.Dose), ""})
		return facts
	}
	var out []recordFact
	var beside []fact
	if other != nil {
		beside = of(other)
	}
	for i, f := range of(acc) {
		line := recordFact{f.Name, f.Value, ""}
		if beside != nil {
			line.Other = beside[i].Value
		}
		out = append(out, line)
	}
	return out
}

func known(v float64, is bool) *float64 {
	if !is {
		return nil
	}
	return &v
}

// marks lists the milestones, counted from the one both runs are aligned on.
func (s visit) marks(m *recordModel, acc, other *journal.Account, align string) {
	mine, theirs := milestonesOf(acc), milestonesOf(other)
	zero, ok := at(mine, align)
	zeroOther, also := at(theirs, align)
	if !ok || other != nil && !also {
		align, zero, zeroOther = "", 0, 0
	}
	m.Zero, m.OtherZero, m.Upright = zero, zeroOther, upright(mine, zero, theirs, zeroOther)
	m.Aligned = []option{{"", s.show.say("the start of the record"), align == ""}}
	for _, k := range mine {
		name := s.show.say(strings.ReplaceAll(k.Name, "_", " "))
		line := recordMark{Name: name, At: clock(k.T - zero)}
		t, there := at(theirs, k.Name)
		if there {
			line.Other, line.Differ = clock(t-zeroOther), ahead((t-zeroOther)-(k.T-zero))
		}
		if there || other == nil {
			m.Aligned = append(m.Aligned, option{k.Name, name, k.Name == align})
		}
		m.Marks = append(m.Marks, line)
	}
	for _, k := range theirs {
		if _, there := at(mine, k.Name); !there {
			m.Marks = append(m.Marks, recordMark{Name: s.show.say(strings.ReplaceAll(k.Name, "_", " ")), Other: clock(k.T - zeroOther)})
		}
	}
}

// upright are the times of both runs' milestones from where the drawing counts.
func upright(mine []engine.MilestoneRecord, zero float64, theirs []engine.MilestoneRecord, zeroOther float64) string {
	both := [2][]float64{{}, {}}
	for _, k := range mine {
		both[0] = append(both[0], k.T-zero)
	}
	for _, k := range theirs {
		both[1] = append(both[1], k.T-zeroOther)
	}
	b, err := json.Marshal(both)
	if err != nil {
		return "[[],[]]" // a time that is no number
	}
	return string(b)
}

// milestonesOf are the first of each name, by time.
func milestonesOf(acc *journal.Account) []engine.MilestoneRecord {
	var list []engine.MilestoneRecord
	if acc == nil {
		return nil
	}
	for i := range acc.Events {
		e := &acc.Events[i]
		if e.Kind != engine.MilestoneEvent {
			continue
		}
		if _, twice := at(list, e.Name); !twice {
			list = append(list, engine.MilestoneRecord{Name: e.Name, T: e.T})
		}
	}
	return list
}

func at(list []engine.MilestoneRecord, name string) (float64, bool) {
	i := slices.IndexFunc(list, func(m engine.MilestoneRecord) bool { return m.Name == name })
	if i < 0 {
		return 0, false
	}
	return list[i].T, true
}

// past is what was said and done in the run.
func (s visit) past(acc *journal.Account) []saidLine {
	var lines []saidLine
	for i := range acc.Events {
		e := &acc.Events[i]
		switch e.Kind {
		case engine.AlarmEvent:
			lines = append(lines, saidLine{clock(e.T), e.ID + " · " + s.show.say(e.State), e.Text})
		case engine.ActionEvent:
			lines = append(lines, saidLine{clock(e.T), e.By, s.show.say(strings.ReplaceAll(deedOr(e), "_", " "))})
		case engine.RefusalEvent:
			lines = append(lines, saidLine{clock(e.T), e.By, s.show.say("refused: %s", e.Reason)})
		case engine.OverrideEvent:
			lines = append(lines, saidLine{clock(e.T), e.By, s.show.say("hold %s lifted: %s", e.ID, e.Reason)})
		case engine.StepEvent, engine.MilestoneEvent, engine.AdviceEvent, engine.HoldEvent, engine.ReleaseEvent, engine.NoteEvent, engine.RunEvent, engine.SummaryEvent, engine.ForecastEvent:
		}
	}
	return lines
}

// deedOr is what an action was: a deed, else its kind and what it was about.
func deedOr(e *engine.Event) string {
	if e.Deed != "" && e.Deed != box.UnknownDeed.String() {
		return e.Deed
	}
	return strings.TrimSpace(e.Name + " " + e.ID)
}

// clock is a time of a run as h:mm:ss.
func clock(t float64) string {
	sign := ""
	if t < 0 {
		sign, t = "−", -t
	}
	return sign + time.Time{}.Add(time.Duration(t*float64(time.Second)).Round(time.Second)).Format("15:04:05")
}

func ahead(t float64) string {
	if t > 0 {
		return "+" + clock(t)
	}
	return clock(t)
}

// channelShown is a channel as the drawing's script needs it: a number of the wire
// times the factor plus the offset is in Unit.
type channelShown struct {
	Column string  `json:"column"`
	Name   string  `json:"name"`
	Unit   string  `json:"unit"`
	Factor float64 `json:"factor"`
	Offset float64 `json:"offset"`
	Digits int     `json:"digits"`
}

// channels are those that can be drawn, EC first.
func (s visit) channels(m *recordModel) string {
	kpa, lpm := s.show.factors()
	pressure, flow := s.show.unitNames()
	var list []channelShown
	for _, c := range []box.Channel{box.BoxEC, box.EndEC, box.HeaderPressure, box.SupplyPressure, box.FilterOutPressure, box.InjectorInPressure, box.InjectorOutPressure,
		box.MainFlow, box.InjectorFlow, box.StockDraw, box.WaterTemp, box.BoxAirTemp, box.OutsideAirTemp} {
		i := c.Info()
		line := channelShown{i.Column, s.show.say(i.Name), i.Unit, 1, 0, 0}
		switch {
		case i.Unit == "kPa":
			line.Unit, line.Factor, line.Digits = pressure, kpa, 1
		case i.Unit == "L/min":
			line.Unit, line.Factor, line.Digits = flow, lpm, 2
		case i.Unit == "°C" && s.show.us:
			line.Unit, line.Factor, line.Offset = "°F", 1.8, 32
		case i.Unit == "°C":
			line.Digits = 1
		}
		list = append(list, line)
	}
	b, err := json.Marshal(list)
	if err != nil {
		panic("web: " + err.Error()) // numbers and texts
	}
	return string(b)
}

// traces are a run's numbers for its drawing.
func (s visit) traces(w http.ResponseWriter, r *http.Request) {
	lib, ok := s.catalogue()
	id := r.PathValue("file")
	if !ok || !plainID(id) {
		http.NotFound(w, r)
		return
	}
	t, err := lib.Traces(r.Context(), id)
	if err != nil {
		s.noRun(w, err)
		return
	}
	writeJSON(w, t)
}

// note takes a person's note on a run: text, by, and an id made once, so that a
// note sent twice counts once.
func (s visit) note(w http.ResponseWriter, r *http.Request) {
	lib, ok := s.catalogue()
	id := r.PathValue("file")
	if !ok || !plainID(id) {
		http.NotFound(w, r)
		return
	}
	r.Body = http.MaxBytesReader(w, r.Body, bodyLimit)
	n := journal.Note{ID: r.PostFormValue("id"), Run: id, Wall: time.Now(), By: s.name(r.PostFormValue("by")), Text: clean(strings.Join(strings.Fields(r.PostFormValue("text")), " "), journal.MaxNote/utf8.UTFMax)}
	if n.ID == "" || len(n.ID) > idLimit || n.Text == "" {
		s.recordPage(w, r, lib, http.StatusBadRequest, s.show.say("A note needs some words."))
		return
	}
	if box.IsButton(n.By) {
		s.recordPage(w, r, lib, http.StatusBadRequest, s.why(notTheButton()))
		return
	}
	switch err := lib.AddNote(r.Context(), n); {
	case errors.Is(err, ErrNoRun):
		s.noRun(w, err)
	case err != nil:
		s.recordPage(w, r, lib, http.StatusInternalServerError, s.show.say("The note is not saved: %s", err.Error()))
	default:
		http.Redirect(w, r, "/runs/"+id+"#notes", http.StatusSeeOther)
	}
}
