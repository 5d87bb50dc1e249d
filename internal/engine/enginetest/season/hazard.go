package season

import (
	"fmt"
	"math"

	"boxd/internal/box"
)

// Kind is what goes wrong.
type Kind uint8

// The hazards.
const (
	NoHazard Kind = iota
	SupplySags
	SupplyCollapses
	SupplyWeak
	RegulatorCreeps
	FilterLoads
	FilterTears
	FilterLeftDirty
	RowBursts
	TornBefore
	RowShut
	EmittersClog
	StockRunsOut
	AirInHose
	InjectorStops
	InjectorWears
	StockTooStrong
	WireBreaks
	SensorFails
	SensorAbsurd
	MeterSticks
	ProbeDrifts
	ProbeFouls
	FrostNight
	ClosesEarly
	WordWithoutDeed
	WalksAway
	PapersLapse
	ClockJumps
	CoreRestarts
	DiskFull
	LinkLost
	numKinds
)

// moment is what a hazard waits for; its delay counts from there.
type moment uint8

const (
	beforeRun moment = iota // the evening before
	atStart                 // the person comes
	flowing                 // lines at pressure
	injecting
	flushing // injection has ended
)

// expectation is an alarm that has to come while the hazard stands: within is
// its on-delay, and what readings need on top (filters, settling, a stroke).
type expectation struct {
	id     string
	within float64 // s
}

// definition is one row of the table of hazards.
type definition struct {
	name   string
	when   moment
	expect []expectation
	allows []string // further alarms it explains
	begin  func(*Season, *Hazard)
	lift   func(*Season, *Hazard) // nil: mended between runs
	stands func(*Season) bool     // by the truth; nil: nothing is expected
}

// Hazard is one thing that goes wrong in a run.
type Hazard struct {
	Number  int // in its run as drawn, from 1
	Halved  int // how often shrinking has halved Lasts
	Kind    Kind
	Delay   float64 // s after its moment
	Lasts   float64 // s
	Size    float64 // 0 to 1
	Channel box.Channel

	begun, over bool
	at          float64 // s of the season
	since       float64 // when it began to stand, by the truth
	standing    bool
	seen        []float64 // per expectation: when raised; NaN: not yet
	stood       bool      // long enough to be judged
	missed      bool
}

func (h *Hazard) String() string {
	d := definitions()[h.Kind]
	s := fmt.Sprintf("%s, %.0f s after %s, for %.0f s, size %.2f", d.name, h.Delay, [...]string{"the evening before", "the start", "pressure", "injection began", "injection ended"}[d.when], h.Lasts, h.Size)
	if h.Channel != box.UnknownChannel {
		s += ", " + h.Channel.String()
	}
	return s
}

// between scales a hazard's size.
func (h *Hazard) between(lo, hi float64) float64 { return lo + (hi-lo)*h.Size }

// nothingFlows are the alarms that a supply too weak brings along: with less
// water through the box even the EC may go over its limit.
func nothingFlows() []string {
	return []string{"supply-pressure-low", "backflow-sign", "header-pressure-low", "flow-below-expected", "flow-above-expected", "injector-not-cycling", "stock-empty", "flush-incomplete", "ratio-off", "ec-above-limit"}
}

// lessFlow are those that less flow brings along: the loop valve's difference
// falls with its square, and the injector may stop.
func lessFlow() []string {
	return []string{"injector-not-cycling", "stock-empty", "flush-incomplete", "ec-above-limit"}
}

// blind are the alarms that a lying flow meter or gauge explains.
func blind() []string {
	return append(nothingFlows(), "sensor-fault", "header-pressure-high", "filter-clogging", "filter-torn", "ec-above-limit")
}

// injects says that the person has told of a running injector and water runs.
func injects(s *Season) bool { return s.saidInjector && s.runsWell() }

func definitions() [numKinds]definition {
	t := func(s *Season) *truth { return &s.plant.now }
	channelFault := func(k faultKind) (begin, lift func(*Season, *Hazard)) {
		return func(s *Season, h *Hazard) {
				i := &s.plant.inst.ch[h.Channel]
				i.fault, i.value = k, 1e5
			}, func(s *Season, h *Hazard) {
				s.plant.inst.ch[h.Channel].fault = healthy
			}
	}
	always := func(*Season) bool { return true }
	breaks, mends := channelFault(silent)
	fails, _ := channelFault(failing)
	lies, _ := channelFault(absurd)
	sticks, _ := channelFault(stuck)
	sag := func(lo, hi float64) func(*Season, *Hazard) {
		return func(s *Season, h *Hazard) { s.plant.supply.sagged, s.plant.supply.sag = true, h.between(lo, hi) }
	}
	recover := func(s *Season, _ *Hazard) { s.plant.supply.sagged = false }
	draws := func(on bool) func(*Season, *Hazard) {
		return func(s *Season, _ *Hazard) { s.plant.noDraw = !on; s.person.looksAway(s.t) }
	}
	nothing := func(*Season, *Hazard) {}
	return [numKinds]definition{
		SupplySags: {name: "supply sags", when: flowing, expect: []expectation{{"supply-pressure-low", 20}}, allows: nothingFlows(),
			begin: sag(30, 60), lift: recover, stands: func(s *Season) bool { return s.plant.open && t(s).supply < 66 }},
		SupplyCollapses: {name: "supply collapses", when: flowing, expect: []expectation{{"backflow-sign", 15}}, allows: nothingFlows(),
			begin: sag(0, 8), lift: recover, stands: func(s *Season) bool { return s.plant.open && t(s).header > t(s).supply+12 }},
		SupplyWeak: {name: "supply too weak for the header", when: flowing, expect: []expectation{{"header-pressure-low", 35}}, allows: nothingFlows(),
			begin: func(s *Season, h *Hazard) {
				s.plant.supply.sagged, s.plant.supply.sag = true, s.plant.needs(h.between(30, 48))
			}, lift: recover,
			stands: func(s *Season) bool { return s.runsWell() && t(s).header < 52.5 && t(s).supply > 0 }},
		RegulatorCreeps: {name: "regulator creeps", when: flowing, expect: []expectation{{"header-pressure-high", 20}},
			begin: func(s *Season, h *Hazard) { s.plant.creep = h.between(20, 50) }, lift: func(s *Season, _ *Hazard) { s.plant.creep = 0 },
			stands: func(s *Season) bool { return t(s).header > 85 }},
		FilterLoads: {name: "filter loads up in a run", when: flowing, expect: []expectation{{"filter-clogging", 50}}, allows: nothingFlows(),
			begin:  func(s *Season, h *Hazard) { s.plant.filter += h.between(28, 45) / s.plant.filterClean },
			stands: func(s *Season) bool { return s.runsWell() && s.learnt() && t(s).filterExcess > 25 }},
		FilterTears: {name: "filter screen tears", when: flowing, expect: []expectation{{"filter-torn", 85}},
			begin: func(s *Season, h *Hazard) { s.plant.filter = h.between(0.1, 0.3) }, lift: func(s *Season, _ *Hazard) { s.plant.filter = 1 },
			stands: func(s *Season) bool {
				// Gauges whose spans differ by half a per cent say nothing of a filter once the supply has sagged.
				return s.runsWell() && s.learnt() && s.plant.filter < 0.4 && s.plant.cleanLoss() > 6.5 && !s.plant.supply.sagged
			}},
		FilterLeftDirty: {name: "filter left dirty since the last run", when: atStart, expect: []expectation{{"filter-clogging", 90}}, allows: nothingFlows(),
			begin:  func(s *Season, h *Hazard) { s.plant.filter = 1 + h.between(30, 45)/s.plant.filterClean },
			stands: func(s *Season) bool { return s.filterShown >= 6 && s.runsWell() && t(s).filterExcess > 26 }},
		TornBefore: {name: "row torn before the run", when: atStart, expect: []expectation{{"flow-above-expected", 150}}, allows: []string{"header-pressure-low", "supply-pressure-low", "flush-incomplete"},
			begin:  func(s *Season, h *Hazard) { s.plant.burst(h.Size) },
			stands: func(s *Season) bool { return s.runsWell() && t(s).leak-t(s).missing > 0.16 }},
		EmittersClog: {name: "emitters clogged", when: atStart, expect: []expectation{{"flow-below-expected", 110}}, allows: lessFlow(),
			begin: func(s *Season, h *Hazard) { s.plant.clog(1 - h.between(0.2, 0.35)) }, lift: func(s *Season, h *Hazard) { s.plant.clog(1 / (1 - h.between(0.2, 0.35))) },
			stands: func(s *Season) bool { return s.runsWell() && t(s).missing-t(s).leak > 0.155 }},
		RowBursts: {name: "row bursts", when: flowing, expect: []expectation{{"flow-above-expected", 35}}, allows: []string{"header-pressure-low", "supply-pressure-low", "flush-incomplete"},
			begin:  func(s *Season, h *Hazard) { s.plant.burst(h.Size) },
			stands: func(s *Season) bool { return s.runsWell() && t(s).leak-t(s).missing > 0.16 }},
		RowShut: {name: "row shut or kinked", when: flowing, expect: []expectation{{"flow-below-expected", 80}}, allows: lessFlow(),
			begin:  func(s *Season, h *Hazard) { s.plant.shut(h.Size) },
			stands: func(s *Season) bool { return s.runsWell() && t(s).missing-t(s).leak > 0.155 }},
		StockRunsOut: {name: "stock runs out", when: injecting, expect: []expectation{{"stock-empty", 35}, {"injector-not-cycling", 50}},
			begin: func(s *Season, _ *Hazard) { s.plant.tank = 0; s.person.looksAway(s.t) }, stands: func(s *Season) bool { return injects(s) && s.plant.tank == 0 && t(s).branch > 15 }},
		AirInHose: {name: "air in the suction hose", when: injecting, expect: []expectation{{"stock-empty", 35}, {"injector-not-cycling", 50}},
			begin: draws(false), lift: draws(true), stands: func(s *Season) bool { return injects(s) && s.plant.noDraw && t(s).branch > 15 }},
		InjectorStops: {name: "injector stands still", when: injecting, expect: []expectation{{"injector-not-cycling", 50}}, allows: []string{"stock-empty"},
			begin: func(s *Season, _ *Hazard) { s.plant.dead = true; s.person.looksAway(s.t) }, lift: func(s *Season, _ *Hazard) { s.plant.dead = false },
			stands: func(s *Season) bool { return injects(s) && s.plant.dead }},
		InjectorWears: {name: "injector ratio off", when: atStart, expect: []expectation{{"ratio-off", 225}},
			begin: func(s *Season, h *Hazard) { s.plant.wear = h.between(0.55, 0.78) }, lift: func(s *Season, _ *Hazard) { s.plant.wear = 1 },
			stands: func(s *Season) bool { return injects(s) && s.drawsNow() }},
		StockTooStrong: {name: "stock too strong", when: atStart, expect: []expectation{{"ec-above-limit", 60}},
			begin: func(s *Season, h *Hazard) { s.plant.strength *= h.between(3, 5) }, lift: func(s *Season, h *Hazard) { s.plant.strength /= h.between(3, 5) },
			stands: func(s *Season) bool { return t(s).base+s.plant.mixed > 1.08*float64(s.cfg.Limits.ECLimit) }},
		WireBreaks:      {name: "wire breaks", when: flowing, expect: []expectation{{"sensor-fault", 45}}, begin: breaks, lift: mends, stands: always},
		SensorFails:     {name: "sensor reports a fault", when: flowing, expect: []expectation{{"sensor-fault", 45}}, begin: fails, lift: mends, stands: always},
		SensorAbsurd:    {name: "sensor reads absurdly", when: flowing, expect: []expectation{{"sensor-fault", 10}}, begin: lies, lift: mends, stands: always},
		MeterSticks:     {name: "meter or gauge sticks", when: flowing, allows: blind(), begin: sticks, lift: mends},
		ProbeDrifts:     {name: "end probe drifts", when: flowing, allows: []string{"flush-incomplete"}, begin: func(s *Season, h *Hazard) { s.plant.inst.drift = h.between(-5, 5) }},
		ProbeFouls:      {name: "end probe fouls", when: atStart, begin: func(s *Season, h *Hazard) { s.plant.inst.fouled = h.between(0.05, 0.35) }},
		FrostNight:      {name: "frost night", when: beforeRun, expect: []expectation{{"freeze-risk", 200}}, begin: func(s *Season, h *Hazard) { s.plant.weather.night = s.plant.weather.mean + h.between(3, 10) }, lift: func(s *Season, _ *Hazard) { s.plant.weather.night = 0 }, stands: func(s *Season) bool { return s.plant.weather.air < -0.2 }},
		ClosesEarly:     {name: "shutoff valve closed early", when: flushing, expect: []expectation{{"flush-incomplete", 50}}, allows: []string{"supply-pressure-low"}, begin: func(s *Season, _ *Hazard) { s.person.closes = true }, lift: nothing, stands: func(s *Season) bool { return !s.plant.open && s.drewInRun && !s.saidDone && s.stepNow != "ready" }},
		WordWithoutDeed: {name: "word without deed", when: atStart, begin: func(s *Season, _ *Hazard) { s.person.lies = true }, allows: []string{"injector-not-cycling", "stock-empty"}},
		WalksAway:       {name: "person walks away", when: injecting, begin: func(s *Season, h *Hazard) { s.person.away = s.t + s.absence(h) }},
		PapersLapse:     {name: "backflow test overdue", when: atStart, expect: []expectation{{"backflow-protection-missing", 5}}, allows: []string{"clock-jump"}, begin: func(s *Season, _ *Hazard) { s.jump(400 * 24); s.patience = 1800 }, lift: func(s *Season, _ *Hazard) { s.jump(-400 * 24) }, stands: always},
		ClockJumps:      {name: "clock jumps", when: flowing, expect: []expectation{{"clock-jump", 2}}, stands: always, begin: func(s *Season, h *Hazard) { s.jump(1 + math.Round(h.between(0, 200))) }, lift: func(s *Season, h *Hazard) { s.jump(-1 - math.Round(h.between(0, 200))) }},
		CoreRestarts:    {name: "core restarts", when: flowing, begin: func(s *Season, h *Hazard) { s.restart(h.between(1, 150)) }, lift: nothing},
		DiskFull: {name: "disk full", when: flowing, expect: []expectation{{"archive-failing", 5}}, allows: []string{"injector-not-cycling", "stock-empty", "flush-incomplete"}, stands: func(s *Season) bool { return s.box.Failing() },
			begin: func(s *Season, _ *Hazard) { s.around.full = true; s.box.Disk(true) }, lift: func(s *Season, _ *Hazard) { s.around.full = false; s.box.Disk(false) }},
		LinkLost: {name: "link to the station lost", when: atStart, expect: []expectation{{"link-down", 125}},
			begin: func(s *Season, _ *Hazard) { s.around.cut = true; s.box.Net(false) }, lift: func(s *Season, _ *Hazard) { s.around.cut = false; s.box.Net(true) }, stands: always},
	}
}

// absence is how long a person walks away, s: half an hour, less in a slice.
func (s *Season) absence(h *Hazard) float64 {
	if s.plan.Slice {
		return h.between(240, 900)
	}
	return 1800
}

// needs is the static pressure at which the header comes to h, full lines.
func (p *plant) needs(h float64) float64 { return h + p.losses(p.pipes.wants(h)) }

// burst opens a hole in a row: of 0.25 to 0.6 of the normal flow.
func (p *plant) burst(size float64) {
	w := &p.pipes.rows[int(size*997)%len(p.pipes.rows)]
	w.holeAt = int(size*9973) % w.n
	w.spoilt = true
	w.hole = (0.25 + 0.35*size) * p.normal / math.Sqrt(p.setpoint)
	p.pipes.disturb()
}

// shut kinks a row at its tee.
func (p *plant) shut(size float64) {
	w := &p.pipes.rows[int(size*997)%len(p.pipes.rows)]
	w.open, w.spoilt = 0, true
	p.pipes.disturb()
}

// clog lets every emitter pass so many times what it did.
func (p *plant) clog(times float64) {
	for i := range p.pipes.factor {
		p.pipes.factor[i] *= times
	}
	p.pipes.disturb()
}

// mend puts rows, filter and probes right between runs.
func (p *plant) mend() {
	for i := range p.pipes.rows {
		w := &p.pipes.rows[i]
		w.hole, w.open, w.spoilt = 0, 1, false
	}
	p.pipes.disturb()
	p.filter, p.noDraw, p.dead, p.tank = 1, false, false, 20
	p.inst.drift, p.inst.drifted, p.inst.fouled = 0, 0, 0
}
