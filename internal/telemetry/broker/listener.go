package broker

import (
	"log/slog"
	"net"
	"sync"
	"sync/atomic"
	"time"

	"github.com/mochi-mqtt/server/v2/listeners"
)

// listener bounds what a connection costs before it has said who it is: so many
// at a time, so long for the first packet. It also knows its connections and
// their goroutines, so that closing neither waits for one that never spoke nor
// returns while one is still being taken in.
type listener struct {
	net.Listener
	served sync.WaitGroup // the accept loop and one for each connection

	most int // connections at a time

	mu    sync.Mutex // Serve adds, each connection's own goroutine removes
	conns map[*conn]struct{}
}

func newListener(l net.Listener, most int) *listener {
	return &listener{Listener: l, most: most, conns: make(map[*conn]struct{})}
}

// ID, Address, Protocol and Init are what the library asks of a listener.
func (*listener) ID() string { return "tcp" }

// Address is where it listens.
func (l *listener) Address() string { return l.Addr().String() }

// Protocol is tcp.
func (*listener) Protocol() string { return "tcp" }

// Init has nothing to do: the port is open already.
func (*listener) Init(*slog.Logger) error { return nil }

// Serve takes connections in until Close and drops those beyond the bound. The
// errors of single clients are of no use to anybody.
func (l *listener) Serve(establish listeners.EstablishFn) {
	l.served.Add(1)
	defer l.served.Done()
	for {
		raw, err := l.Accept()
		if err != nil {
			return
		}
		c := l.add(raw)
		if c == nil {
			_ = raw.Close()
			continue
		}
		l.served.Go(func() {
			_ = establish(l.ID(), c)
			_ = c.Close()
		})
	}
}

// Close frees the port and ends every connection, in order where there is time.
func (l *listener) Close(closeClients listeners.CloseFn) {
	_ = l.Listener.Close()
	closeClients(l.ID())
	l.close(func(c *conn) bool { return !c.spoke.Load() })
	done := make(chan struct{})
	go func() { l.served.Wait(); close(done) }()
	timer := time.NewTimer(leaveWithin)
	defer timer.Stop()
	select {
	case <-done:
	case <-timer.C:
		l.close(func(*conn) bool { return true })
		<-done
	}
}

func (l *listener) add(raw net.Conn) *conn {
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.conns) >= l.most {
		return nil
	}
	c := &conn{Conn: raw, from: l}
	if err := raw.SetReadDeadline(time.Now().Add(firstPacketIn)); err != nil {
		return nil
	}
	l.conns[c] = struct{}{}
	return c
}

func (l *listener) remove(c *conn) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.conns, c)
}

func (l *listener) close(which func(*conn) bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for c := range l.conns {
		if which(c) {
			_ = c.Conn.Close()
		}
	}
}

type conn struct {
	net.Conn
	from  *listener
	spoke atomic.Bool
}

// Read notes that the peer has said something.
func (c *conn) Read(b []byte) (int, error) {
	n, err := c.Conn.Read(b)
	if n > 0 {
		c.spoke.Store(true)
	}
	return n, err
}

// Write gives a peer that does not read a few seconds: nobody is to wait for it.
func (c *conn) Write(b []byte) (int, error) {
	if err := c.SetWriteDeadline(time.Now().Add(writeWithin)); err != nil {
		return 0, err
	}
	return c.Conn.Write(b)
}

// Close takes the connection off the list.
func (c *conn) Close() error {
	c.from.remove(c)
	return c.Conn.Close()
}
