// This test walks a scripted run through a real Chromium, as the technician at
// the box would: read, confirm, be refused, acknowledge, lose the box. What it
// needs is told by package webtest.
package web

import (
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/web/webtest"
)

func TestARunInTheBrowser(t *testing.T) {
	t.Parallel()
	core := newFakeCore(viewAt("ready"))
	core.trace = pastTrace()
	core.view.T = 1201 // where the history ends
	srv := httptest.NewServer(New(core, exportingArchive{fakeArchive{rows: someRuns()}},
		Options{Box: "north-box", Units: "us", Demo: true, Version: "test"}))
	t.Cleanup(srv.Close) // after the browser is gone: its stream would keep the server
	tab := webtest.Open(t, 8*time.Minute)

	tab.Do("open", webtest.Screen(390, 844, "light"), webtest.Visit(srv.URL+"/"), webtest.BodyIs("stream", "open"), webtest.BodyIs("step", "ready"),
		webtest.There(`#plot-ec:not([data-points="0"]) canvas`))
	walkConfirm(t, tab, core)
	walkRefusal(t, tab, core)
	walkAlarm(t, tab, core)
	walkOverride(t, tab, core)
	walkFlush(t, tab, core)
	if bad := tab.Complaints(); len(bad) != 1 || !strings.Contains(bad[0], "409") {
		t.Errorf("the page complains of %q; only the refusal is expected", bad)
	}
	walkStopped(t, tab, core, srv)
}

func walkConfirm(t *testing.T, tab *webtest.Tab, core *fakeCore) {
	tab.Do("say who", webtest.Type("#by", "Ada"))
	// Two touches in a row are one word.
	tab.Do("confirm", webtest.Run(`{ const b = document.getElementById("confirm"); b.click(); b.click(); }`),
		webtest.Has(`#answer[data-accepted="yes"]`))
	said := core.said()
	if len(said) != 1 || said[0].Kind != box.Confirm || said[0].Advice != 17 || said[0].By != "Ada" || said[0].ID == "" {
		t.Errorf("the core heard %+v", said)
	}
	core.publish(func(v *engine.View) { a := *v.Advice; a.Verifying = true; v.Advice = &a })
	tab.Do("verifying", webtest.Has("#verifying"), webtest.Gone("#confirm"))
}

func walkRefusal(t *testing.T, tab *webtest.Tab, core *fakeCore) {
	core.mu.Lock()
	core.answer = func(box.Action) Answer { return Answer{Reason: "that advice is no longer the one standing"} }
	core.mu.Unlock()
	core.publish(func(v *engine.View) {
		v.Step = "pressurise"
		v.Advice = &engine.AdviceView{Number: 18, Deed: "main_open", Text: "Open the shutoff valve slowly.", Button: "It is open", Valve: "supply"}
	})
	tab.Do("refusal", webtest.BodyIs("step", "pressurise"), webtest.Has(`svg.box[data-asked="supply"] .ring`))
	// A button that has just changed rests, so that a touch meant for the old one doesn't count.
	tab.Do("refusal", chromedp.WaitEnabled(chromedp.CSS("#confirm")), chromedp.Click(chromedp.CSS("#confirm")),
		webtest.Has(`#answer[data-accepted="no"]`))
	if s := tab.Text("#answer"); !strings.Contains(s, "Refused") || !strings.Contains(s, "no longer the one standing") {
		t.Errorf("a refusal reads %q", s)
	}
	if said := core.said(); len(said) != 2 || said[1].ID == said[0].ID {
		t.Errorf("the second word: %+v", said)
	}
}

func walkAlarm(t *testing.T, tab *webtest.Tab, core *fakeCore) {
	core.mu.Lock()
	core.answer = func(box.Action) Answer { return Answer{Accepted: true} }
	core.mu.Unlock()
	core.publish(func(v *engine.View) {
		v.Alarms = []engine.AlarmView{standingAlarm()}
		v.Holds = []engine.HoldView{{On: "inject", ID: "backflow-protection-missing", Reason: "No test of the backflow protection is on record.",
			WayOut: "Have a licensed tester test it, and write the date in the box's file."},
			{On: "inject", ID: "flow-unknown", Reason: "The flow is unknown.", WayOut: "Look at the meter.", Overridable: true}}
	})
	tab.Do("alarm", webtest.Has(`[data-alarm="supply-pressure-low"]`), webtest.Has(`[data-hold]`))
	heading := webtest.Ask(tab, "alarm", chromedp.Title())
	if !strings.Contains(heading, "alarm") {
		t.Errorf("the window's title is %q while an alarm stands", heading)
	}
	tab.Do("acknowledge", chromedp.Click(chromedp.CSS(`button[value="acknowledge:supply-pressure-low"]`)),
		webtest.Has(`#answer[data-accepted="yes"]`))
	if said := core.said(); len(said) != 3 || said[2].Kind != box.Acknowledge || said[2].Alarm != "supply-pressure-low" {
		t.Errorf("the acknowledgement: %+v", said)
	}
}

// walkOverride lifts a hold with a reason; one that protects people offers no such thing.
func walkOverride(t *testing.T, tab *webtest.Tab, core *fakeCore) {
	if n := tab.Count(`document.querySelectorAll("button[value^='override:']").length`); n != 1 {
		t.Errorf("%d holds can be lifted", n)
	}
	tab.Do("lift a hold", webtest.Type("#note", "timed the meter by hand"), webtest.Press(`button[value="override:flow-unknown"]`),
		webtest.Until(`document.getElementById("note").value === "" && document.body.dataset.sending === "no"`))
	if said := core.said(); len(said) != 4 || said[3].Kind != box.Override || said[3].Alarm != "flow-unknown" || said[3].Note != "timed the meter by hand" {
		t.Errorf("the override: %+v", said)
	}
	core.publish(func(v *engine.View) {
		v.Holds = v.Holds[:1]
		v.Overrides = []engine.OverrideRecord{{ID: "flow-unknown", On: "inject", By: "Ada", Why: "timed the meter by hand"}}
	})
	tab.Do("lifted", webtest.Has(`[data-lifted="flow-unknown"]`), webtest.Gone(`[data-hold="flow-unknown"]`), webtest.Until(`document.getElementById("note-row").hidden`))
}

func walkFlush(t *testing.T, tab *webtest.Tab, core *fakeCore) {
	flush := viewAt("flush")
	flush.Advice = &engine.AdviceView{Number: 19, Text: "Let clean water run until the last row is clean.",
		Why: []string{"clean water has passed the box for 21 L of 64 L"}, Valve: "header", Minutes: num(31)}
	flush.Progress.VolumeWitness, flush.Progress.EndWitness = "43 L still to go", "still fertilizer at the line end"
	flush.Past = []engine.MilestoneRecord{{Name: "lines_full", T: 300}, {Name: "injection_started", T: 420}}
	flush.Progress.FrontAtEndT, flush.Progress.CleanAtEndT = num(core.View().T+120), num(core.View().T+1860)
	flush.Cautions = []string{"The last emitter has had 22 % of its share."}
	core.publish(func(v *engine.View) { seq, at := v.Seq, v.T; *v = flush; v.Seq, v.T = seq, at })
	tab.Do("flush", webtest.BodyIs("step", "flush"), webtest.Has(`svg.rows [data-row="6"]`), webtest.Has("#minutes-left"),
		webtest.Until(`document.getElementById("arrival-says").textContent === "Fertilizer is foreseen at the last emitter in 2 min. Clean water is foreseen at the last emitter in 31 min."`))
	tab.Keep("run-foreseen")
}

func walkStopped(t *testing.T, tab *webtest.Tab, core *fakeCore, srv *httptest.Server) {
	core.setAge(time.Minute) // the web part lives, the core makes no views
	tab.Do("core silent", webtest.BodyIs("stopped", "yes"), webtest.Has("#lost"))
	if s := tab.Text("#lost"); !strings.Contains(s, "stopped: do not rely on this") || !strings.Contains(s, "last heard") {
		t.Errorf("a silent core reads %q", s)
	}
	core.setAge(0)
	core.publish(func(*engine.View) {})
	tab.Do("core back", webtest.BodyIs("stopped", "no"), chromedp.WaitNotVisible(chromedp.CSS("#lost")))
	core.publish(func(v *engine.View) { v.Step, v.StepWhy = "stopped", "the core failed" })
	tab.Do("core says so", webtest.BodyIs("stopped", "yes"), webtest.Has("#stopped"))
	core.publish(func(v *engine.View) { v.Step, v.StepWhy = "secure", "" })
	tab.Do("core back again", webtest.BodyIs("stopped", "no"))
	tab.Do("archive", webtest.Visit(srv.URL+"/runs"), webtest.Has(`[data-run="run-0007"] a[href="/runs/run-0007.csv"]`))
	tab.Do("back", webtest.Visit(srv.URL+"/"), webtest.BodyIs("stream", "open"))
	srv.CloseClientConnections()
	srv.Listener.Close() //nolint:errcheck // the box is gone; that is the test
	tab.Do("box gone", webtest.BodyIs("stream", "lost"), webtest.BodyIs("stopped", "yes"), webtest.Has("#lost"))
	if s := tab.Text("#lost"); !strings.Contains(s, "connection to the box is lost") {
		t.Errorf("a lost box reads %q", s)
	}
}
