package simbox

import (
	"math"
	"math/rand/v2"
	"time"

	"boxd/internal/box"
	"boxd/internal/units"
)

// Tick is the inner step. Step cuts time into these, so that the plant's course
// does not depend on how the caller cuts it.
const Tick = 100 * time.Millisecond

const tickSeconds = float64(Tick) / float64(time.Second)

// Losses at the block's normal flow, kPa; each goes with the flow squared.
const (
	supplyLoss    = 32.0 // from the tap to the box
	filterLoss    = 12.0 // clean screen
	loopLoss      = 4.5  // loop valve open
	regulatorLoss = 20.0 // regulator wide open
)

// Recipe of the lines.
const (
	emptyShare    = 0.85 // of the line volume, at a first opening
	fillFlowStart = 1.68 // of the normal flow, when filling starts
	fillFlowDrop  = 0.20
	fillHeadStart = 0.12 // of the regulated pressure
	fillHeadRise  = 0.27
	closedTau     = 25.0 // s, pressure after closing
	trappedTau    = 45.0 // s, pressure held by the check valve alone
	mixSeconds    = 9.0  // mixing at the injection point, at normal flow
	wanderTau     = 60.0 // s
	supplyWander  = 1.5  // kPa
	endWander     = 3.0  // µS/cm
	pumpPeriod    = 90.0 // s
	ticksAWander  = 10   // wander moves once a second
)

// Plant is the simulated supply, box and planting. It is not safe for use by
// several goroutines at once.
type Plant struct {
	spec   Spec
	curve  curve
	normal float64 // L/h at the regulated pressure
	tau    float64 // s, pressure settling

	carry time.Duration
	ticks int64
	rng   *rand.Rand // the plant's own chance; instruments have theirs

	open, injectorOn, hoseOut bool
	loop                      loopValve
	drawing                   bool    // the injector runs
	filter                    float64 // times the clean loss
	burst                     float64 // L/h at the regulated pressure
	creep                     float64 // kPa above the regulated pressure
	sagged                    bool
	sag                       float64 // kPa, the supply while sagged

	wander, endWander float64
	drift, drifted    float64 // µS/cm a minute, µS/cm

	static, header      float64 // kPa
	flow, branch, stock float64 // L/h
	filled              float64 // 0 to 1
	tank, drawn, lost   float64 // L of stock
	line                line
	thermal             thermal
	inst                instruments
}

// New makes a plant at rest: main valve closed, loop valve open, injector off,
// suction hose in the stock. It panics without Paths or Flow: these have no
// default and their absence is a mistake in the program.
func New(s Spec, seed uint64) *Plant {
	if len(s.Paths) == 0 || s.Flow == nil {
		panic("simbox: New needs Spec.Paths and Spec.Flow")
	}
	s = s.withDefaults()
	s.Paths = scaled(s.Paths)
	p := &Plant{spec: s, curve: tabulate(s.Flow, s.Inlet), rng: rand.New(rand.NewPCG(seed, 0))}
	p.normal = p.curve.at(float64(s.Inlet))
	p.tau = 4 + 8*p.rng.Float64()
	p.loop, p.filter = loopValve{place: 1, to: 1}, 1
	p.static = float64(s.Supply)
	p.filled = 1 - emptyShare
	if s.LinesFull {
		p.filled = 1
	}
	p.tank = float64(s.Stock)
	p.line = newLine(s, p.normal)
	p.thermal = newThermal(s)
	p.inst = newInstruments(seed, s)
	return p
}

func scaled(in []Path) []Path {
	sum := 0.0
	for _, e := range in {
		sum += e.Share
	}
	out := make([]Path, len(in))
	for i, e := range in {
		e.Share /= sum
		out[i] = e
	}
	return out
}

// Step lets dt pass. What is less than a Tick is carried to the next Step.
func (p *Plant) Step(dt time.Duration) {
	for p.carry += dt; p.carry >= Tick; p.carry -= Tick {
		p.tick()
	}
}

// Do is the person's hand at the box. Deeds that move nothing are taken
// without effect.
func (p *Plant) Do(d box.Deed) {
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
		p.Turn(p.throttled(), handThrottles)
	case box.LoopOpened:
		p.Turn(1, handOpens)
	case box.FilterCleaned:
		p.filter = 1
	case box.StockIn:
		p.hoseOut = false
	case box.StockOut:
		p.hoseOut = true
	case box.UnknownDeed, box.RunStart, box.RunEnd, box.NumDeeds:
	}
}

func (p *Plant) tick() {
	p.loop.tick()
	p.ticks++
	if p.ticks%ticksAWander == 0 {
		p.wanderOn()
	}
	p.static = p.supplyStatic()
	p.hydraulics()
	p.inject()
	p.transport()
	p.thermal.tick(p.flow / p.normal)
	p.inst.tick(p)
	p.drifted += p.drift * tickSeconds / 60
}

// wanderOn moves the slow wanders by one second, as Ornstein–Uhlenbeck
// processes of the given standard deviation.
func (p *Plant) wanderOn() {
	if p.spec.Quiet {
		return
	}
	keep := math.Exp(-1 / wanderTau)
	kick := math.Sqrt(1 - float64(keep*keep))
	p.wander = float64(keep*p.wander) + float64(supplyWander*kick*p.rng.NormFloat64())
	p.endWander = float64(keep*p.endWander) + float64(endWander*kick*p.rng.NormFloat64())
}

func (p *Plant) supplyStatic() float64 {
	if p.sagged {
		return max(0, p.sag)
	}
	s := float64(p.spec.Supply) + p.wander
	if p.spec.PumpBand > 0 {
		t := float64(p.ticks) * tickSeconds / pumpPeriod
		s -= float64(float64(p.spec.PumpBand) * (t - math.Floor(t)))
	}
	return s
}

// squared is a loss that is k at normal flow.
func (p *Plant) squared(k float64) float64 {
	r := p.flow / p.normal
	return float64(k * r * r)
}

// capacity is the most the supply can push to a header at pressure h, L/h.
func (p *Plant) capacity(h float64) float64 {
	k := supplyLoss + float64(filterLoss*p.filter) + p.loopLoss() + regulatorLoss
	return p.normal * math.Sqrt(max(0, p.static-h)/k)
}

func (p *Plant) setpoint() float64 { return float64(p.spec.Inlet) + p.creep }

// burstFlow is what leaves by a burst at header pressure h: an orifice.
func (p *Plant) burstFlow(h float64) float64 {
	return p.burst * math.Sqrt(max(0, h)/float64(p.spec.Inlet))
}

func (p *Plant) wants(h float64) float64 { return p.curve.at(h) + p.burstFlow(h) }

// holds is the pressure the header comes to with full lines: the regulated one,
// or less where the supply cannot keep it up.
func (p *Plant) holds() float64 {
	lo, hi := 0.0, p.setpoint()
	if p.capacity(hi) >= p.wants(hi) {
		return hi
	}
	for range 40 {
		mid := (lo + hi) / 2
		if p.capacity(mid) >= p.wants(mid) {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo
}

func (p *Plant) hydraulics() {
	switch {
	case !p.open:
		p.flow = 0
		p.settle(0, closedTau)
	case p.static <= p.header:
		p.flow = 0
		p.settle(0, trappedTau)
	case p.filled < 1:
		p.fill()
	default:
		p.flow = min(p.wants(p.header), p.capacity(p.header))
		p.settle(p.holds(), p.tau)
	}
}

// fill lets the lines run full: the emitters are wet in proportion.
func (p *Plant) fill() {
	done := 1 - (1-p.filled)/emptyShare
	target := p.setpoint() * (fillHeadStart + float64(fillHeadRise*done))
	p.flow = min(p.normal*(fillFlowStart-float64(fillFlowDrop*done)), p.capacity(target))
	p.settle(target, p.tau)
	taken := float64(done*p.curve.at(p.header)) + p.burstFlow(p.header)
	p.filled += max(0, p.flow-taken) / 3600 * tickSeconds / float64(p.spec.LineVolume)
	p.filled = min(1, p.filled)
}

func (p *Plant) settle(target, tau float64) { p.header = lag(p.header, target, tau) }

// lag is a first-order lag over one tick.
func lag(y, x, tau float64) float64 {
	return y + float64(-math.Expm1(-tickSeconds/tau)*(x-y))
}

// inject drives the injector by the difference the loop valve makes. Once it
// runs it takes water off the valve, and goes on to a lower difference than
// started it.
func (p *Plant) inject() {
	p.branch, p.stock = 0, 0
	j := p.spec.Injector
	least := float64(j.StartsAt)
	if p.drawing {
		least *= stopsAt
	}
	if p.drawing = p.injectorOn && p.flow > 0 && p.squared(p.loopLoss()) >= least; !p.drawing {
		return
	}
	diff := p.squared(p.loopLoss()) // running, it has less
	p.branch = float64(j.Branch) * math.Sqrt(diff/float64(j.Throttle))
	if p.hoseOut {
		return
	}
	want := p.branch * float64(j.Ratio)
	p.stock = min(want, p.tank*3600/tickSeconds)
	p.drawn += p.stock / 3600 * tickSeconds
	p.tank = max(0, p.tank-p.stock/3600*tickSeconds)
}

// transport hands the tick's water to the lines. What leaves by a burst never
// moves the water of the emitters.
func (p *Plant) transport() {
	if p.flow <= 0 {
		return
	}
	water := p.flow / 3600 * tickSeconds
	out := p.line.mix(water, p.stock/3600*tickSeconds)
	gone := min(1, p.burstFlow(p.header)/p.flow)
	p.lost += out * gone
	p.line.push(water*(1-gone), out*(1-gone))
}

// curve is the block's flow, tabulated evenly in √p, where it is nearly a
// straight line.
type curve struct {
	step float64 // √kPa
	flow [33]float64
}

// tabulate asks the caller's curve once, up to twice the regulated pressure.
func tabulate(f func(units.KPa) units.LPerH, inlet units.KPa) curve {
	var c curve
	c.step = math.Sqrt(2*float64(inlet)) / float64(len(c.flow)-1)
	for i := 1; i < len(c.flow); i++ {
		r := float64(i) * c.step
		if i == len(c.flow)-1 {
			r = math.Sqrt(2 * float64(inlet))
		}
		c.flow[i] = max(0, float64(f(units.KPa(r*r))))
	}
	return c
}

func (c *curve) at(p float64) float64 {
	x := math.Sqrt(max(0, p)) / c.step
	i := min(int(x), len(c.flow)-2)
	return c.flow[i] + float64((x-float64(i))*(c.flow[i+1]-c.flow[i]))
}
