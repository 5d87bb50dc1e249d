package web

import (
	"sync"
	"time"

	"boxd/internal/engine"
)

// heard remembers when the newest view number was first seen. The lock is
// there because every request asks.
type heard struct {
	mu   sync.Mutex
	any  bool
	seq  uint64
	when time.Time // carries the monotonic clock
}

func (h *heard) age(seq uint64, now time.Time) time.Duration {
	h.mu.Lock()
	defer h.mu.Unlock()
	if !h.any || h.seq != seq {
		h.any, h.seq, h.when = true, seq, now
	}
	return now.Sub(h.when)
}

// age is how old the view is.
func (s *server) age(v engine.View) time.Duration {
	if a, ok := s.core.(Ager); ok {
		return a.Age()
	}
	return s.heard.age(v.Seq, time.Now())
}

// stepStopped is the step a view carries when the core has stopped.
const stepStopped = "stopped"

// stopped reports whether the view may not be relied on.
func stopped(v engine.View, age time.Duration) bool {
	return v.Step == stepStopped || age > staleAfter
}
