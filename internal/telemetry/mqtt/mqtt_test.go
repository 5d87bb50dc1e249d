// These tests run the publisher against real brokers on the loopback interface:
// the embedded one, and mosquitto where it is installed (BOXD_REQUIRE_MOSQUITTO=1
// makes its absence a failure). A separate subscriber says what arrived. A relay
// in between cuts the TCP connection as a broken cable would. Every wait is on a
// channel and bounded.
package mqtt

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"

	"boxd/internal/engine"
	"boxd/internal/telemetry"
	"boxd/internal/telemetry/broker"
)

const patience = 60 * time.Second

// outbox is a queue in memory.
type outbox struct {
	mu    sync.Mutex
	queue []telemetry.Message
	last  uint64
	done  chan uint64 // every strike-off
	fail  error       // what Next and Done answer, if set
	given uint64      // the highest seq handed out
	again int         // messages handed out a second time
}

// happens is an event with an id of its own: the record of a run, or an alarm.
func happens(seq uint64) (telemetry.Message, error) {
	run := fmt.Sprintf("run-%d", (seq+1)/2)
	if seq%2 == 0 {
		return telemetry.EventMessage("north", run, seq, engine.Event{T: float64(seq), Kind: engine.SummaryEvent, Sum: &engine.Summary{Flush: "done"}})
	}
	return telemetry.EventMessage("north", run, seq, engine.Event{T: float64(seq), Kind: engine.AlarmEvent, ID: "stock-empty", State: "raised"})
}

func newOutbox() *outbox { return &outbox{done: make(chan uint64, 10000)} }

func (o *outbox) add(t *testing.T, n int) {
	t.Helper()
	o.mu.Lock()
	defer o.mu.Unlock()
	for range n {
		o.last++
		m, err := happens(o.last)
		if err != nil {
			t.Fatal(err)
		}
		o.queue = append(o.queue, m)
	}
}

func (o *outbox) Next(_ context.Context, after uint64, limit int) ([]telemetry.Message, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	var list []telemetry.Message
	for _, m := range o.queue {
		if m.Seq > after && len(list) < limit {
			list = append(list, m)
			if m.Seq <= o.given {
				o.again++
			}
			o.given = max(o.given, m.Seq)
		}
	}
	return list, o.fail
}

func (o *outbox) Done(_ context.Context, upto uint64) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.fail != nil {
		return o.fail
	}
	for len(o.queue) > 0 && o.queue[0].Seq <= upto {
		o.queue = o.queue[1:]
	}
	o.done <- upto
	return nil
}

func (o *outbox) awaitDone(t *testing.T, upto uint64) {
	t.Helper()
	limit := time.After(patience)
	for {
		select {
		case got := <-o.done:
			if got >= upto {
				return
			}
		case <-limit:
			t.Fatalf("event %d was not struck off in %s", upto, patience)
		}
	}
}

type received struct {
	topic    string
	payload  map[string]any
	retained bool
}

type subscriber struct {
	client paho.Client
	in     chan received
}

// watchers numbers client ids: the embedded broker, when it ends an older session
// late, takes the subscriptions of a new one of the same id with it.
var watchers atomic.Int64

// subscribe gets all of boxd/# with a client that uses nothing of this package.
func subscribe(t *testing.T, url string) *subscriber {
	t.Helper()
	s := &subscriber{in: make(chan received, 10000)}
	o := paho.NewClientOptions().AddBroker(url).SetClientID(fmt.Sprintf("watcher-%d", watchers.Add(1))).SetAutoReconnect(false)
	s.client = paho.NewClient(o)
	must(t, s.client.Connect())
	must(t, s.client.Subscribe("boxd/#", 1, func(_ paho.Client, m paho.Message) {
		r := received{topic: strings.TrimPrefix(m.Topic(), "boxd/north/"), retained: m.Retained()}
		if json.Unmarshal(m.Payload(), &r.payload) == nil {
			s.in <- r
		}
	}))
	t.Cleanup(func() { s.client.Disconnect(0) })
	return s
}

func must(t *testing.T, tok paho.Token) {
	t.Helper()
	if !tok.WaitTimeout(patience) {
		t.Fatal("no answer from the broker")
	}
	if tok.Error() != nil {
		t.Fatal(tok.Error())
	}
}

func (s *subscriber) await(t *testing.T, what string, ok func(received) bool) received {
	t.Helper()
	limit := time.After(patience)
	for {
		select {
		case r := <-s.in:
			if ok(r) {
				return r
			}
		case <-limit:
			t.Fatalf("never saw %s", what)
		}
	}
}

func (s *subscriber) status(t *testing.T, word string) received {
	t.Helper()
	return s.await(t, "status "+word, func(r received) bool { return r.topic == "status" && r.payload["status"] == word })
}

// seqs collects event numbers until all of 1..n were seen, and says how often each.
func (s *subscriber) seqs(t *testing.T, n int) map[int]int {
	t.Helper()
	got := map[int]int{}
	s.await(t, fmt.Sprintf("events 1..%d", n), func(r received) bool {
		if r.topic == "event" {
			got[int(r.payload["seq"].(float64))]++
		}
		return len(got) >= n
	})
	return got
}

func f(x float64) *float64 { return &x }

func view(seq uint64, header float64) *engine.View {
	return &engine.View{Seq: seq, Box: "north", Zone: "east", Step: "flush", Wall: time.Unix(int64(seq), 0),
		Alarms:   []engine.AlarmView{{ID: "freeze-risk", State: "acknowledged", Priority: "high"}},
		Channels: []engine.ChannelView{{Column: "header_kpa", Unit: "kPa", Value: f(header), Quality: "good"}}}
}

func fast(t *testing.T, cfg Config) *Publisher {
	t.Helper()
	cfg.Box = "north"
	cfg.Alarms = []string{"freeze-risk", "stock-empty"}
	p, err := New(cfg, nil)
	if err != nil {
		t.Fatal(err)
	}
	p.settle = 0
	p.tick, p.backoffMin, p.backoffMax = 10*time.Millisecond, 50*time.Millisecond, 200*time.Millisecond
	return p
}

// run starts the publisher; stop ends it and waits.
func run(t *testing.T, p *Publisher, h *telemetry.Hub, o telemetry.Outbox) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); p.Run(ctx, h, o) }()
	stop = func() {
		cancel()
		select {
		case <-done:
		case <-time.After(patience):
			t.Error("Run did not end")
		}
	}
	t.Cleanup(stop)
	return stop
}

func start(t *testing.T, addr string) *broker.Broker {
	t.Helper()
	b, _, err := broker.Start(addr)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if b != nil {
			_ = b.Close()
		}
	})
	return b
}

func config(b *broker.Broker) Config {
	user, password := b.Credentials()
	return Config{URL: b.URL(), User: user, Password: password}
}

func TestRetainedLastValues(t *testing.T) {
	t.Parallel()
	b, _, err := broker.Start("127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	h, o := telemetry.NewHub(4), newOutbox()
	first := subscribe(t, b.URL())
	stop := run(t, fast(t, config(b)), h, o)
	h.Publish(view(1, 60))
	first.await(t, "60 kPa", func(r received) bool { return r.topic == "channel/header_kpa" && r.payload["value"] == 60.0 })
	h.Publish(view(2, 70))
	first.await(t, "70 kPa", func(r received) bool { return r.topic == "channel/header_kpa" && r.payload["value"] == 70.0 })
	first.client.Disconnect(0)

	late := subscribe(t, b.URL())
	seen := map[string]received{}
	missing := []string{"state", "estimate", "advice", "meta", "status", "channel/header_kpa", "alarm/freeze-risk", "alarm/stock-empty"}
	late.await(t, "all retained topics", func(r received) bool {
		if r.retained {
			seen[r.topic] = r
			missing = slices.DeleteFunc(missing, func(topic string) bool { return topic == r.topic })
		}
		return len(missing) == 0
	})
	if got := seen["channel/header_kpa"].payload["value"]; got != 70.0 {
		t.Errorf("retained value %v, want the last, 70", got)
	}
	if got := seen["alarm/stock-empty"].payload["state"]; got != "normal" {
		t.Errorf("an alarm that does not stand is %v", got)
	}
	if seen["status"].payload["online"] != true {
		t.Errorf("status %v", seen["status"].payload)
	}
	stop()
	r := late.status(t, "offline")
	if r.payload["why"] != "boxd was stopped" {
		t.Errorf("clean stop says %v", r.payload)
	}
}

func TestCoreStops(t *testing.T) {
	b := start(t, "127.0.0.1:0")
	h := telemetry.NewHub(1)
	s := subscribe(t, b.URL())
	run(t, fast(t, config(b)), h, newOutbox())
	s.status(t, "starting")
	h.Publish(view(1, 60))
	s.status(t, "online")
	h.Stop("the core panicked")
	if r := s.status(t, "stopped"); r.payload["online"] != false || r.payload["text"] != telemetry.DoNotRely || r.payload["why"] != "the core panicked" {
		t.Errorf("stopped says %v", r.payload)
	}
}

// A core that hangs says nothing; the publisher must notice by itself.
func TestCoreFallsSilent(t *testing.T) {
	b := start(t, "127.0.0.1:0")
	h := telemetry.NewHub(1)
	s := subscribe(t, b.URL())
	cfg := config(b)
	cfg.Silence = 300 * time.Millisecond
	run(t, fast(t, cfg), h, newOutbox())
	h.Publish(view(1, 60))
	if r := s.status(t, "stopped"); !strings.Contains(fmt.Sprint(r.payload["why"]), "silent") {
		t.Errorf("stopped says %v", r.payload)
	}
	h.Publish(view(2, 60))
	s.status(t, "online")
}

// Within ten seconds of a core's last word the status has to say so, with room for
// the way to the broker.
func TestSilenceIsToldInTime(t *testing.T) {
	cfg := config(start(t, "127.0.0.1:0"))
	cfg.Box = "north"
	p, err := New(cfg, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	if within := p.silence + p.tick; within < 2*time.Second || within > 7*time.Second {
		t.Errorf("a silent core is told of after %v", within)
	}
}

// relay passes TCP on until it is cut.
type relay struct {
	listen  net.Listener
	mu      sync.Mutex
	conns   []net.Conn
	stalled atomic.Bool  // what comes in goes nowhere
	shut    atomic.Bool  // nobody is let through
	back    atomic.Int64 // bytes that came from the broker
}

func newRelay(t *testing.T, to string) *relay {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	r := &relay{listen: l}
	go r.serveTo(func() (net.Conn, error) { return net.Dial("tcp", to) })
	t.Cleanup(func() { _ = l.Close(); r.cut() })
	return r
}

func (r *relay) serveTo(dial func() (net.Conn, error)) {
	for {
		in, err := r.listen.Accept()
		if err != nil {
			return
		}
		out, err := dial()
		if err == nil && r.shut.Load() {
			_ = out.Close()
			err = net.ErrClosed
		}
		if err != nil {
			_ = in.Close()
			continue
		}
		r.mu.Lock()
		r.conns = append(r.conns, in, out)
		r.mu.Unlock()
		go r.pipe(in, out, &r.back)
		go r.pipe(out, in, new(atomic.Int64))
	}
}

func (r *relay) pipe(to, from net.Conn, count *atomic.Int64) {
	buf := make([]byte, 4096)
	for {
		n, err := from.Read(buf)
		if err != nil {
			_ = to.Close()
			return
		}
		count.Add(int64(n))
		if r.stalled.Load() {
			continue
		}
		if _, err := to.Write(buf[:n]); err != nil {
			return
		}
	}
}

func (r *relay) cut() {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, c := range r.conns {
		_ = c.Close()
	}
	r.conns = nil
}

func TestWillAndReturn(t *testing.T) {
	b := start(t, "127.0.0.1:0")
	r := newRelay(t, b.Addr())
	cfg := config(b)
	cfg.URL = "tcp://" + r.listen.Addr().String()
	willAndReturn(t, b.URL(), cfg, r)
}

func willAndReturn(t *testing.T, url string, cfg Config, r *relay) {
	t.Helper()
	h, o := telemetry.NewHub(1), newOutbox()
	s := subscribe(t, url)
	p := fast(t, cfg)
	run(t, p, h, o)
	h.Publish(view(1, 60))
	s.status(t, "online")
	r.cut()
	if m := s.status(t, "offline"); m.payload["why"] != "the connection broke" {
		t.Errorf("will says %v", m.payload)
	}
	h.Publish(view(2, 61))
	s.status(t, "online")
	o.add(t, 3)
	s.seqs(t, 3)
	o.awaitDone(t, 3)
	if l := awaitAcked(t, p, 3); !l.Up || l.Acked != 3 || l.Err != nil {
		t.Errorf("link %+v", l)
	}
}

// awaitAcked gives the link once it tells of this event: it does so a moment after
// the event is struck off.
func awaitAcked(t *testing.T, p *Publisher, seq uint64) Link {
	t.Helper()
	tick := time.NewTicker(time.Millisecond)
	defer tick.Stop()
	limit := time.After(patience)
	for {
		if l := p.Link(); l.Acked >= seq {
			return l
		}
		select {
		case <-tick.C:
		case <-limit:
			t.Fatalf("event %d is not told of as acknowledged", seq)
		}
	}
}

// The broker goes away and comes back empty on the same port: every event is
// struck off once, and only after a broker had it.
func TestBrokerRestart(t *testing.T) {
	b, addr, err := broker.Start("127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	h, o := telemetry.NewHub(1), newOutbox()
	r := newRelay(t, addr)
	cfg := config(b)
	cfg.URL = "tcp://" + r.listen.Addr().String()
	cfg.PasswordFile = filepath.Join(t.TempDir(), "password")
	write := func(b *broker.Broker) {
		_, password := b.Credentials()
		if err := os.WriteFile(cfg.PasswordFile, []byte(string(password)+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	cfg.Password = ""
	write(b)
	s := subscribe(t, b.URL())
	p := fast(t, cfg)
	run(t, p, h, o)
	h.Publish(view(1, 60))
	o.add(t, 100) // more than a window
	if got := s.seqs(t, 100); len(got) != 100 {
		t.Errorf("%d events", len(got))
	}
	o.awaitDone(t, 100)
	s.client.Disconnect(0)
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	o.add(t, 150)

	b = start(t, addr)
	s = subscribe(t, b.URL())
	write(b)
	got := map[int]int{}
	s.await(t, "events 101..250", func(r received) bool {
		if r.topic == "event" {
			got[int(r.payload["seq"].(float64))]++
		}
		return len(got) >= 150
	})
	for seq, n := range got {
		if seq <= 100 || n != 1 {
			t.Errorf("event %d came %d times", seq, n)
		}
	}
	o.awaitDone(t, 250)
	h.Publish(view(2, 60))
	s.status(t, "online")
}

// While the connection holds, every event goes out once and in order.
func TestOnceInOneSession(t *testing.T) {
	b := start(t, "127.0.0.1:0")
	s, o := subscribe(t, b.URL()), newOutbox()
	o.add(t, 500)
	run(t, fast(t, config(b)), telemetry.NewHub(1), o)
	for seq, n := range s.seqs(t, 500) {
		if n != 1 {
			t.Errorf("event %d came %d times", seq, n)
		}
	}
	o.awaitDone(t, 500)
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.again != 0 {
		t.Errorf("%d events were asked for again", o.again)
	}
}

// Cuts in the midst of the stream: none lost, and what is doubled has its seq.
func TestNothingLostOverCuts(t *testing.T) {
	t.Parallel()
	b := start(t, "127.0.0.1:0")
	r := newRelay(t, b.Addr())
	cfg := config(b)
	cfg.URL = "tcp://" + r.listen.Addr().String()
	h, o := telemetry.NewHub(1), newOutbox()
	s := subscribe(t, b.URL())
	run(t, fast(t, cfg), h, o)
	got := map[int]int{}
	for round := 1; round <= 5; round++ {
		o.add(t, 200)
		s.await(t, "more events", func(m received) bool {
			if m.topic == "event" {
				got[int(m.payload["seq"].(float64))]++
			}
			return len(got) >= round*200-150
		})
		r.cut()
	}
	s.await(t, "events 1..1000", func(m received) bool {
		if m.topic == "event" {
			got[int(m.payload["seq"].(float64))]++
		}
		return len(got) >= 1000
	})
	o.awaitDone(t, 1000)
	if left, _ := o.Next(t.Context(), 0, 10); len(left) != 0 {
		t.Errorf("%d events left in the outbox", len(left))
	}
}

// A full disk holds the events up, not the live values.
func TestOutboxFails(t *testing.T) {
	b := start(t, "127.0.0.1:0")
	h, o := telemetry.NewHub(1), newOutbox()
	o.fail = errors.New("database or disk is full")
	s := subscribe(t, b.URL())
	run(t, fast(t, config(b)), h, o)
	h.Publish(view(1, 60))
	s.await(t, "60 kPa", func(r received) bool { return r.topic == "channel/header_kpa" && r.payload["value"] == 60.0 })
}

func TestConfigFaults(t *testing.T) {
	cases := []struct {
		name string
		cfg  Config
		want []string
	}{
		{"secret in url", Config{Box: "b", URL: "tcp://u:hunter2@h:1"}, []string{"mqtt.password_file"}},
		{"bad url", Config{Box: "b", URL: "tcp://h:hunter2"}, []string{"mqtt.broker"}},
		{"scheme", Config{Box: "b", URL: "http://h"}, []string{`"http"`}},
		{"several", Config{URL: "tcp://h", Password: "hunter2", CertFile: "c"}, []string{"box.name", "mqtt.user", "mqtt.key_file"}},
		{"no ca", Config{Box: "b", URL: "ssl://h", CAFile: "/nowhere/ca.pem"}, []string{"mqtt.ca_file", "/nowhere/ca.pem"}},
	}
	for _, c := range cases {
		_, err := New(c.cfg, nil)
		if err == nil {
			t.Errorf("%s: accepted", c.name)
			continue
		}
		if strings.Contains(err.Error(), "hunter2") {
			t.Errorf("%s: leaks: %v", c.name, err)
		}
		for _, w := range c.want {
			if !strings.Contains(err.Error(), w) {
				t.Errorf("%s: %q lacks %q", c.name, err, w)
			}
		}
	}
}

func TestConnectErrors(t *testing.T) {
	b := start(t, "127.0.0.1:0")
	cfg := config(b)
	cfg.Password = "hunter2"
	p := fast(t, cfg)
	err := p.session(t.Context(), telemetry.NewHub(1), newOutbox())
	if err == nil || !strings.Contains(err.Error(), "mqtt.password_file") || strings.Contains(err.Error(), "hunter2") {
		t.Errorf("wrong password: %v", err)
	}
	cfg.URL = "tcp://127.0.0.1:1"
	if err := fast(t, cfg).session(t.Context(), telemetry.NewHub(1), newOutbox()); err == nil || !strings.Contains(err.Error(), "is the broker running") {
		t.Errorf("nobody there: %v", err)
	}
}

func TestBackoffBounds(t *testing.T) {
	p, err := New(Config{Box: "b", URL: "tcp://127.0.0.1"}, nil)
	if err != nil {
		t.Fatal(err)
	}
	for tries := range 100 {
		if d := p.wait(tries); d < time.Second || d > time.Minute {
			t.Errorf("try %d waits %s, want 1 to 60 s", tries, d)
		}
	}
	if d := p.wait(20); d < 30*time.Second {
		t.Errorf("late tries wait only %s", d)
	}
}

func mosquittoPath(t *testing.T) string {
	t.Helper()
	path := "/usr/sbin/mosquitto"
	if found, err := exec.LookPath("mosquitto"); err == nil {
		path = found
	}
	if _, err := os.Stat(path); err != nil {
		if os.Getenv("BOXD_REQUIRE_MOSQUITTO") == "1" {
			t.Fatalf("mosquitto is required: %v", err)
		}
		t.Skip("mosquitto is not installed")
	}
	return path
}

// mosquitto starts the broker most stations have, with its own config.
func mosquitto(t *testing.T, extra string) (addr string) {
	t.Helper()
	path := mosquittoPath(t)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr = l.Addr().String()
	_, port, _ := net.SplitHostPort(addr)
	_ = l.Close()
	conf := filepath.Join(t.TempDir(), "m.conf")
	text := "user root\nlistener " + port + " 127.0.0.1\nallow_anonymous true\n" + extra // it would drop to a user who cannot read the test directory
	if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cmd := exec.CommandContext(ctx, path, "-c", conf)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cancel(); _ = cmd.Wait() })
	awaitPort(t, addr)
	return addr
}

func awaitPort(t *testing.T, addr string) {
	t.Helper()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	limit := time.After(patience)
	for {
		if c, err := net.Dial("tcp", addr); err == nil {
			_ = c.Close()
			return
		}
		select {
		case <-tick.C:
		case <-limit:
			t.Fatalf("nothing listens on %s", addr)
		}
	}
}

func TestMosquittoWillAndReturn(t *testing.T) {
	addr := mosquitto(t, "")
	r := newRelay(t, addr)
	willAndReturn(t, "tcp://"+addr, Config{URL: "tcp://" + r.listen.Addr().String()}, r)
}

// Publish only: on a broker that lets anybody publish, what others send to the
// box's topics does not even reach it. It listens to nothing once its session has begun.
func TestNothingComesIn(t *testing.T) {
	addr := mosquitto(t, "")
	r := newRelay(t, addr)
	h, o := telemetry.NewHub(1), newOutbox()
	p := fast(t, Config{URL: "tcp://" + r.listen.Addr().String()})
	s := subscribe(t, "tcp://"+addr)
	run(t, p, h, o)
	h.Publish(view(1, 60))
	o.add(t, 1)
	o.awaitDone(t, 1) // so its echo has come, and the next turn ends that subscription
	o.add(t, 1)
	o.awaitDone(t, 2)
	before := r.back.Load()
	forged := fmt.Sprintf(`{"seq":3,"kind":"action","deed":"main_open","by":"nobody","note":%q}`, strings.Repeat("x", 4000))
	for _, topic := range []string{"event", "status", "state", "advice", "action", "north/set"} {
		must(t, s.client.Publish("boxd/north/"+topic, 1, topic == "status", forged))
	}
	s.await(t, "the forged", func(r received) bool { return r.topic == "north/set" })
	o.add(t, 1)
	o.awaitDone(t, 3)
	if n := r.back.Load() - before; n > 1000 {
		t.Errorf("%d bytes came in, more than acknowledgements", n)
	}
	if l := p.Link(); !l.Up || h.Latest().View.Seq != 1 {
		t.Errorf("link %+v, view %+v", l, h.Latest().View)
	}
}

// mosquitto acknowledges what its access list denies, of everything or of events
// only. Nothing may be struck off.
func TestMosquittoDenied(t *testing.T) {
	for name, list := range map[string]string{"all": "topic read boxd/#\n", "events": "topic readwrite boxd/north/status\ntopic read boxd/#\n"} {
		t.Run(name, func(t *testing.T) {
			acl := filepath.Join(t.TempDir(), "acl")
			if err := os.WriteFile(acl, []byte(list), 0o600); err != nil {
				t.Fatal(err)
			}
			addr := mosquitto(t, "acl_file "+acl+"\n")
			p, o := fast(t, Config{URL: "tcp://" + addr}), newOutbox()
			p.readBackWait = 300 * time.Millisecond
			o.add(t, 5)
			err := p.session(t.Context(), telemetry.NewHub(1), o)
			if err == nil || !strings.Contains(err.Error(), "did not pass it on: let user") {
				t.Errorf("denied publish: %v", err)
			}
			if left, _ := o.Next(t.Context(), 0, 10); len(left) != 5 {
				t.Errorf("%d of 5 events left: some were struck off unseen", len(left))
			}
		})
	}
}

// A broker that dies a moment after its word may have written nothing: what it
// acknowledged just then is sent again in the next session. One that lives on as
// boxd leaves is believed.
func TestSentAgainUntilSettled(t *testing.T) {
	b := start(t, "127.0.0.1:0")
	r := newRelay(t, b.Addr())
	cfg := config(b)
	cfg.URL = "tcp://" + r.listen.Addr().String()
	s, o := subscribe(t, b.URL()), newOutbox()
	p := fast(t, cfg)
	p.settle = time.Hour
	stop := run(t, p, telemetry.NewHub(1), o)
	o.add(t, 5)
	s.seqs(t, 5)
	r.cut()
	s.seqs(t, 5)
	if o.left() != 5 {
		t.Errorf("%d events left, want all 5", o.left())
	}
	stop()
	awaitTrue(t, "a farewell strikes off what was acknowledged by then", func() bool {
		if o.left() > 0 {
			stop := run(t, p, telemetry.NewHub(1), o)
			s.seqs(t, 5)
			stop()
		}
		return o.left() == 0
	})
}

// A broker that takes events and never acknowledges one, as when its disk is full.
func TestNoAcknowledgement(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	go func() {
		c, err := l.Accept()
		if err != nil {
			return
		}
		defer c.Close()
		for {
			in, err := packets.ReadPacket(c)
			if err != nil {
				return
			}
			if _, ok := in.(*packets.ConnectPacket); ok {
				_ = packets.NewControlPacket(packets.Connack).Write(c)
			}
		}
	}()
	p, o := fast(t, Config{URL: "tcp://" + l.Addr().String(), NoReadBack: true}), newOutbox()
	p.ackTimeout = 100 * time.Millisecond
	o.add(t, 1)
	err = p.session(t.Context(), telemetry.NewHub(1), o)
	if err == nil || !strings.Contains(err.Error(), "its disk full") || o.left() != 1 {
		t.Errorf("%d left, says %v", o.left(), err)
	}
}

// A week without a broker is some ten thousand sessions: none may leave a
// goroutine behind.
func TestSessionsLeaveNothing(t *testing.T) {
	b := start(t, "127.0.0.1:0")
	r := newRelay(t, b.Addr())
	cfg := config(b)
	cfg.URL = "tcp://" + r.listen.Addr().String()
	h := telemetry.NewHub(1)
	once := func() {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		cfg.ClientID = fmt.Sprintf("box-%d", watchers.Add(1))
		p := fast(t, cfg)
		ended := make(chan error, 1)
		go func() { ended <- p.session(ctx, h, newOutbox()) }()
		awaitTrue(t, "link up", func() bool {
			select {
			case err := <-ended:
				t.Fatalf("the session ended: %v", err)
			default:
			}
			return p.Link().Up
		})
		r.cut()
		if err := <-ended; err == nil {
			t.Error("a cut session ended without an error")
		}
		wrong := cfg
		wrong.Password = "wrong"
		if err := fast(t, wrong).session(ctx, h, newOutbox()); err == nil {
			t.Error("a wrong password was admitted")
		}
	}
	once()
	before := runtime.NumGoroutine()
	for range 20 {
		once()
	}
	awaitTrue(t, fmt.Sprintf("goroutines back to about %d", before), func() bool { return runtime.NumGoroutine() <= before+5 })
}

func awaitTrue(t *testing.T, what string, ok func() bool) {
	t.Helper()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	limit := time.After(patience)
	for !ok() {
		select {
		case <-tick.C:
		case <-limit:
			t.Fatalf("never: %s", what)
		}
	}
}

// TestTry: a trial says whether the box could publish, and leaves offline behind.
func TestTry(t *testing.T) {
	b := start(t, "127.0.0.1:0")
	cfg := config(b)
	cfg.Box = "north"
	p, err := New(cfg, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := p.Try(t.Context()); err != nil {
		t.Error(err)
	}
	subscribe(t, b.URL()).status(t, "offline")
	cfg.Password = "another"
	if p, err = New(cfg, nil); err != nil {
		t.Fatal(err)
	}
	if err := p.Try(t.Context()); err == nil {
		t.Error("a wrong password will do")
	}
	// Nobody answers: it listens and says nothing.
	dead, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer dead.Close()
	cfg.URL = "tcp://" + dead.Addr().String()
	if p, err = New(cfg, nil); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
	defer cancel()
	if err := p.Try(ctx); err == nil || !strings.Contains(err.Error(), "in time") {
		t.Errorf("nobody answers: %v", err)
	}
}
