package setup

import (
	"strconv"
	"strings"

	"boxd/config"
	"boxd/internal/box"
	"boxd/internal/sensors"
	"boxd/internal/units"
)

func itoa(n int) string { return strconv.Itoa(n) }

// Wirings are the fitted instruments that are described well enough to be read,
// whatever else is wrong with the draft, by the instrument's number.
func (d *Draft) Wirings() map[int]sensors.Wiring {
	// A zone that any instrument can stand beside.
	const around = "zones:\n  - {name: z, lead: {length: 8 m, inside_diameter: 28 mm}, header: {beds: 1, first_tee: 1 m, inside_diameter: 28 mm}, " +
		"laterals: {length: 30 m, lead_in: 0.3 m, emitter_spacing: 0.3 m, inside_diameter: 16 mm}, emitters: {flow: 1 L/h, at: 69 kPa}}\nsensors:\n"
	out := map[int]sensors.Wiring{}
	for _, at := range d.fitted() {
		w := new(writer)
		w.line(around)
		w.mapping("  - ", d.entry(at), "")
		if cfg, err := config.Parse("draft", []byte(w.String())); err == nil {
			out[at] = cfg.Sensors[0].Wiring
		}
	}
	return out
}

// Wire is what an instrument must have given for a value, as a meter at its wire
// would show it: mA of a loop, V of a voltage, pulses a second. False where the
// value is all there is to see.
func Wire(w sensors.Wiring, v float64) (n float64, unit string, ok bool) {
	switch x := w.Driver.(type) {
	case sensors.ADS1115:
		s := x.Signal
		if s.Span.High == s.Span.Low {
			return 0, "", false
		}
		part := (v - s.Span.Low) / (s.Span.High - s.Span.Low)
		switch s.Kind {
		case sensors.Loop: // 4 to 20 mA (IEC 60381-1)
			return 4 + 16*part, "mA", units.Finite(part)
		case sensors.Ratiometric: // 10 to 90 % of the supply
			return 10 + 80*part, "%", units.Finite(part)
		case sensors.Voltage:
			return s.Volts.Low + part*(s.Volts.High-s.Volts.Low), "V", units.Finite(part)
		case sensors.UnknownSignal:
		}
	case sensors.Pulses:
		return v * x.Meter.PerLitre / 60, "Hz", units.Finite(v)
	case sensors.Modbus:
		if x.Scale != 0 {
			return (v - x.Offset) / x.Scale, "", units.Finite(v)
		}
	}
	return 0, "", false
}

// Where says how an instrument is read, for a person.
func (i Instrument) Where() string {
	var parts []string
	for _, k := range []string{"driver", "bus", "address", "input", "line", "unit", "register"} {
		for _, p := range i.Keys {
			if p.Key == k && p.Value != "" {
				parts = append(parts, p.Value)
			}
		}
	}
	return strings.Join(parts, " ")
}

// Seen is the newest of an instrument.
type Seen struct {
	At     int // the instrument's number in the draft; below 0: a logger brings it
	Wiring sensors.Wiring
	Sample box.Sample
	Heard  bool // there was a sample

	Counts  bool    // a meter that counts
	Counted float64 // litres since it is watched
	Watch   uint64  // another number: it began to count anew
}

// ID is what its place on the page is called.
func (s Seen) ID() string {
	if s.At < 0 {
		return s.Sample.Channel.Info().Column
	}
	return "i" + itoa(s.At)
}
