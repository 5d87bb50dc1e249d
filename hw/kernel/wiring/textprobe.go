//go:build linux

package wiring

import (
	"strings"
	"sync"
	"time"
)

// TextProbe is a transmitter on I2C that takes the text command R, needs time,
// and answers a status byte and text: 1 done, 254 not yet, 2 not understood,
// 255 nothing to say.
type TextProbe struct {
	Takes time.Duration // for a reading

	mu    sync.Mutex
	value string
	code  byte // of the answer that is due; 0: none
	ready time.Time
}

// Set is what it measures.
func (p *TextProbe) Set(value string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.value = value
}

// Write implements Chip.
func (p *TextProbe) Write(b []byte) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.ready, p.code = time.Now().Add(p.Takes), 2
	if strings.EqualFold(strings.TrimRight(string(b), "\x00\r"), "R") {
		p.code = 1
	}
	return nil
}

// Read implements Chip.
func (p *TextProbe) Read(b []byte) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	clear(b)
	switch {
	case p.code == 0:
		b[0] = 255
		return nil
	case time.Now().Before(p.ready):
		b[0] = 254
		return nil
	}
	if b[0] = p.code; p.code == 1 {
		copy(b[1:], p.value)
	}
	p.code = 0
	return nil
}
