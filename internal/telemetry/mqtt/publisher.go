// Package mqtt publishes what the box shows to an MQTT broker, in the topics of
// package telemetry. It publishes only. The subscriptions it makes, at the start of a
// session, are to its own status and to its first event, to see that the broker
// keeps what it acknowledges; what comes in there is compared and thrown away.
//
// Live values are the latest only. Events come from an outbox that the caller
// keeps and are struck off some time after the broker has acknowledged them, in
// order: an event can come twice after a broken connection, never not at all.
// Broker acknowledgement is not durability: a broker that must lose nothing needs
// persistence switched on, and even then it writes a moment later.
package mqtt

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"log/slog"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"time"

	"boxd/internal/telemetry"
	"boxd/internal/telemetry/dial"
)

// Times of a publisher. The keepalive finds a dead link within 30 s.
const (
	backoffMin     = time.Second
	backoffMax     = 60 * time.Second
	steadyAfter    = 30 * time.Second // a session this long makes the next wait short again
	tick           = time.Second      // without a turn of the core
	keepAlive      = 20 * time.Second
	pingTimeout    = 8 * time.Second
	writeTimeout   = 3 * time.Second
	connectTimeout = 10 * time.Second
	ackTimeout     = 30 * time.Second // of the oldest event in the window
	leaveTimeout   = 2 * time.Second
	leaveQuiesceMs = 250
	outboxPause    = 5 * time.Second // after the outbox failed
	window         = 64              // events in flight
	settle         = 3 * time.Second // from the acknowledgement to striking off: brokers write to disk a moment after their word
	settlingMost   = 1000            // strides of acknowledgements remembered meanwhile
)

// Link is how the connection stands.
type Link struct {
	Up    bool
	Since time.Time
	Err   error  // why it is down; nil while up or before the first try
	Acked uint64 // the highest seq up to which every event is acknowledged in this life
}

// Publisher keeps one broker told.
type Publisher struct {
	cfg     Config
	broker  dial.Broker
	log     *slog.Logger
	silence time.Duration
	rng     *rand.Rand // of the jitter; only Run's goroutine uses it
	began   time.Time  // of Run, for a core that never spoke

	tick, backoffMin, backoffMax, readBackWait, keepAlive, pingTimeout, ackTimeout, settle time.Duration

	sent atomic.Uint64

	mu   sync.Mutex // Run writes the link, anybody reads it
	link Link
}

// New checks the config without touching the network. The error lists every
// fault.
func New(cfg Config, log *slog.Logger) (*Publisher, error) {
	if err := cfg.check(); err != nil {
		return nil, err
	}
	if cfg.ClientID == "" {
		cfg.ClientID = "boxd-" + telemetry.TopicLevel(cfg.Box)
	}
	if cfg.Silence == 0 {
		cfg.Silence = defaultSilence
	}
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	h := fnv.New64a()
	_, _ = h.Write([]byte(cfg.ClientID))
	return &Publisher{
		cfg: cfg, broker: cfg.broker(), log: log, silence: cfg.Silence,
		rng:  rand.New(rand.NewPCG(h.Sum64(), uint64(time.Now().UnixNano()))),
		tick: tick, backoffMin: backoffMin, backoffMax: backoffMax, readBackWait: connectTimeout,
		keepAlive: keepAlive, pingTimeout: pingTimeout, ackTimeout: ackTimeout, settle: settle,
	}, nil
}

// Link is how the connection stands now.
func (p *Publisher) Link() Link {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.link
}

// Sent is how many messages were given to connections in this life.
func (p *Publisher) Sent() uint64 { return p.sent.Load() }

// Run publishes until ctx ends, then says offline and leaves. It always comes
// back from a lost connection. An outbox that fails holds up the events, not
// the live values.
func (p *Publisher) Run(ctx context.Context, views *telemetry.Hub, events telemetry.Outbox) {
	if p.broker.Clear() {
		p.log.Warn("the mqtt password crosses the network readable by all: use an ssl:// url", "broker", p.broker.Host())
	}
	p.began = time.Now()
	tries := 0
	for ctx.Err() == nil {
		began := time.Now()
		err := p.session(ctx, views, events)
		if ctx.Err() != nil {
			p.left(err)
			break
		}
		if time.Since(began) >= steadyAfter {
			tries = 0
		}
		wait := p.wait(tries)
		tries++
		p.down(err, wait)
		if !pause(ctx, wait) {
			break
		}
	}
	p.setLink(func(l *Link) { l.Up, l.Since, l.Err = false, time.Now(), nil })
}

// left notes how the last session ended.
func (p *Publisher) left(err error) {
	if err != nil && !errors.Is(err, context.Canceled) {
		p.log.Warn("mqtt ended without a farewell; the broker will send the will", "broker", p.broker.Host(), "err", err)
	}
}

// wait grows twofold with each failed try, half of it by chance, so that many
// boxes do not come back to a restarted broker in one moment.
func (p *Publisher) wait(tries int) time.Duration {
	d := p.backoffMin << min(tries, 16)
	if d > p.backoffMax || d <= 0 {
		d = p.backoffMax
	}
	half := d / 2
	return max(p.backoffMin, half+time.Duration(p.rng.Int64N(int64(half)+1)))
}

func pause(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}

// down notes the failure; the same one again is only worth a debug line.
func (p *Publisher) down(err error, wait time.Duration) {
	before := p.Link()
	p.setLink(func(l *Link) {
		if l.Up || l.Since.IsZero() {
			l.Since = time.Now()
		}
		l.Up, l.Err = false, err
	})
	level := slog.LevelWarn
	if before.Err != nil && fmt.Sprint(before.Err) == fmt.Sprint(err) {
		level = slog.LevelDebug
	}
	p.log.Log(context.Background(), level, "mqtt link is down", "broker", p.broker.Host(), "err", err, "retry_in", wait)
}

func (p *Publisher) up() {
	p.setLink(func(l *Link) { l.Up, l.Since, l.Err = true, time.Now(), nil })
	p.log.Info("mqtt link is up", "broker", p.broker.Host())
}

func (p *Publisher) setLink(f func(*Link)) {
	p.mu.Lock()
	defer p.mu.Unlock()
	f(&p.link)
}
