package web

import (
	"net"
	"net/http"
	"net/netip"
	"sync"
	"time"

	"boxd/internal/access"
)

// Bounds of the server. Common practice, no source. A connection costs some tens
// of kilobytes; a browser holds six at most, and one for the stream.
const (
	connLimit   = 512 // at once, from everybody
	connsOfOne  = 96  // and from one address
	headerWait  = 10 * time.Second
	requestWait = 20 * time.Second // for all of a request, its body too
	answerWait  = 30 * time.Second // for all of an answer; the stream and the exports have their own
	idleWait    = 2 * time.Minute
	headerLimit = 16 << 10
)

// NewServer is a server that waits for nobody: whoever sends or takes too slowly
// is hung up on.
func NewServer(h http.Handler) *http.Server {
	return &http.Server{Handler: h, ReadHeaderTimeout: headerWait, ReadTimeout: requestWait, WriteTimeout: answerWait, IdleTimeout: idleWait, MaxHeaderBytes: headerLimit}
}

// Bounded hangs up on connections beyond the bounds, so that nobody can take all
// that there are. It goes below TLS, whose handshakes it bounds too.
func Bounded(ln net.Listener) net.Listener {
	return &bounded{Listener: ln, by: map[netip.Prefix]int{}, most: connLimit, ofOne: connsOfOne}
}

type bounded struct {
	net.Listener
	most, ofOne int

	mu  sync.Mutex // connections end anywhere
	by  map[netip.Prefix]int
	all int
}

func (b *bounded) Accept() (net.Conn, error) {
	for {
		c, err := b.Listener.Accept()
		if err != nil {
			return nil, err
		}
		from := access.Whence(c.RemoteAddr().String())
		if b.enter(from) {
			return &seated{Conn: c, leave: sync.OnceFunc(func() { b.leave(from) })}, nil
		}
		_ = c.Close() // there is nobody to tell
	}
}

func (b *bounded) enter(from netip.Prefix) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.all >= b.most || b.by[from] >= b.ofOne {
		return false
	}
	b.all++
	b.by[from]++
	return true
}

func (b *bounded) leave(from netip.Prefix) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.all--
	if b.by[from]--; b.by[from] == 0 {
		delete(b.by, from)
	}
}

// seated is a connection that gives its place back when it is closed.
type seated struct {
	net.Conn
	leave func()
}

func (c *seated) Close() error {
	c.leave()
	return c.Conn.Close()
}
