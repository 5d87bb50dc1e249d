// Brokers die and come back, networks stall: afterwards each event is at a
// subscriber that asked to be remembered, by its number, and none is missing. The
// brokers are real processes, ended with SIGKILL. mosquitto is configured to keep
// what it acknowledges; NATS is a cluster of three with its MQTT gateway, the
// server named by BOXD_NATS_SERVER or found on the path (BOXD_REQUIRE_NATS=1 makes
// its absence a failure).
package mqtt

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"boxd/internal/telemetry"
)

// long bounds the waits for brokers that have to agree with each other first.
const long = 90 * time.Second

// node is a broker that can be killed and started again where it was.
type node struct {
	t    *testing.T
	args []string
	addr string
	cmd  *exec.Cmd
}

func (n *node) start() {
	n.t.Helper()
	cmd, said := exec.Command(n.args[0], n.args[1:]...), new(bytes.Buffer)
	cmd.Stdout, cmd.Stderr = said, said
	if err := cmd.Start(); err != nil {
		n.t.Fatal(err)
	}
	n.cmd = cmd
	n.t.Cleanup(func() {
		_ = cmd.Process.Kill()
		if _ = cmd.Wait(); n.t.Failed() { // nobody writes any more
			n.t.Logf("the broker at %s said at last: %s", n.addr, said.Bytes()[max(0, said.Len()-2000):])
		}
	})
}

func (n *node) kill() {
	n.t.Helper()
	if err := n.cmd.Process.Kill(); err != nil {
		n.t.Fatal(err)
	}
	_ = n.cmd.Wait() // it was killed: that is its error
}

// up waits until it admits a client.
func (n *node) up() {
	n.t.Helper()
	eventually(n.t, "a broker at "+n.addr, func() bool {
		c := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + n.addr).SetClientID("probe").SetConnectTimeout(3 * time.Second).SetAutoReconnect(false))
		k := c.Connect()
		defer c.Disconnect(0)
		return k.WaitTimeout(5*time.Second) && k.Error() == nil
	})
}

func eventually(t *testing.T, what string, good func() bool) {
	t.Helper()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for limit := time.After(long); !good(); {
		select {
		case <-tick.C:
		case <-limit:
			t.Fatalf("not within %s: %s", long, what)
		}
	}
}

// freePorts are n ports nobody listens on just now. A broker comes back to its own
// after it was killed: they lie below those that the kernel gives to whoever asks for
// any (ip(7), ip_local_port_range: from 32768 on).
func freePorts(t *testing.T, n int) (out []string) {
	t.Helper()
	for range 1000 {
		if len(out) == n {
			return out
		}
		l, err := net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", 20000+rand.IntN(12000)))
		if err != nil {
			continue // somebody's
		}
		defer l.Close()
		_, port, _ := net.SplitHostPort(l.Addr().String())
		out = append(out, port)
	}
	t.Fatalf("%d free ports are not to be found", n)
	return nil
}

// reader is a station that asked to be remembered: it comes back to whichever
// node is there and counts every event it is given.
type reader struct {
	mu    sync.Mutex // the library's goroutines count
	got   map[uint64]string
	again int
	other int // came again with another content
	conn  paho.Client
}

func newReader(t *testing.T, url string) *reader {
	t.Helper()
	r := &reader{got: map[uint64]string{}}
	subscribed := make(chan struct{}, 100)
	o := paho.NewClientOptions().AddBroker(url).SetClientID("station").SetCleanSession(false).SetOrderMatters(false).
		SetAutoReconnect(true).SetMaxReconnectInterval(200 * time.Millisecond).SetConnectRetry(true).SetConnectRetryInterval(100 * time.Millisecond).
		SetKeepAlive(5 * time.Second).SetPingTimeout(3 * time.Second)
	o.SetOnConnectHandler(func(c paho.Client) {
		k := c.Subscribe("boxd/+/event", 1, nil)
		go func() {
			if k.WaitTimeout(long) && k.Error() == nil {
				subscribed <- struct{}{}
			}
		}()
	})
	o.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) { r.hear(m) })
	r.conn = paho.NewClient(o)
	r.conn.Connect()
	t.Cleanup(func() { r.conn.Disconnect(0) })
	select {
	case <-subscribed:
	case <-time.After(long):
		t.Fatal("the station could not subscribe")
	}
	return r
}

func (r *reader) hear(m paho.Message) {
	var e struct{ Seq uint64 }
	if json.Unmarshal(m.Payload(), &e) != nil {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if was, ok := r.got[e.Seq]; ok {
		r.again++
		if was != string(m.Payload()) {
			r.other++
		}
	}
	r.got[e.Seq] = string(m.Payload())
}

// has waits for all events up to and with n, holds them against what was sent, and
// counts by their ids: of every run one record and one alarm, once what came again
// under its number is dropped as the manual says. It gives how many came again.
func (r *reader) has(t *testing.T, n int) (again int) {
	t.Helper()
	defer func() {
		for s := 1; s <= n; s++ {
			if r.got[uint64(s)] == "" {
				t.Log("MISSING", s)
			}
		}
	}()
	eventually(t, fmt.Sprintf("events 1 to %d at the station", n), func() bool { return r.count() >= n })
	r.mu.Lock()
	defer r.mu.Unlock()
	ids := map[string]int{}
	for seq, payload := range r.got {
		var e struct{ Run, Kind string }
		if want, err := happens(seq); err != nil || seq == 0 || int(seq) > n || payload != string(want.Payload) {
			t.Errorf("event %d came as %s, sent was %s (%v)", seq, payload, want.Payload, err)
		}
		if err := json.Unmarshal([]byte(payload), &e); err != nil {
			t.Error(err)
		}
		ids[e.Run+" "+e.Kind]++
	}
	for seq := 1; seq <= n; seq++ {
		id := fmt.Sprintf("run-%d %s", (seq+1)/2, []string{"summary", "alarm"}[seq%2])
		if ids[id] != 1 {
			t.Errorf("%s is there %d times", id, ids[id])
		}
	}
	if r.other > 0 {
		t.Errorf("%d came again with another content", r.other)
	}
	return r.again
}

func (r *reader) count() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return len(r.got)
}

// front is the one address of several nodes: it leads to the first that answers.
func front(t *testing.T, nodes []*node) *relay {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	r := &relay{listen: l}
	go r.serveTo(func() (net.Conn, error) {
		err := fmt.Errorf("no node")
		for _, n := range nodes {
			var c net.Conn
			if c, err = net.DialTimeout("tcp", n.addr, time.Second); err == nil {
				return c, nil
			}
		}
		return nil, err
	})
	t.Cleanup(func() { _ = l.Close(); r.cut() })
	return r
}

// chaos kills each node in turn, while the box goes on having things to say, and
// starts it again.
func chaos(t *testing.T, nodes []*node, rounds int) {
	t.Helper()
	url := "tcp://" + front(t, nodes).listen.Addr().String()
	station := newReader(t, url)
	h, o := telemetry.NewHub(1), newOutbox()
	p := fast(t, Config{URL: url})
	p.settle = time.Second
	run(t, p, h, o)
	defer lively(h)()
	const some = 100 // more than are under way at once
	n := 0
	say := func() { o.add(t, some); n += some }
	for round := range rounds {
		victim := nodes[round%len(nodes)]
		say()
		eventually(t, "the first of the round", func() bool { return o.left() < some })
		victim.kill()
		say()
		if len(nodes) == 1 {
			victim.start()
		}
		eventually(t, "the outbox is empty", func() bool { return o.left() == 0 })
		if len(nodes) > 1 {
			victim.start()
		}
		victim.up()
	}
	again := station.has(t, n)
	t.Logf("%d events over %d kills: none missing, %d came again under their number", n, rounds, again)
	late := subscribe(t, "tcp://"+nodes[len(nodes)-1].addr)
	late.await(t, "the retained status", func(r received) bool { return r.topic == "status" && r.retained && r.payload["status"] == "online" })
}

// lively is a core that goes on turning until stop.
func lively(h *telemetry.Hub) (stop func()) {
	end, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		tick := time.NewTicker(100 * time.Millisecond)
		defer tick.Stop()
		for n := uint64(1); ; n++ {
			h.Publish(view(n, 60))
			select {
			case <-tick.C:
			case <-end:
				return
			}
		}
	}()
	return func() { close(end); <-done }
}

func (o *outbox) left() int {
	o.mu.Lock()
	defer o.mu.Unlock()
	return len(o.queue)
}

// A broker that is to lose nothing must write down what it acknowledges: these are
// the settings the manual names.
func TestMosquittoKilled(t *testing.T) {
	t.Parallel()
	path := mosquittoPath(t)
	port := freePorts(t, 1)[0]
	dir := t.TempDir()
	conf := filepath.Join(dir, "m.conf")
	text := "user root\nlistener " + port + " 127.0.0.1\nallow_anonymous true\npersistence true\npersistence_location " + dir +
		"/\nautosave_on_changes true\nautosave_interval 1\nmax_queued_messages 0\n"
	if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	n := &node{t: t, args: []string{path, "-c", conf}, addr: "127.0.0.1:" + port}
	n.start()
	n.up()
	chaos(t, []*node{n}, 4)
}

func natsPath(t *testing.T) string {
	t.Helper()
	if path := os.Getenv("BOXD_NATS_SERVER"); path != "" {
		return path
	}
	path, err := exec.LookPath("nats-server")
	if err != nil {
		if os.Getenv("BOXD_REQUIRE_NATS") == "1" {
			t.Fatalf("nats-server is required: %v", err)
		}
		t.Skip("nats-server is not installed")
	}
	return path
}

func TestClusterOfThree(t *testing.T) {
	t.Parallel()
	path := natsPath(t)
	const three = 3
	ports := freePorts(t, 3*three)
	clients, routes, gates := ports[:three], ports[three:2*three], ports[2*three:]
	var all []string
	for _, p := range routes {
		all = append(all, "nats://127.0.0.1:"+p)
	}
	var nodes []*node
	for i := range three {
		dir := t.TempDir()
		conf := filepath.Join(dir, "n.conf")
		text := fmt.Sprintf(`server_name: n%d
listen: "127.0.0.1:%s"
jetstream { store_dir: %q }
cluster { name: station, listen: "127.0.0.1:%s", routes: [%s] }
mqtt { listen: "127.0.0.1:%s", stream_replicas: 3, consumer_replicas: 3, js_api_timeout: "1s" } # the wait for a leader, 5 s by default, is most of the test
`, i, clients[i], dir, routes[i], strings.Join(all, ", "), gates[i])
		if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		nodes = append(nodes, &node{t: t, args: []string{path, "-c", conf}, addr: "127.0.0.1:" + gates[i]})
	}
	for _, n := range nodes {
		n.start()
	}
	for _, n := range slices.Backward(nodes) {
		n.up()
	}
	chaos(t, nodes, three)
}

// An hour of box time without a network: once it passes nothing on and nobody
// hangs up, as behind a dead modem; once every connection is reset and every new
// one refused. The box finds out by itself, goes on, and hands over what the hour
// brought.
func TestAnHourWithoutNetwork(t *testing.T) {
	for name, cut := range map[string]func(r *relay, off bool){
		"half open": func(r *relay, off bool) {
			if r.stalled.Store(off); !off {
				r.cut() // the modem starts anew
			}
		},
		"reset": func(r *relay, off bool) { r.shut.Store(off); r.cut() },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			hourWithout(t, cut)
		})
	}
}

func hourWithout(t *testing.T, cut func(r *relay, off bool)) {
	t.Helper()
	b := start(t, "127.0.0.1:0")
	r := newRelay(t, b.Addr())
	station := newReader(t, b.URL())
	cfg := config(b)
	cfg.URL = "tcp://" + r.listen.Addr().String()
	p := fast(t, cfg)
	p.keepAlive, p.pingTimeout = time.Second, time.Second
	h, o := telemetry.NewHub(1), newOutbox()
	run(t, p, h, o)
	h.Publish(view(1, 60))
	o.add(t, 10)
	station.has(t, 10)
	cut(r, true)
	for s := range uint64(3600) { // an hour of the box, with an event every half minute
		h.Publish(view(2+s, 60))
		if s%30 == 0 {
			o.add(t, 1)
		}
	}
	eventually(t, "the box knows", func() bool { return !p.Link().Up && p.Link().Err != nil })
	cut(r, false)
	again := station.has(t, 10+120)
	t.Logf("%d came again", again)
	late := subscribe(t, b.URL())
	late.await(t, "the state of now", func(r received) bool { return r.topic == "state" && r.retained && r.payload["seq"] == 3601.0 })
}

// A station whose session has expired while it was away is not told what it
// missed: it sees the state of now at once, and by the numbers that it missed some.
func TestExpiredSession(t *testing.T) {
	t.Parallel()
	b := start(t, "127.0.0.1:0")
	h, o := telemetry.NewHub(1), newOutbox()
	run(t, fast(t, config(b)), h, o)
	s := subscribe(t, b.URL())
	h.Publish(view(1, 60))
	o.add(t, 5)
	s.seqs(t, 5)
	s.client.Disconnect(0) // it was not to be remembered: this is how an expired session looks
	o.add(t, 5)
	o.awaitDone(t, 10)
	s = subscribe(t, b.URL())
	s.await(t, "the state", func(r received) bool { return r.topic == "state" && r.retained })
	o.add(t, 1)
	first := s.await(t, "an event", func(r received) bool { return r.topic == "event" })
	if first.payload["seq"].(float64) <= 6 { // the last of those before may be on its way still
		t.Errorf("after events 1 to 5 comes %v: the gap is not to be seen", first.payload["seq"])
	}
}
