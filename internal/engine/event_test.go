package engine_test

// The JSON forms are a contract with programs that read a replay's output: they
// are spelt out here.

import (
	"encoding/json"
	"testing"

	"boxd/internal/box"
	"boxd/internal/engine"
)

func number(v float64) *float64 { return &v }

func TestEventForms(t *testing.T) {
	for _, c := range []struct {
		e    engine.Event
		want string
	}{
		{engine.Event{T: 41, Kind: engine.StepEvent, Step: "pressurise", Why: engine.Reasons{"main flow seen"}},
			`{"t":41,"kind":"step","step":"pressurise","why":"main flow seen"}`},
		{engine.Event{T: 312, Kind: engine.MilestoneEvent, Name: "lines_full"},
			`{"t":312,"kind":"milestone","name":"lines_full"}`},
		{engine.Event{T: 402, Kind: engine.AlarmEvent, ID: "supply-pressure-low", State: "raised", Priority: "critical", Text: "It is low."},
			`{"t":402,"kind":"alarm","id":"supply-pressure-low","state":"raised","priority":"critical","text":"It is low."}`},
		{engine.Event{T: 410, Kind: engine.AlarmEvent, ID: "header-pressure-low", State: "raised", Priority: "high", Cause: "supply-pressure-low", Text: "It is low."},
			`{"t":410,"kind":"alarm","id":"header-pressure-low","state":"raised","priority":"high","cause":"supply-pressure-low","text":"It is low."}`},
		{engine.Event{T: 500, Kind: engine.AlarmEvent, ID: "ratio-off", State: "shelved", Priority: "low", By: "Ada", Reason: "new seals tomorrow", UntilT: number(4100), Text: "It is off."},
			`{"t":500,"kind":"alarm","id":"ratio-off","state":"shelved","priority":"low","until_t":4100,"by":"Ada","reason":"new seals tomorrow","text":"It is off."}`},
		{engine.Event{T: 312.5, Kind: engine.AdviceEvent, Text: "Wait.", Why: engine.Reasons{"one"}, Number: 3},
			`{"t":312.5,"kind":"advice","number":3,"text":"Wait.","why":["one"]}`},
		{engine.Event{T: 330, Kind: engine.HoldEvent, On: "inject", ID: "header-unknown", Reason: "it can't be read"},
			`{"t":330,"kind":"hold","id":"header-unknown","on":"inject","reason":"it can't be read"}`},
		{engine.Event{T: 2400, Kind: engine.SummaryEvent, Sum: &engine.Summary{VolumeL: 1.5, StockL: engine.Weighings{Drawn: number(1.1)}, Flush: "unknown"}},
			`{"t":2400,"kind":"summary","volume_l":1.5,"stock_l":{"drawn":1.1,"by_ec":null,"by_ratio":null},"flush":"unknown",` +
				`"undelivered_pct":null,"last_emitter_delivered_pct":null,"baseline_us_cm":null,"rise_us_cm":null,"observed":false,"milestones":null}`},
	} {
		got, err := json.Marshal(&c.e)
		check(t, err)
		if string(got) != c.want {
			t.Errorf("got  %s\nwant %s", got, c.want)
		}
	}
}

// TestWeighings: three ways to weigh the stock agree within the instruments'
// errors where all can be had; what can't be had is null, not zero.
func TestWeighings(t *testing.T) {
	s := load(t, "a-clean-1")
	_, events := s.run()
	w := summary(events).StockL
	if w.Drawn == nil || w.ByRatio == nil || w.ByEC != nil {
		t.Fatalf("%+v: the block's owner has not said what the stock holds", w)
	}
	if r := *w.ByRatio / *w.Drawn; r < 0.9 || r > 1.1 {
		t.Errorf("drawn %v, by ratio %v", *w.Drawn, *w.ByRatio)
	}
	// 1190 µS/cm a g/L is calcium nitrate; a strength that explains the rise.
	s.config.Injector.ECPerGPerL, s.config.Injector.Strength = 1190, 100
	_, events = s.run()
	one := *summary(events).StockL.ByEC
	s.config.Injector.Strength = 200
	_, events = s.run()
	if two := *summary(events).StockL.ByEC; one <= 0 || two < 0.49*one || two > 0.51*one {
		t.Errorf("by EC %v L of one strength, %v L of twice that", one, two)
	}
	bare := load(t, "a-clean-1")
	_, events = bare.without(box.InjectorFlow, box.StockDraw).run() // neither branch nor stock meter
	if w := summary(events).StockL; w.Drawn != nil || w.ByRatio != nil {
		t.Errorf("weighed without a meter: %+v", w)
	}
}
