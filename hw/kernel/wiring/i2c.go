//go:build linux

package wiring

import (
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
)

// Chip is a simulated chip on an I2C bus. Write gets the bytes of one write
// message, Read fills one read message. The error is what the master sees:
// syscall.ENXIO is an address that is not acknowledged.
type Chip interface {
	Write(b []byte) error
	Read(b []byte) error
}

// ErrHang is a bus that does not answer at all, as with its data line held low:
// the master gets ETIMEDOUT after the adapter's second.
var ErrHang = errors.New("the bus hangs")

// Bus answers for all chips of the bench's adapter.
type Bus struct {
	f     *os.File
	mu    sync.Mutex
	chips map[uint16]Chip
	hangs bool
}

// NewBus takes the adapter's other end.
func NewBus() (*Bus, error) {
	f, err := os.OpenFile("/dev/bench-i2c", os.O_RDWR|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, fmt.Errorf("cannot play an I2C bus: %w; is bench-i2c loaded?", err)
	}
	b := &Bus{f: f, chips: map[uint16]Chip{}}
	go b.serve()
	return b, nil
}

// Close leaves the bus without any chip.
func (b *Bus) Close() error { return b.f.Close() }

// Attach puts a chip on the bus; nil takes it off.
func (b *Bus) Attach(addr uint16, c Chip) {
	b.mu.Lock()
	defer b.mu.Unlock()
	delete(b.chips, addr)
	if c != nil {
		b.chips[addr] = c
	}
}

// Hang holds the bus's data line low, or lets go of it.
func (b *Bus) Hang(held bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.hangs = held
}

// Path is the bus as programs see it, /dev/i2c-N.
func (b *Bus) Path() (string, error) {
	dirs, _ := filepath.Glob("/sys/bus/i2c/devices/i2c-*")
	for _, d := range dirs {
		if n, _ := read(d + "/name"); strings.HasPrefix(n, "bench") {
			return "/dev/" + filepath.Base(d), nil
		}
	}
	return "", errors.New("cannot find the bench's I2C adapter")
}

func (b *Bus) serve() {
	buf := make([]byte, 1<<16)
	for {
		n, err := b.f.Read(buf)
		if err != nil {
			return
		}
		if rsp, err := b.transfer(buf[:n]); !errors.Is(err, ErrHang) {
			_, _ = b.f.Write(rsp) // a master that has given up takes no answer
		}
	}
}

// transfer answers one transfer of several messages; the form is that of
// kmod/bench-i2c.c.
func (b *Bus) transfer(req []byte) ([]byte, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	le := binary.LittleEndian
	rsp := append(le.AppendUint32(nil, le.Uint32(req)), 0, 0, 0, 0)
	n := le.Uint32(req[4:])
	req = req[8:]
	for range n {
		addr, flags, size := le.Uint16(req), le.Uint16(req[2:]), int(le.Uint16(req[4:]))
		req = req[8:]
		data, out := make([]byte, size), []byte(nil)
		if flags&1 == 0 { // not I2C_M_RD
			copy(data, req)
			req = req[size:]
		} else {
			out = data
		}
		if err := b.message(addr, flags&1 != 0, data); err != nil {
			var e syscall.Errno
			if !errors.As(err, &e) {
				e = syscall.EIO
			}
			le.PutUint32(rsp[4:], uint32(-int32(e)))
			return rsp[:8], err
		}
		rsp = append(rsp, out...)
	}
	return rsp, nil
}

func (b *Bus) message(addr uint16, reads bool, data []byte) error {
	c := b.chips[addr]
	switch {
	case b.hangs:
		return ErrHang
	case c == nil:
		return syscall.ENXIO
	case reads:
		return c.Read(data)
	}
	return c.Write(data)
}
