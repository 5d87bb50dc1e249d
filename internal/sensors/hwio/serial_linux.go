package hwio

import (
	"errors"
	"fmt"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"boxd/internal/sensors"
)

// kernelPort is a serial port as the kernel hands it out: raw, eight data bits,
// no handshake, for this program alone.
type kernelPort struct{ fd int }

func openPort(path string, set sensors.Serial) (port, error) {
	fd, err := unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err == nil {
		if err = setPort(fd, set); err != nil {
			_ = unix.Close(fd)
		}
	}
	switch {
	case err == nil:
		return &kernelPort{fd}, nil
	case errors.Is(err, syscall.EBUSY):
		return nil, errPortHeld
	case errors.Is(err, syscall.EACCES), errors.Is(err, syscall.EPERM):
		return nil, errNoRight
	}
	return nil, fmt.Errorf("%w: %w", errNoPort, err)
}

func setPort(fd int, set sensors.Serial) error {
	if err := unix.IoctlSetInt(fd, unix.TIOCEXCL, 0); err != nil {
		return err
	}
	t, err := unix.IoctlGetTermios(fd, unix.TCGETS2)
	if err != nil {
		return err
	}
	t.Iflag, t.Oflag, t.Lflag = 0, 0, 0
	t.Cflag = unix.CS8 | unix.CREAD | unix.CLOCAL | unix.BOTHER
	if set.StopBits == 2 {
		t.Cflag |= unix.CSTOPB
	}
	switch set.Parity {
	case sensors.ParityEven:
		t.Cflag |= unix.PARENB
	case sensors.ParityOdd:
		t.Cflag |= unix.PARENB | unix.PARODD
	case sensors.ParityNone, sensors.UnknownParity:
	}
	t.Ispeed, t.Ospeed = set.Baud, set.Baud
	t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
	if err := unix.IoctlSetTermios(fd, unix.TCSETS2, t); err != nil {
		return err
	}
	return unix.IoctlSetInt(fd, unix.TCFLSH, unix.TCIOFLUSH)
}

func (p *kernelPort) write(b []byte) error {
	n, err := unix.Write(p.fd, b)
	if err == nil && n < len(b) {
		err = errPortGone // an empty port takes a telegram whole
	}
	return err
}

func (p *kernelPort) read(b []byte, until time.Time) (int, error) {
	for {
		n, err := unix.Read(p.fd, b)
		switch {
		case err == nil && n > 0:
			return n, nil
		case err == nil: // hung up
			return 0, errPortGone
		case errors.Is(err, syscall.EINTR):
			continue
		case !errors.Is(err, syscall.EAGAIN):
			return 0, err
		}
		left := time.Until(until)
		if left <= 0 {
			return 0, nil
		}
		wait := []unix.PollFd{{Fd: int32(p.fd), Events: unix.POLLIN}}
		if _, err := unix.Poll(wait, int((left+time.Millisecond-1)/time.Millisecond)); err != nil && !errors.Is(err, syscall.EINTR) {
			return 0, err
		}
	}
}

func (p *kernelPort) close() { _ = unix.Close(p.fd) }
