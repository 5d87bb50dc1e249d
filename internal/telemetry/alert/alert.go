// Package alert sends short messages to people: a phone, a mail box, a chat. It
// sends only. It keeps no queue: the caller's journal does, and asks each
// target by itself, so that one that is down holds up no other and none is told
// twice because another failed.
//
// The addresses hold tokens and passwords: no error, name or log line of this
// package repeats any part of one but its service and, where it is no secret,
// its host.
package alert

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"net/http"
	"sync"
	"time"

	"github.com/nicholas-fedor/shoutrrr/pkg/router"
	"github.com/nicholas-fedor/shoutrrr/pkg/types"
)

// Priority of a note, as of alarms (ANSI/ISA-18.2 leaves the levels to the
// site; ours are three).
type Priority uint8

// The priorities.
const (
	UnknownPriority Priority = iota
	Low
	High
	Critical
)

func (p Priority) String() string {
	switch p {
	case Low:
		return "low"
	case High:
		return "high"
	case Critical:
		return "critical"
	case UnknownPriority:
	}
	return "unknown"
}

// PriorityOf reads an alarm's priority word.
func PriorityOf(word string) Priority {
	for _, p := range []Priority{Low, High, Critical} {
		if p.String() == word {
			return p
		}
	}
	return UnknownPriority
}

// Note is one message to a person.
type Note struct {
	// ID is the caller's own, the same at each try. A try whose answer came too
	// late is then not repeated.
	ID       string
	Title    string
	Text     string
	Link     string // URL of the page; empty: none
	Priority Priority
}

// Bounds of one target.
const (
	DefaultTimeout = 20 * time.Second
	maxAbandoned   = 4               // sends that never ended; a service without a timeout can hang for ever
	abandonAfter   = 2 * time.Minute // a send with no end is given up, so that the target can be tried again
)

// Errors the caller decides on.
var (
	// ErrBusy: an earlier note is still on its way; try again later.
	ErrBusy = errors.New("an earlier alert is still on its way: it is tried again later")
	// ErrNoAnswer: nobody knows whether the note arrived.
	ErrNoAnswer = errors.New("no answer in time, it may or may not have arrived: check the network and the service")
)

// Sender sends notes to all its targets.
type Sender struct {
	targets []*Target
}

// New reads the addresses without touching the network. The error lists every
// faulty one.
//
// Some services use Go's default HTTP client, which waits for ever: New gives
// it a timeout if it has none.
func New(cfg Config) (*Sender, error) {
	list, fault := cfg.addresses()
	timeout := cfg.Timeout
	if timeout == 0 {
		timeout = DefaultTimeout
	}
	if http.DefaultClient.Timeout == 0 {
		http.DefaultClient.Timeout = timeout
	}
	s := &Sender{}
	faults := []error{fault}
	for _, a := range list {
		t, err := newTarget(a, timeout)
		if err != nil {
			faults = append(faults, err)
			continue
		}
		s.targets = append(s.targets, t)
	}
	if err := errors.Join(faults...); err != nil {
		return nil, err
	}
	return s, nil
}

// Targets are where the notes go, in the order of the config. No target is no
// error: alerts are off.
func (s *Sender) Targets() []*Target { return s.targets }

// Send is one try at every target at once. The error joins those of the targets
// that failed, each with its name. A caller with a queue uses Target.Send, so
// that a second try spares those that have the note.
func (s *Sender) Send(ctx context.Context, title, text string, p Priority) error {
	n := Note{Title: title, Text: text, Priority: p}
	errs := make([]error, len(s.targets))
	var wg sync.WaitGroup
	for i, t := range s.targets {
		wg.Go(func() { errs[i] = t.Send(ctx, n) })
	}
	wg.Wait()
	return errors.Join(errs...)
}

// Target is one address.
type Target struct {
	name    string
	key     string
	address address
	timeout time.Duration

	mu        sync.Mutex // Send comes from anywhere; a send that hangs ends when it likes
	service   types.Service
	running   *try
	late      map[string]bool // ids that arrived after their Send had given up
	abandoned int
}

type try struct {
	id    string
	began time.Time
	done  chan struct{} // closed when err is set
	err   error
	left  bool // its Send gave up waiting
}

// maxLate bounds what is remembered of late answers.
const maxLate = 64

func newTarget(a address, timeout time.Duration) (*Target, error) {
	sum := sha256.Sum256([]byte(a.url))
	t := &Target{name: a.name(), key: hex.EncodeToString(sum[:8]), address: a, timeout: timeout, late: make(map[string]bool)}
	service, err := t.locate()
	if err != nil {
		return nil, fmt.Errorf("cannot use the alert address at %s (%s): %s: compare it with the service's form, such as ntfy://host/topic", a.where, t.name, a.redact(err))
	}
	t.service = service
	return t, nil
}

func (t *Target) locate() (types.Service, error) {
	return new(router.ServiceRouter).Locate(t.address.url)
}

// Name is the service and perhaps the host: fit to be shown.
func (t *Target) Name() string { return t.name }

// Key stands for the address in the caller's queue. It stays the same while the
// address does, and says nothing about it.
func (t *Target) Key() string { return t.key }

// Send is one try, bounded by ctx and the target's timeout. At most one note is
// on its way to a target at a time. nil means that the service took the note;
// ErrBusy that it was not tried; ErrNoAnswer that nobody knows.
func (t *Target) Send(ctx context.Context, n Note) error {
	run, err := t.start(n)
	if err != nil {
		return fmt.Errorf("cannot alert %s: %w", t.name, err)
	}
	if run == nil {
		return nil
	}
	timer := time.NewTimer(t.timeout)
	defer timer.Stop()
	select {
	case <-run.done:
	case <-timer.C:
		return t.giveUp(run, ErrNoAnswer)
	case <-ctx.Done():
		return t.giveUp(run, fmt.Errorf("%w (%w)", ErrNoAnswer, context.Cause(ctx)))
	}
	return t.outcome(run)
}

func (t *Target) outcome(run *try) error {
	if run.err == nil {
		return nil
	}
	return fmt.Errorf("cannot alert %s: %s: check the address and the service", t.name, t.address.redact(run.err))
}

// start begins a try or joins the one under way for the same note. No try and
// no error means that the note has arrived meanwhile.
func (t *Target) start(n Note) (*try, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if n.ID != "" && t.late[n.ID] {
		delete(t.late, n.ID)
		return nil, nil
	}
	if t.running != nil {
		if n.ID != "" && t.running.id == n.ID {
			t.running.left = false
			return t.running, nil
		}
		if err := t.abandon(); err != nil {
			return nil, err
		}
	}
	run := &try{id: n.ID, began: time.Now(), done: make(chan struct{})}
	t.running = run
	go t.run(t.service, run, n)
	return run, nil
}

// abandon frees the target from a send that does not end, a few times.
func (t *Target) abandon() error {
	if time.Since(t.running.began) < abandonAfter {
		return ErrBusy
	}
	if t.abandoned >= maxAbandoned {
		return fmt.Errorf("%w: %d sends never ended: see to the service, then restart boxd", ErrBusy, t.abandoned)
	}
	service, err := t.locate() // the hanging send keeps the old one
	if err != nil {
		return errors.New(t.address.redact(err))
	}
	t.service, t.running = service, nil
	t.abandoned++
	return nil
}

func (t *Target) run(service types.Service, run *try, n Note) {
	err := deliver(service, t.address.scheme, n)
	t.mu.Lock()
	defer t.mu.Unlock()
	run.err = err
	close(run.done)
	if t.running == run {
		t.running = nil
	} else {
		t.abandoned--
	}
	if run.left && err == nil {
		t.remember(run.id)
	}
}

func (t *Target) remember(id string) {
	if id == "" {
		return
	}
	if len(t.late) >= maxLate {
		clear(t.late)
	}
	t.late[id] = true
}

// giveUp leaves the try to itself, unless it ended in this very moment.
func (t *Target) giveUp(run *try, why error) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	select {
	case <-run.done:
		return t.outcome(run)
	default:
		run.left = true
	}
	return fmt.Errorf("cannot alert %s: %w", t.name, why)
}

// deliver calls the library, which takes no context. A panic of one service
// must not end the daemon.
func deliver(service types.Service, scheme string, n Note) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("the service failed: %v", p)
		}
	}()
	text, params := words(scheme, n)
	return service.Send(text, &params)
}
