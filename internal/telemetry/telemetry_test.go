// The shapes are checked against the topics written in the package comment and
// against what JSON readers see, the hub against its promise not to wait.
package telemetry_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"strings"
	"testing"
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/telemetry"
)

func f(x float64) *float64 { return &x }

func view(seq uint64) *engine.View {
	return &engine.View{
		Seq: seq, T: float64(seq), Wall: time.Date(2026, 5, 4, 3, 2, 1, 0, time.UTC),
		Box: "north/box", Zone: "east", Step: "inject", Run: "r1",
		Dose:   &engine.DoseView{Verdict: "all agree", PerPlant: &engine.PerPlantView{Of: "plant"}},
		Advice: &engine.AdviceView{Number: 7, Text: "Close the loop valve a little"},
		Alarms: []engine.AlarmView{
			{ID: "supply-pressure-low", State: "unacknowledged", Priority: "high"},
			{ID: "freeze-risk", State: "normal"},
		},
		Board:     engine.BoardViews([]box.Vital{{Name: "board_c", Unit: "°C", Value: 41.5, Known: true}, {Name: "button", Why: "stuck"}}),
		Estimates: []engine.EstimateView{{Name: "main_flow_lpm", Quality: "good"}, {Name: "baseline_us_cm", Quality: "bad"}},
		Aside:     []engine.AlarmView{{ID: "ratio-off", State: "shelved", Priority: "low"}},
		Channels: []engine.ChannelView{
			{Column: "header_kpa", Tag: "PT-201", Name: "header pressure", Unit: "kPa", Value: f(68.95), Quality: "good", AgeS: 0.2},
			{Column: "ec_end_us_cm", Unit: "µS/cm", Quality: "bad", Cause: "failure", AgeS: 12},
		},
	}
}

func shape(t *testing.T, v *engine.View, alarms ...string) map[string]map[string]any {
	t.Helper()
	list, err := telemetry.NewShaper("north/box", alarms).Shape(v)
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]map[string]any{}
	for _, m := range list {
		var body map[string]any
		if err := json.Unmarshal(m.Payload(), &body); err != nil {
			t.Fatalf("%s: %v: %s", m.Topic, err, m.Payload())
		}
		out[m.Topic] = body
	}
	return out
}

func TestShape(t *testing.T) {
	got := shape(t, view(9), "supply-pressure-low", "stock-empty", "ratio-off")
	want := []struct{ topic, field, value string }{
		{"alarm/ratio-off", "state", "shelved"},
		{"state", "step", "inject"}, {"state", "alarms", "1"}, {"state", "advice_number", "7"}, {"state", "seq", "9"},
		{"state", "time", "2026-05-04T03:02:01.000Z"}, {"state", "holds", "[]"},
		{"channel/header_kpa", "value", "68.95"}, {"channel/header_kpa", "unit", "kPa"}, {"channel/header_kpa", "age_s", "0.2"},
		{"channel/ec_end_us_cm", "value", "<nil>"}, {"channel/ec_end_us_cm", "cause", "failure"},
		{"alarm/supply-pressure-low", "state", "unacknowledged"}, {"alarm/stock-empty", "state", "normal"},
		{"estimate", "filled_pct", "<nil>"}, {"dose", "verdict", "all agree"}, {"dose", "per_plant", "<nil>"}, {"meta", "zone", "east"}, {"meta", "seq", "9"},
		{"state", "readings", "map[bad:1 good:1 uncertain:0]"}, {"estimate", "quality", "map[baseline_us_cm:bad]"},
		{"board", "readings", "[map[name:board_c unit:°C value:41.5 why:] map[name:button unit: value:<nil> why:stuck]]"},
	}
	for _, w := range want {
		body, ok := got["boxd/north-box/"+w.topic]
		if !ok {
			t.Errorf("no topic %s", w.topic)
			continue
		}
		if s := fmt.Sprint(body[w.field]); s != w.value {
			t.Errorf("%s %s = %s, want %s", w.topic, w.field, s, w.value)
		}
	}
}

// A value that JSON cannot say must not take the others with it, and must be told.
func TestShapeBadNumber(t *testing.T) {
	v := view(1)
	v.Channels[0].Value = f(math.NaN())
	list, err := telemetry.NewShaper("b", nil).Shape(v)
	if err == nil || !strings.Contains(err.Error(), "boxd/b/channel/header_kpa") {
		t.Errorf("error %v does not name the topic", err)
	}
	for _, m := range list {
		if strings.HasSuffix(m.Topic, "header_kpa") {
			t.Errorf("published %s", m.Payload())
		}
	}
	if len(list) < 6 {
		t.Errorf("only %d messages left", len(list))
	}
}

func TestTopicLevel(t *testing.T) {
	for in, want := range map[string]string{"north": "north", "a/b+c#": "a-b-c-", "": "box", "x\x00y": "x-y", "kas é": "kas é"} {
		if got := telemetry.TopicLevel(in); got != want {
			t.Errorf("TopicLevel(%q) = %q, want %q", in, got, want)
		}
	}
}

func TestThrottle(t *testing.T) {
	th := telemetry.NewThrottle()
	t0 := time.Unix(0, 0)
	m := func(key string) telemetry.Live { return telemetry.Live{Topic: "x", Key: []byte(key)} }
	still := telemetry.Live{Topic: "meta", Key: []byte("k"), Still: true}
	steps := []struct {
		at   time.Duration
		m    telemetry.Live
		want bool
	}{
		{0, m("a"), true}, {500 * time.Millisecond, m("b"), false}, {time.Second, m("b"), true},
		{3 * time.Second, m("b"), false}, {11 * time.Second, m("b"), true}, {11500 * time.Millisecond, m("c"), false},
		{13 * time.Second, m("c"), true},
		{13 * time.Second, still, true}, {time.Hour, still, false},
	}
	for _, s := range steps {
		if got := th.Due(s.m, t0.Add(s.at)); got != s.want {
			t.Errorf("at %s: due(%s %s) = %v, want %v", s.at, s.m.Topic, s.m.Key, got, s.want)
		}
	}
}

// An age that grows is no change; a rounding bit is none either.
func TestChannelKey(t *testing.T) {
	key := func(value, age float64) string {
		v := view(1)
		v.Channels[0].Value, v.Channels[0].AgeS = f(value), age
		list, err := telemetry.NewShaper("b", nil).Shape(v)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range list {
			if strings.HasSuffix(m.Topic, "header_kpa") {
				return string(m.Key)
			}
		}
		return ""
	}
	if a, b := key(68.95, 1), key(68.950000001, 5); a != b {
		t.Errorf("keys differ: %s, %s", a, b)
	}
	if a, b := key(68.95, 1), key(68.96, 1); a == b {
		t.Errorf("a change of 0.01 kPa is not seen: %s", a)
	}
}

func TestEventMessage(t *testing.T) {
	e := engine.Event{T: 41, Kind: engine.StepEvent, Step: "pressurise", Why: engine.Reasons{"main flow seen"}, Wall: time.Unix(0, 0)}
	m, err := telemetry.EventMessage("north", "run-7", 12, e)
	if err != nil {
		t.Fatal(err)
	}
	want := `{"box":"north","run":"run-7","seq":12,"time":"1970-01-01T00:00:00.000Z","t":41,"kind":"step","step":"pressurise","why":"main flow seen"}`
	if m.Topic != "boxd/north/event" || m.Seq != 12 || !sameJSON(t, m.Payload, want) {
		t.Errorf("%s %d %s, want %s", m.Topic, m.Seq, m.Payload, want)
	}
}

func sameJSON(t *testing.T, got []byte, want string) bool {
	t.Helper()
	var a, b map[string]any
	if err := errors.Join(json.Unmarshal(got, &a), json.Unmarshal([]byte(want), &b)); err != nil {
		t.Fatal(err)
	}
	return fmt.Sprint(a) == fmt.Sprint(b)
}

func TestStatusPayload(t *testing.T) {
	for word, online := range map[telemetry.StatusWord]bool{
		telemetry.Online: true, telemetry.Offline: false, telemetry.Stopped: false, telemetry.Starting: false,
	} {
		var s struct {
			Status string
			Online bool
			Text   string
		}
		if err := json.Unmarshal(telemetry.StatusPayload(word, "", "", time.Time{}), &s); err != nil {
			t.Fatal(err)
		}
		if s.Online != online || s.Status != string(word) {
			t.Errorf("%s: %+v", word, s)
		}
		if word == telemetry.Stopped && s.Text != "stopped: do not rely on this" {
			t.Errorf("stopped says %q", s.Text)
		}
	}
}

// A watcher that never reads is overwritten; Publish returns.
func TestHubSlowWatcher(t *testing.T) {
	h := telemetry.NewHub(2)
	slow, err := h.Watch()
	if err != nil {
		t.Fatal(err)
	}
	for i := uint64(1); i <= 100; i++ {
		h.Publish(view(i))
	}
	if got := (<-slow.C).View.Seq; got != 100 {
		t.Errorf("slow watcher got %d, want the latest, 100", got)
	}
	h.Stop("the core panicked")
	if s := <-slow.C; s.Stopped == "" || s.View.Seq != 100 {
		t.Errorf("stop not told: %+v", s)
	}
	h.Publish(view(101))
	if s := <-slow.C; s.Stopped != "" || s.View.Seq != 101 {
		t.Errorf("a new view does not take the stop back: %+v", s)
	}
}

func TestHubBounds(t *testing.T) {
	h := telemetry.NewHub(1)
	h.Publish(view(1))
	w, err := h.Watch()
	if err != nil {
		t.Fatal(err)
	}
	if got := (<-w.C).View.Seq; got != 1 {
		t.Errorf("late watcher got %d, want the latest, 1", got)
	}
	if _, err := h.Watch(); !errors.Is(err, telemetry.ErrBusy) {
		t.Errorf("second watcher: %v", err)
	}
	w.Close()
	h.Publish(view(2))
	select {
	case s := <-w.C:
		t.Errorf("closed watcher got %d", s.View.Seq)
	default:
	}
	if _, err := h.Watch(); err != nil {
		t.Errorf("place not given back: %v", err)
	}
}

func TestSecretNeverPrints(t *testing.T) {
	s := telemetry.Secret("hunter2")
	var log strings.Builder
	slog.New(slog.NewJSONHandler(&log, nil)).Info("x", "s", s, "in", struct{ S telemetry.Secret }{s})
	j, err := json.Marshal(struct{ S telemetry.Secret }{s})
	if err != nil {
		t.Fatal(err)
	}
	for _, out := range []string{fmt.Sprintf("%v %s %q %x %#v %+v", s, s, s, s, s, struct{ S telemetry.Secret }{s}), string(j), log.String()} {
		if strings.Contains(out, "hunter2") || strings.Contains(out, "68756e74657232") || !strings.Contains(out, "secret") {
			t.Errorf("leaks or hides badly: %s", out)
		}
	}
}

func BenchmarkShape(b *testing.B) {
	v := view(1)
	for range 11 {
		v.Channels = append(v.Channels, v.Channels[0])
	}
	s := telemetry.NewShaper("b", strings.Fields("a b c d e f g h i j k l m n o p q r s"))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := s.Shape(v); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkFanOut is a view handed to eight watchers that take it.
func BenchmarkFanOut(b *testing.B) {
	hub := telemetry.NewHub(8)
	var watchers []*telemetry.Watcher
	for range 8 {
		w, err := hub.Watch()
		if err != nil {
			b.Fatal(err)
		}
		watchers = append(watchers, w)
	}
	v := view(1)
	b.ReportAllocs()
	for b.Loop() {
		hub.Publish(v)
		for _, w := range watchers {
			<-w.C
		}
	}
}
