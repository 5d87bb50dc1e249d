package access

import (
	"net/netip"
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

func place(remote string) key { return key{"from " + Whence(remote).String(), placeTries} }

func named(name string) key { return key{"as " + strings.ToLower(name), nameTries} }

// Whence is the address somebody counts by: with IPv6 one host has all of its
// network's lower half. What is no address counts as one.
func Whence(remote string) netip.Prefix {
	p, err := netip.ParseAddrPort(remote)
	if err != nil {
		return netip.Prefix{}
	}
	ip := p.Addr().Unmap().WithZone("")
	bits := ip.BitLen()
	if ip.Is6() {
		bits = 64
	}
	from, _ := ip.Prefix(bits) // it is no more than the address has
	return from
}

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

// failed notes a failure. Where there is no room, what failed least is forgotten,
// so that nobody clears the count of a name with a crowd of others.
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

// forget drops what is old, and what failed least where nothing is: of those the
// oldest.
func (t *throttle) forget(now time.Time) {
	least, its := "", failing{}
	for k, f := range t.by {
		if now.Sub(f.last) > forgetIn {
			delete(t.by, k)
		} else if least == "" || f.times < its.times || f.times == its.times && f.last.Before(its.last) {
			least, its = k, f
		}
	}
	if len(t.by) >= t.limit {
		delete(t.by, least)
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
