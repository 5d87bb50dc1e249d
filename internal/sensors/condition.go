// Package sensors turns raw signals into samples and samples into judged
// readings: range checks, spike rejection, ages, quality, and what one channel
// says of another. It refuses to invent: a channel that is silent, faulty or
// absurd becomes a bad reading, never a substitute number.
//
// Signals are mA, V, pulses and scratchpads. Samples come in the unit of their
// trace column (kPa gauge, L/min, µS/cm at 25 °C, °C); readings leave in the
// types of package units.
package sensors

import (
	"math"
	"strings"
	"time"

	"boxd/internal/box"
	"boxd/internal/say"
	"boxd/internal/units"
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

// Config is what the conditioner is told beforehand.
type Config struct {
	Silent time.Duration // how long a channel may be quiet before its reading is bad
	// SilentTemperature is that of the thermometers, which may be read seldom: no
	// body in a box changes in minutes. Below Silent it is Silent.
	SilentTemperature time.Duration
	Ranges            [box.NumChannels]Range
	// EndVolume is the water that brings a change from the box to the line-end
	// probe; 0: not said, and that probe is not held to it.
	EndVolume  units.Litre
	GaugeError units.KPa // two gauges may differ by so much and both be right
}

// Conditioner judges all channels.
type Conditioner struct {
	cfg      Config
	now      time.Duration
	beat     time.Duration // between the newest two turns
	resumed  time.Duration // since when turns have come without a gap
	channels [box.NumChannels]channel
	readings *box.Readings

	frozenFlow, frozenHeader frozen
	boxProbe, endProbe       probe
	forward, branching       steady
	pairs                    [len(pairTable)]watch
}

// channel is the memory of one channel: the last three accepted values, for the
// median that removes a single-sample spike.
type channel struct {
	known    known // against it; mostly nothing
	heard    bool
	strokes  bool          // comes in strokes: a median would favour one part of them
	cause    box.Cause     // of fault, or of a doubt
	n        int8          // accepted values, up to three
	value    float64       // that stands for them
	at       time.Duration // of the newest
	late     time.Duration // after which it is late
	silent   time.Duration // and silent
	interval time.Duration // smoothed spacing of accepted values
	last     [3]float64
	raw      float64 // as the newest sample gave it, whatever is made of it
	leap     leap    // the least that counts
	jumps    jumps
	paced    time.Duration // the interval that late and silent are of
	absurd   int           // rejected in a row
	faults   int           // reported by the source in a row
	fault    say.Text
	stuck    say.Text // how it shows that it is stuck, where it does
	against  string   // what it contradicts, where it does
}

// known is what stands against a channel.
type known uint8

const (
	isFaulty  known = 1 << iota // the source says so, or the value is absurd: fault tells
	isStuck                     // stuck tells how
	isAgainst                   // it contradicts another: against tells
	isDoubted                   // the source gives the value with doubt
	isJumping                   // now and then at least
)

func (k *channel) is(what known, yes bool) {
	k.known &^= what
	if yes {
		k.known |= what
	}
}

// sticks notes whether it is stuck, and how it shows.
func (k *channel) sticks(yes bool, how say.Text) {
	if k.is(isStuck, yes); yes {
		k.stuck = how
	}
}

// New makes a conditioner.
func New(cfg Config) *Conditioner {
	c := &Conditioner{cfg: cfg, readings: &box.Readings{}}
	c.channels[box.StockDraw].strokes = true
	for ch := range c.channels {
		c.channels[ch].leap = leapOf(box.Channel(ch))
		c.pace(box.Channel(ch))
	}
	return c
}

// Readings takes this turn's samples and judges every channel at time mono. The
// result belongs to the conditioner until the next call.
func (c *Conditioner) Readings(mono time.Duration, samples []box.Sample) *box.Readings {
	for i := range samples {
		if s := &samples[i]; s.Channel > box.UnknownChannel && s.Channel < box.NumChannels {
			k := &c.channels[s.Channel]
			if k.take(mono, s, &c.cfg.Ranges[s.Channel]); k.interval != k.paced {
				c.pace(s.Channel)
			}
		}
	}
	dt := c.passed(mono)
	c.readings.Unseen = c.resumed == mono
	c.stuck(mono)
	c.probes(mono, dt)
	r := c.readings
	r.Contradicting = c.contradictions(mono)
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

// away is the gap between turns from which on the core is taken not to have
// looked, as while boxd was being restarted, unless turns come so seldom. Common
// practice, no source.
const away = 10 * time.Second

// passed is the time since the last turn; none is counted for a gap that nobody
// saw.
func (c *Conditioner) passed(mono time.Duration) time.Duration {
	dt := mono - c.now
	c.now = mono
	if dt > max(away, 3*c.beat) {
		c.resumed = mono
	}
	c.beat = dt
	if dt > away {
		return 0
	}
	return dt
}

// Raw is the number of the channel's newest sample in its column's unit, before
// any judgement: for showing, never for reckoning. False where the source gave
// none.
func (c *Conditioner) Raw(ch box.Channel) (float64, bool) {
	k := &c.channels[ch]
	return k.raw, k.heard
}

// Fresh reports whether the channel got a new accepted value at mono.
func (c *Conditioner) Fresh(ch box.Channel, mono time.Duration) bool {
	k := &c.channels[ch]
	return k.n > 0 && k.at == mono && k.absurd == 0
}

func (k *channel) take(mono time.Duration, s *box.Sample, r *Range) {
	k.raw, k.heard = s.Value, !math.IsNaN(s.Value) && (s.Fault == "" || s.Value != 0)
	if s.Fault != "" {
		k.fault, k.cause = faultText(s), s.Cause
		k.is(isFaulty, true)
		k.faults++
		return
	}
	if !(s.Value >= r.Low && s.Value <= r.High) { // also refuses NaN
		k.absurd++
		k.fault, k.cause = absurd(s, r)
		k.is(isFaulty, true)
		return
	}
	gap := mono - k.at
	near := k.n > 0 && gap <= 3*time.Second
	if k.n > 0 {
		if gap > time.Minute {
			k.n = 0 // values from before a long silence are no neighbours
		} else if k.interval == 0 {
			k.interval = gap
		} else {
			k.interval += (gap - k.interval) / 8
		}
	}
	if k.known&isFaulty != 0 {
		k.absurd, k.faults, k.fault = 0, 0, say.Text{}
	}
	k.jumps.take(s.Value, &k.leap, near)
	k.cause, k.known = s.Cause, k.known&(isStuck|isAgainst)
	k.is(isDoubted, s.Cause != box.NoCause)
	k.is(isJumping, k.jumps.turns != 0 && k.jumps.count() >= jumpsDoubtful)
	k.last[2], k.last[1], k.last[0] = k.last[1], k.last[0], s.Value
	k.n = min(k.n+1, 3)
	k.value, k.at = k.stands(), mono
}

// absurd says what is wrong with a value out of its range. The first 85 °C of a
// thermometer is what it reads at power-on; three in a row are bad as any.
func absurd(s *box.Sample, r *Range) (say.Text, box.Cause) {
	if s.Value == powerOn && s.Channel.Info().Unit == "°C" {
		return say.T(notConverted), box.Failure
	}
	return say.T("reads %g, outside %g to %g: check wiring and sensor", s.Value, r.Low, r.High), box.OutOfSpecification
}

// faultText is what the source says, with the raw number where it speaks of it.
func faultText(s *box.Sample) say.Text {
	if strings.Contains(s.Fault, "%.4g") {
		return say.Text{Format: s.Fault, Args: []any{s.Value}}
	}
	return say.Text{Format: s.Fault}
}

// live is the value of a channel, not of a thermometer, where others may be
// judged by it: of this moment, and not known to be wrong.
func (c *Conditioner) live(ch box.Channel, mono time.Duration) (float64, bool) {
	k := &c.channels[ch]
	return k.value, k.n > 0 && mono-k.at <= k.late && k.known&(isFaulty|isStuck) == 0
}

// stands is the median of the last three values; with fewer, or where the flow
// comes in strokes, the newest. Three values of an injector that strokes about
// every third sample show the same three parts of its stroke for minutes, and
// their median is then none of its mean.
func (k *channel) stands() float64 {
	if k.n < 3 || k.strokes {
		return k.last[0]
	}
	a, b, c := k.last[0], k.last[1], k.last[2]
	return max(min(a, b), min(max(a, b), c))
}

func judge[T ~float64](r *box.Reading[T], c *Conditioner, ch box.Channel, mono time.Duration, scale float64) {
	k := &c.channels[ch]
	if k.n == 0 {
		switch {
		case k.known&isFaulty != 0:
			*r = box.Reading[T]{Quality: box.Bad, Cause: k.cause, Why: k.fault}
		case r.Why.Empty():
			*r = box.Reading[T]{Quality: box.QualityUnknown, Why: say.T("nothing heard yet")}
		}
		return
	}
	age := mono - k.at
	if k.known == 0 && age <= min(k.late, k.silent) {
		if r.Quality != box.Good {
			r.Quality, r.Cause, r.Why = box.Good, box.NoCause, say.Text{}
		}
		r.Value, r.Age = T(k.value*scale), age
		return
	}
	*r = box.Reading[T]{Age: age}
	r.Quality, r.Cause, r.Why = k.judge(age)
	if age > k.silent && k.known&isFaulty == 0 && c.resumed > 0 && mono-c.resumed <= c.cfg.Silent {
		// The core was not looking: that says nothing against the sensor yet.
		r.Cause, r.Why = box.CheckFunction, say.T("not heard yet since boxd looks again")
	}
	if r.Usable() {
		r.Value = T(k.value * scale)
	}
}

// pace says after what time a channel is late and after what it is silent.
func (c *Conditioner) pace(ch box.Channel) {
	k := &c.channels[ch]
	k.paced = k.interval
	k.late, k.silent = max(2*time.Second, 5*k.interval/2), max(c.cfg.Silent, 4*k.interval)
	if t := c.cfg.SilentTemperature; ch >= box.WaterTemp && ch <= box.OutsideAirTemp && t > c.cfg.Silent {
		k.late, k.silent = max(k.late, t*2/3), max(k.silent, t)
	}
}

// faultFor is how long a source may report a fault before the last value is
// given up: a bus may miss a beat. Common practice, no source.
const faultFor = 5 * time.Second

// judge weighs what is known of the channel, the worst first. The classes are
// those of NAMUR NE 107.
func (k *channel) judge(age time.Duration) (box.Quality, box.Cause, say.Text) {
	switch {
	case age > k.silent && k.known&isFaulty != 0:
		return box.Bad, k.cause, k.fault
	case age > k.silent:
		return box.Bad, box.Failure, say.T("silent: check wiring and power")
	case k.absurd >= 3, k.faults >= 3 && age >= faultFor:
		return box.Bad, k.cause, k.fault
	case k.known&isStuck != 0:
		return box.Bad, box.Failure, k.stuck
	case k.jumps.count() >= jumpsBad:
		return box.Bad, box.Failure, say.T("jumps to and fro as water can't: check plug, shield and ground")
	case k.known&isFaulty != 0:
		return box.Uncertain, k.cause, k.fault
	case age > k.late:
		return box.Uncertain, box.CheckFunction, say.T("late")
	case k.known&isJumping != 0:
		return box.Uncertain, box.OutOfSpecification, say.T("jumps now and then: check plug, shield and ground")
	case k.known&isDoubted != 0:
		return box.Uncertain, k.cause, say.T("at the end of what the instrument can measure")
	case k.known&isAgainst != 0:
		return box.Uncertain, box.OutOfSpecification, say.Text{Format: k.against}
	}
	return box.Good, box.NoCause, say.Text{}
}
