package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"runtime"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"

	"boxd/internal/engine"
	"boxd/internal/station"
	"boxd/internal/telemetry/dial"
	"boxd/internal/web"
)

const (
	liveWithin = 2 * time.Minute // all boxes, or there is nothing to measure
	lateAfter  = 10 * time.Second
	longestRow = 16 << 20 // bytes of one event of the page's stream
)

// expected is what a page is to show of a box, and since when its core has shown it.
type expected struct {
	at     time.Time
	step   string
	alarms int
}

// changes are what the boxes have shown and a page not yet. What a page shows is told
// from what it draws, not from what the station says of itself.
type changes struct {
	mu    sync.Mutex // the boxes' goroutines and the reader's
	now   map[string]expected
	due   map[string]expected
	live  map[string]bool
	took  []time.Duration
	timed bool
}

func newChanges() *changes {
	return &changes{now: map[string]expected{}, due: map[string]expected{}, live: map[string]bool{}}
}

// publish is told each view before it goes out.
func (c *changes) publish(v *engine.View) {
	if c == nil {
		return
	}
	e := expected{at: v.Wall, step: v.Step}
	for _, a := range v.Alarms {
		if a.Cause == "" {
			e.alarms++
		}
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	was, known := c.now[v.Box]
	c.now[v.Box] = e
	if !known || was.step == e.step && was.alarms == e.alarms {
		return
	}
	if waits, ok := c.due[v.Box]; ok {
		e.at = waits.at // the one before was never shown: its wait goes on
	}
	c.due[v.Box] = e
}

// shown is told each row that a page got.
func (c *changes) shown(box, html string, now time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.live[box] = !strings.Contains(html, `class="gone"`)
	e, ok := c.due[box]
	if !ok || strings.Count(html, `<span class="alarm`) != e.alarms || !strings.Contains(html, "<td>"+e.step) {
		return
	}
	delete(c.due, box)
	if c.timed {
		c.took = append(c.took, now.Sub(e.at))
	}
}

// count is how many boxes a page shows as live.
func (c *changes) count() (live int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, is := range c.live {
		if is {
			live++
		}
	}
	return live
}

// begin times what changes from now on.
func (c *changes) begin() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.timed, c.took = true, nil
}

// late is what has been due for so long.
func (c *changes) late(now time.Time, limit time.Duration) (out []string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for box, e := range c.due {
		if now.Sub(e.at) > limit {
			out = append(out, fmt.Sprintf("%s: %s with %d alarms since %s", box, e.step, e.alarms, now.Sub(e.at)))
		}
	}
	slices.Sort(out)
	return out
}

// times are those of the changes that were shown, the shortest first.
func (c *changes) times() []time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	out := slices.Clone(c.took)
	slices.Sort(out)
	return out
}

// follow reads the stream of a station's page, as a browser does, until ctx ends.
func (c *changes) follow(ctx context.Context, page string) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, strings.TrimSuffix(page, "/")+"/events?lang=en", nil)
	if err != nil {
		return fmt.Errorf("cannot read -page: %w: write it as the station prints it", err)
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return fmt.Errorf("cannot read the station's page: %w: is the station running", err)
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusOK {
		return fmt.Errorf("cannot read the station's page: it answers %s: name one without a password", res.Status)
	}
	lines := bufio.NewScanner(res.Body)
	lines.Buffer(nil, longestRow)
	for lines.Scan() {
		data, ok := strings.CutPrefix(lines.Text(), "data: ")
		if !ok {
			continue
		}
		now := time.Now()
		var m struct {
			Rows []struct{ Box, HTML string }
		}
		if err := json.Unmarshal([]byte(data), &m); err != nil {
			return fmt.Errorf("cannot read the station's page: %w", err)
		}
		for _, r := range m.Rows {
			c.shown(r.Box, r.HTML, now)
		}
	}
	if ctx.Err() != nil {
		return nil
	}
	return errors.Join(errors.New("the station's page ended: is the station still running"), lines.Err())
}

// measureFleet times a station's page while the fleet plays, and says what came out.
func measureFleet(ctx context.Context, out io.Writer, f *fleet, o fleetFlags) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var wg sync.WaitGroup
	defer wg.Wait()
	defer cancel()
	who := "fleet"
	if o.page == "" {
		var err error
		if o.page, err = ownStation(ctx, &wg, o); err != nil {
			return err
		}
		who = "fleet and station"
	}
	if o.to.Password != "" {
		who += " and broker"
	}
	ended := make(chan error, 1)
	wg.Go(func() { ended <- f.changes.follow(ctx, o.page) })
	if err := f.awaitLive(ctx, o.boxes, ended); err != nil || ctx.Err() != nil {
		return err
	}
	fmt.Fprintf(out, "all live; timing for %s\n", o.measure)
	f.changes.begin()
	before, began := spent(), time.Now()
	views, _ := f.shown.Load(), 0
	_, sent := f.count()
	select {
	case err := <-ended:
		return err
	case <-ctx.Done():
		return nil
	case <-time.After(o.measure):
	}
	took := time.Since(began).Seconds()
	up, all := f.count()
	t, late := f.changes.times(), f.changes.late(time.Now(), lateAfter)
	fmt.Fprintf(out, "boxes      %d connected, %d live on the page, of %d\n", up, f.changes.count(), o.boxes)
	fmt.Fprintf(out, "sent       %.2f views a second of each box, %.0f messages a second in all\n", float64(f.shown.Load()-views)/took/float64(o.boxes), float64(all-sent)/took)
	fmt.Fprintf(out, "changes    %d of step or alarms%s; %d not shown within %s\n", len(t), distribution(t), len(late), lateAfter)
	fmt.Fprintf(out, "machine    %s took %.2f of %d processors; load average %s\n", who, (spent()-before).Seconds()/took, runtime.NumCPU(), load())
	return nil
}

// ownStation serves a station's page on the loopback interface until ctx ends.
func ownStation(ctx context.Context, wg *sync.WaitGroup, o fleetFlags) (page string, err error) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", fmt.Errorf("cannot serve a station's page: %w; name one with -page", err)
	}
	known := station.NewFleet()
	b := dial.Broker{URL: o.to.URL, User: o.to.User, PasswordFile: o.to.PasswordFile, Password: o.to.Password, CAFile: o.to.CAFile, CertFile: o.to.CertFile, KeyFile: o.to.KeyFile, Names: dial.Keys()}
	srv := &http.Server{Handler: station.Handler(known, station.Options{Languages: web.Languages(), Version: version()}), ReadHeaderTimeout: 10 * time.Second,
		BaseContext: func(net.Listener) context.Context { return ctx }}
	wg.Go(func() { station.Follow(ctx, b, known, slog.New(slog.DiscardHandler)) })
	wg.Go(func() { _ = srv.Serve(ln) })
	wg.Go(func() { <-ctx.Done(); _ = srv.Close() })
	return "http://" + ln.Addr().String(), nil
}

// awaitLive waits until the page shows n boxes as live.
func (f *fleet) awaitLive(ctx context.Context, n int, ended <-chan error) error {
	limit := time.After(liveWithin)
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	for f.changes.count() < n {
		select {
		case err := <-ended:
			return err
		case <-ctx.Done():
			return nil
		case <-limit:
			up, _ := f.count()
			return fmt.Errorf("cannot measure: after %s the page shows %d boxes of %d as live, %d are connected: take fewer boxes or a machine with less to do", liveWithin, f.changes.count(), n, up)
		case <-tick.C:
		}
	}
	return nil
}

func distribution(t []time.Duration) string {
	if len(t) == 0 {
		return ""
	}
	at := func(part float64) time.Duration {
		return t[min(len(t)-1, int(part*float64(len(t))))].Round(10 * time.Millisecond)
	}
	return fmt.Sprintf(", on the page after %s (half), %s (90 %%), %s (99 %%), %s (all)", at(0.5), at(0.9), at(0.99), at(1))
}

// spent is the processor time of this program.
func spent() time.Duration {
	var u syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &u) != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

func load() string {
	b, err := os.ReadFile("/proc/loadavg")
	if fields := strings.Fields(string(b)); err == nil && len(fields) > 0 {
		return fields[0]
	}
	return "unknown"
}
