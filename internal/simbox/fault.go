package simbox

import (
	"boxd/internal/box"
	"boxd/internal/units"
)

// faultKind is what is wrong with a channel.
type faultKind uint8

const (
	healthy faultKind = iota
	silent
	failing
	stuck
	absurd
	sending
)

type fault struct {
	kind  faultKind
	why   string
	value float64
	send  box.Sample
}

// apply turns a value into the sample that leaves the instrument; last is what
// it sent before.
func (f fault) apply(v float64, last *float64, drop bool) (box.Sample, bool) {
	switch f.kind {
	case silent:
		return box.Sample{}, false
	case failing:
		return box.Sample{Fault: f.why, Cause: box.Failure}, true
	case stuck:
		return box.Sample{Value: *last}, true
	case absurd:
		return box.Sample{Value: f.value}, true
	case sending:
		return f.send, true
	case healthy:
	}
	if drop {
		return box.Sample{}, false
	}
	*last = v
	return box.Sample{Value: v}, true
}

func (p *Plant) setFault(c box.Channel, f fault) {
	if c < box.NumChannels {
		p.inst.ch[c].fault = f
	}
}

// Drop silences a channel: its samples are missing until Heal.
func (p *Plant) Drop(c box.Channel) { p.setFault(c, fault{kind: silent}) }

// Fail makes a channel report a fault instead of a value until Heal.
func (p *Plant) Fail(c box.Channel, why string) { p.setFault(c, fault{kind: failing, why: why}) }

// Stick freezes a channel at the value it last sent until Heal.
func (p *Plant) Stick(c box.Channel) { p.setFault(c, fault{kind: stuck}) }

// Force makes a channel send v, in the unit of its trace column, until Heal.
func (p *Plant) Force(c box.Channel, v float64) { p.setFault(c, fault{kind: absurd, value: v}) }

// Send makes a channel deliver s until Heal: what a driver makes of a raw signal.
func (p *Plant) Send(s box.Sample) { p.setFault(s.Channel, fault{kind: sending, send: s}) }

// Heal ends what Drop, Fail, Stick, Force or Send began.
func (p *Plant) Heal(c box.Channel) { p.setFault(c, fault{}) }

// Burst opens a hole that would pass q at the regulated pressure; 0 mends it.
// Its water is lost at the box outlet's concentration: the hole is taken to be
// near the box, which makes the line ends wait longest.
func (p *Plant) Burst(q units.LPerH) { p.burst = max(0, float64(q)) }

// Sag holds the supply, with no water flowing, at to until Recover.
func (p *Plant) Sag(to units.KPa) { p.sagged, p.sag = true, float64(to) }

// Recover ends Sag.
func (p *Plant) Recover() { p.sagged = false }

// SetOutside changes the air outside. Below 0 °C the box cools toward frost.
func (p *Plant) SetOutside(c units.Celsius) { p.thermal.outside = float64(c) }

// SetFilter makes the screen take so many times its clean loss: above 1 it is
// loaded, near 0 it is torn. FilterCleaned sets it back to 1.
func (p *Plant) SetFilter(times float64) { p.filter = max(0, times) }

// Creep lets the regulator hold by higher than it is set; negative is lower.
func (p *Plant) Creep(by units.KPa) { p.creep = max(-float64(p.spec.Inlet), float64(by)) }

// DriftEnd lets the line-end probe drift, µS/cm a minute; 0 stops it where it
// is.
func (p *Plant) DriftEnd(perMinute units.USPerCm) { p.drift = float64(perMinute) }

// SetStock sets what is in the stock tank.
func (p *Plant) SetStock(v units.Litre) { p.tank = max(0, float64(v)) }

// Drain lets the lines run empty, as a person does before frost: what stood in
// them counts as lost.
func (p *Plant) Drain() {
	p.lost += float64(p.InLines())
	p.line = newLine(p.spec, p.normal)
	p.filled = 1 - emptyShare
}
