package hwio

import (
	"time"

	"boxd/internal/box"
	"boxd/internal/sensors"
)

// Compensation brings an EC at the temperature of the water, °C, to 25 °C.
type Compensation func(ec, celsius float64) (float64, error)

// thermal brings EC to 25 °C for instruments that don't.
type thermal struct {
	raw   map[box.Channel]bool
	to25  Compensation
	water float64
	at    time.Time // of water; zero: not heard
}

func thermalOf(wirings []sensors.Wiring) thermal {
	t := thermal{raw: map[box.Channel]bool{}}
	for _, w := range wirings {
		if w.Raw {
			t.raw[w.Channel] = true
		}
	}
	return t
}

// Compensate says how EC is brought to 25 °C where the instrument doesn't.
// Without it such a channel is faulty.
func (s *Source) Compensate(f Compensation) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.thermal.to25 = f
}

// warmthHolds is for how long the water's last temperature stands for the
// present one: two degrees are 4 % of EC. Common practice, no source.
const warmthHolds = 3 * time.Minute

// hear takes a temperature of the water.
func (t *thermal) hear(s box.Sample, now time.Time) {
	if s.Channel == box.WaterTemp && s.Fault == "" {
		t.water, t.at = s.Value, now
	}
}

// compensate brings an EC to 25 °C.
func (t *thermal) compensate(s box.Sample, now time.Time) box.Sample {
	if s.Fault != "" {
		return s
	}
	if t.to25 == nil || t.at.IsZero() || now.Sub(t.at) > warmthHolds {
		return box.Failed(s.Channel, s.Value, "reads %.4g µS/cm, which can't be brought to 25 °C: the water's temperature isn't known; look at its thermometer")
	}
	v, err := t.to25(max(0, s.Value), t.water)
	if err != nil {
		return box.Failed(s.Channel, s.Value, "reads %.4g µS/cm, which can't be brought to 25 °C: the water's temperature is beyond what that is known for; look at its thermometer")
	}
	s.Value = v
	return s
}
