//go:build !linux

package hwio

import (
	"errors"
	"syscall"
	"time"

	"periph.io/x/conn/v3/i2c"

	"boxd/internal/sensors"
)

// Buses, lines and ports are those of Linux; elsewhere boxd plans, replays and shows
// its demo.

const remoteIO = syscall.EIO

func openI2C(string) (i2c.BusCloser, error) { return nil, errors.ErrUnsupported }

func openLine(watch) (line, error) { return nil, errors.ErrUnsupported }

func openPort(string, sensors.Serial) (port, error) { return nil, errors.ErrUnsupported }

func monotonic() time.Duration { return 0 }

func describeChip(string) (FoundChip, error) { return FoundChip{}, errors.ErrUnsupported }

func mayUse(string) bool { return true }
