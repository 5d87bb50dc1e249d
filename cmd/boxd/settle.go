package main

import (
	"bufio"
	"os"
	"runtime/debug"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// settle gives back to the kernel what the start took and the work does not need: of
// the heap, such as the configuration as parsed and the archive's check, and of the
// program's own file. Making five hundred packages ready touches nearly all of that;
// turning the core touches a quarter. A page that is needed after all comes back by
// itself, from the kernel's cache or the file.
func settle() {
	debug.FreeOSMemory()
	own, err := os.Executable()
	if err != nil {
		return
	}
	maps, err := os.ReadFile("/proc/self/smaps")
	if err != nil {
		return // not Linux, or no /proc: nothing is lost by keeping them
	}
	for _, m := range unwritten(string(maps), own) {
		_, _, _ = unix.Syscall(unix.SYS_MADVISE, m.from, m.to-m.from, unix.MADV_DONTNEED) // advice alone
	}
}

// span is a part of the address space.
type span struct{ from, to uintptr }

// unwritten are the parts of a file in the kernel's list (proc(5), smaps) that can't
// be written and of which nothing was: only what still is as in the file may be let
// go of.
func unwritten(smaps, file string) (out []span) {
	var at span
	mine := false
	for s := bufio.NewScanner(strings.NewReader(smaps)); s.Scan(); {
		f := strings.Fields(s.Text())
		switch {
		case len(f) >= 5 && !strings.HasSuffix(f[0], ":"):
			from, to, _ := strings.Cut(f[0], "-")
			low, err1 := strconv.ParseUint(from, 16, strconv.IntSize)
			high, err2 := strconv.ParseUint(to, 16, strconv.IntSize)
			at, mine = span{uintptr(low), uintptr(high)}, err1 == nil && err2 == nil && f[1][0] == 'r' && f[1][1] == '-' && len(f) == 6 && f[5] == file
		case mine && len(f) == 3 && f[0] == "Anonymous:" && f[1] == "0": // written pages are anonymous
			out = append(out, at)
		}
	}
	return out
}
