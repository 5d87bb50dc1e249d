package main

// A fleet of simulated boxes with the daemon's own publisher, its broker, and a
// station as its page shows it: over loopback, in a real browser where there is
// one. The bounds are those of a slow machine; the figures stand in the manual.

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"boxd/internal/engine"
	"boxd/internal/station"
	"boxd/internal/telemetry"
	"boxd/internal/telemetry/broker"
	"boxd/internal/telemetry/dial"
	"boxd/internal/telemetry/mqtt"
	"boxd/internal/web"
	"boxd/internal/web/webtest"
)

// cable is a connection that can be cut, as a box loses its power.
type cable struct {
	ln   net.Listener
	mu   sync.Mutex // connections come on goroutines of their own
	ends []net.Conn
}

func newCable(t *testing.T, to string) *cable {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c := &cable{ln: ln}
	go func() {
		for {
			in, err := ln.Accept()
			if err != nil {
				return
			}
			out, err := net.Dial("tcp", to)
			if err != nil {
				_ = in.Close()
				return
			}
			c.mu.Lock()
			c.ends = append(c.ends, in, out)
			c.mu.Unlock()
			go func() { _, _ = io.Copy(in, out) }()
			go func() { _, _ = io.Copy(out, in) }()
		}
	}()
	t.Cleanup(c.cut)
	return c
}

func (c *cable) cut() {
	_ = c.ln.Close()
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, e := range c.ends {
		_ = e.Close()
	}
}

// follow starts a station; the rows of what it knows come by its fleet.
func followFleet(t *testing.T, url string) *station.Fleet {
	t.Helper()
	f := station.NewFleet()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		station.Follow(ctx, dial.Broker{URL: url}, f, slog.New(slog.DiscardHandler))
	}()
	t.Cleanup(func() { cancel(); <-done })
	return f
}

// until looks at a station until it shows what is waited for, and says how long
// that took.
func until(t *testing.T, f *station.Fleet, what string, is func(station.Picture) bool) time.Duration {
	t.Helper()
	began := time.Now()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for {
		p := f.Since(0, time.Now())
		if is(p) {
			return time.Since(began)
		}
		if time.Since(began) > patience {
			t.Fatalf("%s: not seen; %d boxes, %v, link %q", what, p.Total, p.Count, p.Link)
		}
		<-tick.C
	}
}

func rowOf(p station.Picture, box string) station.Row {
	for _, r := range p.Rows {
		if r.Box == box {
			return r
		}
	}
	return station.Row{}
}

func TestFleetAndStation(t *testing.T) {
	// What the broker keeps of so many is more than it lets wait for one subscriber.
	const boxes = 60
	b, err := broker.StartWith(broker.Options{Clients: boxes + 16})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = b.Close() })
	c := mqtt.Config{URL: b.URL()}
	c.User, c.Password = b.Credentials()
	tapes, err := recordTapes(1)
	if err != nil {
		t.Fatal(err)
	}
	for i, tp := range tapes {
		alarms, ended := 0, false
		for _, f := range tp {
			alarms += len(f.view.Alarms)
			for _, e := range f.events {
				ended = ended || e.Kind == engine.SummaryEvent
			}
		}
		if left := len(tp[len(tp)-1].view.Alarms); !ended || left > 0 {
			t.Errorf("run %d: its record is there: %v; %d alarms at the end", i, ended, left)
		}
		if steps := stepsOf(tp); (i == 0) != (alarms == 0) || !slices.Contains(steps, "inject") || !slices.Contains(steps, "flush") {
			t.Errorf("run %d: steps %v, %d views, alarms in %d", i, steps, len(tp), alarms)
		}
	}
	fl := &fleet{tapes: tapes, to: c, rate: 1, seed: 1, log: slog.New(slog.DiscardHandler), changes: newChanges()}
	ctx, stop := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	t.Cleanup(func() { stop(); wg.Wait() })
	wg.Go(func() {
		if err := fl.run(ctx, boxes); err != nil {
			t.Error(err)
		}
	})
	// One more box, that we hold in our hands.
	wire := newCable(t, b.Addr())
	own := c
	own.Box, own.URL, own.Alarms = "own-box", "tcp://"+wire.ln.Addr().String(), []string{"stock-empty"}
	pub, err := mqtt.New(own, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	hub := telemetry.NewHub(1)
	wg.Go(func() { pub.Run(ctx, hub, &waiting{}) })
	views := make(chan []engine.AlarmView)
	wg.Go(func() { keepShowing(ctx, hub, views) })
	show := func(alarms ...engine.AlarmView) { views <- alarms }

	first := followFleet(t, b.URL())
	until(t, first, "every box, live", func(p station.Picture) bool { return p.Total == boxes+1 && p.Count[station.Live] == boxes+1 })

	show(engine.AlarmView{ID: "stock-empty", State: "unacknowledged", Priority: "high", Text: "The stock tank is empty."})
	took := until(t, first, "an alarm", func(p station.Picture) bool { return len(rowOf(p, "own-box").Alarms) == 1 })
	t.Logf("alarm at the station after %v", took)

	wire.cut()
	until(t, first, "the will", func(p station.Picture) bool { return rowOf(p, "own-box").Standing == station.Offline })

	later := followFleet(t, b.URL())
	page := httptest.NewServer(station.Handler(later, station.Options{Languages: web.Languages(), Version: "test"}))
	t.Cleanup(page.Close)
	wg.Go(func() { _ = fl.changes.follow(ctx, page.URL) })
	until(t, later, "all, by a station that came later", func(p station.Picture) bool {
		r := rowOf(p, "own-box")
		return p.Total == boxes+1 && p.Count[station.Live] == boxes && r.Standing == station.Offline && len(r.Alarms) == 1 && !r.Heard.IsZero() && r.Step == "flush"
	})

	if err := fl.awaitLive(ctx, boxes, nil); err != nil {
		t.Error(err)
	}
	if late := fl.changes.late(time.Now(), patience); len(late) > 0 {
		t.Errorf("not on the page: %q", late)
	}
	if up, sent := fl.count(); up != boxes || sent < 10*boxes {
		t.Errorf("%d boxes are connected and sent %d messages", up, sent)
	}
	t.Run("stream", func(t *testing.T) { streamed(t, page.URL, boxes+1) })
	t.Run("browser", func(t *testing.T) { seen(t, page.URL, boxes+1, c, later) })
}

// keepShowing publishes a box's view at a beat, as its core does, with the alarms
// that came last.
func keepShowing(ctx context.Context, hub *telemetry.Hub, views <-chan []engine.AlarmView) {
	beat := time.NewTicker(250 * time.Millisecond)
	defer beat.Stop()
	v := engine.View{Box: "own-box", Zone: "east", Step: "flush"}
	for {
		v.Seq++
		v.Wall = time.Now()
		shown := v
		hub.Publish(&shown)
		select {
		case v.Alarms = <-views:
		case <-beat.C:
		case <-ctx.Done():
			return
		}
	}
}

func stepsOf(tp tape) (out []string) {
	for _, f := range tp {
		if !slices.Contains(out, f.view.Step) {
			out = append(out, f.view.Step)
		}
	}
	return out
}

// streamed reads the stream as a page does, until it had every box.
func streamed(t *testing.T, url string, boxes int) {
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url+"/events", nil)
	if err != nil {
		t.Fatal(err)
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	lines := bufio.NewScanner(res.Body)
	lines.Buffer(nil, 8<<20)
	got := map[string]bool{}
	for len(got) < boxes && lines.Scan() {
		data, ok := strings.CutPrefix(lines.Text(), "data: ")
		if !ok {
			continue
		}
		var c struct {
			Rows []struct{ Box, HTML string }
		}
		if err := json.Unmarshal([]byte(data), &c); err != nil {
			t.Fatal(err)
		}
		for _, r := range c.Rows {
			got[r.Box] = true
			if live := !strings.Contains(r.HTML, `class="gone"`); live == (r.Box == "own-box") {
				t.Errorf("%s is shown so: %s", r.Box, r.HTML)
			}
		}
	}
	if len(got) != boxes {
		t.Errorf("%d boxes in the stream, of %d", len(got), boxes)
	}
}

// seen looks with a browser: all boxes, those with alarms first, a change as it
// comes, the filter, the rules of WCAG, and what is lost shown as lost.
func seen(t *testing.T, url string, boxes int, c mqtt.Config, known *station.Fleet) {
	tab := webtest.Open(t, 8*time.Minute)
	tab.Do("open", webtest.Screen(1280, 800, "light"), webtest.Visit(url+"/?lang=en"), webtest.BodyIs("live", "yes"))
	if n := tab.Count(`document.querySelectorAll("#boxes tr").length`); n != boxes {
		t.Errorf("%d rows for %d boxes", n, boxes)
	}
	if n := tab.Count(`[...document.querySelectorAll("#boxes tr")].findIndex(r => !r.querySelector(".alarm")) - document.querySelectorAll("#boxes tr:has(.alarm)").length`); n != 0 {
		t.Errorf("boxes with alarms do not come first: %d", n)
	}
	tab.Do("own box is gone", webtest.Has(`tr.gone[data-box="own-box"]`))

	ctx, leave := context.WithCancel(t.Context())
	c.Box, c.Page = "new-box", "https://new-box.station.example/"
	pub, err := mqtt.New(c, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	hub := telemetry.NewHub(1)
	hub.Publish(&engine.View{Seq: 1, Wall: time.Now(), Box: "new-box", Step: "ready", Advice: &engine.AdviceView{Number: 1, Text: "<b>Open</b> the shutoff valve."}})
	done := make(chan struct{})
	go func() { defer close(done); pub.Run(ctx, hub, &waiting{}) }()
	tab.Do("a new box, live", webtest.There(`tr[data-box="new-box"]:not(.gone) .advice`))
	if got := tab.Text(`tr[data-box="new-box"] .advice`); got != "<b>Open</b> the shutoff valve." {
		t.Errorf("its advice reads %q", got)
	}
	leave()
	<-done
	tab.Do("it leaves", webtest.There(`tr.gone[data-box="new-box"]`))
	if got := tab.Text(`tr[data-box="new-box"] th a`); got != "new-box" {
		t.Errorf("the way to its own page reads %q", got)
	}
	known.Hear("boxd/new-box/status", nil, false, time.Now())
	tab.Do("it is taken out", webtest.Until(`!document.querySelector('tr[data-box="new-box"]')`))
	tab.Do("filter", webtest.Type("#filter", "own-box"), webtest.Until(`[...document.querySelectorAll("#boxes tr")].filter(r => !r.hidden).length === 1`))
	tab.Keep("station-filter")
	tab.Do("filter off", webtest.Run(`const f = document.getElementById("filter"); f.value = ""; f.dispatchEvent(new Event("input"));`))
	tab.Keep("station")
	for _, lang := range []string{"en", "es"} {
		tab.Do("narrow, "+lang, webtest.Screen(320, 700, "dark"), webtest.Visit(fmt.Sprintf("%s/?lang=%s", url, lang)), webtest.BodyIs("live", "yes"))
		if n := tab.TooWide(); n > 0 {
			t.Errorf("%s: %d px too wide", lang, n)
		}
	}
	for _, s := range tab.Complaints() {
		t.Errorf("the browser complains: %s", s)
	}
	rules := tab.Rules()
	for _, scheme := range []string{"light", "dark"} {
		tab.Do(scheme, webtest.Screen(1280, 800, scheme))
		for _, v := range tab.Violations(rules) {
			t.Errorf("%s: %s", scheme, v)
		}
	}
}
