package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
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
	name  string
	in    *os.File
	named bool // writers come and go: without one there is nothing, but no end
	came  arrived
	rows  *record.LiveReader // nil until the header is there
	err   error              // why there is no more

	log   *slog.Logger
	wrong int           // rows that are not told of yet
	next  time.Duration // when one may be told of again
}

// retell is how long rows may go wrong before it is told again.
const retell = time.Minute

// maxRows bounds what one beat takes.
const maxRows = 256

func openSamples(path string, log *slog.Logger) (*pipe, func(), error) {
	in := os.Stdin
	if path != "-" {
		var err error
		if in, err = openNow(path); err != nil {
			return nil, nil, fmt.Errorf("cannot read samples: %w", &os.PathError{Op: "open", Path: path, Err: err})
		}
	}
	about, err := in.Stat()
	if err != nil {
		return nil, nil, fmt.Errorf("cannot read samples: %w", err)
	}
	named := path != "-" && about.Mode()&os.ModeNamedPipe != 0
	return &pipe{name: path, in: in, named: named, log: log}, func() { _ = in.Close() }, nil
}

// openNow opens without waiting for a writer, and past the os package, which would
// have the runtime woken at each row.
func openNow(path string) (*os.File, error) {
	for {
		fd, err := unix.Open(path, unix.O_RDONLY|unix.O_CLOEXEC|unix.O_NONBLOCK, 0)
		switch {
		case errors.Is(err, syscall.EINTR):
			continue
		case err != nil:
			return nil, err
		}
		if err := unix.SetNonblock(fd, false); err != nil { // before os.NewFile, which looks
			return nil, errors.Join(err, unix.Close(fd))
		}
		return os.NewFile(uintptr(fd), path), nil
	}
}

// Samples gives what has arrived; nothing is no error. A row that is wrong is told, and
// what can be read of it counts.
func (p *pipe) Samples(_ context.Context, now time.Duration, dst []box.Sample) ([]box.Sample, error) {
	if p.came.whole < maxRows && p.err == nil {
		switch p.err = p.came.fill(p.in); {
		case p.named && errors.Is(p.err, io.EOF):
			p.came.drop()
			p.err = nil
		case p.err != nil:
			p.came.end()
		}
	}
	for range maxRows {
		if p.came.whole == 0 {
			return dst, p.err
		}
		p.came.whole--
		if p.rows == nil {
			rows, err := record.NewLiveReader(p.name, &p.came)
			if err != nil {
				return dst, p.fail(err)
			}
			p.rows = rows
			continue
		}
		samples, err := p.rows.Next()
		var wrong *record.Faults
		switch {
		case errors.As(err, &wrong):
			p.tell(now, wrong)
		case err != nil:
			return dst, p.fail(err)
		}
		dst = append(dst, samples...)
	}
	return dst, nil
}

// tell says what is wrong with a row, once a minute at most.
func (p *pipe) tell(now time.Duration, why error) {
	p.wrong++
	if now < p.next {
		return
	}
	p.log.Warn("the logger sends rows that are wrong; what can be read of them counts", "rows", p.wrong, "the last", why)
	p.next, p.wrong = now+retell, 0
}

// fail ends the source.
func (p *pipe) fail(err error) error {
	p.err, p.came.whole = err, 0
	return err
}

// arrived keeps the bytes read until they are whole lines, and lets no others be
// read: the reader of rows can't leave one in the middle.
type arrived struct {
	kept   []byte
	ready  int  // of kept: up to the end of the last whole line
	looked int  // of kept: up to where line ends were looked for
	filled bool // something but a line's end has come since the last one
	whole  int  // lines in ready that are not yet asked for
	ended  bool
	chunk  [4096]byte
}

// maxPart bounds a line that does not end: a row has some hundred bytes.
const maxPart = 64 << 10

// fill takes what the file has, and does not wait for more.
func (a *arrived) fill(f *os.File) error {
	for a.whole < maxRows {
		if !readable(f) {
			return nil
		}
		n, err := f.Read(a.chunk[:])
		a.take(a.chunk[:n])
		if err != nil {
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
		case '\n':
			if a.filled {
				a.line(a.looked + 1)
			}
		case '\r':
		default:
			a.filled = true
		}
	}
	if len(a.kept)-a.ready > maxPart {
		a.kept[len(a.kept)-1] = '\n' // the reader says what is wrong with what came so far
		a.line(len(a.kept))
	}
}

func (a *arrived) line(end int) {
	a.ready, a.filled = end, false
	a.whole++
}

// end makes a line of what has no end.
func (a *arrived) end() {
	if a.filled {
		a.take([]byte{'\n'})
	}
	a.ended = true
}

// drop forgets a row that its writer left in the middle: half a number is another.
func (a *arrived) drop() {
	a.kept, a.looked, a.filled = a.kept[:a.ready], a.ready, false
}

// errPart is never seen where whole is minded.
var errPart = errors.New("the row is not complete")

// Read gives whole lines alone.
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
