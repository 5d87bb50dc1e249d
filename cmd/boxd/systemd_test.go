// The supervisor's socket is one of the test's own: the words of sd_notify(3)
// must come from the real binary, in order.
package main

import (
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"
)

func TestTheSupervisorIsTold(t *testing.T) {
	t.Parallel()
	at := filepath.Join(t.TempDir(), "notify")
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: at, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	cmd := exec.Command("boxd", "demo", "-listen", "127.0.0.1:0", "-data", t.TempDir())
	cmd.Env = append(os.Environ(), "NOTIFY_SOCKET="+at, "WATCHDOG_USEC=400000")
	p := startProcess(t, cmd)
	hear := func() string {
		b := make([]byte, 256)
		_ = c.SetReadDeadline(time.Now().Add(patience))
		n, err := c.Read(b)
		if err != nil {
			t.Fatal(err)
		}
		return string(b[:n])
	}
	for _, want := range []string{"READY=1", "WATCHDOG=1", "WATCHDOG=1", "WATCHDOG=1"} {
		if got := hear(); got != want {
			t.Fatalf("the supervisor hears %q, want %q", got, want)
		}
	}
	p.interrupt(t)
	for got := hear(); got != "STOPPING=1"; got = hear() {
		if got != "WATCHDOG=1" {
			t.Fatalf("the supervisor hears %q", got)
		}
	}
}
