//go:build linux

package wiring

import (
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"sync"
	"time"

	"golang.org/x/sys/unix"
)

// openLine opens a serial line raw, 8 bits, no parity, for reads with deadlines.
func openLine(path string, baud uint32) (*os.File, error) {
	fd, err := unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, fmt.Errorf("cannot open %s: %w", path, err)
	}
	t, err := unix.IoctlGetTermios(fd, unix.TCGETS2)
	if err == nil {
		t.Iflag, t.Oflag, t.Lflag = 0, 0, 0
		t.Cflag = unix.CS8 | unix.CREAD | unix.CLOCAL | unix.BOTHER
		t.Ispeed, t.Ospeed = baud, baud
		t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
		err = unix.IoctlSetTermios(fd, unix.TCSETS2, t)
	}
	if err != nil {
		_ = unix.Close(fd)
		return nil, fmt.Errorf("cannot set up %s: %w", path, err)
	}
	return os.NewFile(uintptr(fd), path), nil
}

// Slave answers functions 3 and 4 of Modbus RTU on a serial line.
type Slave struct {
	unit byte
	f    *os.File
	mu   sync.Mutex
	regs map[uint16]uint16
	how  Manner
}

// Manner is how a slave answers.
type Manner struct {
	Mute    bool
	Garbled bool // with a wrong check sum
	Late    time.Duration
}

// NewSlave answers as unit on the serial line at path.
func NewSlave(path string, baud uint32, unit byte) (*Slave, error) {
	f, err := openLine(path, baud)
	if err != nil {
		return nil, err
	}
	s := &Slave{unit: unit, f: f, regs: map[uint16]uint16{}}
	go s.serve()
	return s, nil
}

// Close ends the slave.
func (s *Slave) Close() error { return s.f.Close() }

// Set sets registers, from reg on.
func (s *Slave) Set(reg uint16, values ...uint16) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for i, v := range values {
		s.regs[reg+uint16(i)] = v
	}
}

// Behave changes how it answers.
func (s *Slave) Behave(m Manner) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.how = m
}

const (
	requestBytes = 8
	frameGap     = 20 * time.Millisecond // a silence that ends a broken request
)

func (s *Slave) serve() {
	var buf []byte
	part := make([]byte, 256)
	for {
		deadline := time.Time{}
		if len(buf) > 0 {
			deadline = time.Now().Add(frameGap)
		}
		_ = s.f.SetReadDeadline(deadline)
		n, err := s.f.Read(part)
		if errors.Is(err, os.ErrDeadlineExceeded) {
			buf = buf[:0]
			continue
		}
		if err != nil {
			return
		}
		if buf = append(buf, part[:n]...); len(buf) >= requestBytes {
			s.answer(buf[:requestBytes])
			buf = buf[:0]
		}
	}
}

func (s *Slave) answer(req []byte) {
	s.mu.Lock()
	how, out := s.how, s.reply(req)
	s.mu.Unlock()
	if how.Mute || req[0] != s.unit || binary.LittleEndian.Uint16(req[6:]) != crc16(req[:6]) {
		return
	}
	sum := crc16(out)
	if how.Garbled {
		sum ^= 0xff
	}
	time.Sleep(how.Late)
	_, _ = s.f.Write(binary.LittleEndian.AppendUint16(out, sum))
}

// reply is the answer without its check sum: the registers, or exception 1 or 2
// (MODBUS Application Protocol V1.1b3, 6.3 and 6.4).
func (s *Slave) reply(req []byte) []byte {
	reg, count := binary.BigEndian.Uint16(req[2:]), binary.BigEndian.Uint16(req[4:])
	if req[1] != 3 && req[1] != 4 {
		return []byte{s.unit, req[1] | 0x80, 1}
	}
	out := []byte{s.unit, req[1], byte(2 * count)}
	for i := range count {
		v, ok := s.regs[reg+i]
		if !ok {
			return []byte{s.unit, req[1] | 0x80, 2}
		}
		out = binary.BigEndian.AppendUint16(out, v)
	}
	return out
}

// crc16 is the check sum of Modbus RTU (MODBUS over Serial Line V1.02, 6.2.2).
func crc16(b []byte) uint16 {
	sum := uint16(0xffff)
	for _, x := range b {
		sum ^= uint16(x)
		for range 8 {
			low := sum & 1
			if sum >>= 1; low != 0 {
				sum ^= 0xa001
			}
		}
	}
	return sum
}
