package daemon

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/journal"
	"boxd/internal/say"
	"boxd/internal/web"
)

// saving is a commit under way. The core's turns go on beside it: neither sampling nor
// alarms wait for a disk. What they answer and show is held back until it is saved.
type saving struct {
	batches []journal.Batch
	words   []word
	news    *engine.View // the view that comes with its events; nil: it has none
	began   time.Time
	done    chan error
}

// word is what was asked, with the answer for when it is saved.
type word struct {
	*ask
	answer web.Answer
}

// diskHangs is how long a commit may take before the archive counts as failing. It is
// less than what the screens (five seconds) and the vigil bear of silence.
const diskHangs = 3 * time.Second

// saved tells how the commit under way has ended, once it has.
func (d *Daemon) saved() <-chan error {
	if d.saving == nil {
		return nil
	}
	return d.saving.done
}

// joined puts a word that was sent again to the same one before it, which may wait
// for its commit: the core would refuse it.
func (d *Daemon) joined(a *ask, taken []*ask) bool {
	before := slices.Clone(taken)
	for _, w := range d.words {
		before = append(before, w.ask)
	}
	if d.saving != nil {
		for _, w := range d.saving.words {
			before = append(before, w.ask)
		}
	}
	i := slices.IndexFunc(before, func(b *ask) bool { return b.action.ID == a.action.ID })
	if i >= 0 {
		before[i].to = append(before[i].to, a.to...)
	}
	return i >= 0
}

// hear keeps the answers to what was asked in this turn until they are saved. What
// left nothing to save is answered at once.
func (d *Daemon) hear(asks []*ask, events []engine.Event) {
	for _, a := range asks {
		w := word{a, answerOf(a.action, events)}
		if len(events) > 0 {
			d.words = append(d.words, w)
			continue
		}
		w.tell(nil)
	}
}

func (w *word) tell(unsaved error) {
	if unsaved != nil && w.answer.Accepted {
		w.answer = refused(say.T("heard, but not saved: %s", unsaved.Error()))
	}
	w.say(w.answer)
}

func tellAll(words []word, unsaved error) {
	for i := range words {
		words[i].tell(unsaved)
	}
}

// save hands over what is due: at once when something happened, else once a second.
// When the archive fails, what is due is kept and tried again.
func (d *Daemon) save(ctx context.Context) {
	if d.saving != nil {
		d.waitOn()
		return
	}
	lately := time.Since(d.synced) < time.Second
	if len(d.due) == 0 && lately && len(d.inputs) < maxInputs {
		return
	}
	if why := d.failed.Load(); why != nil && lately {
		d.unsaved(fmt.Errorf("the archive can't be written (%s)", *why))
		return
	}
	d.synced = time.Now()
	if d.cut(); len(d.due) == 0 {
		return
	}
	s := &saving{batches: d.due, words: d.words, began: d.synced, done: make(chan error, 1)}
	if eventful(s.batches) && d.o.Speed == 1 {
		v := d.core.View()
		s.news = &v
	}
	d.saving, d.due, d.words = s, nil, nil
	go func() { s.done <- d.o.commit(context.WithoutCancel(ctx), s.batches...) }()
	if d.o.Speed != 1 { // a simulation may lag, never run ahead of its disk
		d.finish(<-s.done)
	}
}

// waitOn is a turn beside a commit that takes its time. One that takes too long has
// failed for whoever waits; it may succeed yet, and is not tried beside itself.
func (d *Daemon) waitOn() {
	if time.Since(d.saving.began) < diskHangs {
		return
	}
	first := d.failed.Load() == nil
	why := fmt.Errorf("the disk has not taken a save for %v", diskHangs)
	d.fail(why)
	if first || time.Since(d.synced) >= time.Second {
		d.synced = time.Now()
		d.cut()
		d.shed()
	}
	tellAll(d.saving.words, why)
	d.saving.words = nil
	d.unsaved(why)
}

// finish takes note of how the commit under way has ended, answers, and shows what it held back.
func (d *Daemon) finish(err error) {
	s := d.saving
	d.saving = nil
	d.full.Store(errors.Is(err, journal.ErrFull))
	if err != nil {
		d.due = append(s.batches, d.due...)
		d.words = append(s.words, d.words...)
		d.fail(err)
		d.shed()
		d.unsaved(err)
	} else {
		if d.failed.Swap(nil) != nil {
			d.o.Log.Info("the archive can be written again")
		}
		tellAll(s.words, nil)
		d.o.Unsaved.put(nil)
	}
	switch {
	case s.news == nil:
	case !d.held():
		d.show()
	case s.news.Seq > d.view.Seq: // else a later one was shown while the archive failed
		d.publish(*s.news, s.began)
	}
}

func (d *Daemon) fail(why error) {
	text := why.Error()
	if d.failed.Swap(&text) == nil {
		d.o.Log.Error("cannot save", "error", why)
	}
}

// unsaved is what a failing archive leaves to do: alarms go past it, and words that
// wait for it are not taken.
func (d *Daemon) unsaved(why error) {
	due := d.due
	if d.saving != nil {
		due = slices.Concat(d.saving.batches, due)
	}
	d.o.Unsaved.put(due)
	tellAll(d.words, why)
	d.words = nil
}

// held says that something happened that is not yet saved. While the archive fails
// all is shown, and that it fails.
func (d *Daemon) held() bool {
	return d.failed.Load() == nil && (eventful(d.due) || d.saving != nil && eventful(d.saving.batches))
}

func eventful(list []journal.Batch) bool {
	return slices.ContainsFunc(list, func(b journal.Batch) bool { return len(b.Events) > 0 })
}

// shed keeps what is due within bounds: the oldest inputs go first; what was
// confirmed or raised stays.
func (d *Daemon) shed() {
	for i := 0; i < len(d.due) && len(d.due) > maxDue; i++ {
		b := &d.due[i]
		if b.Inputs = nil; len(b.Events)+len(b.State) == 0 && b.Estimates == nil && b.Start == nil && b.End == nil {
			d.due = slices.Delete(d.due, i, i+1)
			i--
		}
	}
}

// settle saves what is left at the end, and answers who waits for it.
func (d *Daemon) settle() (err error) {
	words := d.words
	if s := d.saving; s != nil {
		if err = <-s.done; err != nil {
			d.due = append(s.batches, d.due...)
			words = append(s.words, words...)
		} else {
			tellAll(s.words, nil)
		}
	}
	if d.cut(); len(d.due) > 0 {
		err = d.o.commit(context.Background(), d.due...)
	}
	tellAll(words, err)
	return err
}

func answerOf(a box.Action, events []engine.Event) web.Answer {
	for i := range events {
		if e := &events[i]; e.Action == a.ID && a.ID != "" {
			if e.Kind == engine.RefusalEvent {
				return web.Answer{Reason: e.Reason, Said: e.Said.Reason}
			}
			if e.Kind == engine.ActionEvent {
				return web.Answer{Accepted: true}
			}
		}
	}
	return refused(say.T("the core gave no answer: try again"))
}
