//go:build linux

package wiring

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// senderEnv tells this program's copy that it is to send pulses: file, number,
// pulses a second.
const senderEnv = "BOXD_BENCH_PULSES"

// SendPulses must be called first in the program: its copy, started by Pulses,
// ends in here.
//
// The sender is a process of its own at real-time priority, below that of the
// kernel's interrupt threads: so it is on time whether or not the program under
// test keeps up, as a meter is. A goroutine on a real-time thread would not do:
// the runtime's locks yield, and on one CPU such a thread keeps whoever holds
// the lock from ever running.
func SendPulses() {
	var path string
	var n int
	var hz float64
	if k, _ := fmt.Sscan(os.Getenv(senderEnv), &path, &n, &hz); k != 3 {
		return
	}
	if err := send(path, n, hz); err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
	os.Exit(0)
}

func send(path string, n int, hz float64) error {
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	var ts unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &ts); err != nil {
		return err
	}
	start := ts.Nano() + int64(5*time.Millisecond)
	for i := range 2 * n {
		due := unix.NsecToTimespec(start + int64(float64(i)*5e8/hz))
		if err := unix.ClockNanosleep(unix.CLOCK_MONOTONIC, unix.TIMER_ABSTIME, &due, nil); err != nil {
			return err
		}
		if err := set(f, i%2 == 0); err != nil {
			return err
		}
	}
	return nil
}

// Pulses sends n pulses on a line at so many a second and returns when they are
// out.
func (l *Lines) Pulses(name string, n int, hz float64) error {
	f, err := l.pull(name)
	if err != nil {
		return err
	}
	c := exec.Command("/proc/self/exe")
	c.Env = append(os.Environ(), fmt.Sprintf("%s=%s %d %g", senderEnv, f.Name(), n, hz))
	var out strings.Builder
	c.Stdout, c.Stderr = &out, &out
	if err := startRealTime(c); err != nil {
		return err
	}
	if err := c.Wait(); err != nil {
		return fmt.Errorf("cannot send pulses: %w: %s", err, out.String())
	}
	return nil
}

const schedOther, schedFIFO, belowInterrupts = 0, 1, 40

// startRealTime starts a process that inherits its thread's scheduling.
func startRealTime(c *exec.Cmd) error {
	return with(c, func() error { return schedule(schedFIFO, belowInterrupts) }, func() error { return schedule(schedOther, 0) })
}

// Field and program share a processor here, but not in the field: so the field's
// process goes first.
const first = -19

// GoFirst lets the calling thread, and what it starts, go before all that
// StartPlain starts. To hold for a whole program it is called by whoever starts it.
func GoFirst() error { return unix.Setpriority(unix.PRIO_PROCESS, 0, first) }

// StartPlain starts a process of ordinary priority.
func StartPlain(c *exec.Cmd) error {
	return with(c, func() error { return unix.Setpriority(unix.PRIO_PROCESS, 0, 0) }, GoFirst)
}

// with starts a process from a thread that is set up for it and put back.
func with(c *exec.Cmd, before, after func() error) error {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	if err := before(); err != nil {
		return err
	}
	return errors.Join(c.Start(), after())
}

func schedule(policy uintptr, priority int32) error {
	if _, _, e := unix.Syscall(unix.SYS_SCHED_SETSCHEDULER, 0, policy, uintptr(unsafe.Pointer(&priority))); e != 0 {
		return fmt.Errorf("cannot set the scheduling: %w", e)
	}
	return nil
}
