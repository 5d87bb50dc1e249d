// The real binary on disks that are full, read-only or hold a damaged archive. It
// has to say so, to raise the alarm and to go on advising from memory.
package main

import (
	"bytes"
	"context"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"boxd/internal/engine"
)

// TestADamagedArchive: pages in the middle of the file are overwritten with what
// is not a page.
func TestADamagedArchive(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	p := startBoxd(t, "demo", "-person", "auto", "-speed", "1000", "-listen", "127.0.0.1:0", "-data", dir)
	if _, err := endedRun(dir, 2*patience); err != nil {
		t.Fatal(err)
	}
	p.interrupt(t)
	b, err := os.ReadFile(archiveFile(dir))
	if err != nil {
		t.Fatal(err)
	}
	const page = 4096 // SQLite's default
	if len(b) < 12*page {
		t.Fatalf("an archive of %d bytes is too small for this", len(b))
	}
	for at := 3 * page; at < len(b)-2*page; at += 3 * page {
		copy(b[at:at+page], bytes.Repeat([]byte("not a page. "), page/12))
	}
	if err := os.WriteFile(archiveFile(dir), b, 0o644); err != nil {
		t.Fatal(err)
	}
	p = startBoxd(t, "demo", "-person", "auto", "-speed", "1000", "-listen", "127.0.0.1:0", "-data", dir)
	advisesFromMemory(t, p, "damaged")
	now, err := os.ReadFile(archiveFile(dir))
	if err != nil || !bytes.Equal(now, b) {
		t.Errorf("the damaged archive was changed (%v): nobody can mend it now", err)
	}
}

// advisesFromMemory: the box says what is wrong, has the alarm and leads through
// a whole run.
func advisesFromMemory(t *testing.T, p *process, why string) {
	t.Helper()
	if said := p.await(t, `^archive +NONE: (.*)`); !strings.Contains(said, why) {
		t.Errorf("says %q, not %q", said, why)
	}
	page := p.await(t, `^page +(http://\S+)`)
	ctx, cancel := context.WithTimeout(t.Context(), 2*patience)
	defer cancel()
	alarmed := false
	for wait(ctx, 5*time.Millisecond) && !alarmed {
		var v engine.View
		if !fetch(ctx, page+"api/view", &v) {
			continue
		}
		for _, a := range v.Alarms {
			alarmed = alarmed || a.ID == "archive-failing" && strings.Contains(a.Text, why)
		}
	}
	if !alarmed {
		t.Error("the alarm never stood")
	}
	// Looking at the view for it could miss it: at this pace a step is over in milliseconds.
	p.await(t, `^alert +\S+: flush done: (.*)`)
	p.interrupt(t)
}

// mounted starts boxd in a mount namespace of its own, with a small disk of
// memory at DIR; script goes between mounting and boxd.
func mounted(t *testing.T, dir, script string, args ...string) *process {
	t.Helper()
	if os.Getuid() != 0 {
		if os.Getenv("BOXD_REQUIRE_ROOT") == "1" {
			t.Fatal("mounting needs root")
		}
		t.Skip("mounting needs root")
	}
	cmd := exec.Command("sh", append([]string{"-ec", `mount -t tmpfs -o size=24m tmpfs "$1"; ` + script + `; shift; exec "$@"`, "sh", dir, "boxd"}, args...)...)
	cmd.SysProcAttr = &syscall.SysProcAttr{Unshareflags: syscall.CLONE_NEWNS}
	return startProcess(t, cmd)
}

func TestAReadOnlyDisk(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	p := mounted(t, dir, `mount -o remount,ro "$1"`, "demo", "-person", "auto", "-speed", "1000", "-listen", "127.0.0.1:0", "-data", dir)
	advisesFromMemory(t, p, "read-only")
}

// TestAFullDisk: the disk fills up in the middle of a run and has room again.
// Meanwhile what can't be kept is refused, the alarm stands, and the box goes on
// measuring and advising.
func TestAFullDisk(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	p := mounted(t, dir, ":", "demo", "-speed", "100", "-listen", "127.0.0.1:0", "-data", dir)
	page := p.await(t, `^page +(http://\S+)`)
	ctx, cancel := context.WithTimeout(t.Context(), 2*patience)
	defer cancel()
	until := func(what string, good func(engine.View) bool) (v engine.View) {
		t.Helper()
		for wait(ctx, 5*time.Millisecond) {
			if fetch(ctx, page+"api/view", &v) && good(v) {
				return v
			}
		}
		t.Fatalf("never %s: step %s, alarms %+v", what, v.Step, v.Alarms)
		return v
	}
	c := &crash{T: t}
	// A report is taken at any time, so that it is the disk alone that refuses.
	n := 0
	say := func(id, deed string) bool {
		n++
		return c.post(ctx, page+"act", url.Values{"do": {"report:" + deed}, "by": {"a person"}, "id": {fmt.Sprintf("%s-%d", id, n)}})
	}
	v := until("asked to begin", func(v engine.View) bool { return v.Advice != nil && v.Advice.Deed != "" })
	if !c.confirm(ctx, page, v.Advice.Number, "begin") {
		t.Fatal("the start of a run is refused on a good disk")
	}
	// The namespace's own disk, seen from outside.
	disk := filepath.Join("/proc", fmt.Sprint(p.cmd.Process.Pid), "root", dir)
	until("a reserve", func(engine.View) bool {
		_, err := os.Stat(archiveFile(disk) + ".ballast")
		return err == nil
	})
	fill(t, filepath.Join(disk, "filler"))
	until("an alarm", stands("archive-failing"))
	until("a word taken from the reserve", func(engine.View) bool { return say("meanwhile", "stock_in") })
	// Saved again, and still in trouble.
	v = until("a view", func(engine.View) bool { return true })
	if v = until("a later view", func(w engine.View) bool { return w.T > v.T+60 }); !stands("archive-failing")(v) {
		t.Error("nobody is told that the reserve is in use")
	}
	for n := range 3 { // until the reserve is gone, too
		fill(t, filepath.Join(disk, fmt.Sprintf("filler-%d", n)))
		v := until("a view", func(engine.View) bool { return true })
		until("a later view", func(w engine.View) bool { return w.T > v.T+120 })
	}
	if say("without", "stock_out") {
		t.Error("a word was taken that could not be kept")
	}
	fillers, err := filepath.Glob(filepath.Join(disk, "filler*"))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range fillers {
		if err := os.Remove(f); err != nil {
			t.Fatal(err)
		}
	}
	until("well again", func(v engine.View) bool { return !stands("archive-failing")(v) })
	until("a word taken", func(engine.View) bool { return say("after", "stock_out") })
	j, err := os.ReadFile(archiveFile(disk))
	if err != nil || len(j) == 0 {
		t.Errorf("the archive: %d bytes, %v", len(j), err)
	}
	p.interrupt(t)
}

func stands(id string) func(engine.View) bool {
	return func(v engine.View) bool {
		for _, a := range v.Alarms {
			if a.ID == id && a.Active {
				return true
			}
		}
		return false
	}
}

// fill writes until there is no room left.
func fill(t *testing.T, path string) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for block := make([]byte, 1<<16); len(block) > 0; {
		if _, err := f.Write(block); err != nil {
			block = block[:len(block)/2]
		}
	}
}
