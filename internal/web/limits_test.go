package web

import (
	"io"
	"net"
	"net/http"
	"testing"
	"time"

	"boxd/internal/access"
	"boxd/internal/access/accesstest"
	"boxd/internal/engine"
)

// impatient serves pages behind sessions, to be looked at without an account, with
// the real server's bounds made short.
func impatient(t *testing.T) (at string, core *fakeCore, who person) {
	t.Helper()
	core = newFakeCore(viewAt("inject"))
	srv := NewServer(New(core, nil, Options{Keeper: accesstest.Keeper(t, true)}))
	for _, d := range []*time.Duration{&srv.ReadHeaderTimeout, &srv.ReadTimeout, &srv.WriteTimeout, &srv.IdleTimeout} {
		if *d == 0 {
			t.Fatal("the server waits for ever")
		}
		*d = 200 * time.Millisecond
	}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	go func() { _ = srv.Serve(Bounded(ln)) }() // until it is closed
	t.Cleanup(func() { _ = srv.Close() })
	return ln.Addr().String(), core, person{t, "http://" + ln.Addr().String(), &http.Client{Timeout: 30 * time.Second}}
}

// Whoever connects and says nothing, or begins and does not end, is hung up on.
func TestTheServerWaitsForNobody(t *testing.T) {
	t.Parallel()
	at, _, _ := impatient(t)
	for name, said := range map[string]string{"nothing": "", "half a header": "GET / HTTP/1.1\r\nHost: 127", "half a form": "POST /act HTTP/1.1\r\nHost: 127.0.0.1\r\n" +
		"Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 100\r\n\r\ndo=conf", "one request": "GET /healthz HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"} {
		c, err := net.Dial("tcp", at)
		if err != nil {
			t.Fatal(err)
		}
		_ = c.SetDeadline(time.Now().Add(30 * time.Second))
		_, err = io.WriteString(c, said)
		if err == nil {
			_, err = io.Copy(io.Discard, c)
		}
		if late, ok := err.(net.Error); ok && late.Timeout() {
			t.Errorf("%s: still waited for", name)
		}
		_ = c.Close()
	}
}

// The stream outlives what bounds other requests, also behind the sessions.
func TestTheStreamOutlivesTheBounds(t *testing.T) {
	t.Parallel()
	_, core, who := impatient(t)
	res, err := who.http.Get(who.url + "/events?page=valve")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = res.Body.Close() }() // it ends with the server
	over := make(chan struct{})
	defer close(over)
	go func() {
		beat := time.NewTicker(20 * time.Millisecond)
		defer beat.Stop()
		for {
			select {
			case <-beat.C:
				core.publish(func(*engine.View) {})
			case <-over:
				return
			}
		}
	}()
	moments := 0 // loopGate apart
	readEvents(res.Body, func(name, _ string) bool {
		if name == "valve" {
			moments++
		}
		return moments < 12
	})
	if moments < 12 {
		t.Errorf("the stream ended after %d moments", moments)
	}
}

// One address cannot take all connections, and all of them not more than there are.
func TestConnectionsAreBounded(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	b := Bounded(ln).(*bounded)
	b.most, b.ofOne = 5, 3
	accepted := make(chan net.Conn, 16)
	go func() {
		for {
			c, err := b.Accept()
			if err != nil {
				return
			}
			accepted <- c
		}
	}()
	// let reports whether a connection from there is let in; one that is not is closed.
	let := func(from byte) net.Conn {
		d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.IPv4(127, 0, 2, from)}}
		c, err := d.Dial("tcp", ln.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = c.Close() })
		gone := make(chan struct{})
		go func() { _, _ = c.Read(make([]byte, 1)); close(gone) }()
		select {
		case in := <-accepted:
			return in
		case <-gone:
			return nil
		}
	}
	var first net.Conn
	for n, x := range []struct {
		from byte
		in   bool
	}{{1, true}, {1, true}, {1, true}, {1, false}, {2, true}, {2, true}, {2, false}, {3, false}} {
		c := let(x.from)
		if (c != nil) != x.in {
			t.Errorf("connection %d, from %d: let in %v", n, x.from, c != nil)
		}
		if first == nil {
			first = c
		}
	}
	_ = first.Close()
	_ = first.Close() // twice gives one place back
	if let(3) == nil || let(3) != nil {
		t.Error("a place that was given back is not one place")
	}
}

// An open stream ends with the account, and with the session it was opened in.
func TestAStreamEndsWithItsAccount(t *testing.T) {
	t.Parallel()
	for name, end := range map[string]func(p person, book *access.Book) error{
		"account removed": func(_ person, book *access.Book) error { return book.Remove("Sol") },
		"signed out":      func(p person, _ *access.Book) error { p.post("/sign-out"); return nil },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			srv, _, book := guarded(t, false)
			p := newPerson(t, srv, "Sol")
			p.http.Timeout = 30 * time.Second
			res, err := p.http.Get(srv.URL + "/events?page=run")
			if err != nil {
				t.Fatal(err)
			}
			defer func() { _ = res.Body.Close() }() // the test is over when it ends
			readEvents(res.Body, func(name, _ string) bool {
				if name == "view" {
					if err := end(p, book); err != nil {
						t.Fatal(err)
					}
				}
				return name != "beat"
			})
			if _, err := res.Body.Read(make([]byte, 1)); err != io.EOF {
				t.Errorf("the stream goes on for one who may no longer look: %v", err)
			}
		})
	}
}
