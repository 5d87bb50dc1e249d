package web

import (
	"context"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/say"
)

// someAlarms is a closed supply and what follows from it, with one alarm on the
// shelf.
func someAlarms() engine.View {
	v := viewAt("flush")
	v.T = 1000
	v.Alarms = []engine.AlarmView{
		{ID: "header-pressure-low", State: "unacknowledged", Priority: "high", Text: "Header pressure is 20.0 kPa.", Cause: "supply-pressure-low", SinceT: 950, Active: true},
		{ID: "supply-pressure-low", State: "unacknowledged", Priority: "critical", Text: "Supply pressure is 10.0 kPa.", Do: "Close the shutoff valve.", FirstOut: true, SinceT: 940, RespondMin: 5, Silenceable: true},
		{ID: "backflow-sign", State: "latched acknowledged", Priority: "critical", Latched: true, Acked: true, SinceT: 900},
	}
	v.Aside = []engine.AlarmView{{ID: "ratio-off", State: "shelved", Priority: "low", AsideBy: "Kim", AsideWhy: "seals are on order", ShelvedUntilT: num(2800), Active: true}}
	v.AlarmRates = engine.AlarmRates{LastTenMinutes: 3, LastHour: 4, LastDay: 9, ObservedH: 20, FloodPct: 1.5}
	return v
}

type pastArchive struct {
	fakeArchive
	past []AlarmPast
}

func (p pastArchive) Alarms(context.Context, int) ([]AlarmPast, error) { return p.past, p.err }

func TestAlarmsPage(t *testing.T) {
	zone := time.FixedZone("station", -5*3600)
	arch := pastArchive{past: []AlarmPast{{When: time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC), ID: "stock-empty", Word: "raised", Priority: "high", By: ""}}}
	body := get(t, New(newFakeCore(someAlarms()), arch, Options{About: About{Zone: zone}}), "/alarms").Body.String()
	for _, part := range []string{
		`data-alarm="supply-pressure-low"`, "came first", "follows from supply-pressure-low", `value="acknowledge:supply-pressure-low"`,
		`value="shelve:supply-pressure-low"`, `value="reset:backflow-sign"`, "within", `data-aside="ratio-off"`, "by Kim: seals are on order",
		"back in 30\u00a0min", "its condition stands", `value="unshelve:ratio-off"`, "20.0 h of it watched", "2026-05-04 07:00:00", "stock-empty",
	} {
		has(t, body, part)
	}
	if strings.Contains(body, `value="acknowledge:backflow-sign"`) || strings.Contains(body, `value="shelve:backflow-sign"`) || strings.Contains(body, `value="shelve:header-pressure-low"`) {
		t.Error("an alarm offers what it does not bear")
	}
	if strings.Index(body, `data-alarm="supply-pressure-low"`) > strings.Index(body, `data-alarm="header-pressure-low"`) {
		t.Error("what follows stands before its cause")
	}
	quiet := get(t, New(newFakeCore(viewAt("ready")), nil, Options{}), "/alarms").Body.String()
	has(t, quiet, "No alarm stands.")
	has(t, quiet, "keeps no archive")
}

// Who may only look is offered nothing to press.
func TestAlarmsPageOffersWhatOneMay(t *testing.T) {
	srv, core, _ := guarded(t, false)
	core.publish(func(v *engine.View) {
		*v = someAlarms()
		v.Holds = []engine.HoldView{{On: "inject", ID: "flow-unknown", Overridable: true}}
	})
	for name, want := range map[string][2]bool{"Sol": {false, false}, "Lee": {true, false}, "Kim": {true, true}} {
		_, _, body := newPerson(t, srv, name).get("/alarms")
		if got := [2]bool{strings.Contains(body, `value="acknowledge:`), strings.Contains(body, `value="shelve:`)}; got != want {
			t.Errorf("%s is offered %v, want %v", name, got, want)
		}
		_, _, body = newPerson(t, srv, name).get("/")
		if got := [2]bool{strings.Contains(body, `value="acknowledge:`) && strings.Contains(body, `value="confirm:`) && strings.Contains(body, `value="report:`), strings.Contains(body, `value="override:`)}; got != want {
			t.Errorf("on the run's page %s is offered %v, want %v", name, got, want)
		}
	}
}

func TestBoxPage(t *testing.T) {
	v := viewAt("ready")
	v.Wall = time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC)
	v.Freeze = engine.FreezeView{Known: true, HoursLow: num(3.2), Body: "filter-bowl", Advice: "Drain the box tonight."}
	v.Estimates = []engine.EstimateView{{Name: "main flow", Value: num(12.5), Unit: "L/min", Sigma: num(0.2), Quality: "good"}, {Name: "supply", Word: "steady", Quality: "good"}}
	v.Board = engine.BoardViews([]box.Vital{{Name: "board_c", Unit: "°C", Value: 81, Known: true, Why: "so hot"}, {Name: "main_flow_total_l", Unit: "L", Value: 378.5, Known: true}, {Name: "button", Why: "stuck"}})
	about := About{Device: "reduced-pressure-zone", Place: "pump house", LastTest: "2026-04-02", NextDue: "2027-04-02", Tester: "licence 0000", Buses: someBuses, Calibrated: func() map[string]Calibrated {
		return map[string]Calibrated{"supply_kpa": {say.Verbatim("2026-01-02"), time.Date(2026, 1, 3, 0, 0, 0, 0, time.UTC)}, "main_flow_lpm": {say.Verbatim("2026-01-04"), time.Date(9999, 1, 5, 0, 0, 0, 0, time.UTC)}}
	}}
	body := get(t, New(newFakeCore(v), nil, Options{Version: "test", About: about}), "/box").Body.String()
	for _, part := range []string{"PT-101", "reduced-pressure-zone", "licence 0000", "3.2\u00a0h", "Drain the box tonight.", "3.30\u00a0gal/min", "±0.05\u00a0gal/min", "steady", "2026-05-04 12:00", "no record", `data-bus="/dev/i2c-1"`, "36000", "12.3\u00a0ms",
		"temperature of the board", "178\u00a0°F", "so hot", "counted by the main flow meter", "100.0\u00a0gal", "stuck"} {
		has(t, body, part)
	}
	has(t, body, "2026-01-02<span class=\"reading-why\"><span aria-hidden=\"true\">▲ </span>overdue since 2026-01-03</span>")
	hasNot(t, body, "overdue since 9999")
	none := get(t, New(newFakeCore(viewAt("ready")), nil, Options{}), "/box")
	if none.Code != http.StatusOK {
		t.Fatalf("%d", none.Code)
	}
	has(t, none.Body.String(), "none declared")
	hasNot(t, none.Body.String(), "data-bus")
	hasNot(t, none.Body.String(), "The board</h2>")
}

// That a clock was set is what its time of day and Go's monotonic time differ by;
// a time without the latter stands for no difference.
func TestAClockThatWasSetIsSaid(t *testing.T) {
	now := time.Now()
	if got := clockWent(now.Add(-time.Hour), now); got != 0 {
		t.Errorf("a clock that nobody set went %v", got)
	}
	if got := clockWent(time.Time{}, now); got != 0 {
		t.Errorf("since nobody knows when: %v", got)
	}
	s := newServer(newFakeCore(viewAt("ready")), nil, Options{}).visit(httptest.NewRequest("GET", "/box", nil))
	for by, want := range map[time.Duration]string{5 * time.Hour: "set ahead by 5 h 00 min since", -9 * time.Hour: "set back by 9 h 00 min since", time.Minute: "a label: nothing is timed by it"} {
		if got := s.clockAside(by); !strings.HasPrefix(got, want) {
			t.Errorf("set by %v: %q", by, got)
		}
	}
}

func someBuses() []Bus {
	return []Bus{{Name: "/dev/i2c-1", Readings: 36000, Missed: 3, MeanLate: 120 * time.Microsecond, MostLate: 12340 * time.Microsecond, MostLong: 40 * time.Millisecond}}
}
