package daemon

import (
	"context"
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/say"
	"boxd/internal/telemetry"
	"boxd/internal/web"
)

// View is the newest view.
func (d *Daemon) View() engine.View {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.view
}

// Born is the wall time of this life's start.
func (d *Daemon) Born() time.Time { return d.o.Start }

// Age is how long ago the newest view was made.
func (d *Daemon) Age() time.Duration {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.shown.IsZero() {
		return 0
	}
	return time.Since(d.shown)
}

// Trace is the recent history, oldest first.
func (d *Daemon) Trace() []web.Point {
	d.mu.Lock()
	defer d.mu.Unlock()
	return append([]web.Point(nil), d.trace...)
}

// Hasten has every beat shown until calm is called, for whoever has a hand on a valve.
func (d *Daemon) Hasten() (calm func()) {
	d.hands.Add(1)
	return func() { d.hands.Add(-1) }
}

// Subscribe gives the views from now on, the latest only, and a function that
// ends it. With too many watchers the channel is closed at once.
func (d *Daemon) Subscribe() (<-chan engine.View, func()) {
	out := make(chan engine.View, 1)
	w, err := d.o.Hub.Watch()
	if err != nil {
		close(out)
		return out, func() {}
	}
	ctx, stop := context.WithCancel(context.Background())
	go func() {
		defer close(out)
		defer w.Close()
		for {
			var st telemetry.State
			select {
			case st = <-w.C:
			case <-ctx.Done():
				return
			}
			if st.Stopped != "" {
				return
			}
			select {
			case out <- *st.View:
			case <-ctx.Done():
				return
			}
		}
	}()
	return out, stop
}

// refused is an answer of the daemon's own.
func refused(why say.Text) web.Answer { return web.Answer{Reason: why.String(), Said: why} }

// Submit hands a person's word to the core and waits for its answer, which
// comes after it was saved.
func (d *Daemon) Submit(ctx context.Context, a box.Action) web.Answer {
	if a.ID == "" {
		return refused(say.T("the action has no id: reload the page"))
	}
	if e, ok, err := d.o.Journal.Answered(ctx, a.ID); err == nil && ok {
		ev, err := e.Event()
		if err == nil {
			return web.Answer{Accepted: ev.Kind == engine.ActionEvent, Reason: ev.Reason}
		}
	}
	answer := make(chan web.Answer, 1)
	select {
	case d.asks <- &ask{a, []chan web.Answer{answer}}:
	default:
		return refused(say.T("too many are pressing at once: try again"))
	}
	select {
	case ans := <-answer:
		return ans
	case <-d.over:
		select {
		case ans := <-answer:
			return ans
		default:
			return stopping()
		}
	case <-ctx.Done():
		return refused(say.T("no answer in time: look at the page before you press again"))
	}
}
