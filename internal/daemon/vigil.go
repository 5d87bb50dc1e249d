package daemon

import (
	"context"
	"log/slog"
	"time"

	"boxd/internal/telemetry"
	"boxd/internal/telemetry/alert"
)

// Vigil tells one target that the core has fallen silent, and when it speaks
// again. A silent core saves nothing, so these notes go past the archive. Every
// target gets them, in quiet hours too: a box that has stopped can say none of
// what it was asked to say.
type Vigil struct {
	Box    string
	Style  alert.Style
	Target Target
	Hub    *telemetry.Hub
	Log    *slog.Logger
}

// A core turns once a second at least. The screens grey after the same order of
// time; with the way to the phone it has to be within ten seconds.
const (
	silentFor    = 5 * time.Second
	vigilLooks   = 500 * time.Millisecond
	vigilRetries = 5 * time.Second
	lastWords    = 4 * time.Second // for the note of a core that ended by a fault
)

// Run watches until ctx ends. A core that then has ended by a fault is told of
// before it returns.
func (v Vigil) Run(ctx context.Context) {
	w := watchman{Vigil: v, heard: time.Now()}
	look := time.NewTicker(vigilLooks)
	defer look.Stop()
	for {
		select {
		case <-ctx.Done():
			w.leave()
			return
		case <-look.C:
			w.look(ctx, time.Now())
		}
	}
}

// watchman is what a vigil remembers.
type watchman struct {
	Vigil
	heard  time.Time   // when the core last spoke
	silent bool        // it has been found silent
	note   *alert.Note // not yet taken; nil: none
	next   time.Time   // when to try it again
}

func (w *watchman) look(ctx context.Context, now time.Time) {
	s := w.Hub.Latest()
	if s.At.After(w.heard) {
		w.heard = s.At
	}
	switch silent := now.Sub(w.heard) >= silentFor; {
	case silent && !w.silent:
		w.say(w.Style.Stopped(w.Box, w.heard, s.Stopped))
	case !silent && w.silent && w.note != nil:
		w.note = nil // it was over before anybody could be told
	case !silent && w.silent:
		w.say(w.Style.Resumed(w.Box, w.heard))
	}
	w.silent = now.Sub(w.heard) >= silentFor
	if w.note == nil || now.Before(w.next) {
		return
	}
	if err := w.Target.Send(ctx, *w.note); err != nil {
		w.Log.Warn("the word that the core has stopped, or works again, is waiting", "to", w.Target.Name(), "error", err)
		w.next = now.Add(vigilRetries)
		return
	}
	w.note = nil
}

func (w *watchman) say(n alert.Note) { w.note, w.next = &n, time.Time{} }

// leave tells of a fault that has ended the core just now. A core that a person
// has stopped is no news.
func (w *watchman) leave() {
	s := w.Hub.Latest()
	if s.Stopped == "" || s.Stopped == wasStopped || w.silent && w.note == nil {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), lastWords)
	defer cancel()
	if err := w.Target.Send(ctx, w.Style.Stopped(w.Box, w.heard, s.Stopped)); err != nil {
		w.Log.Error("nobody could be told that the core has stopped", "to", w.Target.Name(), "error", err)
	}
}
