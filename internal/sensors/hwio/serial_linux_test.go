package hwio

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"boxd/internal/box"
	"boxd/internal/sensors"
)

// terminal is a port of the kernel's own, with an instrument of unit 7 behind it
// that answers every question with the value.
func terminal(t *testing.T, value byte) (path string, pull func()) {
	t.Helper()
	behind, err := os.OpenFile("/dev/ptmx", os.O_RDWR, 0)
	if err != nil {
		t.Skip("no pseudo terminals here: ", err)
	}
	if err := unix.IoctlSetPointerInt(int(behind.Fd()), unix.TIOCSPTLCK, 0); err != nil {
		t.Fatal(err)
	}
	n, err := unix.IoctlGetInt(int(behind.Fd()), unix.TIOCGPTN)
	if err != nil {
		t.Fatal(err)
	}
	path = fmt.Sprintf("/dev/pts/%d", n)
	fd, err := unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0) // held open: a question is not lost before the port is raw
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		var b [64]byte
		for {
			n, err := behind.Read(b[:])
			if err != nil {
				return
			}
			if n == 8 && b[0] == 7 {
				_, _ = behind.Write(telegramOf(7, 3, 2, 0, value))
			}
		}
	}()
	return path, func() {
		_ = unix.Close(fd)
		_ = behind.Close()
		<-done
	}
}

// TestKernelPort: a real port is set and read; pulled out, it is a fault, and it
// is found again under another name.
func TestKernelPort(t *testing.T) {
	dir := t.TempDir()
	link := filepath.Join(dir, "usb-adapter")
	path, pull := terminal(t, 42)
	if err := os.Symlink(path, link); err != nil {
		t.Fatal(err)
	}
	m := ecMeter()
	m.Serial = sensors.Serial{Baud: 115200, Parity: sensors.ParityEven, StopBits: 2, Timeout: 100 * time.Millisecond}
	s, err := Open([]sensors.Wiring{{Channel: box.BoxEC, Bus: filepath.Join(dir, "usb-*"), Every: 20 * time.Millisecond, Driver: m}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	wait := func(want string, ok func(x box.Sample) bool) {
		t.Helper()
		var last []box.Sample
		for range 500 {
			last, _ = s.Samples(context.Background(), 0, last[:0])
			if len(last) == 1 && ok(last[0]) {
				return
			}
			<-time.After(10 * time.Millisecond)
		}
		t.Fatalf("%+v, want %s", last, want)
	}
	wait("42", func(x box.Sample) bool { return x.Fault == "" && x.Value == 42 })
	pull()
	if err := os.Remove(link); err != nil {
		t.Fatal(err)
	}
	wait("a fault", func(x box.Sample) bool { return x.Fault != "" })
	path, pull = terminal(t, 43)
	defer pull()
	if err := os.Symlink(path, link); err != nil {
		t.Fatal(err)
	}
	wait("43", func(x box.Sample) bool { return x.Fault == "" && x.Value == 43 })
}
