//go:build linux

package wiring

import (
	"fmt"
	"os"
	"strings"
	"unsafe"

	"golang.org/x/sys/unix"
)

// Held is a line that somebody has taken, as the kernel tells it.
type Held struct {
	Name, By string
	Output   bool
}

// Flags of a line (linux/gpio.h).
const lineUsed, lineInput, lineOutput = 1 << 0, 1 << 2, 1 << 3

// Held are the chip's lines that are taken (GPIO_V2_GET_LINEINFO, which takes
// none itself).
func (l *Lines) Held() (out []Held, err error) {
	f, err := os.Open(l.Path())
	if err != nil {
		return nil, err
	}
	defer f.Close()
	for i := range l.names {
		info := unix.GPIOV2LineInfo{Offset: uint32(i)}
		if _, _, e := unix.Syscall(unix.SYS_IOCTL, f.Fd(), unix.GPIO_V2_GET_LINEINFO_IOCTL, uintptr(unsafe.Pointer(&info))); e != 0 {
			return nil, fmt.Errorf("cannot ask for line %d: %w", i, e)
		}
		if info.Flags&lineUsed == 0 {
			continue
		}
		text := func(b []byte) string { s, _, _ := strings.Cut(string(b), "\x00"); return s }
		out = append(out, Held{text(info.Name[:]), text(info.Consumer[:]), info.Flags&(lineInput|lineOutput) != lineInput})
	}
	return out, nil
}

// DebugGPIO is the kernel's own table of all GPIO lines in use.
func DebugGPIO() (string, error) { return read("/sys/kernel/debug/gpio") }
