//go:build linux

package wiring

import (
	"errors"
	"fmt"
	"path/filepath"
	"time"
)

// Adapter is a USB serial adapter. Withdrawing its authorisation unbinds its
// driver and takes its tty away from whoever has it open, as pulling it out
// does.
type Adapter struct{ dir string }

// found is how long a USB bus may take to see what is plugged in.
const found = 10 * time.Second

// NewAdapter finds the adapter with a serial number.
func NewAdapter(serial string) (Adapter, error) {
	for limit := time.Now().Add(found); time.Now().Before(limit); time.Sleep(50 * time.Millisecond) {
		files, _ := filepath.Glob("/sys/bus/usb/devices/*/serial")
		for _, f := range files {
			if s, _ := read(f); s == serial {
				return Adapter{filepath.Dir(f)}, nil
			}
		}
	}
	return Adapter{}, fmt.Errorf("no USB device has the serial number %q", serial)
}

// Plug puts it in or pulls it out.
func (a Adapter) Plug(in bool) error {
	v := "0"
	if in {
		v = "1"
	}
	return write(a.dir+"/authorized", v)
}

// Path waits for its tty, /dev/ttyUSBn; the number is the kernel's.
func (a Adapter) Path() (string, error) {
	for limit := time.Now().Add(found); time.Now().Before(limit); time.Sleep(50 * time.Millisecond) {
		if t, _ := filepath.Glob(a.dir + "/*/ttyUSB*"); len(t) == 1 {
			return "/dev/" + filepath.Base(t[0]), nil
		}
	}
	return "", errors.New("the adapter has no tty")
}
