package web

import (
	"crypto/rand"
	"net/http"
	"strings"
	"unicode/utf8"

	"boxd/internal/engine"
)

// valveModel is the page for a technician with a hand on the loop valve.
type valveModel struct {
	frame
	ValveParts
	Now           ValveNow
	ActID, By     string
	StaleSec      float64
	PressureUnit  string
	PressureScale float64
}

// ValveParts are what changes with the advice. It is exported for embedding only.
type ValveParts struct {
	Stopped    bool
	StoppedWhy string
	Heard      string
	Advice     *engine.AdviceView
	Alarms     []alarmLine
	Offer      may
}

// ValveNow is one moment at the loop valve, in words and numbers ready to show.
// It goes out with every view, so it is kept small.
type ValveNow struct {
	T     float64 `json:"t"`
	Step  string  `json:"step"`
	State string  `json:"state"` // more, back, leave, enough, cannot, none
	Diff  string  `json:"diff"`
	Long  string  `json:"long"` // how much room diff takes: 3, 4, more
	Unit  string  `json:"unit"`
	// In the shown unit, for the trace and the tone; null: unknown.
	DiffN *float64 `json:"diff_n"`
	LowN  *float64 `json:"low_n"`
	HighN *float64 `json:"high_n"`

	Word    string      `json:"word"`   // which way, in a word or two
	Far     string      `json:"far"`    // which way and how far, in a sentence
	Why     string      `json:"why"`    // what sets the window, what is missing, why it can't be reached
	Window  string      `json:"window"` // the window in words
	Figures []valveFact `json:"figures"`
}

// valveFact is a number beside the big one. Off says that it is out of its window.
type valveFact struct {
	ID    string `json:"id"`
	Name  string `json:"name"`
	Value string `json:"value"`
	Aside string `json:"aside"`
	Off   bool   `json:"off"`
}

func (s visit) valvePage(w http.ResponseWriter, _ *http.Request) {
	v := s.core.View().In(s.show.voice)
	scale, _ := s.show.factors()
	unit, _ := s.show.unitNames()
	writePage(w, http.StatusOK, s.pages().valve, valveModel{
		frame: s.frame("valve"), ValveParts: s.valveParts(v), Now: s.valveNow(v),
		ActID: rand.Text(), By: s.name(""), StaleSec: staleAfter.Seconds(), PressureUnit: unit, PressureScale: scale,
	})
}

func (s visit) valveParts(v engine.View) ValveParts {
	l := s.live(v)
	return ValveParts{Stopped: l.Stopped, StoppedWhy: l.StoppedWhy, Heard: l.Heard, Advice: v.Advice, Alarms: l.Alarms, Offer: s.may()}
}

func (s visit) valveNow(v engine.View) ValveNow {
	l, d := v.Loop, s.show
	unit, _ := d.unitNames()
	scale, _ := d.factors()
	n := ValveNow{T: v.T, Step: v.Step, Unit: unit, Diff: d.unknown(), DiffN: times(l.DiffKPa, scale), LowN: times(l.DiffLowKPa, scale), HighN: times(l.DiffHighKPa, scale), Far: l.HowFar}
	if n.DiffN != nil {
		n.Diff = strings.TrimSuffix(d.pressure(l.DiffKPa), "\u00a0"+unit)
	}
	n.Long = long(n.Diff)
	n.State, n.Word = s.valveState(l)
	switch {
	case l.Cannot != "":
		n.Why = l.Cannot + ". " + l.WayOut
	case l.Binding != "":
		n.Why = l.Binding
	default:
		n.Why = l.Basis
	}
	if l.DiffLowKPa != nil && l.DiffHighKPa != nil {
		n.Window = d.say("window %s to %s", d.pressure(l.DiffLowKPa), d.pressure(l.DiffHighKPa))
	}
	n.Figures = s.valveFigures(l)
	return n
}

// long is how much room digits take, so that they are as large as fits.
func long(digits string) string {
	switch n := utf8.RuneCountInString(digits); {
	case n <= 3:
		return "3"
	case n == 4:
		return "4"
	}
	return "more"
}

// valveState is what the hand on the valve needs: a state for shape and tone,
// and its word.
func (s visit) valveState(l engine.LoopView) (state, word string) {
	switch {
	case l.Cannot != "":
		return "cannot", s.show.say("can't be reached")
	case l.Enough:
		return "enough", s.show.say("enough")
	case l.Direction == "shut more":
		return "more", s.show.say("shut more")
	case l.Direction == "open a little":
		return "back", s.show.say("open a little")
	case l.Direction == "leave":
		return "leave", s.show.say("leave")
	}
	return "none", s.show.say("no advice at the loop valve now")
}

func (s visit) valveFigures(l engine.LoopView) []valveFact {
	d := s.show
	branch := valveFact{ID: "branch", Name: d.say("through the injector"), Value: d.flow(l.BranchLpm)}
	if l.BranchMaxLpm != nil {
		branch.Aside = d.say("at most %s", d.flow(l.BranchMaxLpm))
		branch.Off = l.BranchLpm != nil && *l.BranchLpm > *l.BranchMaxLpm
	}
	if l.BranchNeededLpm != nil {
		branch.Aside = d.say("%s planned", d.flow(l.BranchNeededLpm))
	}
	header := valveFact{ID: "header", Name: d.say("header pressure"), Value: d.pressure(l.HeaderKPa), Aside: d.say("window %s to %s", d.pressure(&l.HeaderLowKPa), d.pressure(&l.HeaderHighKPa))}
	header.Off = l.HeaderKPa != nil && (*l.HeaderKPa < l.HeaderLowKPa || *l.HeaderKPa > l.HeaderHighKPa)
	return []valveFact{
		branch, header,
		{ID: "field", Name: d.say("to the field"), Value: d.flow(l.FieldLpm), Aside: d.say("the zone takes %s at this pressure", d.flow(l.ExpectedLpm))},
		{ID: "ratio", Name: d.say("field ratio"), Value: d.ratio(l.FieldRatioPct)},
	}
}

func times(v *float64, k float64) *float64 {
	if v == nil {
		return nil
	}
	x := *v * k
	return &x
}
