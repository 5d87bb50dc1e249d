package hwio

import (
	"strings"
	"unsafe"

	"golang.org/x/sys/unix"

	"boxd/internal/box"
)

// What the kernel says of a line that somebody has; never asked for here.
const (
	lineIsUsed   = 1 << 0
	lineIsOutput = 1 << 3
)

// linesMost bounds what is listed of a chip.
const linesMost = 4096

// describeChip asks the kernel what it knows of a chip and its lines. No line is
// requested.
func describeChip(path string) (FoundChip, error) {
	fd, err := unix.Open(path, unix.O_RDONLY|unix.O_CLOEXEC, 0)
	if err != nil {
		return FoundChip{}, lineError(err)
	}
	defer unix.Close(fd)
	var chip unix.GPIOChipInfo
	if err := gpioAsk(fd, unix.GPIO_GET_CHIPINFO_IOCTL, unsafe.Pointer(&chip)); err != nil {
		return FoundChip{}, lineError(err)
	}
	f := FoundChip{Label: ended(chip.Label[:])}
	for i := range min(chip.Lines, linesMost) {
		info := unix.GPIOV2LineInfo{Offset: i}
		if err := gpioAsk(fd, unix.GPIO_V2_GET_LINEINFO_IOCTL, unsafe.Pointer(&info)); err != nil {
			return f, lineError(err)
		}
		f.Lines = append(f.Lines, lineOf(info))
	}
	return f, nil
}

func lineOf(info unix.GPIOV2LineInfo) FoundLine {
	return FoundLine{Offset: info.Offset, Name: ended(info.Name[:]), By: ended(info.Consumer[:]),
		Used: info.Flags&lineIsUsed != 0, Output: info.Flags&lineIsOutput != 0}
}

// ended is a text of C.
func ended(b []byte) string {
	s, _, _ := strings.Cut(string(b), "\x00")
	return box.Plain(s)
}

// mayUse reports whether a file may be read and written; it isn't opened.
func mayUse(path string) bool { return unix.Access(path, unix.R_OK|unix.W_OK) == nil }
