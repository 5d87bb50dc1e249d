package enginetest

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/safety"
	"boxd/internal/units"
)

// Watch checks, turn by turn, what must hold whatever plant, person and sensors
// do. It looks at the core's output, the words given, and the plant's truth.
type Watch struct {
	rig   *Rig
	core  *engine.Engine
	step  string
	said  map[string]bool   // words taken in this run
	clean bool              // clean_at_box since injection last started
	alarm map[string]string // state by id
	under map[string]string // cause by id
	log   bytes.Buffer      // events as JSON Lines
	input []engine.Input
	Found []string // what was broken, with its time
	// Tolerance of the water at the last emitter when the flush is called done.
	Tolerance units.USPerCm
}

// NewWatch watches a rig from now on.
func NewWatch(r *Rig) *Watch {
	w := &Watch{rig: r, said: map[string]bool{}, alarm: map[string]string{}, Tolerance: 100}
	r.Tap = w.turn
	return w
}

func (w *Watch) broken(format string, args ...any) {
	w.Found = append(w.Found, fmt.Sprintf("%v: %s", w.rig.Now, fmt.Sprintf(format, args...)))
}

func (w *Watch) turn(in engine.Input, out engine.Output) {
	w.input = append(w.input, in)
	if w.core != w.rig.Core { // restarted: what stood is in the archive
		w.core, w.step, w.alarm = w.rig.Core, "", map[string]string{}
	}
	if len(out.Events) == 0 {
		return // nothing changed: no view is needed
	}
	view := w.rig.Core.View()
	for i := range out.Events {
		e := &out.Events[i]
		w.write(e)
		switch e.Kind {
		case engine.ActionEvent:
			w.said[e.Deed] = true
		case engine.MilestoneEvent:
			w.milestone(e.Name)
		case engine.RunEvent:
			w.clean = true // nothing was injected: what an earlier run left may be flushed out
		case engine.StepEvent:
			w.enter(e.Step, view.Observe)
			if e.Step == "ready" {
				w.said = map[string]bool{}
			}
		case engine.AdviceEvent:
			w.advice(e, &view)
		case engine.AlarmEvent, engine.HoldEvent, engine.ReleaseEvent, engine.RefusalEvent, engine.NoteEvent, engine.SummaryEvent,
			engine.ForecastEvent:
		case engine.OverrideEvent:
			if slices.Contains(safety.FixedHolds(), e.ID) || e.By == "" || e.Reason == "" || view.Run == "" {
				w.broken("hold %s overridden by %q for %q in run %q", e.ID, e.By, e.Reason, view.Run)
			}
		}
	}
	w.alarms(&view, in.Actions)
}

func (w *Watch) write(e *engine.Event) {
	b, err := json.Marshal(e)
	if err != nil {
		w.broken("event can't be written: %v", err)
	}
	w.log.Write(append(b, '\n'))
}

func (w *Watch) milestone(name string) {
	switch name {
	case "injection_started":
		w.clean = false
	case "clean_at_box":
		w.clean = true
	case "flush_done":
		if !w.clean {
			w.broken("flush_done without clean_at_box")
		}
		if !w.rig.Plant.ClearAt(w.Tolerance) {
			w.broken("flush_done while the last emitter has %.0f µS/cm", w.rig.Plant.Truth().EndEC)
		}
	}
}

// enter: a step forward needs a word, unless the box observes.
func (w *Watch) enter(step string, observing bool) {
	from := w.step
	w.step = step
	const never = "a word that allows this"
	words := map[string][]string{ // what is not here goes back, not forward
		"ready>pressurise": {"run_start", "main_open"}, "pressurise>inject": {"main_open"},
		"inject>flush": {"loop_opened", "injector_off", "stock_out"}, "flush>secure": {"main_closed"},
		"pressurise>secure": {"main_closed"}, "inject>secure": {"main_closed"}, "secure>ready": {"run_end"},
		"ready>inject": {never}, "ready>flush": {never}, "ready>secure": {never},
		"pressurise>flush": {never}, "pressurise>ready": {never}, "inject>ready": {never}, "flush>ready": {never},
	}[from+">"+step]
	if observing || len(words) == 0 {
		return
	}
	for _, word := range words {
		if w.said[word] {
			return
		}
	}
	if from == "inject" && step == "flush" && w.clean {
		return // the box runs clean: the readings alone say that nothing goes in
	}
	w.broken("step %s to %s, but nobody said any of %v", from, step, words)
}

// advice is not given while a hold on it stands.
func (w *Watch) advice(e *engine.Event, v *engine.View) {
	inject := e.Deed == box.InjectorOn.String() || e.Deed == box.LoopThrottled.String()
	open := e.Deed == box.MainOpen.String()
	for _, h := range v.Holds {
		if inject && h.On == "inject" || open && h.On == "pressurise" {
			w.broken("advised %s while held: %s", e.Deed, h.Reason)
		}
	}
}

// alarms: none goes unseen.
func (w *Watch) alarms(v *engine.View, words []box.Action) {
	now := map[string]string{}
	answered := map[string]bool{}
	for _, a := range words {
		answered[a.Alarm] = true
	}
	for id, cause := range w.under { // seen along with its cause
		answered[id] = answered[id] || answered[cause]
	}
	w.under = map[string]string{}
	for _, a := range v.Alarms {
		now[a.ID], w.under[a.ID] = a.State, a.Cause
		if a.Cause != "" && (strings.HasPrefix(a.ID, "backflow") || a.ID == "freeze-risk") {
			w.broken("alarm %s is hidden under %s", a.ID, a.Cause)
		}
	}
	for _, a := range v.Aside {
		now[a.ID] = a.State
		if a.Priority == "critical" {
			w.broken("critical alarm %s is %s", a.ID, a.State)
		}
		if a.ShelvedUntilT != nil && *a.ShelvedUntilT <= v.T {
			w.broken("alarm %s was shelved until %v", a.ID, *a.ShelvedUntilT)
		}
	}
	seen := []string{"acknowledged", "shelved", "suppressed by design", "out of service"}
	for id, before := range w.alarm {
		if now[id] == "" && !slices.Contains(seen, before) && !answered[id] {
			w.broken("alarm %s was %s and vanished", id, before)
		}
	}
	w.alarm = now
}

// Restarted tells that another core goes on: alarms from before the run are not
// in its log.
func (w *Watch) Restarted() { w.alarm = map[string]string{} }

// View checks that the view can be written and read back unchanged.
func (w *Watch) View() {
	v := w.rig.Core.View()
	a, err := json.Marshal(v)
	if err != nil {
		w.broken("view can't be written: %v", err)
		return
	}
	var back engine.View
	if err := json.Unmarshal(a, &back); err != nil {
		w.broken("view can't be read back: %v", err)
		return
	}
	if b, _ := json.Marshal(back); !bytes.Equal(a, b) {
		w.broken("view changes on the way:\n%s\n%s", a, b)
	}
}

// Replay plays all inputs through another core and compares every byte.
func (w *Watch) Replay(cfg engine.Config) {
	g := engine.New(cfg)
	var out bytes.Buffer
	for _, in := range w.input {
		for _, e := range g.Step(in).Events {
			b, err := json.Marshal(&e)
			if err != nil {
				w.broken("event can't be written: %v", err)
			}
			out.Write(append(b, '\n'))
		}
	}
	if !bytes.Equal(out.Bytes(), w.log.Bytes()) {
		w.broken("the same inputs gave other bytes")
	}
	a, _ := json.Marshal(w.rig.Core.View())
	if b, _ := json.Marshal(g.View()); !bytes.Equal(a, b) {
		w.broken("the same inputs gave another view")
	}
}
