package hwio

import (
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"boxd/internal/sensors"
)

// Flags of a line, GPIO uAPI v2 (linux/gpio.h). Those that make an output are
// left out on purpose.
const (
	lineActiveLow = 1 << 1
	lineInput     = 1 << 2
	lineRising    = 1 << 4
	lineFalling   = 1 << 5
	linePullUp    = 1 << 8
	linePullDown  = 1 << 9
	lineNoBias    = 1 << 10
)

// edgesKept is how many edges the kernel keeps of a line, the most it does.
const edgesKept = 1024

// flags are those of a watched line: always an input.
func (w watch) flags() uint64 {
	f := uint64(lineInput | lineRising)
	if w.both {
		f |= lineFalling
	}
	if w.activeLow {
		f |= lineActiveLow
	}
	switch w.Bias {
	case sensors.BiasUp:
		f |= linePullUp
	case sensors.BiasDown:
		f |= linePullDown
	case sensors.BiasOff:
		f |= lineNoBias
	case sensors.BiasAsIs, sensors.UnknownBias:
	}
	return f
}

// request is what the kernel is asked.
func (w watch) request(offset uint32) unix.GPIOV2LineRequest {
	r := unix.GPIOV2LineRequest{Num_lines: 1, Event_buffer_size: edgesKept}
	r.Offsets[0] = offset
	copy(r.Consumer[:len(r.Consumer)-1], "boxd")
	r.Config.Flags = w.flags()
	if w.Debounce > 0 {
		r.Config.Num_attrs = 1
		r.Config.Attrs[0].Attr = unix.GPIOV2LineAttribute{Id: unix.GPIO_V2_LINE_ATTR_ID_DEBOUNCE, Flags: uint64(w.Debounce.Microseconds())}
		r.Config.Attrs[0].Mask = 1
	}
	return r
}

// openLine asks the kernel for a line.
func openLine(w watch) (line, error) {
	chips := []string{w.Chip}
	if w.Chip == "" {
		chips, _ = filepath.Glob("/dev/gpiochip*") // the pattern is sound
		slices.Sort(chips)
	}
	err := errNoLine
	for _, chip := range chips {
		l, e := openLineOf(chip, w)
		if e == nil {
			return l, nil
		}
		if !errors.Is(e, errNoLine) {
			err = e
		}
	}
	return nil, err
}

func openLineOf(chip string, w watch) (line, error) {
	fd, err := unix.Open(chip, unix.O_RDONLY|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, lineError(err)
	}
	defer unix.Close(fd) // the line has a descriptor of its own
	offset := w.Offset
	if w.Name != "" {
		if offset, err = lineNamed(fd, w.Name); err != nil {
			return nil, err
		}
	}
	r := w.request(offset)
	if err := gpioAsk(fd, unix.GPIO_V2_GET_LINE_IOCTL, unsafe.Pointer(&r)); err != nil {
		return nil, lineError(err)
	}
	if err := unix.SetNonblock(int(r.Fd), true); err != nil {
		_ = unix.Close(int(r.Fd))
		return nil, lineError(err)
	}
	return &kernelLine{fd: int(r.Fd), buf: make([]byte, 64*sizeofEvent)}, nil
}

// lineNamed finds a chip's line by its name.
func lineNamed(fd int, name string) (uint32, error) {
	var chip unix.GPIOChipInfo
	if err := gpioAsk(fd, unix.GPIO_GET_CHIPINFO_IOCTL, unsafe.Pointer(&chip)); err != nil {
		return 0, lineError(err)
	}
	for i := range min(chip.Lines, 4096) {
		info := unix.GPIOV2LineInfo{Offset: i}
		if err := gpioAsk(fd, unix.GPIO_V2_GET_LINEINFO_IOCTL, unsafe.Pointer(&info)); err != nil {
			return 0, lineError(err)
		}
		if got, _, _ := strings.Cut(string(info.Name[:]), "\x00"); got == name {
			return i, nil
		}
	}
	return 0, errNoLine
}

// gpioAsk is an ioctl. The package has no request for it that sets a line.
func gpioAsk(fd int, request uintptr, arg unsafe.Pointer) error {
	if _, _, e := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), request, uintptr(arg)); e != 0 {
		return e
	}
	return nil
}

func lineError(err error) error {
	switch {
	case errors.Is(err, syscall.EBUSY):
		return errLineHeld
	case errors.Is(err, syscall.EACCES), errors.Is(err, syscall.EPERM):
		return errNoRight
	case errors.Is(err, syscall.ENOENT), errors.Is(err, syscall.ENODEV), errors.Is(err, syscall.ENXIO), errors.Is(err, syscall.EINVAL):
		return errNoLine
	}
	return fmt.Errorf("line: %w", err)
}

const sizeofEvent = int(unsafe.Sizeof(unix.GPIOV2LineEvent{}))

// kernelLine is a line as the kernel hands it out.
type kernelLine struct {
	fd  int
	buf []byte
}

func (l *kernelLine) take(dst []edge) ([]edge, error) {
	for range edgesKept { // bounded, however fast they come
		n, err := unix.Read(l.fd, l.buf)
		switch {
		case errors.Is(err, syscall.EINTR):
			continue
		case errors.Is(err, syscall.EAGAIN):
			return dst, nil
		case err != nil:
			return dst, lineError(err)
		case n == 0:
			return dst, errNoLine
		}
		for b := l.buf[:n]; len(b) >= sizeofEvent; b = b[sizeofEvent:] {
			e := (*unix.GPIOV2LineEvent)(unsafe.Pointer(&b[0]))
			dst = append(dst, edge{time.Duration(e.Timestamp_ns), e.Id == unix.GPIO_V2_LINE_EVENT_RISING_EDGE, e.Line_seqno})
		}
		if len(dst) >= 4*edgesKept {
			return dst, nil
		}
	}
	return dst, nil
}

func (l *kernelLine) close() { _ = unix.Close(l.fd) }

// remoteIO is one of the errors of a transfer that nobody acknowledged.
const remoteIO = syscall.EREMOTEIO

// monotonic is the clock of the edges.
func monotonic() time.Duration {
	var t unix.Timespec
	_ = unix.ClockGettime(unix.CLOCK_MONOTONIC, &t) // can't fail for this clock
	return time.Duration(t.Nano())
}
