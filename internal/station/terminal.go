package station

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/gdamore/tcell/v2"
)

// Terminal shows the fleet on a terminal until the person leaves or ctx ends.
func Terminal(ctx context.Context, f *Fleet) error {
	screen, err := tcell.NewScreen()
	if err != nil {
		return fmt.Errorf("cannot use the terminal: %w: leave -terminal out and open the page", err)
	}
	if err := screen.Init(); err != nil {
		return fmt.Errorf("cannot use the terminal: %w: leave -terminal out and open the page", err)
	}
	defer screen.Fini()
	run(ctx, screen, f)
	return nil
}

// looking is how a person looks at the list.
type looking struct {
	top    int
	filter string
	typing bool
}

func run(ctx context.Context, screen tcell.Screen, f *Fleet) {
	keys := make(chan tcell.Event, 16)
	quit := make(chan struct{})
	defer close(quit)
	go screen.ChannelEvents(keys, quit)
	tick := time.NewTicker(coalesce)
	defer tick.Stop()
	var l looking
	for {
		_, h := screen.Size()
		draw(screen, f.Since(0, time.Now()), &l)
		select {
		case <-ctx.Done():
			return
		case ev := <-keys:
			if key, ok := ev.(*tcell.EventKey); ok && !l.press(key, h) {
				return
			}
		case <-tick.C:
		}
	}
}

// press takes a key; false: the person leaves.
func (l *looking) press(k *tcell.EventKey, height int) bool {
	switch k.Key() {
	case tcell.KeyCtrlC:
		return false
	case tcell.KeyEscape:
		if !l.typing && l.filter == "" {
			return false
		}
		l.typing, l.filter = false, ""
	case tcell.KeyEnter:
		l.typing = false
	case tcell.KeyBackspace, tcell.KeyBackspace2:
		if r := []rune(l.filter); l.typing && len(r) > 0 {
			l.filter = string(r[:len(r)-1])
		}
	case tcell.KeyDown:
		l.top++
	case tcell.KeyUp:
		l.top--
	case tcell.KeyPgDn:
		l.top += height - 4
	case tcell.KeyPgUp:
		l.top -= height - 4
	case tcell.KeyRune:
		switch {
		case l.typing:
			l.filter, l.top = l.filter+string(k.Rune()), 0
		case k.Rune() == 'q':
			return false
		case k.Rune() == '/':
			l.typing = true
		}
	default:
	}
	return true
}

func draw(to tcell.Screen, p Picture, l *looking) {
	to.Clear()
	w, h := to.Size()
	plain := tcell.StyleDefault
	line(to, 0, w, plain.Bold(true), summary(p))
	y := 1
	if p.Link != "" {
		line(to, y, w, plain.Reverse(true).Bold(true), "■ stopped: do not rely on this. "+p.Link)
		y++
	}
	rows := p.Rows[:0:0]
	for _, r := range p.Rows {
		if fits(r, l.filter) {
			rows = append(rows, r)
		}
	}
	l.top = max(0, min(l.top, len(rows)-max(0, h-y-1)))
	for _, r := range rows[l.top:] {
		if y >= h-1 {
			break
		}
		style := plain
		switch {
		case !r.Live() || p.Link != "":
			style = plain.Dim(true).Italic(true)
		case len(r.Alarms) > 0 && !r.Alarms[0].Seen:
			style = plain.Reverse(true)
		case len(r.Alarms) > 0:
			style = plain.Bold(true)
		}
		line(to, y, w, style, text(r))
		y++
	}
	foot := "q leaves · arrows move · / shows only what you type · boxd advises a person; it moves no valve"
	if l.typing || l.filter != "" {
		foot = "/" + l.filter + "   (Esc shows all)"
	}
	line(to, h-1, w, plain.Dim(true), foot)
	to.Show()
}

func summary(p Picture) string {
	out := fmt.Sprintf("%d boxes", p.Total)
	if p.Link != "" {
		return out // how they stand is not known
	}
	if p.Alarmed > 0 {
		out += fmt.Sprintf(" · %d with alarms", p.Alarmed)
	}
	for s, n := range p.Count {
		if n > 0 {
			out += fmt.Sprintf(" · %d %s", n, Standing(s))
		}
	}
	return out
}

func fits(r Row, filter string) bool {
	return strings.Contains(strings.ToLower(text(r)), strings.ToLower(strings.TrimSpace(filter)))
}

// text is a row in one line.
func text(r Row) string {
	step := r.Step
	if step == "" {
		step = "unknown"
	}
	if r.Percent >= 0 {
		step += fmt.Sprintf(" %d %%", r.Percent)
	}
	out := fmt.Sprintf("%-20s %-9s %-16s ", r.Box, r.Standing, step)
	if !r.Live() {
		when := "never heard"
		if !r.Heard.IsZero() {
			when = "last heard " + r.Heard.Local().Format("2006-01-02 15:04:05")
		}
		out += when + "; last known: "
	}
	for _, a := range r.Alarms {
		mark := map[string]string{"critical": "◆", "high": "▲"}[a.Priority]
		if mark == "" {
			mark = "●"
		}
		out += mark + " " + a.Priority + ": " + a.Text + "  "
	}
	return out + r.Advice
}

func line(to tcell.Screen, y, w int, style tcell.Style, text string) {
	x := 0
	for _, r := range text {
		if x >= w {
			return
		}
		to.SetContent(x, y, r, nil, style)
		x++
	}
}
