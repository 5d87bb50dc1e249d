package telemetry

import (
	"errors"
	"sync"
	"time"

	"boxd/internal/engine"
)

// State is the latest that is known of the core.
type State struct {
	View *engine.View // nil before the first turn; never change what it points to
	At   time.Time    // when it was published here; carries the monotonic clock
	// Stopped says why the core no longer works; empty while it does. When it
	// is set the view is history and must not be relied on.
	Stopped string
}

// ErrBusy means that as many watchers as allowed are watching.
var ErrBusy = errors.New("cannot watch: too many watchers already: close another page or client and try again")

// Hub hands the latest state to any number of watchers. A watcher that is slow
// misses the states in between and gets the latest; nobody is waited for.
type Hub struct {
	mu    sync.Mutex // Publish comes from the core's loop, Watch and Close from anywhere
	state State
	watch map[*Watcher]struct{}
	limit int
}

// NewHub makes a hub for at most limit watchers at a time.
func NewHub(limit int) *Hub {
	return &Hub{watch: make(map[*Watcher]struct{}), limit: limit}
}

// Watcher is one subscription to a hub.
type Watcher struct {
	C   <-chan State // holds one state: the latest not yet taken
	in  chan State
	hub *Hub
}

// Publish makes v the latest view. The view belongs to all from here on and
// must not be changed. Publishing a view takes back an earlier Stop.
func (h *Hub) Publish(v *engine.View) { h.set(State{View: v, At: time.Now()}) }

// Stop tells everybody that the core no longer works, and why. The last view
// stays, as history, with the time it was made.
func (h *Hub) Stop(why string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.state.Stopped = why
	h.tellAll()
}

// Latest is the latest state. Its view is nil before the first turn.
func (h *Hub) Latest() State {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.state
}

// Watch starts a subscription; its first state is the latest, if there is one.
// Close it when done. The error is ErrBusy.
func (h *Hub) Watch() (*Watcher, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(h.watch) >= h.limit {
		return nil, ErrBusy
	}
	c := make(chan State, 1)
	w := &Watcher{C: c, in: c, hub: h}
	h.watch[w] = struct{}{}
	if h.state.View != nil || h.state.Stopped != "" {
		w.put(h.state)
	}
	return w, nil
}

// Close ends the subscription. The channel is not closed: it falls silent.
func (w *Watcher) Close() {
	w.hub.mu.Lock()
	defer w.hub.mu.Unlock()
	delete(w.hub.watch, w)
}

func (h *Hub) set(s State) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.state = s
	h.tellAll()
}

func (h *Hub) tellAll() {
	for w := range h.watch {
		w.put(h.state)
	}
}

// put overwrites what the watcher has not taken yet. The hub's lock makes it
// the only sender, so after the drain there is room.
func (w *Watcher) put(s State) {
	select {
	case <-w.in:
	default:
	}
	w.in <- s
}
