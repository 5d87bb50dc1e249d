package hwio

import (
	"context"
	"errors"
	"fmt"
	"syscall"
	"time"

	"periph.io/x/conn/v3/i2c"

	"boxd/internal/box"
	"boxd/internal/sensors"
)

// openers open what is wired; a test puts its own in.
type openers struct {
	i2c   func(path string) (i2c.BusCloser, error)
	line  func(w watch) (line, error)
	clock func() time.Duration // of the lines' edges
	port  func(path string, set sensors.Serial) (port, error)
	find  func(pattern string) []string // ports
	root  string                        // of the files the kernel writes
}

// system opens what the kernel has.
func system() openers {
	return openers{i2c: openI2C, line: openLine, clock: monotonic, port: openPort, find: matches, root: "/"}
}

// i2cBus is a bus that opens itself, and anew after trouble. One goroutine uses
// it.
type i2cBus struct {
	path string
	open func(path string) (i2c.BusCloser, error)
	bus  i2c.BusCloser // nil: not open

	trouble error     // of the whole bus; nil: none
	again   time.Time // when to try it again
	failing time.Time // since when nothing at all has answered; zero: something does
}

// What went wrong on a bus.
var (
	errNoBus    = errors.New("no bus")
	errHangs    = errors.New("bus hangs")
	errNoAnswer = errors.New("no answer")
	errGarbled  = errors.New("transfer fails")
)

const (
	// retryBus is how long a bus in trouble is left alone, so that one that hangs
	// costs one transfer's time for all its instruments, not one for each. It is
	// well under the three beats of 10 Hz within which it is to be back.
	retryBus = 150 * time.Millisecond
	// hangs is the time from which on a transfer that failed is one that hung; a
	// good one of this size takes a few milliseconds.
	hangs = 50 * time.Millisecond
	// reopenAfter is for how long nothing answers before the bus is opened anew:
	// an adapter that was unplugged is another one when it is back.
	reopenAfter = 200 * time.Millisecond
)

// tx writes w to the instrument at addr, then reads r.
func (b *i2cBus) tx(ctx context.Context, addr uint16, w, r []byte) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	began := time.Now()
	if b.trouble != nil && began.Before(b.again) {
		return b.trouble
	}
	if b.bus == nil {
		bus, err := b.open(b.path)
		if err != nil {
			b.trouble, b.again = errNoBus, began.Add(retryBus)
			return b.trouble
		}
		b.bus = bus
	}
	err := b.bus.Tx(addr, w, r)
	if errors.Is(err, syscall.EINTR) { // by a signal of Go's scheduler, which says nothing of the bus
		err = b.bus.Tx(addr, w, r)
	}
	b.trouble = nil
	if err == nil {
		b.failing = time.Time{}
		return nil
	}
	return b.took(began, classed(err))
}

// took draws the bus' own conclusions from a transfer that failed.
func (b *i2cBus) took(began time.Time, err error) error {
	now := time.Now()
	if now.Sub(began) >= hangs {
		err = errHangs
		b.trouble, b.again = err, now.Add(retryBus)
	}
	switch {
	case errors.Is(err, errNoBus), !b.failing.IsZero() && now.Sub(b.failing) >= reopenAfter:
		b.shut()
		b.failing = now
	case b.failing.IsZero():
		b.failing = now
	}
	return err
}

// shut closes the bus; the next transfer opens it.
func (b *i2cBus) shut() {
	if b.bus != nil {
		_ = b.bus.Close() // what it was for is over
		b.bus = nil
	}
}

// classed tells what a transfer's error means.
func classed(err error) error {
	switch {
	case errors.Is(err, syscall.ENODEV):
		return errNoBus // the adapter was unplugged
	case errors.Is(err, syscall.ETIMEDOUT):
		return errHangs
	case errors.Is(err, syscall.ENXIO), errors.Is(err, remoteIO):
		return errNoAnswer // address or data not acknowledged; which, depends on the adapter
	}
	return fmt.Errorf("%w: %w", errGarbled, err)
}

// busFault is what an error on the bus means for a channel.
func busFault(c box.Channel, err error) box.Sample {
	switch {
	case errors.Is(err, errNoBus):
		return box.Failed(c, 0, "its bus can't be opened: switch the bus on in the board's settings, let boxd's user read it, check bus in the configuration")
	case errors.Is(err, errHangs):
		return box.Failed(c, 0, "the bus hangs: look for a wire short to ground or an instrument that holds it; take the power off and on")
	case errors.Is(err, errNoAnswer):
		return box.Failed(c, 0, "no answer at its address: check plug, power and address")
	}
	return box.Failed(c, 0, "the transfer on the bus fails: check the wires' length, the pull-ups and the ground")
}

// i2cOn is the I2C bus of that name with its schedule.
func (b *builder) i2cOn(path string) (*i2cBus, *bus) {
	line := b.on(path)
	wire, ok := b.i2c[path]
	if !ok {
		wire = &i2cBus{path: path, open: b.openers.i2c}
		b.i2c[path] = wire
		line.closing(wire.shut)
	}
	return wire, line
}
