package season

import (
	"math"
	"math/rand/v2"

	"boxd/internal/box"
	"boxd/internal/hydraulics"
)

// plant is the truth: supply, box, planting, weather. Flows are L/h, pressures
// kPa, EC µS/cm, temperatures °C.
type plant struct {
	pipes   *pipes
	carry   *carry
	supply  supply
	weather weather
	inst    *instruments
	r       *rand.Rand
	clock   float64 // s since midnight of the first day

	normal   float64 // L/h at the regulated pressure
	setpoint float64
	target   float64 // what a person throttles the loop valve to, kPa
	tau      float64 // s in which the regulator settles

	// The person's hand.
	open, injectorOn, hoseOut bool
	loop                      float64 // kPa at the normal flow across the loop valve

	// Losses at the normal flow.
	supplyLoss, filterClean, regulator float64
	filter                             float64 // times the clean loss
	creep                              float64

	// Lines.
	air, pocket float64 // part of the lines' volume that is air; of it, what leaves late
	purge       float64 // L/h per √kPa of filling water, by the air's way out

	// Injector.
	ratio, wear, branchFlow float64 // stock in the branch's flow; factor; L/h at 38 kPa
	startsAt                float64
	strokeL                 float64 // L of branch water a stroke
	phase                   float64
	tank, strength          float64 // L; µS/cm a unit of field ratio
	noDraw                  bool    // air in the hose
	dead                    bool    // the branch passes nothing
	mixed                   float64 // µS/cm over clean after the mixing

	now truth
}

// truth is this second's state.
type truth struct {
	supply, filterOut, injectorIn, injectorOut, header float64
	flow, branch, stock                                float64
	base, box, end, far                                float64 // EC: clean water; at the box; at the worst whole row's end; at the probe
	filterDiff, filterExcess                           float64
	leak, missing                                      float64 // parts of what whole rows would take
}

const (
	loopOpen  = 4.0
	throttled = 38.0 // kPa the branch flow is said at
	mixTime   = 6.0  // s at the normal flow
	fillHead  = 0.35 // of the setpoint, in the middle of filling
)

func newPlant(m *hydraulics.Model, r *rand.Rand) *plant {
	z := m.Zone()
	p := &plant{r: r, setpoint: float64(z.Inlet) * (1 + 0.015*(2*r.Float64()-1)), tau: 4 + 6*r.Float64()}
	// Bores differ by up to 0.2 %, volumes so by 0.4 %: inside the 0.5 % the core is told.
	p.pipes = newPipes(z, 1+0.002*(2*r.Float64()-1), 0.03, r)
	p.carry = newCarry(p.pipes, r)
	p.normal = p.pipes.total
	p.supply, p.weather = newSupply(r, p.normal), newWeather(r)
	p.supplyLoss, p.filterClean, p.regulator, p.filter = 15+20*r.Float64(), 8+6*r.Float64(), 15+5*r.Float64(), 1
	p.loop, p.target = loopOpen, 36+6*r.Float64()
	p.air = 0.5
	p.purge = 1.1 * p.normal / math.Sqrt(fillHead*p.setpoint)
	p.ratio, p.wear, p.branchFlow, p.startsAt = 0.02, 1, p.normal*(0.3+0.2*r.Float64()), 12+8*r.Float64()
	p.strokeL = p.branchFlow / 3600 * (2 + 3*r.Float64())
	p.tank, p.strength = 20, 100000+150000*r.Float64()
	p.inst = newInstruments(r, p.normal)
	p.inst.probeRow = farthest(m)
	p.now.base = 300 + 300*r.Float64()
	return p
}

// farthest is the row where the owner has put the probe: the one that the
// drawing says is reached last.
func farthest(m *hydraulics.Model) int {
	row, last := 0, m.Emitters()[0].Volume
	for _, e := range m.Emitters() {
		if e.Volume > last {
			row, last = e.Lateral, e.Volume
		}
	}
	return row
}

func (p *plant) hour() float64 { return math.Mod(p.clock/3600, 24) }

// do is the person's hand.
func (p *plant) do(d box.Deed) {
	switch d {
	case box.MainOpen:
		p.open = true
	case box.MainClosed:
		p.open = false
	case box.InjectorOn:
		p.injectorOn = true
	case box.InjectorOff:
		p.injectorOn = false
	case box.LoopThrottled:
		q := max(p.now.flow, 0.3*p.normal) / p.normal
		p.loop = p.target / (q * q)
	case box.LoopOpened:
		p.loop = loopOpen
	case box.FilterCleaned:
		p.filter = 1
	case box.StockIn:
		p.hoseOut, p.noDraw, p.tank = false, false, 20
	case box.StockOut:
		p.hoseOut = true
	case box.UnknownDeed, box.RunStart, box.RunEnd, box.NumDeeds:
	}
}

// step lets dt seconds pass: one while water flows, more at rest.
func (p *plant) step(dt float64) {
	t := &p.now
	p.clock += dt
	static := p.supply.step(dt, t.flow, p.hour(), p.r)
	p.water(static, dt)
	p.pressures(static)
	p.inject(dt)
	p.carry.move(p.pipes, p.mixed, dt*b2f(t.flow > 0))
	p.conductivity(dt)
	p.weather.step(dt, p.hour(), t.flow/p.normal)
	p.inst.follow(p, dt)
}

func b2f(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// cleanLoss is what a clean filter would take of the flow now, kPa. Below 5 the core
// calls no screen torn: two gauges don't tell.
func (p *plant) cleanLoss() float64 {
	r := p.now.flow / p.normal
	return p.filterClean * r * r
}

// losses between supply and header at flow q, kPa.
func (p *plant) losses(q float64) float64 {
	r := q / p.normal
	return (p.supplyLoss + p.filterClean*p.filter + p.loop + p.regulator) * r * r
}

// capacity is the most that static kPa push to a header at h kPa.
func (p *plant) capacity(static, h float64) float64 {
	return p.normal * math.Sqrt(max(0, static-h)/(p.supplyLoss+p.filterClean*p.filter+p.loop+p.regulator))
}

// wants is what the lines take at header pressure h: wet emitters, and water
// that follows the air out.
func (p *plant) wants(h float64) float64 {
	return p.pipes.wants(h)*(1-p.air) + p.leaving(h)
}

// leaving is the air's way out: freely while there is much, late from pockets.
func (p *plant) leaving(h float64) float64 {
	if p.air <= p.pocket {
		return p.air * p.pipes.volume() * 3600 / 90 * math.Sqrt(max(h, 0)/p.setpoint)
	}
	return p.purge * math.Sqrt(max(h, 0))
}

// water moves the header's pressure and the flow.
func (p *plant) water(static, dt float64) {
	t := &p.now
	settle := func(to, tau float64) { t.header += (to - t.header) * (1 - math.Exp(-dt/tau)) }
	switch {
	case !p.open:
		settle(0, 25)
		t.flow = 0
	case static <= t.header: // the check valve holds
		settle(0, 45)
		t.flow = 0
	default:
		h := p.holds(static)
		tau := p.tau
		if p.air > p.pocket {
			tau = 2
		}
		settle(h, tau)
		t.flow = min(p.wants(t.header), p.capacity(static, t.header))
	}
	p.pipes.follow(t.header)
	if t.flow > 0 {
		p.air = max(0, p.air-p.leaving(t.header)/3600*dt/p.pipes.volume())
		if p.air < 1e-4 {
			p.air = 0
		}
	}
}

// holds is the pressure the header comes to.
func (p *plant) holds(static float64) float64 {
	lo, hi := 0.0, p.setpoint+p.creep
	if p.capacity(static, hi) >= p.wants(hi) {
		return hi
	}
	for range 20 {
		mid := (lo + hi) / 2
		if p.capacity(static, mid) >= p.wants(mid) {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo
}

func (p *plant) pressures(static float64) {
	t := &p.now
	r := t.flow / p.normal
	r *= r
	t.supply = static - p.supplyLoss*r
	if t.flow <= 0 {
		// The line behind the check valve stands at the header's pressure.
		t.filterOut, t.injectorIn, t.injectorOut = t.header, t.header, t.header
		t.filterDiff, t.filterExcess, t.leak, t.missing = 0, 0, 0, 0
		return
	}
	t.filterDiff = p.filterClean * p.filter * r
	t.filterExcess = p.filterClean * (p.filter - 1) * r
	t.filterOut = t.supply - t.filterDiff
	t.injectorIn = t.filterOut
	t.injectorOut = t.injectorIn - p.loop*r
	t.leak, t.missing = p.offFlow()
}

// offFlow is what leaves by holes and what shut or clogged emitters keep, as
// parts of what whole clean rows take at this pressure.
func (p *plant) offFlow() (leak, missing float64) {
	whole := p.normal * math.Pow(max(p.now.header, 0)/p.setpoint, p.pipes.x)
	if whole <= 0 {
		return 0, 0
	}
	return p.pipes.lost() / whole, 1 - (p.pipes.total-p.pipes.lost())/whole
}

// inject drives the injector by the loop valve's differential.
func (p *plant) inject(dt float64) {
	t := &p.now
	t.branch, t.stock = 0, 0
	in := 0.0
	if diff := t.injectorIn - t.injectorOut; p.injectorOn && t.flow > 0 && diff >= p.startsAt && !p.dead {
		t.branch = min(p.branchFlow*math.Sqrt(diff/throttled), t.flow)
		turn := t.branch / 3600 * dt / p.strokeL
		if !p.hoseOut && !p.noDraw && p.tank > 0 {
			t.stock = t.branch * p.ratio * p.wear * suction(p.phase, turn)
			p.tank = max(0, p.tank-t.stock/3600*dt)
		}
		p.phase = math.Mod(p.phase+turn, 1)
		in = p.strength * t.stock / t.flow
	}
	v := t.flow / 3600 * dt
	p.mixed += (in - p.mixed) * v / (p.normal/3600*mixTime + v)
}

// suction is the mean of a stroke that draws in its first half only, over a
// turn from phase on: 1 over a whole stroke.
func suction(phase, turn float64) float64 {
	if turn <= 0 {
		return 0
	}
	drawn := func(x float64) float64 { // strokes' draw up to x
		whole := math.Floor(x)
		return whole + min(1, (x-whole)*2)
	}
	return (drawn(phase+turn) - drawn(phase)) / turn
}

func (p *plant) conductivity(dt float64) {
	t := &p.now
	t.base += 0.4 * math.Sqrt(min(dt, 60)/60) * p.r.NormFloat64()
	t.box, t.end = t.base+p.mixed, t.base
	for i := range p.pipes.rows {
		if !p.pipes.rows[i].spoilt {
			t.end = max(t.end, t.base+p.carry.end(i))
		}
	}
	t.far = t.base + p.carry.end(p.inst.probeRow)
}

// rest is hours with the shutoff valve closed: air comes in.
func (p *plant) rest(air, pocket float64) {
	p.air, p.pocket = max(p.air, air), pocket
	p.now.header = 0
}
