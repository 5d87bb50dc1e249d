package main

import (
	"errors"
	"net"
)

// hold keeps the page's address open while the guide hands over to the daemon or
// back: who knocks in between waits and is let in, where else they would be refused.
// A nil hold keeps nothing.
type hold struct {
	addr string
	ln   *net.TCPListener
}

// listen gives a listener at the address; closing it leaves the address held.
func (h *hold) listen(addr string) (net.Listener, error) {
	if h == nil {
		return net.Listen("tcp", addr)
	}
	if h.addr != addr {
		h.close()
		ln, err := net.Listen("tcp", addr)
		if err != nil {
			return nil, err
		}
		h.addr, h.ln = addr, ln.(*net.TCPListener)
	}
	f, err := h.ln.File()
	if err != nil {
		return nil, err
	}
	twin, err := net.FileListener(f)
	return twin, errors.Join(err, f.Close())
}

func (h *hold) close() {
	if h.ln != nil {
		_ = h.ln.Close()
	}
	h.addr, h.ln = "", nil
}
