//go:build !linux

package hwio

import (
	"errors"
	"syscall"
	"time"

	"boxd/internal/sensors"
)

// Lines and ports are those of Linux; elsewhere boxd plans, replays and shows
// its demo.

const remoteIO = syscall.EIO

func openLine(watch) (line, error) { return nil, errors.ErrUnsupported }

func openPort(string, sensors.Serial) (port, error) { return nil, errors.ErrUnsupported }

func monotonic() time.Duration { return 0 }
