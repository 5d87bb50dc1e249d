package main

import (
	"fmt"
	"os"
	"os/exec"
	"regexp"
	"runtime"
	"strconv"

	"golang.org/x/sys/unix"
)

// startAsService starts a program with the timer slack that the packaged service
// gives it: prctl(2), PR_SET_TIMERSLACK, which a child has from the thread that makes
// it.
func startAsService(c *exec.Cmd) error {
	const file = "internal/packaging/files/boxd.service"
	unit, err := os.ReadFile(file)
	if err != nil {
		return err
	}
	m := regexp.MustCompile(`(?m)^TimerSlackNSec=(\d+)ms$`).FindSubmatch(unit)
	if m == nil {
		return fmt.Errorf("%s says no TimerSlackNSec in ms", file)
	}
	ms, _ := strconv.Atoi(string(m[1]))
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	if err := unix.Prctl(unix.PR_SET_TIMERSLACK, uintptr(ms)*1e6, 0, 0, 0); err != nil {
		return fmt.Errorf("cannot set the timer slack: %w", err)
	}
	defer func() { _ = unix.Prctl(unix.PR_SET_TIMERSLACK, 0, 0, 0, 0) }() // 0: this thread's own again
	return c.Start()
}
