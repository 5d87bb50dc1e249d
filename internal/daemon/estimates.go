package daemon

import (
	"time"

	"boxd/internal/journal"
)

// estimateEach is how often what is estimated is kept during a run.
const estimateEach = time.Minute

// estimate lines up what the core estimates now, once a minute of a run. While
// the archive can't be written none is kept: they must not crowd out words.
func (d *Daemon) estimate() {
	if d.run == "" {
		d.minute = 0
		return
	}
	if d.minute != 0 && d.mono-d.minute < estimateEach || d.failed.Load() != nil {
		return
	}
	d.minute = d.mono
	v := d.core.View()
	d.cut()
	d.due = append(d.due, journal.Batch{Run: d.run, Estimates: journal.EstimatesOf(&v)})
}
