// Alerts are tried with a real archive and real receivers on the loopback: what
// is committed must reach each receiver, once where it answers, at the time the
// config allows, or be dropped where the archive says so.
package daemon

import (
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"boxd/internal/engine"
	"boxd/internal/journal"
	"boxd/internal/telemetry"
	"boxd/internal/telemetry/alert"
)

// phone is a web hook that keeps what it is told.
type phone struct {
	*httptest.Server
	mu    sync.Mutex // the server's goroutines write
	notes []map[string]string
	after func(n int) (status int) // nil: 200
	tries int
	hold  chan struct{} // requests wait for it to be closed; nil: no wait
}

func newPhone(t testing.TB) *phone {
	p := &phone{}
	p.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		b, _ := io.ReadAll(r.Body)
		if p.hold != nil {
			<-p.hold
		}
		p.mu.Lock()
		defer p.mu.Unlock()
		p.tries++
		if p.after != nil {
			if status := p.after(p.tries); status != http.StatusOK {
				w.WriteHeader(status)
				return
			}
		}
		var n map[string]string
		if err := json.Unmarshal(b, &n); err != nil {
			t.Errorf("the hook got %q", b)
		}
		p.notes = append(p.notes, n)
	}))
	t.Cleanup(func() {
		if p.hold != nil {
			close(p.hold)
		}
		p.Close()
	})
	return p
}

// titles are the notes' titles so far, without the box's name.
func (p *phone) titles() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	var out []string
	for _, n := range p.notes {
		out = append(out, strings.Replace(n["title"], "north: ", "", 1))
	}
	return out
}

func (p *phone) target(t testing.TB) *alert.Target {
	s, err := alert.New(alert.Config{URLs: []telemetry.Secret{telemetry.Secret("generic+" + p.URL + "/hook?template=json")}, Timeout: patience})
	if err != nil {
		t.Fatal(err)
	}
	return s.Targets()[0]
}

type office struct {
	t   *testing.T
	j   *journal.Journal
	hub *telemetry.Hub
}

func newOffice(t *testing.T) *office {
	j, err := journal.Open(filepath.Join(t.TempDir(), "boxd.sqlite"))
	must(t, err)
	t.Cleanup(func() { _ = j.Close() })
	return &office{t, j, telemetry.NewHub(1)}
}

func (o *office) alerts(p *phone) Alerts {
	out, err := o.j.Outbox(o.t.Context(), "alert-x")
	must(o.t, err)
	return Alerts{Box: "north", Want: []string{"critical", "high", "flush_done", "your-turn", "freeze-outlook"}, Target: p.target(o.t), Keep: out, Hub: o.hub,
		Log: slog.New(slog.DiscardHandler), MaxAge: 24 * time.Hour, Journal: o.j, Key: "x"}
}

func (o *office) caller(a Alerts) *caller {
	c, err := a.caller(o.t.Context())
	must(o.t, err)
	return c
}

func (o *office) commit(at time.Time, events ...engine.Event) {
	for i := range events {
		events[i].Wall = at
	}
	must(o.t, o.j.Commit(o.t.Context(), journal.Batch{Events: events}))
}

func (o *office) turn(c *caller, now time.Time) {
	o.t.Helper()
	must(o.t, c.turn(o.t.Context(), now))
}

func (o *office) expect(p *phone, want ...string) {
	o.t.Helper()
	if got := p.titles(); !slices.Equal(got, want) {
		o.t.Errorf("told %q, want %q", got, want)
	}
}

// stands shows a view in which these alarms stand unseen.
func (o *office) stands(ids ...string) {
	v := &engine.View{Box: "north"}
	for _, id := range ids {
		p := "high"
		if id == "backflow-sign" {
			p = "critical"
		}
		v.Alarms = append(v.Alarms, engine.AlarmView{ID: id, Priority: p, Text: "12 kPa", Active: true})
	}
	o.hub.Publish(v)
}

func alarmEvent(id, state, priority string, t float64) engine.Event {
	return engine.Event{T: t, Kind: engine.AlarmEvent, ID: id, State: state, Priority: priority, Text: "12 kPa"}
}

// noon and the others are hours of a winter day in a zone where the clock on
// the wall is not UTC's.
func clocks(t *testing.T) (zone *time.Location, at func(hour, minute int) time.Time) {
	zone, err := time.LoadLocation("America/New_York")
	must(t, err)
	return zone, func(h, m int) time.Time { return time.Date(2026, 1, 10, h, m, 0, 0, zone) }
}

func TestQuietHours(t *testing.T) {
	zone, at := clocks(t)
	o, p := newOffice(t), newPhone(t)
	a := o.alerts(p)
	a.Quiet = alert.Quiet{From: 22 * time.Hour, Until: 6 * time.Hour, Zone: zone}
	c := o.caller(a)
	o.stands("stock-empty", "filter-torn", "backflow-sign")
	o.commit(at(23, 0), alarmEvent("stock-empty", "raised", "high", 1), alarmEvent("filter-torn", "raised", "high", 2), alarmEvent("backflow-sign", "raised", "critical", 3))
	o.turn(c, at(23, 0))
	o.expect(p, "backflow sign") // never quiet for what is critical

	// The filter's alarm ends in the night, and boxd starts anew.
	o.stands("stock-empty", "backflow-sign")
	o.commit(at(23, 30), alarmEvent("filter-torn", "cleared", "high", 4))
	c = o.caller(a)
	o.turn(c, at(23, 59))
	o.expect(p, "backflow sign")
	o.turn(c, at(6, 0).AddDate(0, 0, 1))
	o.expect(p, "backflow sign", "stock empty")
	var notes []string
	entries, err := o.j.Events(t.Context(), "")
	must(t, err)
	for _, e := range entries {
		if e.Kind == engine.NoteEvent {
			notes = append(notes, string(e.JSON))
		}
	}
	if len(notes) != 1 || !strings.Contains(notes[0], "filter torn") || !strings.Contains(notes[0], "generic") {
		t.Errorf("the archive says of what was dropped: %q", notes)
	}
	o.turn(o.caller(a), at(6, 1).AddDate(0, 0, 1))
	o.expect(p, "backflow sign", "stock empty")
}

func TestRepeat(t *testing.T) {
	_, at := clocks(t)
	o, p := newOffice(t), newPhone(t)
	a := o.alerts(p)
	a.Repeat = 10 * time.Minute
	c := o.caller(a)
	o.stands("stock-empty")
	o.commit(at(12, 0), alarmEvent("stock-empty", "raised", "high", 1))
	o.turn(c, at(12, 0))
	o.turn(c, at(12, 9))
	o.expect(p, "stock empty")
	o.turn(c, at(12, 10))
	o.turn(c, at(12, 11))
	o.expect(p, "stock empty", "Again, stock empty")
	// A new life goes on with it, from its own start.
	c = o.caller(a)
	o.turn(c, at(12, 15))
	o.turn(c, at(12, 25))
	o.expect(p, "stock empty", "Again, stock empty", "Again, stock empty")
	v := *o.hub.Latest().View
	v.Alarms = slices.Clone(v.Alarms)
	v.Alarms[0].Acked = true
	o.hub.Publish(&v)
	o.turn(c, at(13, 0))
	v.Alarms = nil // shelved: it stands aside
	o.hub.Publish(&v)
	o.turn(c, at(14, 0))
	o.expect(p, "stock empty", "Again, stock empty", "Again, stock empty")
}

func advice(t float64, number uint64, deed string) engine.Event {
	return engine.Event{T: t, Kind: engine.AdviceEvent, Number: number, Deed: deed, Text: "Close the valve by 1/4 turn."}
}

func TestYourTurn(t *testing.T) {
	_, at := clocks(t)
	o, p := newOffice(t), newPhone(t)
	c := o.caller(o.alerts(p))
	now := func(number uint64, deed string) {
		o.hub.Publish(&engine.View{Advice: &engine.AdviceView{Number: number, Deed: deed}})
	}
	now(2, "injector_on")
	o.commit(at(12, 0), advice(10, 1, ""), advice(40, 2, "injector_on"))
	o.turn(c, at(12, 0))
	o.expect(p) // the person stood by
	now(4, "injector_off")
	o.commit(at(12, 0), advice(50, 3, ""), advice(900, 4, "injector_off"))
	o.turn(c, at(12, 0))
	o.expect(p, "your turn")
	now(5, "")
	o.commit(at(12, 0), advice(910, 5, ""), advice(2000, 6, "main_closed"))
	o.turn(c, at(12, 0))
	o.expect(p, "your turn") // no longer what is advised
	now(8, "main_closed")
	o.commit(at(12, 0), advice(2010, 7, ""), engine.Event{T: 3000, Kind: engine.MilestoneEvent, Name: "flush_done"}, advice(3000, 8, "main_closed"))
	o.turn(c, at(12, 0))
	o.expect(p, "your turn", "flush done") // one cause, one message
}

func TestOutlook(t *testing.T) {
	zone, at := clocks(t)
	o, p := newOffice(t), newPhone(t)
	c := o.caller(o.alerts(p))
	look := Outlook{Journal: o.j, Hub: o.hub, Zone: zone, Dusk: 17 * time.Hour, Log: c.Log}
	hours, low := 5.4, -3.5
	o.hub.Publish(&engine.View{Freeze: engine.FreezeView{Known: true, HoursLow: &hours, Body: "filter-bowl", ForecastLowC: &low, Advice: "Drain the filter tonight."}})
	for _, when := range []time.Time{at(16, 59), at(17, 0), at(17, 1), at(19, 0), at(21, 0)} {
		must(t, look.look(t.Context(), when))
		o.turn(c, when)
	}
	o.expect(p, "frost tonight")
	if got, want := p.notes[0]["message"], "5 h at the least to 0 °C (filter bowl). Forecast low -3.5 °C. Drain the filter tonight."; got != want {
		t.Errorf("it reads %q, want %q", got, want)
	}
	far := 20.0
	o.hub.Publish(&engine.View{Freeze: engine.FreezeView{Known: true, HoursLow: &far}})
	must(t, look.look(t.Context(), at(17, 30).AddDate(0, 0, 1)))
	o.turn(c, at(17, 30).AddDate(0, 0, 1))
	o.expect(p, "frost tonight")
	// The broker's queue passes over it.
	out, err := o.j.Outbox(t.Context(), "mqtt")
	must(t, err)
	if rows, err := (Events{Box: "north", Keep: out}).Next(t.Context(), 0, 10); err != nil || len(rows) != 0 {
		t.Errorf("the broker is given %v, %v", rows, err)
	}
}

// A link that was down for long brings what still helps, and no more.
// What happened half a minute ago is news, though the clock was set ahead since.
func TestAClockSetAheadOutdatesNothing(t *testing.T) {
	_, at := clocks(t)
	o, p := newOffice(t), newPhone(t)
	a := o.alerts(p)
	a.Life = 1
	c := o.caller(a)
	o.hub.Publish(&engine.View{Box: "north", T: 130})
	o.commit(at(8, 0), engine.Event{T: 100, Kind: engine.MilestoneEvent, Name: "flush_done", Text: "clean"})
	o.turn(c, at(8, 0).AddDate(0, 0, 3))
	o.expect(p, "flush done")
}

func TestOutdated(t *testing.T) {
	_, at := clocks(t)
	o, p := newOffice(t), newPhone(t)
	p.after = func(n int) int {
		if n == 1 {
			return http.StatusInternalServerError
		}
		return http.StatusOK
	}
	c := o.caller(o.alerts(p))
	o.stands("stock-empty", "clock-less")
	o.commit(at(8, 0), alarmEvent("stock-empty", "raised", "high", 1), alarmEvent("filter-torn", "raised", "high", 2), alarmEvent("filter-torn", "cleared", "high", 3))
	o.commit(time.Unix(100, 0), alarmEvent("clock-less", "raised", "high", 4)) // a board before it knew the time
	if err := c.turn(t.Context(), at(8, 0)); err == nil || strings.Contains(err.Error(), "hook") {
		t.Errorf("a receiver out of order: %v", err)
	}
	o.turn(c, at(11, 0))
	o.expect(p, "stock empty", "clock less")
	if p.notes[0]["id"] != "north-stock-empty-raised-1.000" {
		t.Errorf("numbered %q", p.notes[0]["id"])
	}
}

func TestUnsaved(t *testing.T) {
	o, p := newOffice(t), newPhone(t)
	a := o.alerts(p)
	a.Unsaved = new(Unsaved)
	c := o.caller(a)
	e := alarmEvent("archive-failing", "raised", "high", 7)
	due := []journal.Batch{{Events: []engine.Event{e, alarmEvent("stock-empty", "acknowledged", "high", 8)}}}
	a.Unsaved.put(due)
	o.turn(c, time.Now())
	a.Unsaved.put(due)
	o.turn(c, time.Now())
	o.expect(p, "archive failing (not saved)")
	// The archive is well again: the same alarm comes by the queue.
	a.Unsaved.put(nil)
	o.stands("archive-failing")
	o.commit(time.Now(), e)
	o.turn(c, time.Now())
	o.expect(p, "archive failing (not saved)")
	for range 2 * maxUnsaved {
		due = append(due, due[0])
	}
	a.Unsaved.put(due)
	if n := len(a.Unsaved.Events()); n != maxUnsaved {
		t.Errorf("%d held", n)
	}
}

// A receiver that hangs and one that refuses delay nobody else, and lose
// nothing.
func TestOthersAreNotDelayed(t *testing.T) {
	o := newOffice(t)
	hanging, refusing, well := newPhone(t), newPhone(t), newPhone(t)
	hanging.hold = make(chan struct{})
	refusing.after = func(n int) int {
		if n < 2 {
			return http.StatusServiceUnavailable
		}
		return http.StatusOK
	}
	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	defer wg.Wait()
	defer cancel()
	for i, p := range []*phone{hanging, refusing, well} {
		a := o.alerts(p)
		out, err := o.j.Outbox(t.Context(), "alert-"+string(rune('a'+i)))
		must(t, err)
		a.Keep, a.Target = out, p.target(t)
		wg.Go(func() { a.Run(ctx) })
	}
	o.stands("stock-empty")
	began := time.Now()
	o.commit(began, alarmEvent("stock-empty", "raised", "high", 1))
	for _, p := range []*phone{well, refusing} {
		for len(p.titles()) == 0 {
			if time.Since(began) > patience {
				t.Fatal("nothing came")
			}
			select {
			case <-time.After(10 * time.Millisecond):
			case <-ctx.Done():
			}
		}
		t.Logf("told after %v", time.Since(began).Round(time.Millisecond))
		o.expect(p, "stock empty")
	}
	o.expect(hanging)
}

// BenchmarkDelivery is from an event on the disk to the receiver, looks into
// the queue included; the target is 2 s.
func BenchmarkDelivery(b *testing.B) {
	j, err := journal.Open(filepath.Join(b.TempDir(), "boxd.sqlite"))
	if err != nil {
		b.Fatal(err)
	}
	defer j.Close()
	came := make(chan struct{}, 1)
	srv := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { came <- struct{}{} }))
	defer srv.Close()
	out, err := j.Outbox(b.Context(), "alert-x")
	if err != nil {
		b.Fatal(err)
	}
	s, err := alert.New(alert.Config{URLs: []telemetry.Secret{telemetry.Secret("generic+" + srv.URL)}})
	if err != nil {
		b.Fatal(err)
	}
	a := Alerts{Box: "north", Want: []string{"high"}, Target: s.Targets()[0], Keep: out, Hub: telemetry.NewHub(1), Log: slog.New(slog.DiscardHandler)}
	ctx, cancel := context.WithCancel(b.Context())
	var wg sync.WaitGroup
	wg.Go(func() { a.Run(ctx) })
	t := 0.0
	for b.Loop() {
		t++
		if err := j.Commit(ctx, journal.Batch{Events: []engine.Event{alarmEvent("stock-empty", "raised", "high", t)}}); err != nil {
			b.Fatal(err)
		}
		<-came
	}
	cancel()
	wg.Wait()
}
