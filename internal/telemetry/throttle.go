package telemetry

import (
	"bytes"
	"time"
)

// Live values go out at most this often when they change, and this often when
// they do not.
const (
	MinGap = time.Second
	Beat   = 10 * time.Second
	Slack  = 50 * time.Millisecond // by which a gap may fall short: the core's turns, at which values go out, are not quite even
)

// Throttle picks which live messages are due. It belongs to one goroutine and
// one session: a new session starts with a new one, so that everything is sent.
type Throttle struct {
	sent map[string]mark
}

type mark struct {
	key []byte
	at  time.Time
}

// NewThrottle makes a throttle that has sent nothing.
func NewThrottle() *Throttle { return &Throttle{sent: make(map[string]mark)} }

// Due says whether m is to be sent at the time now, and if so takes it as sent.
// A change is never lost by being too early: the next call brings it up again.
func (t *Throttle) Due(m Live, now time.Time) bool {
	last, known := t.sent[m.Topic]
	if known {
		age := now.Sub(last.at)
		changed := !bytes.Equal(last.key, m.Key)
		if age < MinGap-Slack || !changed && (age < Beat-Slack || m.Still) {
			return false
		}
	}
	t.sent[m.Topic] = mark{m.Key, now}
	return true
}
