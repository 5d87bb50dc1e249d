//go:build linux

// Command guest is the first process of the machine that hw/kernel/run boots: it
// mounts, loads the kernel modules, runs the tests, says how they ended and
// switches the machine off.
package main

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"boxd/hw/kernel/wiring"
)

func main() {
	begun := time.Now()
	verdict := "PASS"
	if err := errors.Join(mounts(), loopback(), modules(), tests()); err != nil {
		fmt.Println("guest:", err)
		verdict = "FAIL"
	}
	fmt.Printf("KERNEL-TEST %s after %.1f s of the machine's time\n", verdict, time.Since(begun).Seconds())
	time.Sleep(100 * time.Millisecond) // the console drains
	_ = unix.Reboot(unix.LINUX_REBOOT_CMD_POWER_OFF)
}

func mounts() (err error) {
	for _, m := range [][2]string{{"proc", "/proc"}, {"sysfs", "/sys"}, {"devtmpfs", "/dev"}, {"tmpfs", "/tmp"}, {"debugfs", "/sys/kernel/debug"}} {
		if e := unix.Mount(m[0], m[1], m[0], 0, ""); e != nil && e != unix.EBUSY {
			err = errors.Join(err, fmt.Errorf("cannot mount %s: %w", m[1], e))
		}
	}
	return err
}

// loopback brings the network of the machine with itself up: the pages are
// served on it.
func loopback() error {
	s, err := unix.Socket(unix.AF_INET, unix.SOCK_DGRAM, 0)
	if err != nil {
		return err
	}
	defer unix.Close(s)
	r, err := unix.NewIfreq("lo")
	if err != nil {
		return err
	}
	r.SetUint16(unix.IFF_UP | unix.IFF_RUNNING)
	return unix.IoctlIfreq(s, unix.SIOCSIFFLAGS, r)
}

func modules() error {
	list, err := os.ReadFile("/modules/order")
	if err != nil {
		return err
	}
	for name := range strings.FieldsSeq(string(list)) {
		f, err := os.Open("/modules/" + name)
		if err != nil {
			return err
		}
		err = unix.FinitModule(int(f.Fd()), "", 0)
		_ = f.Close()
		if err != nil {
			return fmt.Errorf("cannot load %s: %w", name, err)
		}
	}
	return unix.Mount("configfs", "/sys/kernel/config", "configfs", 0, "")
}

func tests() error {
	args := []string{"-test.v", "-test.timeout=30m"} // of the machine's time; run bounds the real time
	line, err := os.ReadFile("/proc/cmdline")
	if err != nil {
		return err
	}
	for word := range strings.FieldsSeq(string(line)) {
		if run, ok := strings.CutPrefix(word, "boxd.run="); ok && run != "" {
			args = append(args, "-test.run="+run)
		}
	}
	c := exec.Command("/kernel.test", args...)
	// Of one thread alone, the field would be late whenever a test is busy. Garbage
	// is collected seldom: there is memory, and what is emulated is slow.
	c.Env = []string{"BOXD_BENCH=1", "GOMAXPROCS=4", "GOGC=400", "HOME=/root", "PATH=/", "TMPDIR=/tmp"}
	c.Dir = "/tmp"
	c.Stdout, c.Stderr = os.Stdout, os.Stdout
	runtime.LockOSThread() // the field's process inherits this thread's priority
	if err := errors.Join(wiring.GoFirst(), c.Start()); err != nil {
		return err
	}
	return c.Wait()
}
