package hwio

import (
	"errors"
	"os"
	"runtime"
	"syscall"
	"unsafe"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/host/v3/fs"
)

// Of linux/i2c-dev.h and linux/i2c.h.
const (
	i2cFuncs     = 0x0705
	i2cTransfer  = 0x0707 // I2C_RDWR
	i2cFuncPlain = 1 << 0
	i2cMsgRead   = 1 << 0
)

// kernelI2C is an I2C bus of the kernel. periph has one too, but in a package that
// brings drivers of pins and lamps into the program, which then could drive them;
// and it passes on the kernel's errors as text.
type kernelI2C struct{ f *fs.File }

type i2cMsg struct {
	addr, flags, length uint16
	buf                 *byte
}

type i2cTransferData struct {
	msgs *i2cMsg
	n    uint32
}

func openI2C(path string) (i2c.BusCloser, error) {
	f, err := fs.Open(path, os.O_RDWR)
	if err != nil {
		return nil, err
	}
	b := &kernelI2C{f}
	var can uintptr // unsigned long
	if err := b.ask(i2cFuncs, unsafe.Pointer(&can)); err != nil || can&i2cFuncPlain == 0 {
		_ = f.Close() // nothing was written
		return nil, errors.Join(errors.New("cannot open "+path+": it is no I2C bus that does plain transfers"), err)
	}
	return b, nil
}

func (b *kernelI2C) ask(request uintptr, arg unsafe.Pointer) error {
	if _, _, e := unix.Syscall(unix.SYS_IOCTL, b.f.Fd(), request, uintptr(arg)); e != 0 {
		return e
	}
	return nil
}

// Tx writes w, then reads r, as one transfer. The error is the kernel's.
func (b *kernelI2C) Tx(addr uint16, w, r []byte) error {
	var msgs [2]i2cMsg
	n := uint32(0)
	if len(w) > 0 {
		msgs[n] = i2cMsg{addr: addr, length: uint16(len(w)), buf: &w[0]}
		n++
	}
	if len(r) > 0 {
		msgs[n] = i2cMsg{addr: addr, flags: i2cMsgRead, length: uint16(len(r)), buf: &r[0]}
		n++
	}
	if n == 0 || len(w) > 4096 || len(r) > 4096 {
		return syscall.EINVAL
	}
	err := b.ask(i2cTransfer, unsafe.Pointer(&i2cTransferData{&msgs[0], n}))
	runtime.KeepAlive(&msgs)
	return err
}

// SetSpeed is not for a program: the board's settings say it.
func (b *kernelI2C) SetSpeed(physic.Frequency) error { return errors.ErrUnsupported }

func (b *kernelI2C) String() string { return b.f.Name() }

// Close lets go of the bus.
func (b *kernelI2C) Close() error { return b.f.Close() }
