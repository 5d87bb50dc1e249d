package telemetry

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"boxd/internal/engine"
)

// Message is one event on its way out. Seq is its number in the journal: it
// rises by event and is never used twice for a box.
type Message struct {
	Seq     uint64
	Topic   string
	Payload []byte
}

// Outbox is the queue of events not yet acknowledged by the broker. The journal
// keeps it, so that an event outlives the process.
type Outbox interface {
	// Next gives up to max messages with Seq above after, lowest first. It
	// does not wait: none is an empty list.
	Next(ctx context.Context, after uint64, max int) ([]Message, error)
	// Done strikes off every message up to and with upto.
	Done(ctx context.Context, upto uint64) error
}

// TopicLevel makes a name fit to be one level of a topic: the separator, the
// wildcards and control characters become "-". An empty name becomes "box".
func TopicLevel(name string) string {
	clean := strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || strings.ContainsRune("/+#$", r) {
			return '-'
		}
		return r
	}, strings.ToValidUTF8(name, "-"))
	if clean == "" {
		return "box"
	}
	return clean
}

// Topic is a topic of the box: boxd/<box>/<rest>.
func Topic(box, rest string) string { return "boxd/" + TopicLevel(box) + "/" + rest }

// EventMessage is the message of one event: the event's JSON as in a replay,
// with its seq, the box, the run it belongs to (empty: between runs) and the wall
// time in front.
func EventMessage(box, run string, seq uint64, e engine.Event) (Message, error) {
	head := struct {
		Box  string `json:"box"`
		Run  string `json:"run,omitempty"`
		Seq  uint64 `json:"seq"`
		Time string `json:"time"`
	}{box, run, seq, stamp(e.Wall)}
	payload, err := join(head, e)
	if err != nil {
		return Message{}, fmt.Errorf("cannot shape event %d (%s): %w", seq, e.Kind, err)
	}
	return Message{Seq: seq, Topic: Topic(box, "event"), Payload: payload}, nil
}

// StatusWord is what the retained status says.
type StatusWord string

// Only Online is a state in which the retained values count.
const (
	Online   StatusWord = "online"
	Starting StatusWord = "starting" // connected, no reading yet
	Stopped  StatusWord = "stopped"  // connected, but the core does not work
	Offline  StatusWord = "offline"  // the box is gone, cleanly or not
)

// DoNotRely is said wherever the core no longer works.
const DoNotRely = "stopped: do not rely on this"

// StatusPayload is the status message. page is where the box's own page is; empty:
// nobody else can reach it. A will has no time: nobody can know beforehand when it
// will be sent.
func StatusPayload(word StatusWord, why, page string, at time.Time) []byte {
	s := struct {
		Status StatusWord `json:"status"`
		Online bool       `json:"online"`
		Text   string     `json:"text"`
		Why    string     `json:"why,omitempty"`
		Page   string     `json:"page,omitempty"`
		Time   string     `json:"time,omitempty"`
	}{Status: word, Online: word == Online, Text: string(word), Why: why, Page: page, Time: stamp(at)}
	if word == Stopped {
		s.Text = DoNotRely
	}
	b, err := json.Marshal(s)
	if err != nil { // strings and a bool always marshal
		return nil
	}
	return b
}

// stamp writes a wall time in RFC 3339 with milliseconds, UTC; empty for none.
func stamp(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format("2006-01-02T15:04:05.000Z07:00")
}

// join writes two JSON objects as one, head's fields first.
func join(head, body any) ([]byte, error) {
	h, err := json.Marshal(head)
	if err != nil {
		return nil, err
	}
	b, err := json.Marshal(body)
	if err != nil {
		return nil, err
	}
	return splice(h, b), nil
}

func splice(h, b []byte) []byte {
	switch {
	case len(b) <= 2:
		return h
	case len(h) <= 2:
		return b
	}
	out := make([]byte, 0, len(h)+len(b))
	out = append(out, h[:len(h)-1]...)
	out = append(out, ',')
	return append(out, b[1:]...)
}
