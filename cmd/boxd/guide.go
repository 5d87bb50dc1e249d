package main

import (
	"bufio"
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

// point puts what was measured into a request.
type point func(*calibration.Request)

// way is one kind of calibration as a person is led through it.
type way struct {
	say []string
	ask func(g *guide) point
}

func ways() map[string]way {
	return map[string]way{
		"flow": {[]string{"Catch what passes the meter in a bucket of known volume, 20 L or more for 60 s or more, at a steady flow without fertilizer.",
			"The meter must be full of water. Three buckets are better than one."}, (*guide).bucket},
		"pressure": {[]string{"Close the supply and let the pressure out before you loosen anything: water under pressure injures.",
			"Vented to the air the gauge is 0; for a span take gauge readings 50 kPa or more apart, at rest."}, (*guide).compared},
		"ec": {[]string{"Rinse the probe with clean water, then with a little of the standard; pour it fresh and never back into the bottle.",
			"Wait until reading and temperature stand still."}, (*guide).solution},
		"temperature": {[]string{"Crush ice of clean water, wet it, stir, and leave the probe in the middle for ten minutes."}, (*guide).ice},
		"injector": {[]string{"Wear what the label of the stock asks for: gloves and goggles at least.",
			"Draw from a measuring cylinder while the injector runs steadily, and measure the mixture that leaves it meanwhile."}, (*guide).drawn},
	}
}

// guide asks a person on a terminal. Its first error stays: what is asked after
// it gives nothing.
type guide struct {
	lines *bufio.Scanner
	out   io.Writer
	err   error
}

func (g *guide) tell(format string, args ...any) {
	if _, err := fmt.Fprintf(g.out, format, args...); g.err == nil {
		g.err = err
	}
}

func (g *guide) line(ask string) string {
	g.tell("%s ", ask)
	if g.err == nil && !g.lines.Scan() {
		g.err = errors.Join(errors.New("the answers ended before the calibration did: nothing is kept; begin again"), g.lines.Err())
	}
	if g.err != nil {
		return ""
	}
	return strings.TrimSpace(g.lines.Text())
}

func (g *guide) number(ask string) float64 {
	for {
		text := g.line(ask)
		v, err := strconv.ParseFloat(text, 64)
		if g.err != nil || err == nil && !math.IsInf(v, 0) && !math.IsNaN(v) {
			return v
		}
		g.tell("%q is no number; write one such as 12.5\n", text)
	}
}

func (g *guide) yes(ask string) bool {
	for {
		text := g.line(ask + " (yes/no)")
		if g.err != nil || text == "yes" || text == "no" {
			return text == "yes"
		}
		g.tell("write yes or no\n")
	}
}

func (g *guide) bucket() point {
	per := g.number("pulses per litre in the configuration (0: I read the flow that boxd shows):")
	b := calibration.Bucket{Litres: g.number("litres in the bucket:"), Seconds: g.number("seconds it took:")}
	if per > 0 {
		b.Pulses = g.number("pulses counted:")
	} else {
		b.Flow = g.number("mean flow boxd showed, L/min:")
	}
	return func(r *calibration.Request) {
		if r.Flow == nil {
			r.Flow = &calibration.Flow{}
		}
		r.Flow.PerLitre = per
		r.Flow.Buckets = append(r.Flow.Buckets, b)
	}
}

func (g *guide) compared() point {
	c := calibration.Compared{Reference: g.number("gauge, kPa (0: vented):"), Reading: g.number("boxd shows, kPa:")}
	return func(r *calibration.Request) {
		if r.Pressure == nil {
			r.Pressure = &calibration.Pressure{}
		}
		r.Pressure.Points = append(r.Pressure.Points, c)
	}
}

func (g *guide) solution() point {
	by := calibration.Compensation(g.line("who brings the reading to 25 °C (nobody, boxd, probe):"))
	s := calibration.Solution{At25: g.number("EC on the bottle at 25 °C, µS/cm:"), Celsius: g.number("temperature of the standard, °C:"), Reading: g.number("boxd shows, µS/cm:")}
	if by == calibration.Boxd {
		water := g.number("water temperature boxd shows meanwhile, °C:")
		s.Water = &water
	}
	return func(r *calibration.Request) {
		if r.EC == nil {
			r.EC = &calibration.EC{}
		}
		r.EC.By = by
		r.EC.Points = append(r.EC.Points, s)
	}
}

func (g *guide) ice() point {
	v := g.number("boxd shows, °C:")
	return func(r *calibration.Request) {
		if r.Temperature == nil {
			r.Temperature = &calibration.Temperature{}
		}
		r.Temperature.Readings = append(r.Temperature.Readings, v)
	}
}

func (g *guide) drawn() point {
	q := calibration.Ratio{Dialled: g.number("dialled, % of stock in the total:") / 100, Stock: g.number("stock drawn, L:"), Total: g.number("mixture that left the injector, L:")}
	return func(r *calibration.Request) { r.Ratio = &q }
}

// measure asks for points until they make a calibration. A refusal says why, and
// the point that is named is measured again.
func (g *guide) measure(w way, r calibration.Request, before calibration.Correction) (calibration.Request, calibration.Record) {
	for _, s := range w.say {
		g.tell("%s\n", s)
	}
	var points []point
	for g.err == nil {
		g.tell("point %d\n", len(points)+1)
		points = append(points, w.ask(g))
		if r.Channel != calibration.Injector && g.yes("another point?") {
			continue
		}
		asked := r
		for _, p := range points {
			p(&asked)
		}
		rec, err := calibration.Make(asked, before, time.Now().UTC().Round(0))
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

// guided leads a person through a calibration. boxd may run meanwhile to show its
// readings; it must have stopped when the result is kept.
func guided(a *app, w way, r calibration.Request, data string) error {
	g := &guide{lines: bufio.NewScanner(a.in), out: a.out}
	before, err := inForce(a, data, r.Channel)
	if err != nil {
		return err
	}
	r.ID, r.Corrected = rand.Text(), true
	if r.By == "" {
		r.By = g.line("who calibrates:")
	}
	r.Standard.Name = g.line("measured against (bucket, gauge, bottle and lot, …):")
	r, rec := g.measure(w, r, before)
	if g.err == nil {
		g.show(&rec)
	}
	for g.err == nil && g.yes("keep it?") {
		err := keep(a, data, r)
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

func inForce(a *app, data, channel string) (calibration.Correction, error) {
	j, err := openArchive(data)
	if err != nil {
		return calibration.None(), err
	}
	list, err := j.Calibrations(a.ctx, time.Time{})
	return calibration.InForce(list, channel), errors.Join(err, j.Close())
}
