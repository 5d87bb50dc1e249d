// Package sensors turns raw samples into judged readings: range checks, spike
// rejection, ages and quality. It refuses to invent: a channel that is silent,
// faulty or absurd becomes a bad reading, never a substitute number.
//
// Samples come in the unit of their trace column (kPa gauge, L/min, µS/cm at
// 25 °C, °C); readings leave in the types of package units.
package sensors

import (
	"time"

	"boxd/internal/box"
	"boxd/internal/say"
)

// Range is what a channel can plausibly read, in its column's unit.
type Range struct{ Low, High float64 }

// DefaultRanges are wide limits of the absurd: common practice, no source.
// Temperatures end below 85 °C, the power-on value of a DS18B20 (data sheet).
func DefaultRanges() [box.NumChannels]Range {
	var r [box.NumChannels]Range
	for c := box.SupplyPressure; c <= box.HeaderPressure; c++ {
		r[c] = Range{-105, 1600}
	}
	for c := box.MainFlow; c <= box.StockDraw; c++ {
		r[c] = Range{-0.001, 2000}
	}
	r[box.BoxEC], r[box.EndEC] = Range{-50, 30000}, Range{-50, 30000}
	for c := box.WaterTemp; c <= box.OutsideAirTemp; c++ {
		r[c] = Range{-45, 80}
	}
	return r
}

// Conditioner judges all channels. Silent is how long a channel may be quiet
// before its reading is bad.
type Conditioner struct {
	silent   time.Duration
	ranges   [box.NumChannels]Range
	channels [box.NumChannels]channel
	readings box.Readings

	frozenFlow, frozenHeader frozen
}

// channel is the memory of one channel: the last three accepted values, for the
// median that removes a single-sample spike.
type channel struct {
	last     [3]float64
	n        int
	at       time.Duration // of the newest accepted value
	interval time.Duration // smoothed spacing of accepted values
	absurd   int           // rejected in a row
	fault    say.Text
	cause    box.Cause
	stuck    bool
}

// New makes a conditioner.
func New(silent time.Duration, ranges [box.NumChannels]Range) *Conditioner {
	return &Conditioner{silent: silent, ranges: ranges}
}

// Readings takes this turn's samples and judges every channel at time mono. The
// result belongs to the conditioner until the next call.
func (c *Conditioner) Readings(mono time.Duration, samples []box.Sample) *box.Readings {
	for i := range samples {
		if s := &samples[i]; s.Channel > box.UnknownChannel && s.Channel < box.NumChannels {
			c.channels[s.Channel].take(mono, s, c.ranges[s.Channel])
		}
	}
	c.stuck(mono)
	r := &c.readings
	judge(&r.Supply, c, box.SupplyPressure, mono, 1)
	judge(&r.FilterOut, c, box.FilterOutPressure, mono, 1)
	judge(&r.InjectorIn, c, box.InjectorInPressure, mono, 1)
	judge(&r.InjectorOut, c, box.InjectorOutPressure, mono, 1)
	judge(&r.Header, c, box.HeaderPressure, mono, 1)
	judge(&r.Main, c, box.MainFlow, mono, 60)
	judge(&r.Branch, c, box.InjectorFlow, mono, 60)
	judge(&r.Stock, c, box.StockDraw, mono, 60)
	judge(&r.BoxEC, c, box.BoxEC, mono, 1)
	judge(&r.EndEC, c, box.EndEC, mono, 1)
	judge(&r.Water, c, box.WaterTemp, mono, 1)
	judge(&r.BoxAir, c, box.BoxAirTemp, mono, 1)
	judge(&r.OutsideAir, c, box.OutsideAirTemp, mono, 1)
	return r
}

// Fresh reports whether the channel got a new accepted value at mono.
func (c *Conditioner) Fresh(ch box.Channel, mono time.Duration) bool {
	k := &c.channels[ch]
	return k.n > 0 && k.at == mono && k.absurd == 0
}

func (k *channel) take(mono time.Duration, s *box.Sample, r Range) {
	if s.Fault != "" {
		k.fault, k.cause = say.Text{Format: s.Fault}, s.Cause
		return
	}
	if !(s.Value >= r.Low && s.Value <= r.High) { // also refuses NaN
		k.absurd++
		k.fault, k.cause = say.T("reads %g, outside %g to %g: check wiring and sensor", s.Value, r.Low, r.High), box.OutOfSpecification
		return
	}
	if k.n > 0 {
		gap := mono - k.at
		if gap > time.Minute {
			k.n = 0 // values from before a long silence are no neighbours
		} else if k.interval == 0 {
			k.interval = gap
		} else {
			k.interval += (gap - k.interval) / 8
		}
	}
	k.absurd, k.fault, k.cause = 0, say.Text{}, box.NoCause
	k.last[2], k.last[1], k.last[0] = k.last[1], k.last[0], s.Value
	k.n = min(k.n+1, 3)
	k.at = mono
}

// value is the median of the last three values; with fewer, the newest.
func (k *channel) value() float64 {
	if k.n < 3 {
		return k.last[0]
	}
	a, b, c := k.last[0], k.last[1], k.last[2]
	return max(min(a, b), min(max(a, b), c))
}

func judge[T ~float64](r *box.Reading[T], c *Conditioner, ch box.Channel, mono time.Duration, scale float64) {
	k := &c.channels[ch]
	if k.n == 0 {
		*r = box.Reading[T]{Quality: box.QualityUnknown, Why: say.T("nothing heard yet")}
		if !k.fault.Empty() {
			*r = box.Reading[T]{Quality: box.Bad, Cause: k.cause, Why: k.fault}
		}
		return
	}
	age := mono - k.at
	*r = box.Reading[T]{Value: T(k.value() * scale), Quality: box.Good, Age: age}
	late := max(2*time.Second, 5*k.interval/2)
	silent := max(c.silent, 4*k.interval)
	switch {
	case age > silent:
		*r = box.Reading[T]{Quality: box.Bad, Cause: box.Failure, Age: age, Why: say.T("silent: check wiring and power")}
		if !k.fault.Empty() {
			r.Why, r.Cause = k.fault, k.cause
		}
	case k.absurd >= 3:
		*r = box.Reading[T]{Quality: box.Bad, Cause: k.cause, Age: age, Why: k.fault}
	case k.stuck:
		*r = box.Reading[T]{Quality: box.Bad, Cause: box.Failure, Age: age, Why: say.T("does not move while flow and pressure do: it is stuck")}
	case !k.fault.Empty():
		r.Quality, r.Cause, r.Why = box.Uncertain, k.cause, k.fault
	case age > late:
		r.Quality, r.Cause, r.Why = box.Uncertain, box.CheckFunction, say.T("late")
	}
}
