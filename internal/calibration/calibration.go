// Package calibration makes of what a person measured against a standard the
// record of a calibration: the correction to take from now on, what is left
// over, and how far it can be trusted. It refuses what can't be right with the
// reason: a fault in a probe is to be found, not calibrated away.
//
// Readings, references and corrections are in the unit of the channel's trace
// column, volumes in litres. Uncertainties are combined by JCGM 100 and given
// expanded, k = 2. Limits are common practice, no source, unless one is named.
package calibration

import (
	"cmp"
	"fmt"
	"math"
	"strings"
	"time"

	"boxd/internal/box"
	"boxd/internal/say"
	"boxd/internal/sensors"
)

// Request is what a person did. Exactly one of the five ways is given.
type Request struct {
	ID       string   `json:"id"`      // made by the sender: a request sent twice counts once
	Channel  string   `json:"channel"` // its column; Injector for the injector itself
	By       string   `json:"by"`
	Standard Standard `json:"standard"`
	Days     int      `json:"days,omitempty"` // until the next one; 0: as is common
	Note     string   `json:"note,omitempty"`
	// Corrected says that the readings were taken as boxd shows them, with the
	// correction in force in them.
	Corrected bool `json:"corrected"`
	// Seen is the correction that was in force when the readings were taken; nil: not
	// said.
	Seen *Correction `json:"seen_through,omitempty"`

	Flow        *Flow        `json:"flow,omitempty"`
	Pressure    *Pressure    `json:"pressure,omitempty"`
	EC          *EC          `json:"ec,omitempty"`
	Temperature *Temperature `json:"temperature,omitempty"`
	Ratio       *Ratio       `json:"ratio,omitempty"`
}

// Injector stands for the injector in the place of a channel's column.
const Injector = "injector"

// Standard is what was measured against.
type Standard struct {
	Name string `json:"name"`
	Lot  string `json:"lot,omitempty"`
	// Limit is the error it may have at most; 0: as is common. In litres for a bucket,
	// kPa for a gauge, °C for ice, as a part for a bottle (of its EC) and for an
	// injector (of the stock drawn or the rise in EC).
	Limit float64 `json:"limit"`
}

// Correction is true = Gain·reading + Offset.
type Correction struct {
	Gain   float64 `json:"gain"`
	Offset float64 `json:"offset"`
}

// None leaves a reading as it is.
func None() Correction { return Correction{Gain: 1} }

// At is a reading corrected.
func (c Correction) At(reading float64) float64 { return float64(c.Gain*reading) + c.Offset }

// raw undoes At.
func (c Correction) raw(v float64) float64 { return (v - c.Offset) / c.Gain }

// Point is one comparison. Before and After are its errors, reading less
// reference, with the correction of then and with the new one.
type Point struct {
	Reference float64 `json:"reference"`
	Reading   float64 `json:"reading"` // without any correction
	Before    float64 `json:"error_before"`
	After     float64 `json:"error_after"`
}

// Record is a calibration as it is kept.
type Record struct {
	ID       string     `json:"id"`
	Wall     time.Time  `json:"wall"`
	Kind     Kind       `json:"kind"`
	Channel  string     `json:"channel"`
	Unit     string     `json:"unit"`
	By       string     `json:"by"`
	Standard Standard   `json:"standard"`
	Before   Correction `json:"before"`
	After    Correction `json:"after"`
	Points   []Point    `json:"points"`
	Method   string     `json:"method,omitempty"` // where there are several
	// Expanded is the uncertainty of a corrected reading, k = 2: of a flow meter
	// and an injector relative, else in Unit.
	Expanded float64   `json:"expanded_uncertainty"`
	PerLitre float64   `json:"pulses_per_litre,omitempty"` // of a pulse meter, as measured
	Ratio    float64   `json:"ratio,omitempty"`            // of an injector, stock in total
	Next     time.Time `json:"next_due"`
	Note     string    `json:"note,omitempty"`
	Text     string    `json:"text"` // what was found, as in Said, in plain English
}

// Relative says that Expanded is a share of the reading.
func (r *Record) Relative() bool { return r.Kind == FlowKind || r.Kind == RatioKind }

// Overdue says whether the next calibration is due at now.
func (r *Record) Overdue(now time.Time) bool { return now.After(r.Next) }

// Limits of a request.
const (
	maxPoints = 50
	maxText   = 200 // bytes
	maxDays   = 5 * 366
)

// Make works a request out against the correction in force. The error is for a
// person: what is wrong and what to do next.
func Make(r Request, before Correction, now time.Time) (Record, error) {
	if err := r.check(before); err != nil {
		return Record{}, err
	}
	c, _ := box.ChannelByColumn(r.Channel)
	rec := Record{ID: r.ID, Wall: now, Channel: r.Channel, Unit: c.Info().Unit, By: r.By, Standard: r.Standard, Before: before, After: before, Note: r.Note}
	var err error
	days := 365
	switch {
	case r.Flow != nil:
		err = r.flow(&rec, c)
	case r.Pressure != nil:
		err = cmp.Or(r.Standard.trusted(mostGauge, "kPa"), r.pressure(&rec, c))
	case r.EC != nil:
		days = 30
		err = cmp.Or(r.Standard.trusted(mostBottle, "(1 is the whole)"), r.ec(&rec, c))
	case r.Temperature != nil:
		err = cmp.Or(r.Standard.trusted(mostSlush, "°C"), r.temperature(&rec, c))
	default:
		err = cmp.Or(r.Standard.trusted(mostBottle, "(1 is the whole)"), r.ratio(&rec))
	}
	if err != nil {
		return Record{}, fmt.Errorf("cannot calibrate %s: %w", r.Channel, err)
	}
	if r.Days > 0 {
		days = r.Days
	}
	rec.Next = now.AddDate(0, 0, days)
	for i := range rec.Points {
		p := &rec.Points[i]
		p.Before, p.After = before.At(p.Reading)-p.Reference, rec.After.At(p.Reading)-p.Reference
	}
	rec.Text = rec.Said().String()
	return rec, nil
}

func (r *Request) check(before Correction) error {
	ways := 0
	for _, given := range []bool{r.Flow != nil, r.Pressure != nil, r.EC != nil, r.Temperature != nil, r.Ratio != nil} {
		if given {
			ways++
		}
	}
	_, known := box.ChannelByColumn(r.Channel)
	switch {
	case ways != 1:
		return say.Refuse("cannot calibrate: %d ways are given, not one; give the points of one calibration", ways)
	case r.Ratio != nil != (r.Channel == Injector) || !known && r.Channel != Injector:
		return say.Refuse("cannot calibrate %q: there is no such channel for it; name its trace column, as main_flow_lpm", r.Channel)
	case r.ID == "" || strings.TrimSpace(r.By) == "":
		return say.Refuse("cannot calibrate %s: who did it is not said; give a name", r.Channel)
	case max(len(r.ID), len(r.By), len(r.Note), len(r.Standard.Name), len(r.Standard.Lot)) > maxText:
		return say.Refuse("cannot calibrate %s: a text is longer than %d bytes; shorten it", r.Channel, maxText)
	case !finite(r.Standard.Limit) || r.Standard.Limit < 0:
		return say.Refuse("cannot calibrate %s: the standard's limit of error is no number from 0 up", r.Channel)
	case r.Days < 0 || r.Days > maxDays:
		return say.Refuse("cannot calibrate %s: %d days until the next one; give 1 to %d", r.Channel, r.Days, maxDays)
	case r.Seen != nil && *r.Seen != before:
		return say.Refuse("cannot calibrate %s: another calibration was kept while this one was measured; begin again", r.Channel)
	case !finite(before.Gain, before.Offset) || before.Gain <= 0:
		return say.Refuse("cannot calibrate %s: the correction in force is no number; look into the list of calibrations", r.Channel)
	}
	return nil
}

// uncorrected is a reading without the correction in force.
func (r *Request) uncorrected(v float64, before Correction) float64 {
	if r.Corrected {
		return before.raw(v)
	}
	return v
}

// Corrections are what records ask of the channels: of each the newest, which
// stands last.
func Corrections(records []Record) sensors.Corrections {
	out := sensors.Corrections{}
	for i := range records {
		r := &records[i]
		if c, ok := box.ChannelByColumn(r.Channel); ok {
			out[c] = sensors.Correction{Gain: r.After.Gain, Offset: r.After.Offset, At: r.Wall}
		}
	}
	return out
}

// InForce is the correction of a channel that records ask for.
func InForce(records []Record, column string) Correction {
	c := None()
	for i := range records {
		if records[i].Channel == column {
			c = records[i].After
		}
	}
	return c
}

func finite(vs ...float64) bool {
	for _, v := range vs {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}

// trusted refuses a standard that may be off by more than most.
func (s Standard) trusted(most float64, unit string) error {
	if s.Limit > most {
		return say.Refuse("the standard may be off by %g %s, more than %g %s: too much to calibrate against; take a better one, or say its limit in that unit", s.Limit, unit, most, unit)
	}
	return nil
}

// limit is the standard's own, or what is common.
func (s Standard) limit(common float64) float64 {
	if s.Limit > 0 {
		return s.Limit
	}
	return common
}

// rectangular is the standard uncertainty of what may be off by a at most
// (JCGM 100, 4.3.7).
func rectangular(a float64) float64 { return a / math.Sqrt(3) }

// repeats are the mean of repeated values and its standard uncertainty (JCGM
// 100, 4.2.3); a single one has none to show.
func repeats(vs []float64) (mean, u float64) {
	for _, v := range vs {
		mean += v / float64(len(vs))
	}
	if len(vs) < 2 {
		return mean, 0
	}
	sum := 0.0
	for _, v := range vs {
		sum += float64((v - mean) * (v - mean))
	}
	n := float64(len(vs))
	return mean, math.Sqrt(sum / (n - 1) / n)
}

func combined(us ...float64) float64 {
	sum := 0.0
	for _, u := range us {
		sum += float64(u * u)
	}
	return math.Sqrt(sum)
}
