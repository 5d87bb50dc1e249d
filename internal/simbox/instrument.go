package simbox

import (
	"math"
	"math/rand/v2"

	"boxd/internal/box"
)

// Chance of the instruments. Recipe.
const (
	spikeChance = 0.0003
	spikeLeast  = 15.0 // kPa
	spikeMost   = 40.0
	dropChance  = 0.001
	dropMost    = 8   // samples
	mainLag     = 2.0 // s
	strokeLitre = 0.2 // branch water a stroke of the injector takes
)

// character is one instrument. Where a number is 0 the instrument has none of
// it.
type character struct {
	offset   float64 // largest fixed offset
	gain     float64 // largest gain error, a fraction
	sd       float64 // white noise
	relative float64 // white noise as a part of the value
	ripple   float64 // of the injector's strokes, a part of the value
	cutoff   float64 // below this it reads 0
	step     float64 // resolution
	spikes   bool
}

func characters() [box.NumChannels]character {
	inBox := character{offset: 1, sd: 0.4, step: 0.1, spikes: true}
	return [box.NumChannels]character{
		box.SupplyPressure:      {offset: 2, sd: 0.8, step: 0.5, spikes: true},
		box.FilterOutPressure:   inBox,
		box.InjectorInPressure:  inBox,
		box.InjectorOutPressure: inBox,
		box.HeaderPressure:      {offset: 0.6, sd: 0.25, step: 0.1, spikes: true},
		box.MainFlow:            {gain: 0.015, relative: 0.008, cutoff: 0.3, step: 0.05},
		box.InjectorFlow:        {gain: 0.03, ripple: 0.12, cutoff: 0.15, step: 0.05},
		box.StockDraw:           {gain: 0.03, ripple: 0.5, step: 0.002},
		box.BoxEC:               {gain: 0.015, sd: 4, ripple: 0.025, step: 1},
		box.EndEC:               {gain: 0.015, sd: 6, step: 1},
		box.WaterTemp:           {sd: 0.02, step: 0.0625},
		box.BoxAirTemp:          {sd: 0.08, step: 0.1},
		box.OutsideAirTemp:      {sd: 0.08, step: 0.1},
	}
}

// instrument is one channel with the errors it was built with.
type instrument struct {
	character
	rng     *rand.Rand // one a channel: a fault in one leaves the others' noise alone
	dropped int        // samples still missing
	last    float64
	fault   fault
}

type instruments struct {
	ch            [box.NumChannels]instrument
	main          float64 // L/h behind its lag
	boxEC, endEC  float64 // L/L behind the probes' lags
	phase         float64 // strokes
	boxTau        float64
	endTau        float64
	quiet         bool
	outside, dry0 bool
}

func newInstruments(seed uint64, s Spec) instruments {
	in := instruments{boxTau: s.BoxLag.Seconds(), endTau: s.EndLag.Seconds(), quiet: s.Quiet, outside: s.OutsideProbe, dry0: s.EndDry}
	for c, ch := range characters() {
		r := rand.New(rand.NewPCG(seed, uint64(c)+1))
		ch.offset *= 2*r.Float64() - 1
		ch.gain *= 2*r.Float64() - 1
		if s.Quiet {
			ch = character{cutoff: ch.cutoff, step: ch.step}
		}
		in.ch[c] = instrument{character: ch, rng: r}
	}
	return in
}

// tick lets the instruments follow the plant.
func (in *instruments) tick(p *Plant) {
	in.main = lag(in.main, p.flow, mainLag)
	in.boxEC = lag(in.boxEC, p.line.conc, in.boxTau)
	in.endEC = lag(in.endEC, p.line.concAt(p.line.farthest), in.endTau)
	in.phase += p.branch / 3600 * tickSeconds / strokeLitre
	in.phase -= math.Floor(in.phase)
}

// Samples appends what the instruments deliver now, in the units of the trace
// columns. A channel that is silent or drops out is not among them.
func (p *Plant) Samples(dst []box.Sample) []box.Sample {
	t := p.Truth()
	for c := box.UnknownChannel + 1; c < box.NumChannels; c++ {
		if c == box.OutsideAirTemp && !p.inst.outside {
			continue
		}
		s, ok := p.inst.ch[c].sample(p.seen(&t, c), p.ripple(c), p.inst.quiet)
		if s.Channel = c; ok {
			dst = append(dst, s)
		}
	}
	return dst
}

// seen is what the instrument's element feels: truth behind the lag, in the
// unit of the trace column.
func (p *Plant) seen(t *Truth, c box.Channel) float64 {
	switch c {
	case box.SupplyPressure:
		return float64(t.Supply)
	case box.FilterOutPressure:
		return float64(t.FilterOut)
	case box.InjectorInPressure:
		return float64(t.InjectorIn)
	case box.InjectorOutPressure:
		return float64(t.InjectorOut)
	case box.HeaderPressure:
		return float64(t.Header)
	case box.MainFlow:
		return p.inst.main / 60
	case box.InjectorFlow:
		return p.branch / 60
	case box.StockDraw:
		return p.stock / 60
	case box.BoxEC:
		return p.ec(p.inst.boxEC)
	case box.EndEC:
		return p.endProbe()
	case box.WaterTemp:
		return p.thermal.water
	case box.BoxAirTemp:
		return p.thermal.air
	case box.OutsideAirTemp:
		return p.thermal.outside
	case box.UnknownChannel, box.NumChannels:
	}
	return 0
}

// endProbe is the line-end probe's reading before noise: about 5 µS/cm in air.
func (p *Plant) endProbe() float64 {
	if p.inst.dry0 && p.filled < 1 {
		return 5
	}
	return p.ec(p.inst.endEC) + p.endWander + p.drifted
}

// ripple is where the injector's stroke stands, -1 to 1.
func (p *Plant) ripple(c box.Channel) float64 {
	if p.branch <= 0 || (c == box.BoxEC && p.stock <= 0) {
		return 0
	}
	return math.Sin(2 * math.Pi * p.inst.phase)
}

// sample draws one sample; false is a drop-out.
func (i *instrument) sample(v, ripple float64, quiet bool) (box.Sample, bool) {
	noise := i.rng.NormFloat64()
	spike := i.spike()
	drop := i.drop(quiet)
	v = v*(1+i.gain)*(1+float64(i.ripple*ripple))*(1+float64(i.relative*noise)) + i.offset
	v += float64(i.noise(v)*noise) + spike
	if i.cutoff > 0 && v < i.cutoff {
		v = 0
	}
	if i.step > 0 {
		v = math.Round(v/i.step) * i.step
	}
	return i.fault.apply(v, &i.last, drop)
}

// noise is the white noise's standard deviation; a dry conductivity cell is
// quiet (it reads 4 to 6 µS/cm).
func (i *instrument) noise(v float64) float64 {
	if i.sd > 1 && v < 10 {
		return 0.4
	}
	return i.sd
}

func (i *instrument) spike() float64 {
	chance, size := i.rng.Float64(), i.rng.Float64()
	if !i.spikes || chance >= spikeChance {
		return 0
	}
	v := spikeLeast + float64((spikeMost-spikeLeast)*size)
	if chance < spikeChance/2 {
		return -v
	}
	return v
}

// drop reports whether this sample is lost.
func (i *instrument) drop(quiet bool) bool {
	chance, length := i.rng.Float64(), i.rng.IntN(dropMost)
	if quiet {
		return false
	}
	if i.dropped == 0 && chance < dropChance {
		i.dropped = 1 + length
	}
	if i.dropped == 0 {
		return false
	}
	i.dropped--
	return true
}
