package hwio

import (
	"errors"
	"path/filepath"
	"slices"
	"time"

	"boxd/internal/sensors"
)

// port is an open serial port. One goroutine uses it.
type port interface {
	write(b []byte) error
	// read takes what has come, waiting for the first byte until then; none in time
	// is 0 and no error.
	read(b []byte, until time.Time) (int, error)
	close()
}

// What goes wrong with a port.
var (
	errNoPort   = errors.New("no port")
	errPortHeld = errors.New("port in use")
	errPortGone = errors.New("port gone")
)

// serialLine is a port that opens itself, and anew after trouble: an adapter may
// be pulled out and come back under another name.
type serialLine struct {
	pattern string // of device files
	set     sensors.Serial
	open    func(path string, set sensors.Serial) (port, error)
	find    func(pattern string) []string

	port  port
	path  string
	mute  int       // questions in a row that nothing at all has answered
	quiet time.Time // from when on the next question may be sent
}

// muteMost is after how many questions without any answer the port is opened
// anew, or another one of the pattern.
const muteMost = 2

// ready opens the port unless it is, and tells whether it is another one now.
func (l *serialLine) ready() (another bool, err error) {
	if l.port != nil && l.mute >= muteMost {
		l.shut()
	}
	if l.port != nil {
		return false, nil
	}
	paths := l.find(l.pattern)
	if i := slices.Index(paths, l.path); i >= 0 && l.mute >= muteMost {
		paths = slices.Concat(paths[i+1:], paths[:i+1]) // the one that was mute comes last
	}
	l.mute = 0
	err = errNoPort
	for _, path := range paths {
		p, e := l.open(path, l.set)
		if e == nil {
			another = path != l.path
			l.port, l.path, l.quiet = p, path, time.Time{}
			return another, nil
		}
		err = e
	}
	return false, err
}

func (l *serialLine) shut() {
	if l.port != nil {
		l.port.close()
		l.port = nil
	}
}

// gap is the silence that parts two telegrams: 3.5 characters of 11 bits, or
// 1.75 ms from 19200 baud on (Modbus over serial line V1.02, 2.5.1.1).
func (l *serialLine) gap() time.Duration {
	if l.set.Baud > 19200 {
		return 1750 * time.Microsecond
	}
	return 385 * time.Second / 10 / time.Duration(max(1, l.set.Baud))
}

// send writes a question to a drained line.
func (l *serialLine) send(b []byte) error {
	if err := l.port.write(b); err != nil {
		return l.lost()
	}
	return nil
}

// drain throws away what came unasked, and waits until the line has been quiet
// for a gap; a line that never is, is drained for a bounded time.
func (l *serialLine) drain() error {
	var b [256]byte
	for range 64 {
		until := time.Now()
		if l.quiet.After(until) {
			until = l.quiet
		}
		n, err := l.port.read(b[:], until)
		if err != nil {
			return l.lost()
		}
		if n == 0 {
			return nil
		}
		l.quiet = time.Now().Add(l.gap())
	}
	return errGarbled
}

// receive reads until b is full or the time is up; n is what has come.
func (l *serialLine) receive(b []byte, until time.Time) (n int, err error) {
	for n < len(b) {
		m, err := l.port.read(b[n:], until)
		if err != nil {
			return n, l.lost()
		}
		if m == 0 {
			return n, nil
		}
		n += m
		l.quiet = time.Now().Add(l.gap())
	}
	return n, nil
}

func (l *serialLine) lost() error {
	l.shut()
	return errPortGone
}

// matches are the device files of a pattern.
func matches(pattern string) []string {
	paths, err := filepath.Glob(pattern)
	if err != nil || len(paths) == 0 {
		return []string{pattern} // opening it says what is wrong
	}
	return paths
}
