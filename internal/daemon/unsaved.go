package daemon

import (
	"sync"

	"boxd/internal/engine"
	"boxd/internal/journal"
)

// Unsaved holds alarms raised while the archive can't be written, so that they
// are told nevertheless. Once the archive has them, it is empty.
type Unsaved struct {
	mu     sync.Mutex // the core's loop puts, each target's sender reads
	events []engine.Event
}

// maxUnsaved bounds it. The first alarms of a trouble say most: later ones wait
// for the archive.
const maxUnsaved = 64

// put makes the raised alarms of what is due the ones held. A nil Unsaved holds
// nothing.
func (u *Unsaved) put(due []journal.Batch) {
	if u == nil {
		return
	}
	u.mu.Lock()
	defer u.mu.Unlock()
	u.events = u.events[:0:0] // readers may hold the old ones
	for _, b := range due {
		for _, e := range b.Events {
			if e.Kind == engine.AlarmEvent && (e.State == "raised" || e.State == "latched") && len(u.events) < maxUnsaved {
				u.events = append(u.events, e)
			}
		}
	}
}

// Events are those held now, oldest first; not to be changed.
func (u *Unsaved) Events() []engine.Event {
	u.mu.Lock()
	defer u.mu.Unlock()
	return u.events
}
