// The real binary is killed with SIGKILL at instants drawn from a seed, started
// anew each time, and at the end everything is counted: what persons were told
// was taken, what the archive holds, what the broker and the phone got.
// BOXD_KILLS=300 kills so often in all; BOXD_SEED=N draws other instants.
package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/journal"
	"boxd/internal/telemetry"
	"boxd/internal/telemetry/broker"
)

const (
	crashBoxes = 3    // side by side
	crashMost  = 1500 // ms from the start to the kill; a start takes a few hundred
)

func number(t *testing.T, name string, otherwise int) int {
	t.Helper()
	text := os.Getenv(name)
	if text == "" {
		return otherwise
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 0 {
		t.Fatalf("%s is %q: a number is wanted", name, text)
	}
	return n
}

func TestKilledAtAnyInstant(t *testing.T) {
	kills, seed := number(t, "BOXD_KILLS", 30), number(t, "BOXD_SEED", 1)
	for n := range crashBoxes {
		t.Run(fmt.Sprintf("seed %d", seed+n), func(t *testing.T) {
			t.Parallel()
			newCrash(t, uint64(seed+n)).play(kills / crashBoxes)
		})
	}
}

// crash is one box that is killed over and over, and what surrounds it.
type crash struct {
	*testing.T
	rng          *rand.Rand
	dir, config  string
	took         map[string]bool // ids of words that were answered as taken
	mu           sync.Mutex      // the receivers' goroutines write what follows
	events       map[uint64]string
	altered      int // numbers that came with two different messages
	notes, twins map[string]string
}

func newCrash(t *testing.T, seed uint64) *crash {
	c := &crash{T: t, rng: rand.New(rand.NewPCG(seed, 0)), dir: t.TempDir(), took: map[string]bool{}, events: map[uint64]string{},
		notes: map[string]string{}, twins: map[string]string{}}
	b, err := broker.StartWith(broker.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = b.Close() })
	c.subscribe(b.URL())
	phone := httptest.NewServer(http.HandlerFunc(c.ring))
	t.Cleanup(phone.Close)
	user, password := b.Credentials()
	secret := filepath.Join(t.TempDir(), "password")
	c.config = filepath.Join(t.TempDir(), "box.yaml")
	text := string(demoConfig()) + fmt.Sprintf(`
mqtt: {broker: "%s", user: %s, password_file: %s}
alerts:
  - {url: "generic+%s/hook?template=json", events: [critical, high, flush_done]}
`, b.URL(), user, secret, phone.URL)
	for name, text := range map[string]string{secret: string(password), c.config: text} {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return c
}

func (c *crash) subscribe(address string) {
	client := paho.NewClient(paho.NewClientOptions().AddBroker(address).SetClientID("counter").SetAutoReconnect(false).SetOrderMatters(false))
	c.Cleanup(func() { client.Disconnect(100) })
	for _, step := range []func() paho.Token{client.Connect, func() paho.Token { return client.Subscribe("boxd/+/event", 1, c.hear) }} {
		if k := step(); !k.WaitTimeout(patience) || k.Error() != nil {
			c.Fatal("cannot subscribe: ", k.Error())
		}
	}
}

func (c *crash) hear(_ paho.Client, m paho.Message) {
	var head struct{ Seq uint64 }
	if json.Unmarshal(m.Payload(), &head) != nil {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if was, ok := c.events[head.Seq]; ok && was != string(m.Payload()) {
		c.altered++
	}
	c.events[head.Seq] = string(m.Payload())
}

// ring is the phone. An alert may come again with the id it had.
func (c *crash) ring(_ http.ResponseWriter, r *http.Request) {
	var n struct{ ID, Title, Message string }
	b, _ := io.ReadAll(r.Body)
	if json.Unmarshal(b, &n) != nil {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.notes[n.ID] = n.Title + ": " + n.Message
}

// play kills it so many times, then lets a life end the run it finds.
func (c *crash) play(kills int) {
	for n := range kills {
		c.life(n, time.Duration(c.rng.IntN(crashMost))*time.Millisecond)
	}
	c.last(kills)
	c.count()
}

// start: at a real box's speed the core turns on beside the archive's commits; faster
// it waits for them.
func (c *crash) start(speed string) *process {
	cmd := exec.Command("boxd", "demo", "-speed", speed, "-listen", "127.0.0.1:0", "-data", c.dir, "-config", c.config)
	return startProcess(c.T, cmd)
}

// life starts boxd, is its person while it lives, and kills it.
func (c *crash) life(n int, long time.Duration) {
	p := c.start([]string{"300", "300", "1"}[n%3])
	ctx, cancel := context.WithTimeout(c.Context(), long)
	defer cancel()
	done := make(chan struct{})
	go func() {
		defer close(done)
		c.person(ctx, p, n, false)
	}()
	<-ctx.Done()
	if err := p.cmd.Process.Kill(); err != nil {
		c.Errorf("life %d ended by itself: %v", n, err)
	}
	<-p.done
	<-done
}

// last lets a run come to its end and boxd go in peace.
func (c *crash) last(n int) {
	p := c.start("300")
	ctx, cancel := context.WithTimeout(c.Context(), 2*patience)
	defer cancel()
	done := make(chan struct{})
	go func() {
		defer close(done)
		c.person(ctx, p, n, true)
	}()
	for {
		if run, ok, err := newestRun(ctx, c.dir); err == nil && ok && run.Ended && c.delivered(ctx) {
			break
		}
		if !wait(ctx, 50*time.Millisecond) {
			c.Error("no run came to its end")
			break
		}
	}
	cancel()
	<-done
	p.interrupt(c.T)
}

func wait(ctx context.Context, d time.Duration) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-ctx.Done():
		return false
	}
}

// person confirms whatever is asked for, through the page's own door, and notes
// what was taken. A word without an answer may have been taken or not.
func (c *crash) person(ctx context.Context, p *process, life int, last bool) {
	page := ""
	for page == "" {
		if _, after, ok := strings.Cut(p.said(), "page       "); ok {
			page, _, _ = strings.Cut(after, "\n")
			page = strings.TrimSpace(page)
			break
		}
		if !wait(ctx, 5*time.Millisecond) {
			return
		}
	}
	for n := 0; wait(ctx, 20*time.Millisecond); n++ {
		var v engine.View
		if !fetch(ctx, page+"api/view", &v) || v.Advice == nil || v.Advice.Deed == "" || v.Advice.Verifying {
			continue
		}
		if v.Advice.Deed == box.RunStart.String() {
			if run, ok, err := newestRun(ctx, c.dir); last && (err != nil || ok && run.Ended) {
				continue
			}
		}
		id := fmt.Sprintf("life-%d-%d", life, n)
		if c.confirm(ctx, page, v.Advice.Number, id) {
			c.took[id] = true
		}
	}
}

func fetch(ctx context.Context, from string, into any) bool {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, from, nil)
	if err != nil {
		return false
	}
	r, err := http.DefaultClient.Do(req)
	if err != nil {
		return false
	}
	defer r.Body.Close()
	return json.NewDecoder(r.Body).Decode(into) == nil
}

func (c *crash) confirm(ctx context.Context, page string, advice uint64, id string) bool {
	return c.post(ctx, page+"act", url.Values{"do": {fmt.Sprintf("confirm:%d", advice)}, "by": {"a person"}, "id": {id}})
}

func (c *crash) post(ctx context.Context, to string, form url.Values) bool {
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, to, strings.NewReader(form.Encode()))
	if err != nil {
		return false
	}
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	req.Header.Set("Accept", "application/json")
	r, err := http.DefaultClient.Do(req)
	if err != nil {
		return false
	}
	defer r.Body.Close()
	var a struct{ Accepted bool }
	return json.NewDecoder(r.Body).Decode(&a) == nil && a.Accepted
}

// archived is all that the archive holds.
func (c *crash) archived(ctx context.Context) (list []journal.Entry) {
	j, err := journal.OpenExisting(archiveFile(c.dir))
	if err != nil {
		c.Fatal(err)
	}
	defer j.Close()
	for seq := uint64(0); ; seq = list[len(list)-1].Seq {
		some, err := j.EventsAfter(ctx, seq, 1000)
		if err != nil {
			c.Fatal(err)
		}
		if len(some) == 0 {
			return list
		}
		list = append(list, some...)
	}
}

// delivered says whether all of the archive has come to the subscriber.
func (c *crash) delivered(ctx context.Context) bool {
	list := c.archived(ctx)
	c.mu.Lock()
	defer c.mu.Unlock()
	return len(list) > 0 && len(c.events) >= len(list)
}

// count holds everything against the archive.
func (c *crash) count() {
	c.mu.Lock()
	defer c.mu.Unlock()
	words, story := map[string]int{}, map[string]int{}
	var list []engine.Event
	for _, e := range c.archived(context.Background()) {
		ev, err := e.Event()
		if err != nil {
			c.Fatal(err)
		}
		list = append(list, ev)
		m, err := telemetry.EventMessage("north-box", e.Run, e.Seq, ev)
		if err != nil {
			c.Fatal(err)
		}
		if got, ok := c.events[e.Seq]; !ok {
			c.Errorf("event %d (%s %s%s) never came to the broker's subscriber", e.Seq, ev.Kind, ev.ID, ev.Name)
		} else if got != string(m.Payload) {
			c.Errorf("event %d came as %s, the archive has %s", e.Seq, got, m.Payload)
		}
		switch ev.Kind {
		case engine.ActionEvent:
			words[ev.Action]++
		case engine.RunEvent:
			story[ev.Name+" "+ev.State]++
		}
	}
	if len(c.events) != len(list) || c.altered > 0 {
		c.Errorf("%d events in the archive, %d came, %d of them with two contents", len(list), len(c.events), c.altered)
	}
	for id := range c.took {
		if words[id] != 1 {
			c.Errorf("the word %s was taken, the archive holds it %d times", id, words[id])
		}
	}
	c.runs(story)
	c.told(list)
	c.Logf("%d events, %d words taken, %d notes, runs %v", len(list), len(c.took), len(c.notes), story)
}

// runs: each run began once and ended once, with one summary.
func (c *crash) runs(story map[string]int) {
	j, err := journal.OpenExisting(archiveFile(c.dir))
	if err != nil {
		c.Fatal(err)
	}
	defer j.Close()
	runs, err := j.Runs(context.Background())
	if err != nil || len(runs) == 0 {
		c.Fatalf("%d runs, %v", len(runs), err)
	}
	for _, r := range runs {
		if story[r.ID+" started"] != 1 || story[r.ID+" ended"] > 1 {
			c.Errorf("run %s: began %d times, ended %d times", r.ID, story[r.ID+" started"], story[r.ID+" ended"])
		}
		list, err := j.Events(context.Background(), r.ID)
		if err != nil {
			c.Fatal(err)
		}
		count := map[string]int{}
		for _, e := range list {
			ev, err := e.Event()
			if err != nil {
				c.Fatal(err)
			}
			count[string(ev.Kind)+ev.Name]++
		}
		if !r.Ended || story[r.ID+" ended"] == 1 && count[string(engine.SummaryEvent)] != 1 {
			c.Errorf("run %s: ended %v, %d summaries", r.ID, r.Ended, count[string(engine.SummaryEvent)])
		}
	}
}

// told: the end of each flush and each critical alarm came to the phone, and no
// two ids for the same.
func (c *crash) told(list []engine.Event) {
	for _, e := range list {
		if e.Kind != engine.AlarmEvent || e.State != "raised" || e.Priority != "critical" || e.Cause != "" {
			continue
		}
		id := "north-box-" + e.ID + "-" + e.State + "-" + strconv.FormatFloat(e.T, 'f', 3, 64)
		if c.notes[id] == "" && !over(list, e) {
			c.Errorf("the phone never got %s of %g s", e.ID, e.T)
		}
	}
	for id, text := range c.notes {
		if was, ok := c.twins[text]; ok && strings.Contains(text, "flush done") && was == id {
			c.Errorf("%s and %s are both %q", was, id, text)
		}
		c.twins[text] = id
	}
}

// over says whether the alarm ended: what no longer helps is not sent.
func over(list []engine.Event, e engine.Event) bool {
	for _, x := range list {
		if x.Kind == engine.AlarmEvent && x.ID == e.ID && x.State == "cleared" && x.T >= e.T {
			return true
		}
	}
	return false
}
