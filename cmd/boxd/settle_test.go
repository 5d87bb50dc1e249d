package main

import (
	"fmt"
	"os"
	"runtime"
	"strings"
	"testing"
)

// The layout is proc(5)'s. Only what is read-only and as in the file may be let go of:
// a page written before it was protected (relocated, or a debugger's) would be lost.
func TestUnwritten(t *testing.T) {
	t.Parallel()
	part := func(head string, anonymous int) string {
		return fmt.Sprintf("%s\nSize: 400 kB\nRss: 400 kB\nAnonymous: %d kB\nVmFlags: rd mr mw me\n", head, anonymous)
	}
	list := strings.Join([]string{
		part("00400000-00500000 r-xp 00000000 fe:01 42 /usr/bin/boxd", 0),
		part("00500000-00600000 r--p 00100000 fe:01 42 /usr/bin/boxd", 0),
		part("00600000-00700000 r--p 00200000 fe:01 42 /usr/bin/boxd", 4),
		part("00700000-00800000 rw-p 00300000 fe:01 42 /usr/bin/boxd", 0),
		part("c000000000-c000400000 rw-p 00000000 00:00 0", 400),
		part("7f0000000000-7f0000100000 r--p 00000000 fe:01 43 /lib/libc.so.6", 0),
		part("7f0000100000-7f0000200000 r-xp 00000000 00:00 0 [vdso]", 0),
	}, "")
	want := []span{{0x400000, 0x500000}, {0x500000, 0x600000}}
	if got := unwritten(list, "/usr/bin/boxd"); fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("%x, want %x", got, want)
	}
}

// Most of the program's pages go, and it works on: they come back by themselves.
func TestSettle(t *testing.T) {
	t.Parallel()
	if runtime.GOOS != "linux" {
		t.Skip("the list of pages is Linux's")
	}
	before := pagesOfFiles(t)
	settle()
	if after := pagesOfFiles(t); after > before*9/10 || len(commands()) == 0 {
		t.Errorf("%d kB of files before, %d kB after", before, after)
	}
}

func pagesOfFiles(t *testing.T) (kB int) {
	t.Helper()
	b, err := os.ReadFile("/proc/self/status")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(b), "RssFile:")
	if _, err := fmt.Sscan(rest, &kB); err != nil {
		t.Fatal(err)
	}
	return kB
}
