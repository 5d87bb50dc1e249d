package watch

import (
	"context"
	"time"

	"boxd/internal/units"

	"github.com/gdamore/tcell/v2"
)

// Run watches a box on a terminal until the person leaves or ctx ends.
func Run(ctx context.Context, o Options) error {
	c, err := newClient(o)
	if err != nil {
		return err
	}
	screen, err := tcell.NewScreen()
	if err != nil {
		return err
	}
	if err := screen.Init(); err != nil {
		return err
	}
	defer screen.Fini()
	return run(ctx, screen, c, o)
}

// run owns the screen: keys, news of the box and the second's beat all come to
// this goroutine.
func run(ctx context.Context, screen tcell.Screen, c *client, o Options) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	news := make(chan heard, 16)
	go c.follow(ctx, func(h heard) {
		select {
		case news <- h:
		case <-ctx.Done():
		}
	})
	keys := make(chan tcell.Event, 16)
	quit := make(chan struct{})
	defer close(quit)
	go screen.ChannelEvents(keys, quit)
	beat := time.NewTicker(time.Second)
	defer beat.Stop()
	s := scene{units: unitsOf(o.Units)}
	var at time.Time // when the newest view came
	draw(screen, s)
	for {
		select {
		case <-ctx.Done():
			return nil
		case ev := <-keys:
			if key, ok := ev.(*tcell.EventKey); ok && leaves(key) {
				return nil
			} else if ok && key.Rune() == 'u' {
				s.units = other(s.units)
			}
			screen.Sync()
		case h := <-news:
			at = s.hear(h, at)
		case <-beat.C:
		}
		if !at.IsZero() {
			s.age = time.Since(at)
		}
		draw(screen, s)
	}
}

// hear takes in what came and gives the time the newest view dates from.
func (s *scene) hear(h heard, at time.Time) time.Time {
	switch {
	case h.view != nil:
		s.view, s.lost = h.view, ""
		return time.Now()
	case h.age != nil:
		s.lost = ""
		return time.Now().Add(-*h.age)
	case h.lost != nil:
		s.lost = h.lost.Error() + "."
	}
	return at
}

func other(u units.System) units.System {
	if u == units.US {
		return units.Metric
	}
	return units.US
}

func leaves(k *tcell.EventKey) bool {
	return k.Rune() == 'q' || k.Key() == tcell.KeyCtrlC || k.Key() == tcell.KeyEscape
}

func unitsOf(name string) units.System {
	if u, ok := units.SystemByName(name); ok {
		return u
	}
	return units.US
}
