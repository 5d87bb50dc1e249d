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
	Run    Run
	Sum    *engine.Summary
	Panels []panelView
	Tables []reportTable
}

type reportTable struct {
	Title string
	Heads []string
	Rows  []reportRow
}

type reportRow struct {
	T     float64 // seconds of the run
	Cells []string
}

func (x *story) html(ctx context.Context, w io.Writer) error {
	page, err := template.New("report").Funcs(template.FuncMap{
		"num": shortNumber, "opt": numberOrUnknown, "clock": clockText, "wall": wallText,
	}).Parse(reportTemplate)
	if err != nil {
		return err
	}
	panels, err := x.panels(ctx)
	if err != nil {
		return err
	}
	b := bufio.NewWriter(w)
	if err := page.Execute(b, report{x.run, x.summary(), panels, x.tables()}); err != nil {
		return err
	}
	return b.Flush()
}

// tables sort the events into what a reader looks for.
func (x *story) tables() []reportTable {
	milestones := reportTable{Title: "Steps and milestones", Heads: []string{"What", "Why"}}
	alarms := reportTable{Title: "Alarms", Heads: []string{"Alarm", "State", "Priority", "What was seen"}}
	actions := reportTable{Title: "What persons did", Heads: []string{"Who", "What", "Taken"}}
	advice := reportTable{Title: "Advice and holds", Heads: []string{"Kind", "Text"}}
	for _, e := range x.events {
		why := strings.Join(e.Why, "; ")
		switch e.Kind {
		case engine.StepEvent:
			milestones.add(e.T, "step "+e.Step, why)
		case engine.MilestoneEvent:
			milestones.add(e.T, words(e.Name), why)
		case engine.AlarmEvent:
			alarms.add(e.T, e.ID, e.State, e.Priority, e.Text)
		case engine.ActionEvent:
			actions.add(e.T, person(e.By), what(&e), "yes")
		case engine.RefusalEvent:
			actions.add(e.T, person(e.By), what(&e), "refused: "+e.Reason)
		case engine.AdviceEvent:
			advice.add(e.T, "advice", e.Text)
		case engine.HoldEvent:
			advice.add(e.T, "hold on "+e.On, e.Reason)
		case engine.ReleaseEvent:
			advice.add(e.T, "hold on "+e.On+" ended", e.Reason)
		case engine.NoteEvent:
			advice.add(e.T, "note", e.Text)
		case engine.OverrideEvent:
			advice.add(e.T, "hold on "+e.On+" overridden by "+person(e.By), e.ID+": "+e.Reason)
		case engine.ForecastEvent, engine.RunEvent, engine.SummaryEvent:
		}
	}
	return []reportTable{milestones, alarms, actions, advice}
}

func (t *reportTable) add(at float64, cells ...string) {
	t.Rows = append(t.Rows, reportRow{at, cells})
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

func wallText(t time.Time) string {
	if t.IsZero() {
		return "at a time not known (the clock was not set)"
	}
	return t.Format("2006-01-02 15:04:05 MST")
}
