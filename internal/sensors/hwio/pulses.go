package hwio

import (
	"context"
	"fmt"
	"sync/atomic"
	"time"

	"boxd/internal/box"
	"boxd/internal/sensors"
)

// pulseMeter counts a flow meter's pulses. The kernel counts them: it keeps the
// newest edges, each with its number and its time, so that a reading that comes
// late loses none. The flow is so many periods between two edges divided by
// their time, and falls with the time since the last one.
type pulseMeter struct {
	channel box.Channel
	sensors.Pulses
	every time.Duration
	open  func() (line, error)
	clock func() time.Duration // of the edges

	line    line
	trouble error
	again   time.Duration // when to ask for the line again
	since   time.Duration // the line is watched
	edges   []edge

	seen     edge // the newest; seq 0: none since the line was opened
	from     edge // where the measurement under way begins; seq 0: nowhere, it stood still
	n        uint32
	in       time.Duration // the last measurement: n periods in this time; 0: none
	tooClose int           // edges of the measurement under way that followed another too closely

	counted, rejected atomic.Uint64 // read by whoever asks for totals
}

// pulses puts a meter on its chip.
func (b *builder) pulses(w sensors.Wiring, d sensors.Pulses) error {
	if !(d.Meter.PerLitre > 0 && d.Meter.Most > d.Least && d.Least > 0) {
		return fmt.Errorf("cannot read %s: it isn't said how many pulses it gives for a litre and what flows it measures; give pulses_per_litre and most", w)
	}
	p := &pulseMeter{channel: w.Channel, Pulses: d, every: w.Every, clock: b.clock,
		open: func() (line, error) { return b.line(watch{Line: d.Line}) }}
	x := b.on("gpio " + d.Line.Chip)
	x.put(p, w.Every, w.Channel)
	x.closing(p.shut)
	b.meters = append(b.meters, p)
	return nil
}

func (p *pulseMeter) shut() {
	if p.line != nil {
		p.line.close()
		p.line = nil
	}
}

// step takes what the kernel has kept.
func (p *pulseMeter) step(_ context.Context, dst []box.Sample) ([]box.Sample, time.Duration) {
	now := p.clock()
	if p.line == nil && now >= p.again {
		if p.line, p.trouble = p.open(); p.trouble == nil {
			p.since, p.seen, p.from, p.in, p.tooClose = now, edge{}, edge{}, 0, 0
		}
	}
	if p.line != nil {
		p.edges, p.trouble = p.line.take(p.edges[:0])
		if p.trouble == nil {
			return p.flow(dst), 0
		}
		p.shut()
	}
	if now >= p.again {
		p.again = now + retryLine
	}
	return append(dst, lineFault(p.channel, p.trouble)), 0
}

// flow makes a flow of the edges. Where nothing is known yet, as between the
// first pulse after a standstill and the second, it makes none.
func (p *pulseMeter) flow(dst []box.Sample) []box.Sample {
	for _, e := range p.edges {
		p.count(e)
	}
	now := p.clock() // after the edges: none is younger
	if n, in := p.seen.seq-p.from.seq, p.seen.at-p.from.at; p.from.seq != 0 && n > 0 && in >= p.every/2 {
		fault, ok := p.judge(n, in)
		p.from, p.tooClose = p.seen, 0
		if !ok {
			p.in = 0
			p.rejected.Add(uint64(n))
			p.counted.Add(-uint64(n))
			return append(dst, fault)
		}
		p.n, p.in = n, in
	}
	idle := now - max(p.seen.at, p.since)
	switch {
	case idle >= p.Standstill():
		p.from, p.in, p.tooClose = edge{}, 0, 0
		return append(dst, box.Sample{Channel: p.channel})
	case p.in == 0:
		return dst
	case idle > p.in/time.Duration(p.n): // the next pulse is overdue
		return append(dst, sensors.FromPulses(p.channel, 1, idle, p.Meter))
	}
	return append(dst, sensors.FromPulses(p.channel, uint64(p.n), p.in, p.Meter))
}

// count counts an edge and those dropped before it.
func (p *pulseMeter) count(e edge) {
	p.counted.Add(uint64(e.seq - p.seen.seq))
	switch {
	case p.from.seq == 0:
		p.from = e
	case e.seq == p.seen.seq+1 && e.at-p.seen.at < p.closest():
		p.tooClose++
	}
	p.seen = e
}

// closest is a quarter of a period at the meter's largest flow: no two pulses of
// it follow each other so closely, however unevenly its magnets sit. Common
// practice, no source. Edges the kernel debounces come too far apart for it.
func (p *pulseMeter) closest() time.Duration {
	if p.Line.Debounce > 0 {
		return 0
	}
	return time.Duration(60 / (p.Meter.PerLitre * p.Meter.Most) / 4 * float64(time.Second))
}

// judge tells a disturbance from a flow.
func (p *pulseMeter) judge(n uint32, in time.Duration) (box.Sample, bool) {
	s := sensors.FromPulses(p.channel, uint64(n), in, p.Meter)
	if s.Fault == "" && p.tooClose > 0 {
		s = box.Failed(p.channel, float64(p.tooClose), "%.4g pulses follow others more closely than the meter can turn: look for a bouncing contact, a lost shield")
		s.Cause = box.OutOfSpecification
	}
	return s, s.Fault == ""
}

// Total is what a meter has counted. Rejected pulses are those of storms and
// bouncing contacts; they are in no flow and not in Pulses.
type Total struct {
	Pulses   uint64 `json:"pulses"`
	Rejected uint64 `json:"rejected"`
}

// Totals are the meters' counts since Restore, or since the start.
func (s *Source) Totals() map[box.Channel]Total {
	out := map[box.Channel]Total{}
	for _, m := range s.meters {
		out[m.channel] = Total{m.counted.Load(), m.rejected.Load()}
	}
	return out
}

// Restore adds what was counted in an earlier life. It is called once.
func (s *Source) Restore(totals map[box.Channel]Total) {
	for _, m := range s.meters {
		t := totals[m.channel]
		m.counted.Add(t.Pulses)
		m.rejected.Add(t.Rejected)
	}
}
