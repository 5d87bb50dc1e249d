package mqtt

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"boxd/internal/engine"
	"boxd/internal/telemetry"
)

// session is one connection, from connect to loss. One goroutine owns it. A
// client is never used for a second connection: with reconnecting clients a
// token can complete without the broker's acknowledgement.
type session struct {
	p      *Publisher
	client paho.Client
	lost   chan error
	views  *telemetry.Hub
	events telemetry.Outbox

	shaper   *telemetry.Shaper
	throttle *telemetry.Throttle
	status   telemetry.StatusWord
	statusAt time.Time
	statuses int
	viewErr  string       // the last fault of shaping told
	shaped   *engine.View // whose messages live are
	shapedAt time.Time
	live     []telemetry.Live

	flight    []flying  // events sent and not acknowledged, in order
	settling  []settled // acknowledged and not struck off, in order
	echo      echo
	sent      uint64    // the highest seq sent in this session
	outboxErr string    // the last fault of the outbox told
	outboxAt  time.Time // not to be asked again before
}

// Try connects once and sees that the broker keeps what it takes: nil means that the
// box could publish there.
func (p *Publisher) Try(ctx context.Context) error {
	s := &session{p: p, lost: make(chan error, 1), throttle: telemetry.NewThrottle()}
	options, err := s.options()
	if err != nil {
		return err
	}
	s.client = paho.NewClient(options)
	err = s.connect(ctx)
	s.abandon(errors.New("only tried"))
	if err != nil && ctx.Err() != nil {
		err = fmt.Errorf("no answer from %s in time: check the broker's address, its port and the network", s.p.broker.Host())
	}
	return err
}

func (p *Publisher) session(ctx context.Context, views *telemetry.Hub, events telemetry.Outbox) error {
	s := &session{
		p: p, lost: make(chan error, 1), views: views, events: events,
		shaper:   telemetry.NewShaper(p.cfg.Box, p.cfg.Alarms),
		throttle: telemetry.NewThrottle(),
	}
	options, err := s.options()
	if err != nil {
		return err
	}
	s.client = paho.NewClient(options)
	err = s.connect(ctx)
	if err == nil {
		err = s.serve(ctx)
	}
	if err != nil {
		s.abandon(err)
		return err
	}
	return s.leave()
}

// abandon ends a session that went wrong. An orderly disconnect takes the will
// back, so offline is said first; on a dead link neither arrives and the broker
// sends the will.
func (s *session) abandon(why error) {
	if s.client.IsConnectionOpen() {
		_ = s.publish("status", 0, telemetry.StatusPayload(telemetry.Offline, why.Error(), s.p.cfg.Page, time.Now()))
		s.client.Disconnect(leaveQuiesceMs)
		return
	}
	s.client.Disconnect(0)
}

func (s *session) options() (*paho.ClientOptions, error) {
	o, err := s.p.broker.Options()
	if err != nil {
		return nil, err
	}
	o.SetClientID(s.p.cfg.ClientID).SetOrderMatters(false)
	o.SetKeepAlive(s.p.keepAlive).SetPingTimeout(s.p.pingTimeout)
	o.SetWriteTimeout(writeTimeout).SetConnectTimeout(connectTimeout)
	o.SetBinaryWill(s.topic("status"), telemetry.StatusPayload(telemetry.Offline, "the connection broke", s.p.cfg.Page, time.Time{}), 1, true)
	o.SetConnectionLostHandler(func(_ paho.Client, err error) {
		select {
		case s.lost <- err:
		default:
		}
	})
	return o, nil
}

func (s *session) topic(rest string) string { return telemetry.Topic(s.p.cfg.Box, rest) }

func (s *session) connect(ctx context.Context) error {
	if err := s.await(ctx, s.client.Connect(), connectTimeout+writeTimeout); err != nil {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		return s.p.broker.Refused(err)
	}
	if s.p.cfg.NoReadBack {
		return nil
	}
	return s.readBack(ctx)
}

// readBack publishes the status and waits to see it come back. A broker
// acknowledges a publish its access list denies, so without this events could
// be struck off that nobody ever gets.
func (s *session) readBack(ctx context.Context) error {
	// First, while the broker has sent nothing: the embedded one refuses a
	// subscription whose packet has the number of a message under way to us.
	if err := s.listen(ctx); err != nil {
		return err
	}
	topic := s.topic("status")
	// The time makes this payload unlike any retained one.
	payload := telemetry.StatusPayload(telemetry.Starting, "", s.p.cfg.Page, time.Now())
	seen := make(chan struct{}, 1)
	subscribe := s.client.Subscribe(topic, 1, func(_ paho.Client, m paho.Message) {
		if bytes.Equal(m.Payload(), payload) {
			select {
			case seen <- struct{}{}:
			default:
			}
		}
	})
	if err := granted(s.await(ctx, subscribe, connectTimeout), subscribe, topic); err != nil {
		return fmt.Errorf("cannot subscribe to %s to see that the broker keeps what it takes: %w: let user %q read it", topic, err, s.p.cfg.User)
	}
	if err := s.await(ctx, s.client.Publish(topic, 1, true, payload), connectTimeout); err != nil {
		return fmt.Errorf("cannot publish %s: %w: let user %q publish boxd/#", topic, err, s.p.cfg.User)
	}
	timer := time.NewTimer(s.p.readBackWait)
	defer timer.Stop()
	select {
	case <-seen:
	case err := <-s.lost:
		return fmt.Errorf("the broker closed the connection at the first publish: %v: let user %q publish boxd/#", err, s.p.cfg.User)
	case <-ctx.Done():
		return ctx.Err()
	case <-timer.C:
		return fmt.Errorf("the broker acknowledged %s but did not pass it on: let user %q publish and read boxd/#", topic, s.p.cfg.User)
	}
	return s.await(ctx, s.client.Unsubscribe(topic), connectTimeout)
}

// granted adds the refusal that the library leaves in the token's result:
// return code 0x80 (MQTT 3.1.1, section 3.9.3).
func granted(err error, t paho.Token, topic string) error {
	if sub, ok := t.(*paho.SubscribeToken); err == nil && ok && sub.Result()[topic] >= 0x80 {
		return errors.New("refused")
	}
	return err
}

// await waits for a token, bounded, and for nothing longer than the session.
func (s *session) await(ctx context.Context, t paho.Token, limit time.Duration) error {
	timer := time.NewTimer(limit)
	defer timer.Stop()
	select {
	case <-t.Done():
		return t.Error()
	case err := <-s.lost:
		return lostError(err)
	case <-ctx.Done():
		return ctx.Err()
	case <-timer.C:
		return fmt.Errorf("no answer from the broker within %s", limit)
	}
}

// serve publishes until the connection is lost (error) or ctx ends (nil). It has its
// turn when the core has had one, in the same wakening of the processor; the tick is
// for a core that is silent.
func (s *session) serve(ctx context.Context) error {
	var turns <-chan telemetry.State // with too many watchers there are none, and the tick is all
	if w, err := s.views.Watch(); err == nil {
		defer w.Close()
		turns = w.C
	}
	tick := time.NewTimer(s.p.tick)
	defer tick.Stop()
	s.p.up()
	for {
		if err := s.turn(ctx); err != nil {
			if ctx.Err() != nil {
				return nil
			}
			return err
		}
		tick.Reset(s.p.tick)
		select {
		case <-tick.C:
		case <-turns:
		case <-s.acked():
		case err := <-s.lost:
			return lostError(err)
		case <-ctx.Done():
			return nil
		}
	}
}

func (s *session) turn(ctx context.Context) error {
	if err := s.land(); err != nil {
		return err
	}
	s.deafen()
	if err := s.strikeOff(ctx, s.p.settle); err != nil {
		return err
	}
	if err := s.sendEvents(ctx); err != nil {
		return err
	}
	if err := s.sendStatus(); err != nil {
		return err
	}
	return s.sendLive()
}

// sendStatus repeats the status soon after the start and then with the beat:
// the will of an older, half-dead connection can come after the new "online".
func (s *session) sendStatus() error {
	word, why := s.judge(time.Now())
	gap := telemetry.Beat
	if s.statuses < 2 {
		gap = telemetry.MinGap
	}
	if word == s.status && time.Since(s.statusAt) < gap {
		return nil
	}
	s.status, s.statusAt = word, time.Now()
	s.statuses++
	return s.publish("status", 1, telemetry.StatusPayload(word, why, s.p.cfg.Page, time.Now()))
}

// judge says what the core's state is from what the hub has heard.
func (s *session) judge(now time.Time) (word telemetry.StatusWord, why string) {
	latest := s.views.Latest()
	switch {
	case latest.Stopped != "":
		return telemetry.Stopped, latest.Stopped
	case latest.View == nil && now.Sub(s.p.began) < s.p.silence:
		return telemetry.Starting, ""
	case latest.View == nil:
		return telemetry.Stopped, "the core has not spoken yet"
	case now.Sub(latest.At) >= s.p.silence:
		return telemetry.Stopped, fmt.Sprintf("the core has been silent for more than %s", s.p.silence)
	}
	return telemetry.Online, ""
}

func (s *session) sendLive() error {
	latest := s.views.Latest()
	if latest.View == nil || s.status != telemetry.Online {
		return nil
	}
	now := time.Now()
	// Numbers go out once a second; only what is new in words is looked at between.
	if latest.View != s.shaped && (s.shaped == nil || now.Sub(s.shapedAt) >= telemetry.MinGap-telemetry.Slack || latest.View.News(s.shaped)) {
		s.shape(latest.View)
		s.shapedAt = now
	}
	for i := range s.live {
		m := &s.live[i]
		if !s.throttle.Due(*m, now) {
			continue
		}
		if err := s.put(m.Topic, 0, m.Payload()); err != nil {
			return err
		}
	}
	return nil
}

func (s *session) shape(v *engine.View) {
	list, err := s.shaper.Shape(v)
	if err != nil && err.Error() != s.viewErr {
		s.viewErr = err.Error()
		s.p.log.Error("a live value cannot be published", "err", err)
	}
	s.shaped, s.live = v, list
}

func (s *session) publish(rest string, qos byte, payload []byte) error {
	return s.put(s.topic(rest), qos, payload)
}

// put publishes a retained message and looks only for faults that are there at
// once: a later one ends the connection.
func (s *session) put(topic string, qos byte, payload []byte) error {
	t := s.client.Publish(topic, qos, true, payload)
	s.p.sent.Add(1)
	if completed(t) && t.Error() != nil {
		return fmt.Errorf("cannot publish %s: %w", topic, t.Error())
	}
	return nil
}

// leave says offline and ends the connection so that no will is sent.
func (s *session) leave() error {
	ctx, cancel := context.WithTimeout(context.Background(), leaveTimeout)
	defer cancel()
	payload := telemetry.StatusPayload(telemetry.Offline, "boxd was stopped", s.p.cfg.Page, time.Now())
	err := s.await(ctx, s.client.Publish(s.topic("status"), 1, true, payload), leaveTimeout)
	if err == nil {
		// What was acknowledged in the last moments need not be sent again: a
		// broker that was there for the farewell goes on.
		err = s.land()
	}
	if err == nil {
		err = s.strikeOff(ctx, 0)
	}
	s.client.Disconnect(leaveQuiesceMs)
	if err != nil {
		return fmt.Errorf("cannot take leave of the broker: %w", err)
	}
	return nil
}

func lostError(err error) error {
	if err == nil {
		err = errors.New("connection closed")
	}
	return fmt.Errorf("lost the connection to the broker: %w: see to the network and the broker; if it comes and goes, look for another box with the same box.name", err)
}
