package mqtt

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"boxd/internal/telemetry"
)

// flying is an event sent and not acknowledged.
type flying struct {
	seq   uint64
	token paho.Token
	at    time.Time
}

// settled is where the acknowledged events ended at a time.
type settled struct {
	upto uint64
	at   time.Time
}

// acked is ready when the oldest event in flight is acknowledged; nil, and so
// never ready, when none is in flight.
func (s *session) acked() <-chan struct{} {
	if len(s.flight) == 0 {
		return nil
	}
	return s.flight[0].token.Done()
}

// land takes the acknowledged head of the window: what is behind one not yet
// acknowledged waits for it.
func (s *session) land() error {
	n := 0
	for n < len(s.flight) && completed(s.flight[n].token) {
		if err := s.flight[n].token.Error(); err != nil {
			return publishError(s.flight[n].seq, err)
		}
		n++
	}
	if n == 0 {
		return s.overdue()
	}
	s.settling = append(s.settling, settled{s.flight[n-1].seq, time.Now()})
	s.flight = append(s.flight[:0], s.flight[n:]...)
	return nil
}

// strikeOff takes from the outbox what was acknowledged that long ago: a broker
// that dies in the moment after its word has not written down what it took, and
// the next session sends it again.
func (s *session) strikeOff(ctx context.Context, settle time.Duration) error {
	n := 0
	for n < len(s.settling) && time.Since(s.settling[n].at) >= settle {
		n++
	}
	if n == 0 || s.outboxRests() {
		return nil
	}
	if !s.echo.heard() {
		return s.unheard()
	}
	upto := s.settling[n-1].upto
	if err := s.events.Done(ctx, upto); err != nil {
		s.rest(fmt.Errorf("cannot strike off the events up to %d: %w", upto, err))
		return nil
	}
	s.settling = append(s.settling[:0], s.settling[n:]...)
	s.p.setLink(func(l *Link) { l.Acked = max(l.Acked, upto) })
	return nil
}

func (s *session) overdue() error {
	if len(s.flight) == 0 || time.Since(s.flight[0].at) < s.p.ackTimeout {
		return nil
	}
	return fmt.Errorf("the broker did not acknowledge event %d within %s: see whether it is overloaded or its disk full", s.flight[0].seq, s.p.ackTimeout)
}

// echo hears the first event of a session come back. It may be that the account
// may publish its status and not its events.
type echo struct {
	first atomic.Pointer[[]byte] // the library's goroutines compare with it
	back  chan struct{}          // closed once it has come; nil: nobody listens
}

func (e *echo) hear(_ paho.Client, m paho.Message) {
	if first := e.first.Load(); first != nil && bytes.Equal(m.Payload(), *first) && e.first.CompareAndSwap(first, nil) {
		close(e.back)
	}
}

func (e *echo) heard() bool {
	if e.back == nil {
		return true
	}
	select {
	case <-e.back:
		return true
	default:
		return false
	}
}

// listen subscribes to the events until the first has come back.
func (s *session) listen(ctx context.Context) error {
	topic := s.topic("event")
	s.echo.back = make(chan struct{})
	subscribe := s.client.Subscribe(topic, 0, s.echo.hear)
	if err := granted(s.await(ctx, subscribe, connectTimeout), subscribe, topic); err != nil {
		return fmt.Errorf("cannot subscribe to %s to see that the broker keeps what it takes: %w: let user %q read it", topic, err, s.p.cfg.User)
	}
	return nil
}

// deafen ends it; the answer is of no interest.
func (s *session) deafen() {
	if s.echo.back != nil && s.echo.heard() {
		s.echo.back = nil
		s.client.Unsubscribe(s.topic("event"))
	}
}

func (s *session) unheard() error {
	if time.Since(s.settling[0].at) < s.p.readBackWait {
		return nil
	}
	return fmt.Errorf("the broker acknowledged %s but did not pass it on: let user %q publish and read boxd/#", s.topic("event"), s.p.cfg.User)
}

func (s *session) outboxRests() bool { return time.Now().Before(s.outboxAt) }

func publishError(seq uint64, err error) error {
	return fmt.Errorf("cannot publish event %d: %w: see to the network and the broker; it is sent again", seq, err)
}

// rest leaves a failing outbox alone for a while; live values go on meanwhile.
func (s *session) rest(err error) {
	if errors.Is(err, context.Canceled) {
		return
	}
	s.outboxAt = time.Now().Add(outboxPause)
	if err.Error() != s.outboxErr {
		s.outboxErr = err.Error()
		s.p.log.Error("events wait: see the archive's disk", "err", err)
	}
}

func completed(t paho.Token) bool {
	select {
	case <-t.Done():
		return true
	default:
		return false
	}
}

func (s *session) sendEvents(ctx context.Context) error {
	room := window - len(s.flight)
	if room <= 0 || len(s.settling) >= settlingMost || s.outboxRests() {
		return nil
	}
	list, err := s.events.Next(ctx, s.sent, room)
	if err != nil {
		s.rest(fmt.Errorf("cannot read the events to publish: %w", err))
		return nil
	}
	for _, m := range list[:min(len(list), room)] {
		if m.Seq <= s.sent {
			s.rest(fmt.Errorf("cannot publish event %d after %d: the outbox is out of order", m.Seq, s.sent))
			return nil
		}
		if err := s.sendEvent(m); err != nil {
			return err
		}
	}
	return nil
}

func (s *session) sendEvent(m telemetry.Message) error {
	if s.sent == 0 {
		s.echo.first.Store(&m.Payload)
	}
	t := s.client.Publish(m.Topic, 1, false, m.Payload)
	s.flight = append(s.flight, flying{m.Seq, t, time.Now()})
	s.sent = m.Seq
	s.p.sent.Add(1)
	if completed(t) && t.Error() != nil {
		return publishError(m.Seq, t.Error())
	}
	return nil
}
