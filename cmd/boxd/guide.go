package main

import (
	"bufio"
	"cmp"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"boxd/internal/calibration"
)

// guide asks a person on a terminal. Its first error stays: what is asked after
// it gives nothing.
type guide struct {
	ctx   context.Context
	lines <-chan string
	fault error // of lines, once they have ended
	out   io.Writer
	err   error

	at   records
	live *boxPage // shows the readings; nil: the person reads them off
	now  func() time.Time
}

func newGuide(a *app, at records) *guide {
	lines := make(chan string)
	g := &guide{ctx: a.ctx, lines: lines, out: a.out, at: at, now: time.Now}
	go func() { // so that the person can break off: a read of a terminal can't be
		defer close(lines)
		in := bufio.NewScanner(a.in)
		for in.Scan() {
			select {
			case lines <- in.Text():
			case <-a.ctx.Done():
				return
			}
		}
		g.fault = in.Err()
	}()
	return g
}

func (g *guide) tell(format string, args ...any) {
	if _, err := fmt.Fprintf(g.out, format, args...); g.err == nil {
		g.err = err
	}
}

func (g *guide) line(ask string) string { return g.lineWhile(ask, nil) }

// lineWhile awaits a line and meanwhile calls each, where there is one, once a
// second.
func (g *guide) lineWhile(ask string, each func()) string {
	g.tell("%s ", ask)
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for g.err == nil {
		select {
		case text, ok := <-g.lines:
			if ok {
				return strings.TrimSpace(text)
			}
			g.err = errors.Join(errors.New("the answers ended before the calibration did: nothing is kept; begin again"), g.fault)
		case <-g.ctx.Done():
			g.err = errors.New("broken off: nothing is kept")
		case <-tick.C:
			if each != nil {
				each()
			}
		}
	}
	return ""
}

func numberIn(text string) (float64, bool) {
	v, err := strconv.ParseFloat(text, 64)
	return v, err == nil && !math.IsInf(v, 0) && !math.IsNaN(v)
}

func (g *guide) number(ask string) float64 { return g.numberOr(ask, math.NaN()) }

// numberOr is otherwise for an empty line; NaN: a number must be given.
func (g *guide) numberOr(ask string, otherwise float64) float64 {
	for {
		text := g.line(ask)
		v, ok := numberIn(text)
		if g.err != nil || ok {
			return v
		}
		if text == "" && !math.IsNaN(otherwise) {
			return otherwise
		}
		g.tell("%q is no number; write one such as 12.5\n", text)
	}
}

// measured is a number with one of some units; the first is meant by none.
func (g *guide) measured(ask string, units ...string) (float64, string) {
	for {
		number, unit, _ := strings.Cut(g.line(ask), " ")
		v, ok := numberIn(number)
		unit = cmp.Or(strings.TrimSpace(unit), units[0])
		if g.err != nil || ok && slices.Contains(units, unit) {
			return v, unit
		}
		g.tell("write a number, a space and one of: %s\n", strings.Join(units, ", "))
	}
}

func (g *guide) choice(ask string, of ...string) string {
	for {
		text := g.line(ask + " (" + strings.Join(of, "/") + ")")
		if g.err != nil || slices.Contains(of, text) {
			return text
		}
		g.tell("write %s\n", strings.Join(of, " or "))
	}
}

func (g *guide) yes(ask string) bool { return g.choice(ask, "yes", "no") == "yes" }

// reading is what boxd shows of a channel: as it stands there now, for an empty
// line, or as the person has read it.
func (g *guide) reading(unit, column string) float64 {
	if g.live == nil {
		return g.number("boxd shows, " + unit + ":")
	}
	for {
		text := g.line("boxd shows, " + unit + " (Enter when it is at rest: read from the box):")
		if v, ok := numberIn(text); ok || g.err != nil {
			return v
		}
		if text != "" {
			g.tell("%q is no number; write one such as 12.5, or nothing\n", text)
			continue
		}
		v, moved, err := g.live.rest(column)
		if err == nil {
			g.tell("%.5g %s, the mean of some seconds in which it moved by %.2g\n", v, unit, moved)
			return v
		}
		g.tell("%v\n", err)
	}
}

// standard asks who calibrates, against what, and for how long.
func (g *guide) standard(w way, r *calibration.Request) {
	if r.By == "" {
		r.By = g.line("who calibrates:")
	}
	r.Standard.Name = g.line("measured against (bucket, gauge, bottle, …):")
	r.Standard.Lot = g.line("its lot or serial number (Enter: none):")
	r.Standard.Limit = g.numberOr("how far off it may be at most, "+w.limit+" (Enter: as is common):", 0) * w.per
	r.Days = int(g.numberOr("days until the next calibration (Enter: as is common):", 0))
	r.Note = g.line("note for the record (Enter: none):")
}

// measure asks for points until they make a calibration. A refusal says why, and
// the point that is named is measured again.
func (g *guide) measure(w way, r calibration.Request, before calibration.Correction) (calibration.Request, calibration.Record) {
	lesson := w.kind.Teach()
	for _, s := range slices.Concat(lesson.Care, lesson.Do) {
		g.tell("%v\n", s)
	}
	var points []point
	for g.err == nil {
		g.tell("point %d\n", len(points)+1)
		points = append(points, w.ask(g, r.Channel))
		if r.Channel != calibration.Injector && g.yes("another point?") {
			continue
		}
		asked := r
		for _, p := range points {
			p(&asked)
		}
		rec, err := calibration.Make(asked, before, g.now().UTC().Round(0))
		if err == nil || g.err != nil {
			return asked, rec
		}
		g.tell("%v\n", err)
		points = g.without(points)
	}
	return r, calibration.Record{}
}

// without takes out the point that is to be measured again.
func (g *guide) without(points []point) []point {
	for len(points) > 1 && g.err == nil {
		n := int(g.number(fmt.Sprintf("which point is measured again (1 to %d; 0: none, one more is added)?", len(points))))
		if n == 0 {
			return points
		}
		if n > 0 && n <= len(points) {
			return slices.Delete(points, n-1, n)
		}
	}
	return nil
}

// show tells what was found and what would change.
func (g *guide) show(r *calibration.Record) {
	g.tell("%s: %s\n", r.Channel, r.Text)
	for i, p := range r.Points {
		g.tell("  point %d: reference %.5g, error before %+.4g, after %+.4g %s\n", i+1, p.Reference, p.Before, p.After, r.Unit)
	}
	if r.Relative() {
		g.tell("  uncertainty %.2f %% (k = 2)\n", 100*r.Expanded)
	} else {
		g.tell("  uncertainty %.3g %s (k = 2)\n", r.Expanded, r.Unit)
	}
	if r.Channel != calibration.Injector {
		g.tell("  correction was ×%.4f %+.4g, becomes ×%.4f %+.4g\n", r.Before.Gain, r.Before.Offset, r.After.Gain, r.After.Offset)
	}
}

// run leads a person through a calibration. Where the records are an archive's,
// boxd may run meanwhile to show its readings; it must have stopped when the
// result is kept.
func (g *guide) run(w way, r calibration.Request) error {
	before, err := g.at.inForce(r.Channel)
	if err != nil {
		return err
	}
	r.ID, r.Corrected, r.Seen = rand.Text(), true, &before
	g.standard(w, &r)
	r, rec := g.measure(w, r, before)
	if g.err == nil {
		g.show(&rec)
	}
	for g.err == nil && g.yes("keep it?") {
		err := g.at.keep(r)
		if err == nil {
			return nil
		}
		g.tell("%v\n", err)
	}
	if g.err == nil {
		g.tell("nothing is kept\n")
	}
	return g.err
}
