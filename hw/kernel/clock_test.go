//go:build kernel && linux

package kernel

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"golang.org/x/sys/unix"

	"boxd/config"
	"boxd/hw/kernel/wiring"
	"boxd/internal/access"
	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/journal"
	"boxd/internal/telemetry/broker"
)

// The machine's clock is set under the real program, as on a board without a battery:
// it starts in the year 2000, learns the time in the middle of a run, and is set hours
// ahead and back, once while boxd lies killed. There is no cheaper place for it: only
// root can set a clock, a time namespace has no CLOCK_REALTIME of its own, and a
// library loaded before a static program is not asked.
func TestTheClockIsSet(t *testing.T) {
	f := wired(t)
	cfg := must[*config.Config](t)(config.Load(configFile))
	play := wiring.NewPlay(f, plant(must[engine.Config](t)(cfg.Engine(""))))
	over := make(chan error, 1)
	go func() { over <- play.Run(t.Context()) }()
	c := &clock{T: t, began: time.Now(), data: "/tmp/clock"}
	c.receive()
	b := startOn(t, c.config())

	first := c.await("the first advice", func(v view) bool { return v.Advice != nil && v.Advice.Deed == box.RunStart.String() })
	began := time.Now()
	c.word(fmt.Sprintf("confirm:%d", first.Advice.Number))
	run := c.await("the run", func(v view) bool { return v.Run != "" }).Run
	stood := c.await("what stands at rest", func(v view) bool { return v.T > first.T+5 }).Alarms

	c.set(0) // by the network, 26 years ahead
	c.says("set ahead by")
	c.set(3 * time.Hour)
	_ = b.end(t, syscall.SIGKILL)
	c.clock(-2 * time.Hour)
	b = startOn(t, c.config())
	c.jumped(-2 * time.Hour)
	c.set(0)
	c.says("set ahead by 2 h")

	last := must[view](t)(look(t.Context()))
	if passed := time.Since(began).Seconds(); last.T-first.T > passed+2 || last.T-first.T < passed-2 {
		t.Errorf("%.1f s went by, the core counts %.1f s", passed, last.T-first.T)
	}
	if last.Run != run || last.Step != "pressurise" {
		t.Errorf("run %q goes on as %q in step %s", run, last.Run, last.Step)
	}
	for _, a := range last.Alarms {
		if a.ID != "clock-jump" && !slices.ContainsFunc(stood, func(x alarm) bool { return x.ID == a.ID }) {
			t.Errorf("an alarm by the clock: %s: %s", a.ID, a.Text)
		}
	}
	c.settle()
	if err := b.end(t, syscall.SIGTERM); err != nil {
		t.Errorf("boxd ended with %v:\n%s", err, &b.out)
	}
	c.count(run)
}

// clock is a box whose clock is set, and what surrounds it.
type clock struct {
	*testing.T
	began  time.Time // true time, and Go's monotonic clock
	data   string
	cookie string // of whoever signed in before the clock was ever right
	words  []string
	jumps  int

	user, password, broker, phone string

	mu     sync.Mutex // the receivers' goroutines write what follows
	events map[uint64]string
	twice  []string
	notes  map[string]int
	heard  time.Time
}

// receive opens a broker and a phone beside boxd, makes the account and unsets the clock.
func (c *clock) receive() {
	c.events, c.notes = map[uint64]string{}, map[string]int{}
	hub := must[*broker.Broker](c.T)(broker.StartWith(broker.Options{}))
	c.Cleanup(func() { _ = hub.Close() })
	user, password := hub.Credentials()
	c.broker, c.user, c.password = hub.URL(), user, string(password)
	client := paho.NewClient(paho.NewClientOptions().AddBroker(c.broker).SetClientID("counter").SetAutoReconnect(false))
	c.Cleanup(func() { client.Disconnect(100) })
	for _, step := range []func() paho.Token{client.Connect, func() paho.Token { return client.Subscribe("boxd/+/event", 1, c.hear) }} {
		if k := step(); !k.WaitTimeout(time.Minute) || k.Error() != nil {
			c.Fatal("cannot subscribe: ", k.Error())
		}
	}
	phone := httptest.NewServer(http.HandlerFunc(c.ring))
	c.Cleanup(phone.Close)
	c.phone = phone.URL
	if err := os.MkdirAll(c.data, 0o755); err != nil {
		c.Fatal(err)
	}
	book := must[*access.Book](c.T)(access.OpenBook(c.data))
	if err := book.Begin(book.Code(), "Kim", phrase); err != nil {
		c.Fatal(err)
	}
	c.Cleanup(func() { c.clock(0) })
	c.clock(time.Until(time.Date(2000, 1, 1, 0, 10, 0, 0, time.UTC)))
}

const phrase = "a phrase of the bench"

// config is the box's, with doors and receivers.
func (c *clock) config() string {
	text := string(must[[]byte](c.T)(os.ReadFile(configFile)))
	text = strings.ReplaceAll(text, "data: /tmp/boxd", "data: "+c.data)
	text = strings.ReplaceAll(text, "access: open", "access: sign-in, view: local-network")
	text += fmt.Sprintf("\nmqtt: {broker: %q, user: %s, password_file: %s/password}\nalerts:\n  - {url: \"generic+%s/hook?template=json\", events: [clock-jump]}\n", c.broker, c.user, c.data, c.phone)
	for name, has := range map[string]string{"/password": c.password, "/box.yaml": text} {
		if err := os.WriteFile(c.data+name, []byte(has), 0o600); err != nil {
			c.Fatal(err)
		}
	}
	return c.data + "/box.yaml"
}

func (c *clock) hear(_ paho.Client, m paho.Message) {
	var head struct{ Seq uint64 }
	if json.Unmarshal(m.Payload(), &head) != nil {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if was, ok := c.events[head.Seq]; ok && was != string(m.Payload()) {
		c.twice = append(c.twice, was+" and "+string(m.Payload()))
	}
	c.events[head.Seq], c.heard = string(m.Payload()), time.Now()
}

func (c *clock) ring(_ http.ResponseWriter, r *http.Request) {
	var n struct{ ID string }
	if b, err := io.ReadAll(r.Body); err != nil || json.Unmarshal(b, &n) != nil {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.notes[n.ID]++
	c.heard = time.Now()
}

// clock sets the machine's so far ahead of the true time.
func (c *clock) clock(ahead time.Duration) {
	at := c.began.Add(time.Since(c.began) + ahead)
	ts := must[unix.Timespec](c.T)(unix.TimeToTimespec(at))
	if err := unix.ClockSettime(unix.CLOCK_REALTIME, &ts); err != nil {
		c.Fatal(err)
	}
}

// set sets it and sees that the box bears it.
func (c *clock) set(ahead time.Duration) {
	c.Helper()
	c.clock(ahead)
	c.jumped(ahead)
}

// jumped waits until the phone has it, and says a word: whoever signed in before is
// signed in still.
func (c *clock) jumped(ahead time.Duration) {
	c.Helper()
	c.jumps++
	c.await("a turn under the new clock", func(v view) bool {
		return time.Until(v.Wall).Abs() < 10*time.Second && c.raised() == c.jumps
	})
	c.word("report:" + []string{"stock_in", "stock_out"}[c.jumps%2])
}

// raised is how often the phone was told of the clock.
func (c *clock) raised() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return len(c.notes)
}

func (c *clock) await(what string, good func(view) bool) (v view) {
	c.Helper()
	for limit := time.Now().Add(30 * time.Second); ; time.Sleep(beat) {
		v, err := look(c.Context())
		if err == nil && good(v) {
			return v
		}
		if time.Now().After(limit) {
			c.Fatalf("%s did not come: %v, %+v", what, err, v)
		}
	}
}

// post sends a form as who has signed in.
func (c *clock) post(path string, form url.Values) (*http.Response, string) {
	c.Helper()
	r := must[*http.Request](c.T)(http.NewRequestWithContext(c.Context(), http.MethodPost, page+path, strings.NewReader(form.Encode())))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Accept", "application/json")
	r.Header.Set("Origin", page)
	r.Header.Set("Cookie", c.cookie)
	a := must[*http.Response](c.T)(client().Transport.RoundTrip(r)) // a redirect is not followed
	defer a.Body.Close()
	return a, string(must[[]byte](c.T)(io.ReadAll(a.Body)))
}

// word says something in a person's name, who signs in for the first one alone.
func (c *clock) word(do string) {
	c.Helper()
	if c.cookie == "" {
		a, text := c.post("/sign-in", url.Values{"name": {"Kim"}, "phrase": {phrase}})
		for _, k := range a.Cookies() {
			c.cookie = k.Name + "=" + k.Value
		}
		if c.cookie == "" {
			c.Fatalf("signing in: %s: %s", a.Status, text)
		}
	}
	id := fmt.Sprintf("word-%d", len(c.words))
	if a, text := c.post("/act", url.Values{"do": {do}, "id": {id}}); a.StatusCode != http.StatusOK {
		c.Fatalf("%s: %s: %s", do, a.Status, text)
	}
	c.words = append(c.words, id)
}

// says looks for it on the box page.
func (c *clock) says(what string) {
	c.Helper()
	r := must[*http.Response](c.T)(client().Get(page + "/box"))
	defer r.Body.Close()
	if text := string(must[[]byte](c.T)(io.ReadAll(r.Body))); !strings.Contains(text, what) {
		_, about, _ := strings.Cut(text, "clock")
		c.Errorf("the box page does not say %q: %.300s", what, about)
	}
}

// settle waits until the receivers have heard nothing for a while.
func (c *clock) settle() {
	for quiet := time.Duration(0); quiet < 5*time.Second; time.Sleep(beat) {
		c.mu.Lock()
		quiet = time.Since(c.heard)
		c.mu.Unlock()
	}
}

// count holds everything against the archive.
func (c *clock) count(run string) {
	j := must[*journal.Journal](c.T)(journal.OpenExisting(c.data + "/boxd.sqlite"))
	defer j.Close()
	runs := must[[]journal.Run](c.T)(j.Runs(c.Context()))
	if len(runs) != 1 || runs[0].ID != run || runs[0].Ended {
		c.Errorf("the archive has the runs %+v; %s goes on", runs, run)
	}
	list := must[[]journal.Entry](c.T)(j.EventsAfter(c.Context(), 0, 10000))
	words, starts, told, last := map[string]int{}, 0, 0, 0.0
	for i := range list {
		e := must[engine.Event](c.T)(list[i].Event())
		if e.T < last {
			c.Errorf("event %d at %g s comes after %g s", list[i].Seq, e.T, last)
		}
		last = e.T
		switch {
		case e.Kind == engine.ActionEvent:
			words[e.Action]++
		case e.Kind == engine.RunEvent:
			starts++
		case e.Kind == engine.AlarmEvent && e.ID == "clock-jump" && e.State == "raised":
			told++
			figure(c.T, "at %.1f s: %s", e.T, e.Text)
		}
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, id := range c.words {
		if words[id] != 1 {
			c.Errorf("the word %s was taken, the archive has it %d times", id, words[id])
		}
	}
	if len(words) != len(c.words) || starts != 1 || told != c.jumps || len(c.notes) != c.jumps {
		c.Errorf("words %v; %d runs began; the clock was set %d times, told %d times, to the phone %v", words, starts, c.jumps, told, c.notes)
	}
	for _, e := range list {
		if c.events[e.Seq] == "" {
			c.Errorf("the broker has not got event %d: %s", e.Seq, e.JSON)
		}
	}
	if len(c.events) != len(list) || len(c.twice) > 0 {
		c.Errorf("the broker has %d events, the archive %d; with two contents: %v", len(c.events), len(list), c.twice)
	}
	figure(c.T, "%d events, %d words, %d notes; all once. %.0f s", len(list), len(words), len(c.notes), time.Since(c.began).Seconds())
}
