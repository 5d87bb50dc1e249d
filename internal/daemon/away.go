package daemon

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"time"

	"boxd/internal/engine"
	"boxd/internal/journal"
)

// lifeKey is where the archive keeps when the last life began.
const lifeKey = "life"

// lifeMark is that, by the one clock that nobody sets: the machine's own since it
// was switched on.
type lifeMark struct {
	Boot string        `json:"boot"`    // which switching on that was
	Up   time.Duration `json:"up_ns"`   // since then
	Base time.Duration `json:"base_ns"` // core time at that moment
}

// away is how long nobody has looked since a run's last input, in core time, and
// how that is said. While the machine stays on, it knows; the clock may have been
// set meanwhile. Where the machine was off, the clock is asked, and may have stood
// still as long.
func (d *Daemon) away(ctx context.Context, last engine.Input) (time.Duration, string) {
	was, now := d.lastLife(ctx), d.mark()
	gap := now.Up - was.Up - (last.Mono - was.Base)
	if was.Boot != "" && was.Boot == now.Boot && gap >= 0 {
		return gap, fmt.Sprintf("in %s", gap.Round(time.Second))
	}
	gap = d.o.Start.Sub(last.Wall)
	unseen := fmt.Sprintf("in %s", gap.Round(time.Second))
	switch {
	case last.Wall.IsZero() || gap < 0 || gap > 7*24*time.Hour:
		return engine.LeastUnseen, "for a time the clock can't tell"
	case was.Boot != "" || gap > uptime():
		return max(gap, engine.LeastUnseen), unseen + " or longer"
	}
	return gap, unseen
}

// mark is the moment at which this life began; it has no boot where core time is
// not the machine's.
func (d *Daemon) mark() lifeMark {
	if d.o.Speed != 1 {
		return lifeMark{}
	}
	ask := d.o.machine
	if ask == nil {
		ask = machine
	}
	boot, up := ask()
	if boot == "" {
		return lifeMark{}
	}
	return lifeMark{boot, up - time.Since(d.began), d.base}
}

// machine is which switching on this is, empty where it can't tell, and since when.
func machine() (boot string, up time.Duration) {
	text, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return "", 0
	}
	return strings.TrimSpace(string(text)), uptime()
}

func (d *Daemon) lastLife(ctx context.Context) (m lifeMark) {
	text, ok, err := d.o.Journal.State(ctx, lifeKey)
	if err == nil && ok {
		err = json.Unmarshal(text, &m)
	}
	if err != nil {
		d.o.Log.Error("cannot read when boxd was last started", "error", err)
		return lifeMark{}
	}
	return m
}

func (d *Daemon) markLife(ctx context.Context) {
	text, err := json.Marshal(d.mark())
	if err == nil {
		err = d.o.Journal.Commit(ctx, journal.Batch{State: map[string][]byte{lifeKey: text}})
	}
	if err != nil {
		d.o.Log.Error("cannot save when boxd was started", "error", err)
	}
}

// uptime is how long the machine has been on; 0 where it can't tell.
func uptime() time.Duration {
	b, err := os.ReadFile("/proc/uptime")
	if err != nil {
		return 0
	}
	var s float64
	if _, err := fmt.Sscan(string(b), &s); err != nil {
		return 0
	}
	return time.Duration(s * float64(time.Second))
}
