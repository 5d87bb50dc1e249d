// The manual shows every payload whole. What it shows is made here from one view
// and a few events, so that a reader can rely on the names to the letter.
package telemetry_test

import (
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"boxd/internal/engine"
	"boxd/internal/telemetry"
)

var rewrite = flag.Bool("rewrite", false, "write the manual's payloads anew")

// TestManualsPayloads: go test ./internal/telemetry -run Manual -rewrite writes them anew.
func TestManualsPayloads(t *testing.T) {
	const begin, end = "<!-- payloads: made by internal/telemetry, TestManualsPayloads -->\n", "<!-- end of payloads -->"
	data, err := os.ReadFile("../../docs/mqtt.md")
	if err != nil {
		t.Fatal(err)
	}
	before, rest, ok := strings.Cut(string(data), begin)
	shown, after, closed := strings.Cut(rest, end)
	if !ok || !closed {
		t.Fatal("the manual has no place for the payloads")
	}
	want := payloads(t)
	if shown == want {
		return
	}
	if !*rewrite {
		t.Fatalf("the manual's payloads are not those published (-run Manual -rewrite mends it); they should be:\n%s", want)
	}
	if err := os.WriteFile("../../docs/mqtt.md", []byte(before+begin+want+end+after), 0o644); err != nil {
		t.Fatal(err)
	}
}

func payloads(t *testing.T) string {
	t.Helper()
	var b strings.Builder
	at := time.Date(2026, 5, 4, 3, 2, 1, 0, time.UTC)
	show := func(topic string, payload []byte) { fmt.Fprintf(&b, "\n    %s\n%s", topic, wrapped(payload)) }
	show("status", telemetry.StatusPayload(telemetry.Online, "", "https://north-box.station.example:8080/", at))
	show("status, the last will", telemetry.StatusPayload(telemetry.Offline, "the connection broke", "", time.Time{}))
	list, err := telemetry.NewShaper("north", nil).Shape(inject(at))
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range list {
		show(strings.TrimPrefix(m.Topic, "boxd/north/"), m.Payload())
	}
	for _, x := range []struct {
		seq uint64
		e   engine.Event
	}{
		{1201, engine.Event{T: 41, Kind: engine.StepEvent, Step: "pressurise", Why: engine.Reasons{"main flow seen"}}},
		{1260, engine.Event{T: 402, Kind: engine.AlarmEvent, ID: "supply-pressure-low", State: "raised", Priority: "critical", Text: "Supply pressure is 95 kPa."}},
		{1344, engine.Event{T: 2400, Kind: engine.SummaryEvent, Sum: &engine.Summary{VolumeL: 810.4, StockL: engine.Weighings{Drawn: f(15.1), ByEC: f(15.4), ByRatio: f(16)},
			Flush: "done", UndeliveredPct: f(0), LastEmitterDelivered: f(100), BaselineUSCm: f(410), RiseUSCm: f(1180),
			Milestones: []engine.MilestoneRecord{{Name: "flush_done", T: 2310}}}}},
	} {
		x.e.Wall = at
		m, err := telemetry.EventMessage("north", "run-41", x.seq, x.e)
		if err != nil {
			t.Fatal(err)
		}
		show("event", m.Payload)
	}
	return b.String() + "\n"
}

// wrapped breaks a payload's line between fields, as Markdown shows code.
func wrapped(payload []byte) string {
	const width = 150
	var b strings.Builder
	line := ""
	for i, field := range strings.Split(string(payload), `,"`) {
		if i > 0 {
			line += ","
			field = `"` + field
		}
		if len(line)+len(field) > width {
			fmt.Fprintf(&b, "        %s\n", line)
			line = ""
		}
		line += field
	}
	fmt.Fprintf(&b, "        %s\n", line)
	return b.String()
}

// inject is a box in the midst of a run.
func inject(at time.Time) *engine.View {
	v := view(48211)
	v.Wall, v.Box, v.Run, v.StepWhy = at, "north", "run-41", "the injector draws"
	stock := engine.WeighingView{Method: "drawn", Known: true, StockL: f(6.2), StockStdL: f(0.1), ProductG: f(930), ProductStdG: f(15)}
	v.Dose = &engine.DoseView{Weighings: []engine.WeighingView{stock}, Pairs: []engine.PairView{{A: "drawn", B: "by_ec", DifferL: 0.2, AllowedL: 0.5, Agree: true}},
		Verdict: "agree", Text: "The weighings agree.", Best: stock, Nutrients: &engine.GramsView{}, Due: &engine.GramsView{}, DuePct: f(41), StopNow: &engine.StopView{}}
	v.Advice = &engine.AdviceView{Number: 7, Deed: "loop_throttled", Text: "Close the loop valve a little.", Why: []string{"the difference is 22 kPa, it should be 34"},
		Button: "Done", Valve: "loop", Minutes: f(12.5)}
	v.Holds = []engine.HoldView{{On: "inject", ID: "freeze", Reason: "frost within two hours", WayOut: "Drain the box."}}
	v.Alarms = []engine.AlarmView{{ID: "supply-pressure-low", State: "unacknowledged", Priority: "critical", Text: "Supply pressure is 95 kPa.", Do: "Close the shutoff valve.",
		SinceT: 402, Consequence: "the rows are not fed", RespondMin: 2, FirstOut: true, Active: true}}
	v.Aside = nil
	v.Progress = engine.Progress{VolumeL: 240.5, LineVolumeL: 61.2, FilledPct: f(100), FlowLpm: f(19.6)}
	v.Estimates = []engine.EstimateView{{Name: "main_flow_lpm", Quality: "good"}, {Name: "ec_end_us_cm", Quality: "bad"}}
	return v
}
