package journal

import (
	"bufio"
	"cmp"
	"context"
	_ "embed" // the page's template
	"fmt"
	"html/template"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"boxd/internal/engine"
	"boxd/internal/say"
	"boxd/internal/units"
)

//go:embed report.html
var reportTemplate string

// report is what the page shows.
type report struct {
	*Account
	Sum         *engine.Summary
	Lang        string
	Lasted      string
	Who         string
	Panels      []panelView
	Marks       []markView
	Tables      []reportTable
	Instruments []instrumentView
	Groups      []Group
	Caveats     []string
}

// markView is a milestone with the number it has in the drawings.
type markView struct {
	N    int
	Name string
	T    float64
	Wall time.Time
}

type reportTable struct {
	Title string
	Heads []string
	Rows  []reportRow
}

type reportRow struct {
	T     float64 // seconds of the run
	Wall  time.Time
	Cells []string
}

func (x *story) html(ctx context.Context, w io.Writer) error {
	page, err := template.New("report").Funcs(template.FuncMap{
		"num": x.num, "opt": x.opt, "doubt": x.doubt, "method": x.method, "unit": x.unit, "clock": clockText, "wall": x.wallText, "hour": x.hourText, "person": x.person, "t": x.say,
	}).Parse(reportTemplate)
	if err != nil {
		return err
	}
	marks := x.marks()
	panels, instruments, err := x.panels(ctx, marks)
	if err != nil {
		return err
	}
	b := bufio.NewWriter(w)
	err = page.Execute(b, report{
		Account: x.Account, Sum: x.Summary(), Lang: cmp.Or(x.back.Lang, "en"), Lasted: x.lasted(), Who: strings.Join(x.Persons(), ", "), Panels: panels, Marks: marks,
		Tables: x.tables(), Instruments: instruments, Groups: x.back.Groups, Caveats: x.caveats(),
	})
	if err != nil {
		return err
	}
	return b.Flush()
}

// say writes a sentence in the reader's language.
func (x *story) say(format string, args ...any) string {
	return x.back.Voice.Say(say.Text{Format: format, Args: args})
}

func (x *story) lasted() string {
	if !x.Run.Ended {
		return ""
	}
	return clockText(x.since(x.Run.EndT))
}

func (x *story) marks() []markView {
	var list []markView
	for i := range x.Events {
		if e := &x.Events[i]; e.Kind == engine.MilestoneEvent {
			list = append(list, markView{len(list) + 1, x.say(words(e.Name)), e.T, e.Wall})
		}
	}
	return list
}

// tables sort the events into what a reader looks for. What the box said is in
// its own words of then.
func (x *story) tables() []reportTable {
	alarms := reportTable{Title: x.say("Alarms"), Heads: []string{x.say("Alarm"), x.say("State"), x.say("Priority"), x.say("What was seen")}}
	actions := reportTable{Title: x.say("What persons said they did"), Heads: []string{x.say("Who"), x.say("What"), x.say("Taken")}}
	steps := reportTable{Title: x.say("Steps, advice and holds"), Heads: []string{x.say("What"), x.say("Text")}}
	for i := range x.Events {
		e := &x.Events[i]
		switch e.Kind {
		case engine.StepEvent:
			steps.add(e, x.say("step: %v", x.say(e.Step)), strings.Join(e.Why, "; "))
		case engine.AlarmEvent:
			alarms.add(e, e.ID, x.say(e.State), x.say(e.Priority), e.Text)
		case engine.ActionEvent:
			actions.add(e, x.person(e.By), x.what(e), x.say("yes"))
		case engine.RefusalEvent:
			actions.add(e, x.person(e.By), x.what(e), x.say("refused: %s", e.Reason))
		case engine.AdviceEvent:
			steps.add(e, x.say("advice"), e.Text)
		case engine.HoldEvent:
			steps.add(e, x.say("hold on %v", x.say(e.On)), e.Reason)
		case engine.ReleaseEvent:
			steps.add(e, x.say("hold on %v ended", x.say(e.On)), e.Reason)
		case engine.NoteEvent:
			steps.add(e, x.say("note"), e.Text)
		case engine.OverrideEvent:
			steps.add(e, x.say("hold on %v overridden by %s", x.say(e.On), x.person(e.By)), e.ID+": "+e.Reason)
		case engine.MilestoneEvent, engine.ForecastEvent, engine.RunEvent, engine.SummaryEvent:
		}
	}
	return []reportTable{alarms, actions, steps}
}

func (t *reportTable) add(e *engine.Event, cells ...string) {
	t.Rows = append(t.Rows, reportRow{e.T, e.Wall, cells})
}

// caveats are what a reader has to know before relying on the record.
func (x *story) caveats() []string {
	list := []string{
		x.say("The box measures and advises; persons moved every valve. What persons said they did is their word, checked against the readings where readings can tell."),
		x.say("No sensor proves that a backflow device works: local codes and a licensed tester decide."),
		x.say("EC shows salts, not urea: a weighing by EC says nothing of urea."),
		x.say("Times are of the box's clock, which may have been set during the run; times of the run (h:mm:ss) are not touched by that."),
	}
	add := func(when bool, text string) {
		if when {
			list = append(list, text)
		}
	}
	add(x.back.Voice.Messages != nil, x.say("What the box said in the run stands in the words and units it used then."))
	add(!x.Run.Ended, x.say("This run has not ended: its record is not complete."))
	add(x.Run.Start.IsZero(), x.say("The box's clock was not set when the run began: when it was is not known."))
	add(!x.Run.Thinned.IsZero(), x.say("Its samples were thinned on %s: away from events one stands for ten seconds.", x.Run.Thinned.Format(time.DateOnly)))
	s := x.Summary()
	if s == nil {
		return append(list, x.say("There is no summary: nothing was weighed up."))
	}
	add(s.UnseenS > 0, x.say("For %s of the run nobody saw what the water did: boxd or its readings were away.", clockText(s.UnseenS)))
	add(s.Observed, x.say("Not every step was confirmed by a person: the readings alone counted, or a hold was passed over."))
	add(s.Flush != "done", x.say("It is not shown that the last emitter had clean water again."))
	add(s.Dose != nil, x.say("The uncertainties of the dose are standard ones (k = 1)."))
	return append(list, s.Notes...)
}

func words(name string) string { return strings.ReplaceAll(name, "_", " ") }

func (x *story) person(name string) string {
	if name == "" {
		return x.say("not named")
	}
	return name
}

// what says what an answer answers.
func (x *story) what(e *engine.Event) string {
	for _, s := range []string{x.say(words(e.Deed)), e.Text, e.ID} {
		if s != "" {
			return s
		}
	}
	return "-"
}

// shortNumber shows four figures, enough for the meters of a box.
func shortNumber(x float64) string {
	if a := math.Abs(x); a >= 1000 && a < 1e15 {
		return strconv.FormatFloat(x, 'f', 0, 64)
	}
	return strconv.FormatFloat(x, 'g', 4, 64)
}

// shown is what a number of the wire is multiplied by and raised by to be in the
// reader's unit.
type shown struct {
	factor, offset float64
	unit           string
}

// in is how a unit of the wire is shown to the reader.
func (x *story) in(unit string) shown {
	if x.back.Voice.Units == units.US {
		switch unit {
		case "kPa":
			return shown{1 / units.KPaPerPsi, 0, "psi"}
		case "L/min":
			return shown{1 / units.LitrePerUSGallon, 0, "gal/min"}
		case "L":
			return shown{1 / units.LitrePerUSGallon, 0, "gal"}
		case "g":
			return shown{1 / units.GramPerOunce, 0, "oz"}
		case "°C":
			return shown{1.8, 32, "°F"}
		}
	}
	return shown{1, 0, unit}
}

func (x *story) unit(unit string) string { return x.in(unit).unit }

// num shows a number of the wire without its unit.
func (x *story) num(v float64, unit string) string {
	s := x.in(unit)
	return shortNumber(float64(v*s.factor) + s.offset)
}

func (x *story) opt(v *float64, unit string) string {
	if v == nil {
		return x.say("unknown")
	}
	return x.num(*v, unit) + " " + x.unit(unit)
}

// doubt shows a standard uncertainty with two figures, as is usual (JCGM 100, 7.2.6).
func (x *story) doubt(v *float64, unit string) string {
	if v == nil {
		return x.say("unknown")
	}
	sd := *v * x.in(unit).factor
	if sd >= 100 {
		return strconv.FormatFloat(sd, 'f', 0, 64) + " " + x.unit(unit)
	}
	return strconv.FormatFloat(sd, 'g', 2, 64) + " " + x.unit(unit)
}

// method is a way to weigh, which the archive has by the core's name for it.
func (x *story) method(name string) string {
	if name == "mean of those that agree" {
		return x.say("the mean of those that agree")
	}
	return x.say(name)
}

// clockText is a time of the run as h:mm:ss.
func clockText(t float64) string {
	sign := ""
	if t < 0 {
		sign, t = "-", -t
	}
	s := int64(math.Round(t))
	return fmt.Sprintf("%s%d:%02d:%02d", sign, s/3600, s/60%60, s%60)
}

func (x *story) local(t time.Time) time.Time {
	if x.back.Zone == nil {
		return t.UTC()
	}
	return t.In(x.back.Zone)
}

func (x *story) wallText(t time.Time) string {
	if t.IsZero() {
		return x.say("at a time not known (the clock was not set)")
	}
	return x.local(t).Format("2006-01-02 15:04:05 MST")
}

// hourText is the hour of something within the run.
func (x *story) hourText(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return x.local(t).Format("15:04:05")
}
