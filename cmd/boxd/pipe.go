package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"syscall"
	"time"

	"boxd/internal/box"
	"boxd/internal/record"

	"golang.org/x/sys/unix"
)

// pipe gives each beat the rows that have arrived since the last. Their own times
// say nothing here: a sample counts when it arrives.
//
// It is read at the beat, by whoever asks, and never waited for: a goroutine that
// waits in a read costs the runtime more at each row than the whole turn does.
type pipe struct {
	name string
	in   *os.File
	came arrived
	rows *record.TraceReader // nil until the header is there
	err  error               // why there is no more
}

// maxRows bounds what one beat takes.
const maxRows = 256

func openSamples(path string) (*pipe, func(), error) {
	in := os.Stdin
	if path != "-" {
		fd, err := openBlocking(path)
		if err != nil {
			return nil, nil, fmt.Errorf("cannot read samples: %w", err)
		}
		in = os.NewFile(uintptr(fd), path)
	}
	return &pipe{name: path, in: in}, func() { _ = in.Close() }, nil
}

// openBlocking opens past the os package, which would have the runtime woken at
// each row.
func openBlocking(path string) (int, error) {
	for {
		fd, err := unix.Open(path, unix.O_RDONLY|unix.O_CLOEXEC, 0)
		if !errors.Is(err, syscall.EINTR) {
			return fd, pathError(path, err)
		}
	}
}

func pathError(path string, err error) error {
	if err == nil {
		return nil
	}
	return &os.PathError{Op: "open", Path: path, Err: err}
}

// Samples gives what has arrived; nothing is no error.
func (p *pipe) Samples(_ context.Context, _ time.Duration, dst []box.Sample) ([]box.Sample, error) {
	if p.came.whole < maxRows && p.err == nil {
		p.err = p.came.fill(p.in)
	}
	for range maxRows {
		if p.came.whole == 0 {
			return dst, p.err
		}
		p.came.whole--
		if p.rows == nil {
			rows, err := record.NewTraceReader(p.name, &p.came)
			if err != nil {
				return dst, p.fail(err)
			}
			p.rows = rows
			continue
		}
		row, err := p.rows.Next()
		if err != nil {
			return dst, p.fail(err)
		}
		dst = append(dst, row.Samples...)
	}
	return dst, nil
}

// fail ends the source.
func (p *pipe) fail(err error) error {
	p.err, p.came.whole = err, 0
	return err
}

// arrived keeps the bytes read until they are whole records, and lets no others be
// read: the reader of rows can't leave one in the middle.
type arrived struct {
	kept   []byte
	ready  int  // of kept: up to the end of the last whole record
	looked int  // of kept: up to where record ends were looked for
	quoted bool // the place looked at is between quotes
	filled bool // something but a line's end has come since the last record's end
	whole  int  // records in ready that are not yet asked for
	ended  bool
	chunk  [4096]byte
}

// maxPart bounds a record that does not end: longer than any the reader takes.
const maxPart = 2 << 20

// fill takes what the file has, and does not wait for more.
func (a *arrived) fill(f *os.File) error {
	for a.whole < maxRows {
		if !readable(f) {
			return nil
		}
		n, err := f.Read(a.chunk[:])
		a.take(a.chunk[:n])
		if err != nil {
			a.end()
			return err
		}
	}
	return nil
}

// readable says whether a read returns at once.
func readable(f *os.File) bool {
	fds := []unix.PollFd{{Fd: int32(f.Fd()), Events: unix.POLLIN}}
	n, err := unix.Poll(fds, 0)
	return err == nil && n > 0
}

func (a *arrived) take(b []byte) {
	a.kept = append(a.kept, b...)
	for ; a.looked < len(a.kept); a.looked++ {
		switch a.kept[a.looked] {
		case '"':
			a.quoted, a.filled = !a.quoted, true
		case '\n':
			if a.filled && !a.quoted {
				a.record(a.looked + 1)
			}
		case '\r':
		default:
			a.filled = true
		}
	}
	if len(a.kept)-a.ready > maxPart {
		a.record(len(a.kept)) // the reader says what is wrong with it
	}
}

func (a *arrived) record(end int) {
	a.ready, a.filled = end, false
	a.whole++
}

// end makes a record of what has no end.
func (a *arrived) end() {
	if a.filled {
		a.record(len(a.kept))
	}
	a.ended = true
}

// errPart is never seen where whole is minded.
var errPart = errors.New("the row is not complete")

// Read gives whole records alone.
func (a *arrived) Read(p []byte) (int, error) {
	if a.ready == 0 {
		if a.ended {
			return 0, io.EOF
		}
		return 0, errPart
	}
	n := copy(p, a.kept[:a.ready])
	a.kept = append(a.kept[:0], a.kept[n:]...)
	a.ready, a.looked = a.ready-n, a.looked-n
	return n, nil
}
