package web

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"time"

	"boxd/internal/access"
	"boxd/internal/engine"
)

// events streams views as server-sent events: "view" carries the View as JSON;
// "loop", where no page is asked for, its valve work alone, at the beat of the
// samples; "beat" the age of the newest view in seconds. With ?page=run, alarms, box or valve, "page" carries
// the parts of that page too; the valve's page gets "valve", its moment ready to
// show, instead of the heavier view. Views that come faster than the gate are
// skipped, never queued; those in which only numbers move wait for about a second, but
// on the valve's page. A watcher that can't take a write in time is dropped.
func (s visit) events(w http.ResponseWriter, r *http.Request) {
	select {
	case s.streams <- struct{}{}:
		defer func() { <-s.streams }()
	default:
		w.Header().Set("Retry-After", "10")
		http.Error(w, "too many watchers; close a page elsewhere", http.StatusServiceUnavailable)
		return
	}
	w.Header().Set("Content-Type", "text/event-stream")
	out := &stream{w: w, ctl: http.NewResponseController(w), wait: s.write}
	views, stop := s.core.Subscribe()
	defer stop()
	if core, ok := s.core.(Hastener); ok && turns(r.URL.Query().Get("page")) {
		defer core.Hasten()()
	}
	first := s.core.View()
	if s.send(out, r, first) != nil {
		return
	}
	s.follow(out, r, views, &first)
}

// turns says whether a page shows the valve work at the beat of the samples.
func turns(page string) bool { return page == "valve" || page == "" }

// calmly is how long a view waits that says nothing new in words: the heavy parts
// are drawn once a second then. The valve's digits come by themselves.
const calmly = 950 * time.Millisecond

// follow sends the views that come after the one sent. It keeps no beat of its own
// beside the core's: a view that came too soon after another goes with the next one,
// or, where none comes, with the beat.
func (s visit) follow(out *stream, r *http.Request, views <-chan engine.View, sent *engine.View) {
	beat := time.NewTicker(s.beat)
	defer beat.Stop()
	page := r.URL.Query().Get("page")
	hasty, each := page == "valve", turns(page)
	var pending *engine.View
	var turned time.Time
	at := time.Now() // when sent was
	due := func() error {
		past := time.Since(at)
		if pending == nil || past < s.gate || past < calmly && !hasty && !pending.News(sent) {
			return nil
		}
		sent, pending, at = pending, nil, time.Now()
		return s.send(out, r, *sent)
	}
	for {
		var err error
		select {
		case <-r.Context().Done():
			return
		case v, ok := <-views:
			if !ok {
				return
			}
			pending = &v
			if each && time.Since(turned) >= loopGate {
				turned = time.Now()
				err = s.sendValve(out, r, v)
			}
			err = errors.Join(err, due())
		case <-beat.C:
			if s.opts.Keeper != nil && !s.opts.Keeper.Still(r).Role.May(access.View) {
				return // the account or the session is gone
			}
			err = errors.Join(due(), out.send(framed("beat", fmt.Appendf(nil, `{"age_s":%.1f}`, s.age(s.core.View()).Seconds()))))
		}
		if err != nil {
			return
		}
	}
}

// sendValve sends the valve work by itself, so that a hand at the valve is
// answered at the beat of the samples without the weight of the whole view.
func (s visit) sendValve(out *stream, r *http.Request, v engine.View) error {
	out.turned = v.Seq
	valve := r.URL.Query().Get("page") == "valve"
	if !valve && !v.Loop.Known {
		return nil
	}
	name := "loop"
	if valve {
		name = "valve"
	}
	event, err := s.copies.once(s.copyOf(name, v), func() ([]byte, error) {
		var model any
		if valve {
			model = s.valveNow(v.In(s.show.voice))
		} else {
			model = struct {
				Seq  uint64          `json:"seq"`
				T    float64         `json:"t"`
				Loop engine.LoopView `json:"loop"`
			}{v.Seq, v.T, v.Loop.In(s.show.voice)}
		}
		data, err := json.Marshal(model)
		return framed(name, data), err
	})
	if err != nil {
		return fmt.Errorf("cannot write the loop valve of view %d: %w", v.Seq, err)
	}
	return out.send(event)
}

func (s visit) send(out *stream, r *http.Request, v engine.View) error {
	page := r.URL.Query().Get("page")
	if draw, ok := s.drawn(page); ok {
		event, err := s.copies.once(s.copyOf("page "+page, v), func() ([]byte, error) {
			var b bytes.Buffer
			b.Grow(len(out.last)) // about what it was the last time
			err := draw(&b, v.In(s.show.voice))
			return framed("page", b.Bytes()), err
		})
		if err != nil {
			return fmt.Errorf("cannot draw view %d: %w", v.Seq, err)
		}
		// A part that has not changed is not sent again to a page that is drawn often.
		if !bytes.Equal(out.last, event) {
			if out.last = event; out.send(event) != nil {
				return errGone
			}
		}
	}
	if page == "valve" {
		if v.Seq == out.turned {
			return nil
		}
		return s.sendValve(out, r, v) // it came too soon after another
	}
	event, err := s.copies.once(s.copyOf("view", v), func() ([]byte, error) {
		data, err := json.Marshal(v.In(s.show.voice))
		return framed("view", data), err
	})
	if err != nil {
		return fmt.Errorf("cannot write view %d: %w", v.Seq, err)
	}
	return out.send(event)
}

// drawn is how the parts of a live page are drawn from a view.
func (s visit) drawn(page string) (func(io.Writer, engine.View) error, bool) {
	switch page {
	case "run", "1":
		return func(w io.Writer, v engine.View) error { return s.pages().parts.Execute(w, s.live(v)) }, true
	case "alarms":
		return func(w io.Writer, v engine.View) error { return s.pages().alarmParts.Execute(w, s.alarmsNow(v)) }, true
	case "valve":
		return func(w io.Writer, v engine.View) error {
			p := s.valveParts(v)
			if err := s.pages().valveParts.Execute(w, p); err != nil {
				return err
			}
			return s.pages().valveNext.Execute(w, p)
		}, true
	case "box":
		return func(w io.Writer, v engine.View) error { return s.pages().boxParts.Execute(w, s.boxNow(v)) }, true
	}
	return nil, false
}

// stream writes events, each under its own deadline.
type stream struct {
	w    http.ResponseWriter
	ctl  *http.ResponseController
	wait time.Duration
	last []byte // the newest page sent; others may hold it too

	turned uint64 // the view whose valve work was sent last
}

var errGone = errors.New("cannot write to the watcher")

func (o *stream) send(event []byte) error {
	// A connection that knows no deadlines (a recorder in a test) is still written.
	_ = o.ctl.SetWriteDeadline(time.Now().Add(o.wait))
	if _, err := o.w.Write(event); err != nil {
		return errGone
	}
	return o.ctl.Flush()
}

// framed is an event as it goes over the wire.
func framed(name string, data []byte) []byte {
	b := make([]byte, 0, len(data)+len(data)/16+len(name)+32)
	b = append(append(b, "event: "...), name...)
	for line := range bytes.Lines(data) {
		b = append(append(b, "\ndata: "...), bytes.TrimRight(line, "\r\n")...)
	}
	return append(b, "\n\n"...)
}
