package sensors

import (
	"time"

	"boxd/internal/box"
	"boxd/internal/say"
)

// An EC probe that stays the same to the last digit may be true: clean water is
// what it is, and a probe with a coarse last digit shows no noise. So a witness
// has to say that fertilizer went past: for the probe at the box the stock
// meter, for the one at the line end the probe at the box and the water that
// has passed since. Common practice, no source.
const (
	stuckECSamples = 30
	cleanBefore    = 10 * time.Second
	drawnFor       = 60 * time.Second
	strokeGap      = 6 * time.Second // the injector draws in strokes
	leastDraw      = 0.0015          // L/min, below the finest step of a meter
	seenAtBox      = 150.0           // µS/cm that the box's probe must move
	leastSlug      = 0.05            // of EndVolume; less may not be seen at the line end
	endSlack       = 1.25            // of EndVolume, for meter and geometry
)

const (
	boxStuckWhy = "has not moved by a digit since stock went in: stuck, or a feed that EC can't see"
	endStuckWhy = "has not moved by a digit though the change seen at the box must have come to it: stuck, or no water gets there"
)

// probe is how long an EC probe has sent the same value, and what its witness
// says of that time.
type probe struct {
	value        float64
	n            int
	clean, drawn time.Duration // without stock, then with
	stroke       time.Duration // of the last one
	box          float64       // EC at the box when it began
	slug, since  float64       // L that passed the box changed; L since the first of it
}

// probes looks for EC probes that are stuck.
func (c *Conditioner) probes(mono, dt time.Duration) {
	k := &c.channels[box.BoxEC]
	k.sticks(c.boxProbe.same(k, mono, 0) && c.boxProbe.untouchedByStock(c, mono, dt), say.T(boxStuckWhy))
	k = &c.channels[box.EndEC]
	ec, seen := c.live(box.BoxEC, mono)
	if !seen || c.cfg.EndVolume <= 0 {
		c.endProbe.n = 0
		k.is(isStuck, false)
		return
	}
	k.sticks(c.endProbe.same(k, mono, ec) && c.endProbe.untouchedByWater(c, mono, dt, ec), say.T(endStuckWhy))
}

// same reports whether the probe still sends the value it did; where it sends
// another the account begins anew.
func (p *probe) same(k *channel, mono time.Duration, ec float64) bool {
	switch {
	case k.n == 0:
		return false
	case p.n == 0 || k.last[0] != p.value:
		p.value, p.n, p.box = k.last[0], 1, ec
		p.clean, p.drawn, p.slug, p.since = 0, 0, 0, 0
	case k.at == mono:
		p.n++
	}
	return true
}

func (p *probe) untouchedByStock(c *Conditioner, mono, dt time.Duration) bool {
	draw, ok := c.live(box.StockDraw, mono)
	flow, wet := c.live(box.MainFlow, mono)
	if !ok || !wet || flow < leastFlow {
		return false
	}
	if draw > leastDraw {
		p.stroke = mono
	}
	switch drawing := p.stroke > 0 && mono-p.stroke < strokeGap; {
	case drawing && p.clean >= cleanBefore:
		p.drawn += dt
	case !drawing && p.drawn == 0:
		p.clean += dt
	}
	return p.n >= stuckECSamples && p.drawn >= drawnFor
}

func (p *probe) untouchedByWater(c *Conditioner, mono, dt time.Duration, ec float64) bool {
	flow, ok := c.live(box.MainFlow, mono)
	if !ok {
		return false
	}
	v := float64(flow * dt.Minutes())
	if ec > p.box+seenAtBox || ec < p.box-seenAtBox {
		p.slug += v
	}
	if p.slug > 0 {
		p.since += v
	}
	end := float64(c.cfg.EndVolume)
	return p.n >= stuckECSamples && p.slug >= leastSlug*end && p.since >= endSlack*end
}
