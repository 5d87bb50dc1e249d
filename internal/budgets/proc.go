package main

import (
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"
)

// usage is what a process has taken since it began, by /proc.
type usage struct {
	at             time.Time
	cpu            time.Duration // user and system
	resident, peak int64         // bytes
	file           int64         // of resident: pages of files, which is to say of the program
	written        int64         // bytes handed to the disk's cache and not taken back
	woken          int64         // times it gave up the processor by itself, of all threads
}

// tick is the kernel's unit of process times, which it has told every program as
// 1/100 s on every machine that Go runs on.
const tick = 10 * time.Millisecond

func usageOf(pid int) (usage, error) {
	u := usage{at: time.Now()}
	dir := fmt.Sprintf("/proc/%d/", pid)
	stat, err := os.ReadFile(dir + "stat")
	if err != nil {
		return u, fmt.Errorf("cannot read what the process has taken: %w", err)
	}
	// proc(5): utime and stime are fields 14 and 15; the name in brackets may hold blanks.
	fields := strings.Fields(string(stat)[strings.LastIndexByte(string(stat), ')')+1:])
	for _, f := range fields[11:13] {
		n, _ := strconv.ParseInt(f, 10, 64)
		u.cpu += time.Duration(n) * tick
	}
	u.resident, u.peak = valueIn(dir+"status", "VmRSS:")<<10, valueIn(dir+"status", "VmHWM:")<<10
	u.file = valueIn(dir+"status", "RssFile:") << 10
	u.written = valueIn(dir+"io", "write_bytes:") - valueIn(dir+"io", "cancelled_write_bytes:")
	tasks, _ := os.ReadDir(dir + "task")
	for _, t := range tasks {
		u.woken += valueIn(dir+"task/"+t.Name()+"/status", "voluntary_ctxt_switches:")
	}
	return u, nil
}

// valueIn is the number after a name in one of the kernel's lists; 0: it isn't
// there.
func valueIn(path, name string) int64 {
	b, _ := os.ReadFile(path)
	for line := range strings.Lines(string(b)) {
		if rest, ok := strings.CutPrefix(line, name); ok {
			n, _ := strconv.ParseInt(strings.Fields(rest)[0], 10, 64)
			return n
		}
	}
	return 0
}

func load() string {
	b, _ := os.ReadFile("/proc/loadavg")
	first, _, _ := strings.Cut(string(b), " ")
	return first
}
