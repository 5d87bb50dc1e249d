package journal

import (
	"bufio"
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
)

//go:embed report.html
var reportTemplate string

// report is what the page shows.
type report struct {
	*Account
	Sum         *engine.Summary
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
		"num": shortNumber, "opt": numberOrUnknown, "clock": clockText, "wall": x.wallText, "hour": x.hourText, "words": words, "person": person,
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
		Account: x.Account, Sum: x.Summary(), Lasted: x.lasted(), Who: strings.Join(x.Persons(), ", "), Panels: panels, Marks: marks,
		Tables: x.tables(), Instruments: instruments, Groups: x.back.Groups, Caveats: x.caveats(),
	})
	if err != nil {
		return err
	}
	return b.Flush()
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
			list = append(list, markView{len(list) + 1, words(e.Name), e.T, e.Wall})
		}
	}
	return list
}

// tables sort the events into what a reader looks for.
func (x *story) tables() []reportTable {
	alarms := reportTable{Title: "Alarms", Heads: []string{"Alarm", "State", "Priority", "What was seen"}}
	actions := reportTable{Title: "What persons said they did", Heads: []string{"Who", "What", "Taken"}}
	steps := reportTable{Title: "Steps, advice and holds", Heads: []string{"Kind", "Text"}}
	for i := range x.Events {
		e := &x.Events[i]
		switch e.Kind {
		case engine.StepEvent:
			steps.add(e, "step "+e.Step, strings.Join(e.Why, "; "))
		case engine.AlarmEvent:
			alarms.add(e, e.ID, e.State, e.Priority, e.Text)
		case engine.ActionEvent:
			actions.add(e, person(e.By), what(e), "yes")
		case engine.RefusalEvent:
			actions.add(e, person(e.By), what(e), "refused: "+e.Reason)
		case engine.AdviceEvent:
			steps.add(e, "advice", e.Text)
		case engine.HoldEvent:
			steps.add(e, "hold on "+e.On, e.Reason)
		case engine.ReleaseEvent:
			steps.add(e, "hold on "+e.On+" ended", e.Reason)
		case engine.NoteEvent:
			steps.add(e, "note", e.Text)
		case engine.OverrideEvent:
			steps.add(e, "hold on "+e.On+" overridden by "+person(e.By), e.ID+": "+e.Reason)
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
		"The box measures and advises; persons moved every valve. What persons said they did is their word, checked against the readings where readings can tell.",
		"No sensor proves that a backflow device works: local codes and a licensed tester decide.",
		"EC shows salts, not urea: a weighing by EC says nothing of urea.",
		"Times are of the box's clock, which may have been set during the run; times of the run (h:mm:ss) are not touched by that.",
	}
	s := x.Summary()
	add := func(when bool, text string) {
		if when {
			list = append(list, text)
		}
	}
	add(!x.Run.Ended, "The run has not ended: the record is not complete.")
	add(x.Run.Start.IsZero(), "The box's clock was not set when the run began: when it was is not known.")
	add(!x.Run.Thinned.IsZero(), fmt.Sprintf("The samples were thinned on %s: away from events, one in %g s stands for the rest.", x.Run.Thinned.Format(time.DateOnly), ThinEvery.Seconds()))
	if s == nil {
		return append(list, "There is no summary: nothing was weighed up.")
	}
	add(s.UnseenS > 0, fmt.Sprintf("For %s of the run nobody saw what the water did: boxd or its readings were away.", clockText(s.UnseenS)))
	add(s.Observed, "Not every step was confirmed by a person: the readings alone counted, or a hold was passed over.")
	add(s.Flush != "done", "It is not shown that the last emitter had clean water again.")
	add(s.Dose != nil, "The uncertainties of the dose are standard ones (k = 1).")
	return append(list, s.Notes...)
}

func words(name string) string { return strings.ReplaceAll(name, "_", " ") }

func person(name string) string {
	if name == "" {
		return "not named"
	}
	return name
}

// what says what an answer answers.
func what(e *engine.Event) string {
	for _, s := range []string{words(e.Deed), e.Text, e.ID} {
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

func numberOrUnknown(x *float64, unit string) string {
	if x == nil {
		return "unknown"
	}
	return shortNumber(*x) + " " + unit
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
		return "at a time not known (the clock was not set)"
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
