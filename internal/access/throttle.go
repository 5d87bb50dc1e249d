package access

import (
	"strings"
	"sync"
	"time"
)

// throttle makes guessing slow: after some failures every further one from the
// same place, or at the same name, costs a wait that doubles. A name bears more
// failures than a place, so that a stranger can't easily lock its owner out.
// Common practice, no source, for the sizes.
type throttle struct {
	mu    sync.Mutex // of by
	by    map[string]failing
	limit int
}

// key is what failures are counted by.
type key struct {
	what string
	free int // failures that cost no wait
}

func place(host string) key { return key{"from " + host, placeTries} }

func named(name string) key { return key{"as " + strings.ToLower(strings.TrimSpace(name)), nameTries} }

type failing struct {
	times int
	last  time.Time
}

const (
	placeTries = 5
	nameTries  = 30
	firstWait  = 2 * time.Second
	longestOf  = 15 * time.Minute
	forgetIn   = time.Hour
	throttleIn = 1024 // keys kept
)

func newThrottle() *throttle { return &throttle{by: map[string]failing{}, limit: throttleIn} }

// wait is how long the keys still have to wait at time now; 0: go on.
func (t *throttle) wait(now time.Time, keys ...key) time.Duration {
	t.mu.Lock()
	defer t.mu.Unlock()
	var longest time.Duration
	for _, k := range keys {
		f := t.by[k.what]
		if f.times < k.free {
			continue
		}
		wait := min(firstWait<<min(f.times-k.free, 20), longestOf)
		longest = max(longest, wait-now.Sub(f.last))
	}
	return longest
}

// failed notes a failure. Where there is no room, the oldest failure is
// forgotten.
func (t *throttle) failed(now time.Time, keys ...key) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, k := range keys {
		f, known := t.by[k.what]
		if !known && len(t.by) >= t.limit {
			t.forget(now)
		}
		if now.Sub(f.last) > forgetIn {
			f.times = 0
		}
		t.by[k.what] = failing{f.times + 1, now}
	}
}

// forget drops what is old, and the oldest where nothing is.
func (t *throttle) forget(now time.Time) {
	oldest, at := "", now
	for k, f := range t.by {
		if now.Sub(f.last) > forgetIn {
			delete(t.by, k)
		} else if !f.last.After(at) {
			oldest, at = k, f.last
		}
	}
	if len(t.by) >= t.limit {
		delete(t.by, oldest)
	}
}

// passed forgets the failures of keys that got in.
func (t *throttle) passed(keys ...key) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, k := range keys {
		delete(t.by, k.what)
	}
}
