package daemon

// Slices of seasons with real senders: boxd's own publisher over a link that breaks, to
// the embedded broker, and the database's writer to a server that speaks the write
// protocol. Both links lose what was sent, or its acknowledgement. Time is real here;
// the box's own passes as fast as it can.

import (
	"compress/gzip"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	paho "github.com/eclipse/paho.mqtt.golang"

	"boxd/internal/engine/enginetest/season"
	"boxd/internal/telemetry/broker"
	"boxd/internal/telemetry/influx"
	"boxd/internal/telemetry/mqtt"
)

// Each of these has the power cut and, one after the other, the disk full and the links lost.
func TestWholeBoxOverTheWire(t *testing.T) {
	if raced {
		t.Skip("SQLite crawls under the race detector")
	}
	for _, seed := range []uint64{8, 11} {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			t.Parallel()
			w := newWhole(t, inMemory(t), seed)
			w.wire = lay(t, seed)
			tally := season.PlayIn(w, season.DrawSlice(seed).Whole(), nil)
			w.finish()
			must(t, w.j.Close())
			for _, f := range tally.Broken {
				t.Errorf("%v", f)
			}
			for _, text := range w.broken {
				t.Error(text)
			}
			t.Logf("%v; %v", w.done, w.wire)
		})
	}
}

// wire is what lies between the box and its receivers, and they themselves.
type wire struct {
	t      *testing.T
	r      *rand.Rand
	hub    *broker.Broker
	relay  net.Listener
	server *httptest.Server
	writer *influx.Writer
	each   int // look of the senders the writer has its turn: what it makes of a thousand points takes time

	stop context.CancelFunc // of the publisher of this life
	over chan struct{}

	cut, mute, deaf atomic.Bool // nothing goes through; what is sent, or comes back, is lost on the way

	mu       sync.Mutex // goroutines of the links and receivers write what follows
	conns    map[net.Conn]bool
	broker   map[uint64]string
	rows     map[string]string
	faults   []string
	again    int // events and rows that came again
	sessions int
	breaks   int
}

// lay makes the receivers and the way to them.
func lay(t *testing.T, seed uint64) *wire {
	x := &wire{t: t, each: 50, r: rand.New(rand.NewPCG(seed, 7)), conns: map[net.Conn]bool{}, broker: map[uint64]string{}, rows: map[string]string{}}
	var err error
	x.hub, err = broker.StartWith(broker.Options{})
	must(t, err)
	t.Cleanup(func() { _ = x.hub.Close() })
	x.relay, err = net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	go x.pass()
	t.Cleanup(func() { _ = x.relay.Close(); x.sever() })
	x.server = httptest.NewServer(http.HandlerFunc(x.write))
	t.Cleanup(x.server.Close)
	x.writer, err = influx.New(influx.Config{URL: x.server.URL, Bucket: "boxd"}, slog.New(slog.DiscardHandler))
	must(t, err)
	client := paho.NewClient(paho.NewClientOptions().AddBroker(x.hub.URL()).SetClientID("counter").SetAutoReconnect(false).SetOrderMatters(false))
	t.Cleanup(func() { client.Disconnect(100) })
	for _, step := range []func() paho.Token{client.Connect, func() paho.Token { return client.Subscribe("boxd/+/event", 1, x.hear) }} {
		if k := step(); !k.WaitTimeout(patience) || k.Error() != nil {
			t.Fatal("cannot subscribe: ", k.Error())
		}
	}
	return x
}

// begin starts the publisher of a life.
func (x *wire) begin(w *whole) {
	user, password := x.hub.Credentials()
	p, err := mqtt.New(mqtt.Config{Box: "box", URL: "tcp://" + x.relay.Addr().String(), User: user, Password: password}, slog.New(slog.DiscardHandler))
	must(x.t, err)
	ctx, stop := context.WithCancel(context.Background())
	over := make(chan struct{})
	hub, events := w.hub, w.events
	go func() {
		defer close(over)
		p.Run(ctx, hub, events)
	}()
	x.stop, x.over = stop, over
}

// end takes the power: no farewell goes out.
func (x *wire) end() {
	cut := x.cut.Swap(true)
	x.sever()
	x.stop()
	<-x.over
	x.cut.Store(cut)
	x.mute.Store(false)
	x.deaf.Store(false)
}

// trouble has the link lose what goes one way now and then, until it breaks.
func (x *wire) trouble() {
	switch x.r.IntN(300) {
	case 0:
		x.mute.Store(true)
	case 1:
		x.deaf.Store(true)
	case 2:
		x.sever()
		x.mute.Store(false)
		x.deaf.Store(false)
	}
}

func (x *wire) sever() {
	x.mu.Lock()
	defer x.mu.Unlock()
	for c := range x.conns {
		_ = c.Close()
		x.breaks++
	}
	clear(x.conns)
}

// pass relays connections until the listener is closed.
func (x *wire) pass() {
	for {
		near, err := x.relay.Accept()
		if err != nil {
			return
		}
		far, err := net.Dial("tcp", strings.TrimPrefix(x.hub.URL(), "tcp://"))
		if err != nil || x.cut.Load() {
			_ = near.Close()
			if far != nil {
				_ = far.Close()
			}
			continue
		}
		x.mu.Lock()
		x.conns[near], x.conns[far] = true, true
		x.sessions++
		x.mu.Unlock()
		go func() { _, _ = io.Copy(far, way{near, &x.mute}); _ = far.Close() }()
		go func() { _, _ = io.Copy(near, way{far, &x.deaf}); _ = near.Close() }()
	}
}

// way is one direction of a link.
type way struct {
	net.Conn
	lost *atomic.Bool
}

func (w way) Read(p []byte) (n int, err error) {
	for {
		if n, err = w.Conn.Read(p); err != nil || !w.lost.Load() {
			return n, err
		}
	}
}

func (x *wire) hear(_ paho.Client, m paho.Message) {
	var head struct{ Seq uint64 }
	if json.Unmarshal(m.Payload(), &head) != nil {
		return
	}
	x.mu.Lock()
	defer x.mu.Unlock()
	was, again := x.broker[head.Seq]
	if again {
		x.again++
	}
	if again && was != string(m.Payload()) {
		x.faults = append(x.faults, fmt.Sprintf("event %d came as %s and as %s", head.Seq, was, m.Payload()))
	}
	x.broker[head.Seq] = string(m.Payload())
}

// write is the database: it takes points and says so, or says no, or falls silent
// before or after it has taken them. What it does follows from the seed: the writer
// sends one request at a time.
func (x *wire) write(w http.ResponseWriter, r *http.Request) {
	x.mu.Lock()
	defer x.mu.Unlock()
	how := x.r.IntN(20)
	if x.cut.Load() || how == 0 {
		panic(http.ErrAbortHandler)
	}
	body, err := io.ReadAll(io.LimitReader(r.Body, 8<<20))
	if err == nil && r.Header.Get("Content-Encoding") == "gzip" {
		var z *gzip.Reader
		if z, err = gzip.NewReader(strings.NewReader(string(body))); err == nil {
			body, err = io.ReadAll(io.LimitReader(z, 8<<20))
		}
	}
	lines := strings.Split(strings.TrimSpace(string(body)), "\n")
	switch {
	case err != nil:
		x.faults = append(x.faults, "the write's body: "+err.Error())
		w.WriteHeader(http.StatusBadRequest)
		return
	case how == 1:
		w.WriteHeader(http.StatusServiceUnavailable)
		return
	case how == 2 && len(lines) > 1:
		w.WriteHeader(http.StatusRequestEntityTooLarge)
		return
	}
	for _, line := range lines {
		x.row(line)
	}
	if how <= 4 {
		panic(http.ErrAbortHandler)
	}
	w.WriteHeader(http.StatusNoContent)
}

func (x *wire) row(line string) {
	was, again := x.rows[place(line)]
	if again {
		x.again++
	}
	if again && was != line {
		x.faults = append(x.faults, fmt.Sprintf("two rows at one place: %s and %s", was, line))
	}
	x.rows[place(line)] = line
}

// had gives the box's books what the receivers have.
func (x *wire) had(w *whole) {
	x.mu.Lock()
	defer x.mu.Unlock()
	w.broker, w.rows = x.broker, x.rows
	w.broken = append(w.broken, x.faults...)
}

func (x *wire) String() string {
	x.mu.Lock()
	defer x.mu.Unlock()
	return fmt.Sprintf("%d sessions with the broker, %d ends of links cut, %d events and rows came again", x.sessions, x.breaks, x.again)
}
