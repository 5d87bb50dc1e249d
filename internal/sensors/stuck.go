package sensors

import (
	"time"

	"boxd/internal/box"
	"boxd/internal/say"
)

// A reading that stays the same to the last digit may be true, as long as
// nothing else says that it must have moved. Flow through emitters goes with the
// header's pressure, so each of the two is the other's witness.
const (
	stuckFor     = 20 * time.Second // common practice, no source
	stuckSamples = 10
	movedKPa     = 30.0 // of header pressure: no flow stays to the digit over this
	movedPart    = 0.8  // of the flow, up or down: no header pressure stays over this
	leastFlow    = 0.3  // L/min; below this a meter may rest at its cut-off
	leastKPa     = 5.0  // below this a header at rest may rest at its offset
)

// frozen is how long one channel has sent the same value, and between what its
// witness has moved meanwhile.
type frozen struct {
	value     float64
	since     time.Duration
	n         int
	low, high float64
}

const stuckWhy = "does not move while flow and pressure do: it is stuck"

// stuck looks for the two that are stuck.
func (c *Conditioner) stuck(mono time.Duration) {
	flow, header := &c.channels[box.MainFlow], &c.channels[box.HeaderPressure]
	f, h := &c.frozenFlow, &c.frozenHeader
	flow.sticks(f.see(mono, flow, header) && flow.last[0] > leastFlow && f.high-f.low > movedKPa, say.T(stuckWhy))
	header.sticks(h.see(mono, header, flow) && header.last[0] > leastKPa && h.high > leastFlow && h.high-h.low > movedPart*h.high, say.T(stuckWhy))
}

// see reports whether k has sent the same value for long enough.
func (f *frozen) see(mono time.Duration, k, witness *channel) bool {
	if k.n == 0 || witness.n == 0 {
		return false
	}
	w := witness.value
	if f.n == 0 || k.last[0] != f.value {
		f.value, f.since, f.n, f.low, f.high = k.last[0], mono, 1, w, w
		return false
	}
	if k.at == mono {
		f.n++
	}
	f.low, f.high = min(f.low, w), max(f.high, w)
	return f.n >= stuckSamples && mono-f.since >= stuckFor
}
