package calibration

import (
	"strconv"
	"strings"
	"time"

	"boxd/internal/box"
	"boxd/internal/say"
	"boxd/internal/units"
)

// Kind is one sort of calibration.
type Kind string

// The kinds, as records have them; Unmeasured is none.
const (
	Unmeasured      Kind = ""
	FlowKind        Kind = "flow"
	PressureKind    Kind = "pressure"
	ECKind          Kind = "ec"
	TemperatureKind Kind = "temperature"
	RatioKind       Kind = "ratio"
)

// KindOf is how a channel is calibrated.
func KindOf(c box.Channel) Kind {
	switch c.Info().Unit {
	case "L/min":
		return FlowKind
	case "kPa":
		return PressureKind
	case "µS/cm":
		return ECKind
	case "°C":
		return TemperatureKind
	}
	return Unmeasured
}

// Lesson is what a person is told before measuring, on a terminal or a page.
type Lesson struct {
	Care []say.Text // before anything is touched
	Do   []say.Text
}

// Teach is the lesson of a kind.
func (k Kind) Teach() Lesson {
	switch k {
	case FlowKind:
		return Lesson{
			Care: []say.Text{say.T("Calibrate with clean water: no fertilizer in the bucket or on your hands.")},
			Do: []say.Text{say.T("Catch what passes the meter in a bucket, %v or more for %d s or more, at a steady flow without fertilizer.", units.Litre(leastLitres), leastSeconds),
				say.T("The meter must be full of water. Three buckets are better than one. By its mark or by weight: weighed water becomes litres by the density of Tanaka et al. (2001) and the buoyancy of air.")}}
	case PressureKind:
		return Lesson{
			Care: []say.Text{say.T("Close the supply and let the pressure out before you loosen anything: water under pressure injures.")},
			Do:   []say.Text{say.T("Vented to the air the gauge is 0; for a span take gauge readings 50 kPa (7 psi) or more apart, at rest. The vented point and those of the gauge go into one calibration, zero and span.")}}
	case ECKind:
		return Lesson{
			Care: []say.Text{say.T("Close the supply and let the pressure out before you take the probe out of the line.")},
			Do: []say.Text{say.T("Rinse the probe with clean water, then with a little of the standard; pour it fresh and never back into the bottle."),
				say.T("Wait until reading and temperature stand still. Without a table on the bottle that of NIST for KCl is taken.")}}
	case TemperatureKind:
		return Lesson{Do: []say.Text{say.T("Crush ice of clean water, wet it, stir, and leave the probe in the middle for ten minutes.")}}
	case RatioKind:
		return Lesson{
			Care: []say.Text{say.T("Wear what the label of the stock asks for: gloves and goggles at least.")},
			Do: []say.Text{say.T("By volume: draw from a measuring cylinder while the injector runs steadily, and measure the mixture that leaves it meanwhile."),
				say.T("By EC: mix stock and water by hand near the dialled ratio; measure water, the mixture that leaves the injector and the one by hand with one meter, at one temperature.")}}
	case Unmeasured:
	}
	return Lesson{}
}

// How an instrument is read that is to stand still.
const (
	RestLooks = 10
	RestApart = 500 * time.Millisecond
)

// Rest is what an instrument showed while it was to stand still. The zero value has
// seen nothing.
type Rest struct {
	n              int
	sum, low, high float64
}

// Add takes another look.
func (r *Rest) Add(v float64) {
	if r.n == 0 {
		r.low, r.high = v, v
	}
	r.n++
	r.sum += v
	r.low, r.high = min(r.low, v), max(r.high, v)
}

// Mean is the mean of the looks, and how far they moved.
func (r *Rest) Mean() (mean, moved float64) {
	if r.n == 0 {
		return 0, 0
	}
	return r.sum / float64(r.n), r.high - r.low
}

// RowOf reads a row of a bottle's table, °C and µS/cm: "20 1278".
func RowOf(text string) (Row, error) {
	at, ec, two := strings.Cut(strings.TrimSpace(text), " ")
	c, err := strconv.ParseFloat(at, 64)
	v, other := strconv.ParseFloat(strings.TrimSpace(ec), 64)
	if !two || err != nil || other != nil || !finite(c, v) {
		return Row{}, say.Refuse("%q is no row of a table: write °C and µS/cm with a space between, as 20 1278", text)
	}
	return Row{Celsius: c, EC: v}, nil
}

// TotalOf is the name under which a box shows what the channel's meter has counted.
func TotalOf(c box.Channel) string { return strings.TrimSuffix(c.Info().Column, "_lpm") + "_total_l" }
