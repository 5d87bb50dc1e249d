package daemon

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"strconv"
	"strings"
	"time"

	"boxd/internal/engine"
	"boxd/internal/journal"
	"boxd/internal/telemetry"
	"boxd/internal/telemetry/alert"
)

// Target takes notes for a person.
type Target interface {
	Name() string
	Send(ctx context.Context, n alert.Note) error
}

// Alerts tells one target what concerns it, one note at a time, until it has
// taken it. What no longer helps is not sent.
type Alerts struct {
	Box     string
	Want    []string // alarm ids, milestone names, priorities, your-turn, freeze-outlook
	Style   alert.Style
	Target  Target
	Keep    *journal.Outbox
	Hub     *telemetry.Hub
	Log     *slog.Logger
	MaxAge  time.Duration // older than this by wall time is not sent any more; 0: age does not count
	Quiet   alert.Quiet
	Repeat  time.Duration    // of critical and high alarms nobody has seen; 0: not repeated
	Journal *journal.Journal // keeps what quiet hours hold; needed with Quiet alone
	Key     string           // of the target, in the archive's state
	Unsaved *Unsaved         // alarms the archive could not take; nil: none
	Life    uint64           // number of the first event of this life; 0: not known
}

const (
	lookEvery  = 500 * time.Millisecond
	retryFirst = 2 * time.Second
	retryMost  = time.Minute
)

// Run sends until ctx ends.
func (a Alerts) Run(ctx context.Context) {
	c, err := a.caller(ctx)
	pause := retryFirst
	for {
		wait := lookEvery
		if err == nil {
			err = c.turn(ctx, time.Now())
		}
		if c.sent {
			pause, c.sent = retryFirst, false
		}
		if err != nil && ctx.Err() == nil {
			a.Log.Warn("an alert is waiting", "to", a.Target.Name(), "error", err)
			wait, pause = pause, min(2*pause, retryMost)
		}
		err = nil
		t := time.NewTimer(wait)
		select {
		case <-ctx.Done():
			t.Stop()
			return
		case <-t.C:
		}
	}
}

// caller is what sending to one target remembers.
type caller struct {
	Alerts
	after   uint64
	sent    bool                 // something went out since it was last looked at
	last    engine.Event         // the last advice
	flushed float64              // core time of the last end of a flush that was told; 0: none
	direct  map[string]bool      // told past the archive, not yet seen in the queue
	told    map[string]time.Time // unseen alarms and when they were last told
	held    []held               // for the end of the quiet hours, oldest first
	unkept  bool                 // held is not yet on the disk
}

func (a Alerts) caller(ctx context.Context) (*caller, error) {
	c := &caller{Alerts: a, direct: map[string]bool{}, told: map[string]time.Time{}}
	return c, c.recallHeld(ctx)
}

// turn does what is due. Its order: what the archive could not take, the queue,
// what the quiet hours held, what nobody has seen.
func (c *caller) turn(ctx context.Context, now time.Time) error {
	if err := c.unsaved(ctx, now); err != nil {
		return err
	}
	rows, err := c.Keep.Next(ctx, c.after, 50)
	if err != nil {
		return err
	}
	for i, r := range rows {
		acted, err := c.row(ctx, r, now)
		if err != nil {
			return err
		}
		c.after = r.Seq
		if !acted && i < len(rows)-1 {
			continue // rows passed over are struck off together: each write wears the card
		}
		if err := c.strike(ctx, r.Seq); err != nil {
			return err
		}
	}
	if err := c.release(ctx, now); err != nil {
		return err
	}
	return c.repeat(ctx, now)
}

// strike notes a row as done. What was sent is struck off even while stopping,
// or it would come twice; what is held has to be on the disk first.
func (c *caller) strike(ctx context.Context, seq uint64) error {
	ctx = context.WithoutCancel(ctx)
	if err := c.keepHeld(ctx); err != nil {
		return err
	}
	return c.Keep.Done(ctx, seq)
}

// row sends or holds one row of the queue, or passes it over.
func (c *caller) row(ctx context.Context, r journal.Message, now time.Time) (acted bool, err error) {
	e, ok := eventOf(r)
	if !ok {
		return false, nil // nothing for a phone
	}
	before := c.last
	if e.Kind == engine.AdviceEvent {
		c.last = e
	}
	if !alert.Wanted(e, c.Want) || c.direct[keyOf(e)] || e.Kind == engine.AdviceEvent && !c.turnOf(before, e) {
		delete(c.direct, keyOf(e))
		return false, nil
	}
	view := c.Hub.Latest().View
	n, ok := c.note(e, view, r.Seq)
	if !ok || c.stale(e, view, r, now) {
		return false, nil
	}
	if n.Priority < alert.Critical && c.Quiet.At(now) {
		c.hold(held{Seq: r.Seq, Wall: r.Wall, Kind: r.Kind, JSON: r.Payload}, e)
		return true, nil
	}
	if err := c.send(ctx, n); err != nil {
		return false, err
	}
	if e.Kind == engine.MilestoneEvent && e.Name == "flush_done" {
		c.flushed = e.T
	}
	c.told[e.ID] = now
	return true, nil
}

// A person who had to wait this long has turned to something else. Common
// practice, no source. The end of a flush says itself what to do.
const (
	longWait  = 60 // core seconds
	sameCause = 30 // core seconds
)

// turnOf says whether the advice calls back a person who was let go. Nobody
// knows what went before the first advice after a start.
func (c *caller) turnOf(before, e engine.Event) bool {
	if c.flushed > 0 && e.T-c.flushed < sameCause {
		return false
	}
	return before.Kind == "" || before.Deed == "" && e.T-before.T >= longWait
}

// stale says whether the event is too old to help. In this life the core's time
// tells its age, whatever the clock was set to meanwhile. A board without a clock
// starts long ago: such a time says nothing of age.
func (c *caller) stale(e engine.Event, v *engine.View, r journal.Message, now time.Time) bool {
	if c.MaxAge == 0 {
		return false
	}
	age := now.Sub(r.Wall)
	switch {
	case c.Life > 0 && r.Seq >= c.Life && v != nil && e.Kind != alert.OutlookEvent:
		age = time.Duration((v.T - e.T) * float64(time.Second))
	case r.Wall.Year() < 2020:
		return false
	}
	return age > c.MaxAge || !alert.Useful(e, v, age)
}

// note is the event's note. Its number tells a second copy: that of an alarm is
// the same whether the archive could take the alarm or not.
func (c *caller) note(e engine.Event, v *engine.View, seq uint64) (alert.Note, bool) {
	n, ok := c.Style.FromEvent(c.Box, e, v)
	n.ID = c.Box + "-" + strconv.FormatUint(seq, 10)
	if e.Kind == engine.AlarmEvent {
		n.ID = c.Box + "-" + keyOf(e)
	}
	return n, ok
}

func (c *caller) send(ctx context.Context, n alert.Note) error {
	if err := c.Target.Send(ctx, n); err != nil {
		return err
	}
	c.sent = true
	return nil
}

func keyOf(e engine.Event) string {
	return e.ID + "-" + e.State + "-" + strconv.FormatFloat(e.T, 'f', 3, 64)
}

// eventOf is the core's event behind a row, or the night's outlook.
func eventOf(r journal.Message) (engine.Event, bool) {
	if !r.IsEvent {
		var text string
		if r.Kind != string(alert.OutlookEvent) || json.Unmarshal(r.Payload, &text) != nil {
			return engine.Event{}, false
		}
		return engine.Event{Kind: alert.OutlookEvent, Wall: r.Wall, Text: text}, true
	}
	e, err := r.Event()
	return e, err == nil
}

// unsaved tells alarms that the archive could not take.
func (c *caller) unsaved(ctx context.Context, now time.Time) error {
	if c.Unsaved == nil {
		return nil
	}
	for _, e := range c.Unsaved.Events() {
		key := keyOf(e)
		if c.direct[key] || !alert.Wanted(e, c.Want) {
			continue
		}
		n, ok := c.note(e, c.Hub.Latest().View, 0)
		if !ok || n.Priority < alert.Critical && c.Quiet.At(now) {
			continue // it comes by the queue once the archive is well
		}
		n.Title = c.Style.Unsaved(n.Title)
		if err := c.send(ctx, n); err != nil {
			return err
		}
		if len(c.direct) >= maxUnsaved {
			clear(c.direct)
		}
		c.direct[key] = true
	}
	return nil
}

// repeat says again what stands and nobody has seen. It goes by what is so now,
// so that nothing outdated waits for the link.
func (c *caller) repeat(ctx context.Context, now time.Time) error {
	state := c.Hub.Latest()
	if c.Repeat == 0 || state.View == nil || state.Stopped != "" {
		return nil
	}
	unseen := map[string]bool{}
	for _, e := range alert.Unseen(state.View) {
		if !alert.Wanted(e, c.Want) {
			continue
		}
		unseen[e.ID] = true
		last, known := c.told[e.ID]
		if !known {
			c.told[e.ID] = now // told before this start, or about to be
			continue
		}
		if now.Sub(last) < c.Repeat || alert.PriorityOf(e.Priority) < alert.Critical && c.Quiet.At(now) {
			continue
		}
		n, ok := c.note(e, state.View, 0)
		if !ok {
			continue
		}
		n.ID += "-again-" + strconv.FormatInt(now.Unix(), 10)
		n.Title = "Again, " + n.Title
		if err := c.send(ctx, n); err != nil {
			return err
		}
		c.told[e.ID] = now
	}
	for id := range c.told {
		if !unseen[id] {
			delete(c.told, id)
		}
	}
	return nil
}

// held is a row that waits for the end of the quiet hours.
type held struct {
	Seq  uint64          `json:"seq"`
	Wall time.Time       `json:"wall"`
	Kind string          `json:"kind"`
	JSON json.RawMessage `json:"json"`
}

func (h held) event() (engine.Event, bool) {
	return eventOf(journal.Message{Seq: h.Seq, Wall: h.Wall, Kind: h.Kind, Payload: h.JSON, IsEvent: h.Kind != string(alert.OutlookEvent)})
}

// maxHeld bounds what one target's quiet hours hold; the oldest goes first.
const maxHeld = 50

// hold keeps the row for later. An alarm that comes again, or ends, takes the
// place of what is held of it: it is one cause.
func (c *caller) hold(h held, e engine.Event) {
	for i, old := range c.held {
		o, ok := old.event()
		if old.Seq == h.Seq {
			return
		}
		if ok && e.Kind == engine.AlarmEvent && o.Kind == e.Kind && o.ID == e.ID {
			if e.State == "cleared" {
				return // the held one is found untrue later, and said to be
			}
			c.held = append(c.held[:i], c.held[i+1:]...)
			break
		}
	}
	if len(c.held) >= maxHeld {
		c.held = c.held[1:]
		c.Log.Warn("an alert held for quiet hours was dropped: too many are held", "to", c.Target.Name())
	}
	c.held, c.unkept = append(c.held, h), true
}

func (c *caller) heldKey() string { return "alerts.held." + c.Key }

func (c *caller) recallHeld(ctx context.Context) error {
	if c.Journal == nil {
		return nil
	}
	b, ok, err := c.Journal.State(ctx, c.heldKey())
	if err != nil || !ok {
		return err
	}
	if err := json.Unmarshal(b, &c.held); err != nil {
		return fmt.Errorf("cannot read the alerts held for quiet hours: %w", err)
	}
	return nil
}

// keepHeld saves what is held, with the events that go along.
func (c *caller) keepHeld(ctx context.Context, events ...engine.Event) error {
	if c.Journal == nil || !c.unkept {
		return nil
	}
	b, err := json.Marshal(c.held)
	if err == nil {
		err = c.Journal.Commit(ctx, journal.Batch{Events: events, State: map[string][]byte{c.heldKey(): b}})
	}
	c.unkept = err != nil
	return err
}

// release sends what the quiet hours held and still is so; what is not so any
// more is dropped, and the archive says that.
func (c *caller) release(ctx context.Context, now time.Time) error {
	if len(c.held) == 0 || c.Quiet.At(now) {
		return nil
	}
	view := c.Hub.Latest().View
	if view == nil {
		return nil // nobody knows yet what is still so
	}
	var over []string
	for len(c.held) > 0 {
		h := c.held[0]
		e, ok := h.event()
		n, good := c.note(e, view, h.Seq)
		switch {
		case ok && good && !c.stale(e, view, journal.Message{Seq: h.Seq, Wall: h.Wall}, now) && alert.StillSo(e, view):
			if err := c.send(ctx, n); err != nil {
				return err
			}
			c.told[e.ID] = now
		case ok:
			over = append(over, n.Title)
		}
		c.held, c.unkept = c.held[1:], true
		if err := c.keepHeld(context.WithoutCancel(ctx), c.dropped(over, view, now)...); err != nil {
			return err
		}
		over = nil
	}
	return nil
}

func (c *caller) dropped(over []string, v *engine.View, now time.Time) []engine.Event {
	if len(over) == 0 {
		return nil
	}
	return []engine.Event{{T: v.T, Wall: now, Kind: engine.NoteEvent,
		Text: fmt.Sprintf("not sent to %s after its quiet hours, being over: %s", c.Target.Name(), strings.Join(over, ", "))}}
}
