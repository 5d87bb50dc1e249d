package hwio

import (
	"errors"
	"time"

	"boxd/internal/box"
	"boxd/internal/sensors"
)

// edge is what the kernel noted of a line.
type edge struct {
	at     time.Duration // CLOCK_MONOTONIC, taken in the interrupt
	rising bool
	seq    uint32 // of the line since it was asked for: 1, 2, 3 … mod 2³²; a gap is edges that were dropped
}

// line is a GPIO line whose edges the kernel keeps.
type line interface {
	// take appends the edges since the last call, oldest first, and doesn't wait.
	take(dst []edge) ([]edge, error)
	close()
}

// What is to be told of a line.
type watch struct {
	sensors.Line
	activeLow bool // the line's low level is "rising"
	both      bool // falling edges too
}

// What goes wrong with a line.
var (
	errNoLine   = errors.New("no such line")
	errLineHeld = errors.New("line in use")
	errNoRight  = errors.New("not allowed")
)

// retryLine is how long a line that can't be had is left alone.
const retryLine = time.Second

// lineFault is what an error of a line means for a channel.
func lineFault(c box.Channel, err error) box.Sample {
	switch {
	case errors.Is(err, errLineHeld):
		return box.Failed(c, 0, "another program holds its GPIO line: stop that program, or check line in the configuration")
	case errors.Is(err, errNoRight):
		return box.Failed(c, 0, "its GPIO line may not be read: put boxd's user into the group of /dev/gpiochip0")
	case errors.Is(err, errNoLine):
		return box.Failed(c, 0, "there is no such GPIO line: check line and bus in the configuration")
	}
	return box.Failed(c, 0, "its GPIO line can't be read: check line and bus in the configuration")
}
