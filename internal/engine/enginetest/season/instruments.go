package season

import (
	"math"
	"math/rand/v2"

	"boxd/internal/box"
)

// instrument is one channel with the errors it was built with.
type instrument struct {
	offset, gain float64
	sd, relative float64
	cutoff, step float64
	spikes       bool
	lost         int // samples of a drop-out still missing
	last         float64
	fault        faultKind
	value        float64 // of an absurd one
	y            float64 // behind its lag
}

type faultKind uint8

const (
	healthy faultKind = iota
	silent
	failing
	stuck
	absurd
)

type instruments struct {
	ch             [box.NumChannels]instrument
	r              *rand.Rand
	boxLag, endLag float64
	drift, drifted float64 // of the end probe: µS/cm a minute, µS/cm
	fouled         float64 // of its gain
	probeRow       int
	noProbe        bool
	slow           bool // turns are minutes apart
}

func newInstruments(r *rand.Rand, normal float64) *instruments {
	in := &instruments{r: r, boxLag: 4 + 4*r.Float64(), endLag: 20 + 10*r.Float64()}
	gauge := instrument{offset: 1, sd: 0.4, step: 0.1, spikes: true}
	meter := min(0.05, math.Pow(2, math.Floor(math.Log2(normal/60*0.012)))) // a meter fit for the flow
	stock := min(0.002, math.Pow(2, math.Floor(math.Log2(normal/60*0.0004))))
	in.ch = [box.NumChannels]instrument{
		box.SupplyPressure:    {offset: 2, sd: 0.8, step: 0.5, spikes: true},
		box.FilterOutPressure: gauge, box.InjectorInPressure: gauge, box.InjectorOutPressure: gauge,
		box.HeaderPressure: {offset: 0.6, sd: 0.25, step: 0.1, spikes: true},
		box.MainFlow:       {gain: 0.015, relative: 0.008, cutoff: 0.02 * normal / 60, step: meter},
		box.InjectorFlow:   {gain: 0.03, relative: 0.01, cutoff: 0.02 * normal / 60, step: meter},
		box.StockDraw:      {gain: 0.03, step: stock},
		box.BoxEC:          {gain: 0.015, sd: 4, relative: 0.005, step: 1},
		box.EndEC:          {gain: 0.015, sd: 6, step: 1},
		box.WaterTemp:      {sd: 0.02, step: 0.0625},
		box.BoxAirTemp:     {sd: 0.08, step: 0.1},
	}
	for c := range in.ch {
		in.ch[c].offset *= 2*r.Float64() - 1
		in.ch[c].gain *= 2*r.Float64() - 1
	}
	return in
}

// follow lets the lags pass.
func (in *instruments) follow(p *plant, dt float64) {
	lag := func(c box.Channel, x, tau float64) {
		k := &in.ch[c]
		k.y += (x - k.y) * (1 - math.Exp(-dt/tau))
	}
	t := &p.now
	lag(box.MainFlow, t.flow/60, 2)
	lag(box.BoxEC, t.box, in.boxLag)
	lag(box.EndEC, t.base+(t.far-t.base)*(1-in.fouled), in.endLag*(1+2*in.fouled))
	in.drifted += in.drift * dt / 60
	in.slow = dt > 10
}

func (in *instruments) truth(p *plant, c box.Channel) float64 {
	t := &p.now
	switch c {
	case box.SupplyPressure:
		return t.supply
	case box.FilterOutPressure:
		return t.filterOut
	case box.InjectorInPressure:
		return t.injectorIn
	case box.InjectorOutPressure:
		return t.injectorOut
	case box.HeaderPressure:
		return t.header
	case box.MainFlow, box.BoxEC:
		return in.ch[c].y
	case box.InjectorFlow:
		return t.branch / 60
	case box.StockDraw:
		return t.stock / 60
	case box.EndEC:
		return in.ch[c].y + in.drifted
	case box.WaterTemp:
		return p.weather.water
	case box.BoxAirTemp:
		return p.weather.air
	case box.OutsideAirTemp:
		return p.weather.outside
	case box.UnknownChannel, box.NumChannels:
	}
	return 0
}

// samples appends what the instruments send now.
// Where turns are minutes apart a drop-out of seconds shows in none.
func (in *instruments) samples(p *plant, dst []box.Sample) []box.Sample {
	for c := box.UnknownChannel + 1; c < box.OutsideAirTemp; c++ {
		if c == box.EndEC && in.noProbe {
			continue
		}
		if s, ok := in.sample(c, in.truth(p, c)); ok {
			dst = append(dst, s)
		}
	}
	return dst
}

func (in *instruments) sample(c box.Channel, v float64) (box.Sample, bool) {
	k := &in.ch[c]
	noise, chance := in.r.NormFloat64(), in.r.Float64()
	v = v*(1+k.gain)*(1+k.relative*noise) + k.offset + k.sd*noise
	if k.spikes && chance < 0.0003 {
		v += 15 + 25*in.r.Float64()
	}
	if k.cutoff > 0 && v < k.cutoff {
		v = 0
	}
	v = math.Round(v/k.step) * k.step
	if in.slow {
		k.lost = 0
	} else if k.lost > 0 {
		k.lost--
	} else if chance > 0.999 {
		k.lost = 1 + in.r.IntN(8)
	}
	switch k.fault {
	case silent:
		return box.Sample{}, false
	case failing:
		return box.Sample{Channel: c, Fault: "no answer on the bus", Cause: box.Failure}, true
	case stuck:
		return box.Sample{Channel: c, Value: k.last}, true
	case absurd:
		return box.Sample{Channel: c, Value: k.value}, true
	case healthy:
	}
	if k.lost > 0 {
		return box.Sample{}, false
	}
	k.last = v
	return box.Sample{Channel: c, Value: v}, true
}
