package web

import (
	"fmt"
	"math"
	"strconv"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/say"
	"boxd/internal/units"
)

// unknown is what a null number is written as.
const unknown = "unknown"

// display writes numbers in the units of the person. It is for eyes only; the
// wire stays in the view's units.
type display struct {
	us    bool
	voice say.Voice
}

// usable is a channel's number when its quality lets it be used.
func usable(c engine.ChannelView) *float64 {
	if c.Quality == box.Good.String() || c.Quality == box.Uncertain.String() {
		return c.Value
	}
	return nil
}

// digits writes v with that many decimals and never a minus before a zero.
func digits(v float64, decimals int) string {
	if !units.Finite(v) {
		return unknown
	}
	p := math.Pow(10, float64(decimals))
	if r := math.Round(v*p) / p; r == 0 {
		v = 0
	}
	return strconv.FormatFloat(v, 'f', decimals, 64)
}

func written(v *float64, factor float64, decimals int, unit string) string {
	if v == nil || !units.Finite(*v) {
		return unknown
	}
	return digits(*v*factor, decimals) + "\u00a0" + unit
}

func (d display) pressure(kpa *float64) string {
	if d.us {
		return written(kpa, 1/units.KPaPerPsi, 1, "psi")
	}
	return written(kpa, 1, 0, "kPa")
}

func (d display) flow(lpm *float64) string {
	if d.us {
		return written(lpm, 1/units.LitrePerUSGallon, 2, "gal/min")
	}
	return written(lpm, 1, 1, "L/min")
}

func (d display) volume(l *float64) string {
	if d.us {
		return written(l, 1/units.LitrePerUSGallon, 1, "gal")
	}
	return written(l, 1, 1, "L")
}

func (d display) temperature(c *float64) string {
	if !d.us {
		return written(c, 1, 1, "°C")
	}
	if c == nil {
		return unknown
	}
	f := *c*9/5 + 32
	return written(&f, 1, 0, "°F")
}

func conductivity(us *float64) string { return written(us, 1, 0, "µS/cm") }

func percent(p *float64) string { return written(p, 1, 0, "%") }

// delivered is cut off, not rounded: what is still on its way is never called
// all.
func delivered(p *float64) string {
	if p == nil {
		return percent(nil)
	}
	cut := math.Floor(*p*10) / 10
	return written(&cut, 1, 1, "%")
}

func ratio(p *float64) string { return written(p, 1, 2, "%") }

// channel writes a reading in the unit its kind is shown in.
func (d display) channel(c engine.ChannelView) string {
	v := usable(c)
	switch c.Unit {
	case "kPa":
		return d.pressure(v)
	case "L/min":
		return d.flow(v)
	case "°C":
		return d.temperature(v)
	case "µS/cm":
		return conductivity(v)
	}
	return written(v, 1, 1, c.Unit)
}

// factors are what the plots multiply the wire's numbers by.
func (d display) factors() (kpa, lpm float64) {
	if d.us {
		return 1 / units.KPaPerPsi, 1 / units.LitrePerUSGallon
	}
	return 1, 1
}

func (d display) unitNames() (pressure, flow string) {
	if d.us {
		return "psi", "gal/min"
	}
	return "kPa", "L/min"
}

// minutes writes a length of time for a person, in whole minutes.
func minutes(m float64) string {
	switch {
	case !units.Finite(m):
		return unknown
	case m < 1:
		return "under a minute"
	case m < 90:
		return digits(m, 0) + "\u00a0min"
	}
	whole := int(math.Round(m))
	return fmt.Sprintf("%d\u00a0h\u00a0%02d\u00a0min", whole/60, whole%60)
}

func minutesOf(m *float64) string {
	if m == nil {
		return unknown
	}
	return minutes(*m)
}

func seconds(s float64) string {
	if s < 90 {
		return digits(s, 0) + "\u00a0s"
	}
	return minutes(s / 60)
}

func orUnknown(s string) string {
	if s == "" {
		return unknown
	}
	return s
}
