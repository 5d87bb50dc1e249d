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

// display writes numbers and words as a person reads them. It is for eyes only;
// the wire stays in the view's units.
type display struct {
	us    bool
	voice say.Voice
}

// say writes a sentence in the person's language; its format is a constant.
func (d display) say(format string, args ...any) string {
	return d.voice.Say(say.Text{Format: format, Args: args})
}

func (d display) unknown() string { return d.say(unknown) }

// usable is a channel's number when its quality lets it be used.
func usable(c engine.ChannelView) *float64 {
	if c.Quality == box.Good.String() || c.Quality == box.Uncertain.String() {
		return c.Value
	}
	return nil
}

// digits writes v with that many decimals and never a minus before a zero. What
// is no number is a dash: the view holds none.
func digits(v float64, decimals int) string {
	if !units.Finite(v) {
		return "–"
	}
	p := math.Pow(10, float64(decimals))
	if r := math.Round(v*p) / p; r == 0 {
		v = 0
	}
	return strconv.FormatFloat(v, 'f', decimals, 64)
}

func (d display) written(v *float64, factor float64, decimals int, unit string) string {
	if v == nil || !units.Finite(*v) {
		return d.unknown()
	}
	return digits(*v*factor, decimals) + "\u00a0" + unit
}

func (d display) pressure(kpa *float64) string {
	if d.us {
		return d.written(kpa, 1/units.KPaPerPsi, 1, "psi")
	}
	return d.written(kpa, 1, 0, "kPa")
}

func (d display) flow(lpm *float64) string {
	if d.us {
		return d.written(lpm, 1/units.LitrePerUSGallon, 2, "gal/min")
	}
	return d.written(lpm, 1, 1, "L/min")
}

func (d display) volume(l *float64) string {
	if d.us {
		return d.written(l, 1/units.LitrePerUSGallon, 1, "gal")
	}
	return d.written(l, 1, 1, "L")
}

func (d display) temperature(c *float64) string {
	if !d.us {
		return d.written(c, 1, 1, "°C")
	}
	if c == nil {
		return d.unknown()
	}
	f := *c*9/5 + 32
	return d.written(&f, 1, 0, "°F")
}

func (d display) conductivity(us *float64) string { return d.written(us, 1, 0, "µS/cm") }

func (d display) percent(p *float64) string { return d.written(p, 1, 0, "%") }

// delivered is cut off, not rounded: what is still on its way is never called
// all.
func (d display) delivered(p *float64) string {
	if p == nil {
		return d.unknown()
	}
	cut := math.Floor(*p*10) / 10
	return d.written(&cut, 1, 1, "%")
}

func (d display) ratio(p *float64) string { return d.written(p, 1, 2, "%") }

// channel writes a reading in the unit its kind is shown in.
func (d display) channel(c engine.ChannelView) string { return d.in(usable(c), c.Unit) }

// in writes a number of the wire in the unit its kind is shown in.
func (d display) in(v *float64, unit string) string {
	switch unit {
	case "kPa":
		return d.pressure(v)
	case "L/min":
		return d.flow(v)
	case "°C":
		return d.temperature(v)
	case "µS/cm":
		return d.conductivity(v)
	}
	return d.written(v, 1, 1, unit)
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
func (d display) minutes(m float64) string {
	switch {
	case !units.Finite(m):
		return d.unknown()
	case m < 1:
		return d.say("under a minute")
	case m < 90:
		return digits(m, 0) + "\u00a0min"
	}
	whole := int(math.Round(m))
	return fmt.Sprintf("%d\u00a0h\u00a0%02d\u00a0min", whole/60, whole%60)
}

func (d display) minutesOf(m *float64) string {
	if m == nil {
		return d.unknown()
	}
	return d.minutes(*m)
}

func (d display) seconds(s float64) string {
	if s < 90 {
		return digits(s, 0) + "\u00a0s"
	}
	return d.minutes(s / 60)
}

// word writes a word of the core, such as a state; an empty one is unknown.
func (d display) word(s string) string {
	if s == "" {
		return d.unknown()
	}
	return d.say(s)
}
