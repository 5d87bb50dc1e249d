package broker

import (
	"net"
	"sync"
	"sync/atomic"
	"time"
)

// listener bounds what a connection costs before it has said who it is: so many
// at a time, so long for the first packet. It also knows its connections, so
// that closing does not wait for one that never spoke.
type listener struct {
	net.Listener
	mu    sync.Mutex // Accept adds, each connection's own goroutine removes
	conns map[*conn]struct{}
}

func newListener(l net.Listener) *listener {
	return &listener{Listener: l, conns: make(map[*conn]struct{})}
}

// Accept takes the next connection and drops those beyond the bound.
func (l *listener) Accept() (net.Conn, error) {
	for {
		raw, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		if c := l.add(raw); c != nil {
			return c, nil
		}
		_ = raw.Close()
	}
}

func (l *listener) add(raw net.Conn) *conn {
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.conns) >= 2*maxClients {
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

func (l *listener) closeWaiting() { l.close(func(c *conn) bool { return !c.spoke.Load() }) }

func (l *listener) closeAll() { l.close(func(*conn) bool { return true }) }

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

// Close takes the connection off the list.
func (c *conn) Close() error {
	c.from.remove(c)
	return c.Conn.Close()
}
