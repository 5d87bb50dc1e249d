package main

import (
	"time"

	"github.com/coreos/go-systemd/v22/daemon"
)

// supervisor is systemd, where it started boxd: it is told when boxd is ready and
// that the core turns, and starts a stuck one anew. Elsewhere its words go nowhere.
type supervisor struct {
	every time.Duration // between signs of life; 0: nobody asks for them
	last  time.Time
}

func newSupervisor() (*supervisor, error) {
	within, err := daemon.SdWatchdogEnabled(false)
	return &supervisor{every: within / 4}, err
}

// alive is called by the core's own goroutine and by nothing else: a page that
// still answers is no sign that the core turns.
func (s *supervisor) alive() {
	now := time.Now()
	if s.every == 0 || now.Sub(s.last) < s.every {
		return
	}
	s.last = now
	tellSystemd(daemon.SdNotifyWatchdog)
}

func (*supervisor) ready()    { tellSystemd(daemon.SdNotifyReady) }
func (*supervisor) stopping() { tellSystemd(daemon.SdNotifyStopping) }

// tellSystemd has no use for an error: without its sign of life systemd acts by
// itself.
func tellSystemd(state string) { _, _ = daemon.SdNotify(false, state) }
