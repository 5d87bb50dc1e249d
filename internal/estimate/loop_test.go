package estimate

// The valve work on a small plant of its own, solved here from the laws of
// losses alone: supply loss, loop valve beside the branch, regulator, zone. The
// hand turns the valve as it is told; the truth judges what was said.

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"pgregory.net/rapid"

	"boxd/internal/box"
	"boxd/internal/units"
)

// trim is the inherent characteristic of a valve: flow coefficient against
// opening, 1 when open (shapes of IEC 60534-2-4, from memory).
type trim func(open float64) float64

func equalPercentage(rangeability float64) trim {
	return func(open float64) float64 { return math.Pow(rangeability, open-1) }
}

func linear(leak float64) trim { return func(open float64) float64 { return leak + (1-leak)*open } }

// loopPlant is the truth. Losses are kPa at the zone's normal flow.
type loopPlant struct {
	zone                              func(units.KPa) units.LPerH
	normal                            float64 // L/h
	static, upstream, loop, regulator float64
	setpoint                          float64
	trim                              trim
	branch34, power, offBelow         float64 // L/h at 34 kPa; exponent; kPa below which it stops
	dead                              bool    // the branch's valves are shut
	pulse, period                     float64 // part of the branch's flow and of the difference; s
	open                              float64

	running                  bool
	diff, main, branch, head float64
	headSeen, mainSeen       float64
}

func (p *loopPlant) branchAt(d float64) float64 {
	if !p.running || p.dead || d <= 0 {
		return 0
	}
	return p.branch34 * math.Pow(d/34, p.power)
}

// diffAt is the difference at a main flow: valve and branch side by side.
func (p *loopPlant) diffAt(q float64) float64 {
	cv := p.trim(p.open)
	lo, hi := 0.0, p.loop*(q/p.normal)*(q/p.normal)/(cv*cv)
	for range 60 {
		d := (lo + hi) / 2
		if p.normal*cv*math.Sqrt(d/p.loop)+p.branchAt(d) < q {
			lo = d
		} else {
			hi = d
		}
	}
	return hi
}

// solve finds the steady state, then the header and the meter follow it.
func (p *loopPlant) solve(dt float64) {
	fits := func(h float64) bool {
		q := float64(p.zone(units.KPa(h)))
		x := (q / p.normal) * (q / p.normal)
		return p.static-(p.upstream+p.regulator)*x-p.diffAt(q) >= h
	}
	h := p.setpoint
	if !fits(h) {
		lo, hi := 0.0, h
		for range 40 {
			if m := (lo + hi) / 2; fits(m) {
				lo = m
			} else {
				hi = m
			}
		}
		h = lo
	}
	p.head, p.main = h, float64(p.zone(units.KPa(h)))
	p.diff = p.diffAt(p.main)
	p.branch = p.branchAt(p.diff)
	p.running = p.diff > 20 || p.running && p.diff > p.offBelow
	p.headSeen += (1 - math.Exp(-dt/3)) * (p.head - p.headSeen)
	p.mainSeen += (1 - math.Exp(-dt/1)) * (p.main - p.mainSeen)
}

// crew is the plant, its instruments, the estimator and a hand.
type crew struct {
	plant *loopPlant
	e     *Estimator
	o     *Estimates
	now   time.Duration
	every time.Duration
	noise func() float64 // standard normal, or 0
	deaf  map[box.Channel]bool
	watch func(*crew)
}

func newCrew(t testing.TB, p *loopPlant, lim LoopLimits) *crew {
	z := zone(t)
	p.zone, p.normal = z.ExpectedFlow, float64(z.ExpectedFlow(68.95))
	if p.setpoint == 0 {
		p.setpoint = 68.95
	}
	if lim.StartsAt == 0 {
		lim.StartsAt = 34
	}
	lim.High = 83
	p.open, p.headSeen = 1, p.setpoint
	c := &crew{plant: p, every: 100 * time.Millisecond, noise: func() float64 { return 0 }, deaf: map[box.Channel]bool{}}
	c.e = New(Config{Zone: z, Target: 68.95, Low: 55, FlowError: 0.015, GeometryError: 0.005, Loop: lim})
	return c
}

// plain is a plant with room enough.
func plain() *loopPlant {
	return &loopPlant{static: 290, upstream: 44, loop: 4.5, regulator: 20, trim: equalPercentage(30), branch34: 50, power: 0.5, offBelow: 8}
}

func (c *crew) supplyGauge() float64 {
	p := c.plant
	return p.static - 0.7*p.upstream*(p.main/p.normal)*(p.main/p.normal)
}

// fill starts with the shutoff closed for ten seconds, then lets lines that are
// already full come to pressure.
func (c *crew) fill() *crew {
	c.o = c.e.Step(c.now, &box.Readings{})
	var r box.Readings
	for range 10 {
		c.now += time.Second
		r.Supply, r.Main, r.Header = good(units.KPa(c.plant.static)), good(units.LPerH(0)), good(units.KPa(0))
		r.InjectorIn, r.InjectorOut, r.Branch = good(units.KPa(0)), good(units.KPa(0)), good(units.LPerH(0))
		c.o = c.e.Step(c.now, &r)
	}
	c.wait(40 * time.Second)
	return c
}

func (c *crew) tick() {
	p := c.plant
	c.now += c.every
	p.solve(c.every.Seconds())
	beat := 0.0
	if p.period > 0 && p.branch > 0 {
		beat = p.pulse * math.Sin(2*math.Pi*c.now.Seconds()/p.period)
	}
	q := p.main / p.normal
	in := p.static - p.upstream*q*q
	out := in - p.diff*(1+beat)
	r := box.Readings{
		Supply: good(units.KPa(c.supplyGauge() + 0.4*c.noise())), Header: good(units.KPa(p.headSeen + 0.2*c.noise())),
		InjectorIn: good(units.KPa(in + 0.25*c.noise())), InjectorOut: good(units.KPa(out + 0.25*c.noise())),
		Main: good(units.LPerH(p.mainSeen * (1 + 0.004*c.noise()))), Branch: good(units.LPerH(p.branch * (1 + beat + 0.004*c.noise()))),
	}
	if c.deaf[box.InjectorFlow] {
		r.Branch = bad[units.LPerH]()
	}
	if c.deaf[box.InjectorInPressure] {
		r.InjectorIn = bad[units.KPa]()
	}
	if c.deaf[box.MainFlow] {
		r.Main = bad[units.LPerH]()
	}
	c.o = c.e.Step(c.now, &r)
	if c.watch != nil {
		c.watch(c)
	}
}

func (c *crew) wait(d time.Duration) {
	for end := c.now + d; c.now < end; {
		c.tick()
	}
}

// turn closes the valve by a part of its travel, about a tenth of it a second.
func (c *crew) turn(by float64) {
	steps := max(1, int(math.Ceil(math.Abs(by)/0.1*float64(time.Second/c.every))))
	for range steps {
		c.plant.open = min(max(c.plant.open-by/float64(steps), 0), 1)
		c.tick()
	}
}

// obey does as told until "enough" and tells in how many movements; first is
// the part of the travel somebody turns who was told nothing of how far.
func (c *crew) obey(first float64, most int, sloppy func() float64) (moves int, ok bool) {
	last := 1 - c.plant.open // how it came to stand there
	for looks := 0; moves <= most && looks < 2*most+6; looks++ {
		c.wait(6 * time.Second)
		for range 8 {
			if c.o.Loop.Moving {
				c.wait(time.Second)
			}
		}
		if c.o.Loop.Enough {
			return moves, true
		}
		by := first
		if f := c.o.Loop.Far(); f != FarUnknown && last != 0 {
			by = math.Abs(last) * float64(f.Part())
		}
		by = max(by*sloppy(), finest)
		switch c.o.Loop.Way {
		case ShutMore:
			last = by
		case OpenMore:
			last = -by
		default:
			continue
		}
		c.turn(last)
		moves++
	}
	return moves, false
}

// finest is the least a hand can turn, as a part of the travel.
const finest = 0.02

func exact() float64 { return 1 }

// Every plant is set in the end, whatever the trim and the strokes; how
// many it takes as a rule is TestFewMovements.
func TestFollowingTheAdviceReachesEnough(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		p := plain()
		trims := []trim{equalPercentage(20), equalPercentage(50), linear(0.05), linear(0.1)}
		p.trim = trims[rapid.IntRange(0, len(trims)-1).Draw(r, "trim")]
		p.loop = rapid.Float64Range(4, 8).Draw(r, "open loss")
		p.branch34 = rapid.Float64Range(20, 80).Draw(r, "branch flow")
		p.power = rapid.Float64Range(0.45, 0.65).Draw(r, "power")
		p.static = rapid.Float64Range(215, 400).Draw(r, "supply")
		lim := LoopLimits{Rated: units.LPerH(p.branch34 * rapid.Float64Range(1.18, 2).Draw(r, "rated"))}
		if rapid.Bool().Draw(r, "planned") {
			lim.Needed = units.LPerH(rapid.Float64Range(p.branch34*1.05, min(1.35*p.branch34, float64(lim.Rated)*0.97)).Draw(r, "needed"))
		}
		c := newCrew(t, p, lim)
		if rapid.Bool().Draw(r, "slow") {
			c.every = time.Second
		}
		c.noise = rand.New(rand.NewPCG(rapid.Uint64().Draw(r, "seed"), 1)).NormFloat64
		if rapid.Bool().Draw(r, "pulsing") {
			// Sampled less than four times a stroke, strokes pass for a slow drift.
			p.pulse, p.period = 0.06, rapid.Float64Range(max(1.5, 4*c.every.Seconds()), 6).Draw(r, "period")
		}
		if !reachable(c, lim) {
			r.Skip("out of this plant's reach")
		}
		c.fill()
		start := rapid.Float64Range(0.25, 1).Draw(r, "opening")
		c.turn(1 - start)
		c.watch = truthful(r, lim)
		sloppy := func() float64 { return 1 + 0.08*c.noise() }
		if moves, ok := c.obey(rapid.Float64Range(0.1, 0.2).Draw(r, "first"), 14, sloppy); !ok {
			r.Fatalf("not enough after %d movements: %s", moves, describe(c))
		}
	})
}

// Two plants that TestFollowingTheAdviceReachesEnough drew: a turn much too far
// and back, whose own lag then passed for strokes and hid the next turn; and
// strokes of six seconds, of which half one passed for the level.
func TestEnoughAfterBigTurnsAndSlowStrokes(t *testing.T) {
	big, slow := plain(), plain()
	big.trim, big.loop, big.branch34, big.power, big.static = linear(0.05), 4, 24, 0.6015625, 400
	slow.trim, slow.loop, slow.branch34, slow.power, slow.static = equalPercentage(50), 8, 78.5, 0.45, 215
	slow.pulse, slow.period = 0.06, 6
	for _, x := range []struct {
		plant            *loopPlant
		lim              LoopLimits
		seed             uint64
		opening, firstBy float64
	}{
		{big, LoopLimits{Rated: 28.32, Needed: 25.2}, 0xe7cf, 0.25, 0.2},
		{slow, LoopLimits{Rated: 157, Needed: 97}, 0, 0.356081485748291, 0.12035828130596245},
	} {
		c := newCrew(t, x.plant, x.lim)
		c.noise = rand.New(rand.NewPCG(x.seed, 1)).NormFloat64
		c.fill()
		c.turn(1 - x.opening)
		c.watch = truthful(t, x.lim)
		if moves, ok := c.obey(x.firstBy, 14, func() float64 { return 1 + 0.08*c.noise() }); !ok {
			t.Errorf("not enough after %d movements: %s", moves, describe(c))
		}
	}
}

// Of a hundred plants with noise, nineteen in twenty are set in six movements.
func TestFewMovements(t *testing.T) {
	within, n := 0, 100
	for seed := range uint64(n) {
		rng := rand.New(rand.NewPCG(seed, 2))
		p := plain()
		p.trim = equalPercentage(20 + 30*rng.Float64())
		p.loop, p.branch34, p.power = 4+4*rng.Float64(), 20+60*rng.Float64(), 0.45+0.2*rng.Float64()
		c := newCrew(t, p, LoopLimits{Rated: units.LPerH(p.branch34 * 1.3)})
		c.noise = rng.NormFloat64
		c.fill()
		moves, ok := c.obey(0.1+0.1*rng.Float64(), 6, func() float64 { return 1 + 0.08*rng.NormFloat64() })
		if ok {
			within++
		} else {
			t.Logf("seed %d: %d movements, %s", seed, moves, describe(c))
		}
	}
	if within < n*19/20 {
		t.Errorf("only %d of %d plants set in six movements", within, n)
	}
}

// window is the true one.
func (p *loopPlant) window(lim LoopLimits) (low, high float64) {
	low, high = 34.0, 51.0
	at := func(q units.LPerH) float64 { return 34 * math.Pow(float64(q)/p.branch34, 1/p.power) }
	if lim.Needed > 0 {
		low, high = max(low, at(lim.Needed.Scale(0.9))), max(1.2*34, at(lim.Needed.Scale(1.1)))
	}
	if lim.Rated > 0 {
		high = min(high, at(lim.Rated))
	}
	return low, high
}

// reachable looks for an opening that suits, a hundredth of the travel at a time.
func reachable(c *crew, lim LoopLimits) bool {
	p := *c.plant
	p.running = true
	low, high := p.window(lim)
	suits := 0
	for p.open = 1; p.open >= 0; p.open -= 0.01 {
		p.solve(0)
		if p.head > 57 && p.diff > low+0.1*(high-low) && p.diff < high-0.1*(high-low) {
			suits++
		}
	}
	return suits >= 1 && high > 1.15*low
}

// truthful is a watch that refuses "enough" outside the true window. Half a kPa
// and three per cent are the instruments'.
func truthful(r interface {
	Fatalf(format string, args ...any)
}, lim LoopLimits) func(*crew) {
	bad := time.Duration(0)
	return func(c *crew) {
		p := c.plant
		low, high := p.window(lim)
		off := p.diff < 0.97*low-0.5 || p.diff > 1.03*high+0.5 || p.headSeen < 54.5
		if !c.o.Loop.Enough || !off {
			bad = 0
			return
		}
		if bad += c.every; bad > 1500*time.Millisecond {
			r.Fatalf("enough at %.1f kPa, true window %.1f to %.1f, header %.1f: %s", p.diff, low, high, p.headSeen, describe(c))
		}
	}
}

func describe(c *crew) string {
	l := &c.o.Loop
	return fmt.Sprintf("diff %.1f (true %.1f) in %.1f (%v) to %.1f (%v), aim %.1f, branch %.1f, way %v, far %v, enough %v, cannot %v, last %+.2f of %d, by %v, opening %.3f, header %.1f",
		l.Diff.V, c.plant.diff, l.Low, l.LowBy, l.High, l.HighBy, l.Aim, l.Branch.V, l.Way, l.Far(), l.Enough, l.Cannot, l.Last.Shut, l.Moves, l.By, c.plant.open, c.plant.headSeen)
}

// settled turns the valve to an opening and waits.
func (c *crew) settled(open float64) *Loop {
	c.turn(c.plant.open - open)
	c.wait(15 * time.Second)
	return &c.o.Loop
}

func TestApproachAndOvershoot(t *testing.T) {
	for _, every := range []time.Duration{100 * time.Millisecond, time.Second} {
		c := newCrew(t, plain(), LoopLimits{Rated: 66})
		c.every = every
		c.fill()
		if l := &c.o.Loop; !l.Known || l.Way != ShutMore || l.Far() != FarUnknown || l.Enough || l.By != LoopByFlows {
			t.Fatalf("open: %s", describe(c))
		}
		// From ln R of 4.5 kPa a fifth of the travel of rangeability 30 is 2·0.2·ln 30.
		if l := c.settled(0.8); l.Way != ShutMore || l.Moves != 1 || math.Abs(l.Last.Shut-2*0.2*math.Log(30)) > 0.1 {
			t.Fatalf("a fifth: %s", describe(c))
		}
		if l := c.settled(0.3); l.Way != OpenMore || l.Enough || l.Last.Diff < 20 || l.Last.Branch <= 0 || l.Far() == FarUnknown || l.Far() > TwoThirds {
			t.Fatalf("overshot: %s", describe(c))
		}
		p := c.plant
		for p.diff > 42 {
			c.turn(-0.01)
		}
		c.wait(10 * time.Second)
		if l := &c.o.Loop; !l.Enough || l.Way != Leave || l.Cannot != CannotNot || l.Open != No {
			t.Fatalf("there: %s", describe(c))
		}
		if l := c.settled(1); l.Open != Yes || l.Enough {
			t.Fatalf("opened again: %s", describe(c))
		}
	}
}

// The shown difference follows a turn within half a second at ten samples a
// second, less a tenth for the median that the readings went through before.
func TestDifferenceIsPrompt(t *testing.T) {
	c := newCrew(t, plain(), LoopLimits{})
	c.fill()
	late := 0.0
	c.watch = func(c *crew) { late = max(late, c.plant.diff-float64(c.o.Loop.Diff.V)) }
	before := c.plant.diff
	for range 30 {
		c.turn(0.01) // a tenth of the travel a second
	}
	rate := (c.plant.diff - before) / 3 // kPa/s, the mean; the end is about twice as fast
	if late > 2*rate*0.4 {
		t.Errorf("%.1f kPa behind at about %.1f kPa/s", late, rate)
	}
}

func TestSupplyTooLow(t *testing.T) {
	p := plain()
	p.static = 135 // at 55 kPa, with 0.8 of the losses, 135 − 0.8·(44 + 20) − 55 leaves 29 kPa
	c := newCrew(t, p, LoopLimits{})
	c.fill()
	for range 12 {
		c.turn(0.04)
		c.wait(6 * time.Second)
		if c.o.Loop.Enough {
			t.Fatalf("enough: %s", describe(c))
		}
	}
	c.wait(10 * time.Second)
	if l := &c.o.Loop; l.Cannot != SupplyTooLow || l.Way == ShutMore {
		t.Errorf("%s", describe(c))
	}
	p.static = 290
	c.wait(30 * time.Second)
	if l := &c.o.Loop; l.Cannot != CannotNot {
		t.Errorf("supply is back: %s", describe(c))
	}
}

func TestInjectorTooSmall(t *testing.T) {
	c := newCrew(t, plain(), LoopLimits{Rated: 40, Needed: 60})
	c.fill()
	c.wait(6 * time.Second)
	if c.o.Loop.Cannot != InjectorSmall {
		t.Errorf("planned with more than it bears: %s", describe(c))
	}
	c = newCrew(t, plain(), LoopLimits{Rated: 40}) // its own 34 kPa make 50 L/h
	c.fill()
	for c.plant.diff < 28 {
		c.turn(0.02)
	}
	c.wait(12 * time.Second)
	if l := &c.o.Loop; l.Cannot != InjectorSmall || l.Enough || l.Way != OpenMore {
		t.Errorf("rated flow before the start: %s", describe(c))
	}
}

func TestLoopShutAndInjectorDead(t *testing.T) {
	p := plain()
	p.branch34, p.trim = 200, linear(0.001) // takes all of the block's 144 L/h at 17 kPa
	c := newCrew(t, p, LoopLimits{})
	c.fill()
	p.running = true
	if l := c.settled(0); l.Cannot != LoopShut {
		t.Errorf("%s", describe(c))
	}
	p = plain()
	p.dead = true
	c = newCrew(t, p, LoopLimits{})
	c.fill()
	for p.diff < 44 {
		c.turn(0.01)
	}
	c.wait(12 * time.Second)
	if l := &c.o.Loop; l.Cannot != InjectorDead || l.Enough {
		t.Errorf("%s", describe(c))
	}
}

func TestWithoutSomeMeters(t *testing.T) {
	for ch, by := range map[box.Channel]LoopBasis{box.InjectorFlow: LoopByMain, box.MainFlow: LoopByDiff} {
		c := newCrew(t, plain(), LoopLimits{Rated: 66})
		c.fill()
		c.deaf[ch] = true
		if moves, ok := c.obey(0.15, 6, exact); !ok || c.o.Loop.By != by {
			t.Errorf("%v: after %d: %s", ch, moves, describe(c))
		}
	}
	c := newCrew(t, plain(), LoopLimits{})
	c.fill()
	c.deaf[box.InjectorInPressure] = true
	c.wait(time.Second)
	if l := &c.o.Loop; l.Known || l.Diff.Known || l.Enough || l.Way != WayUnknown {
		t.Errorf("%s", describe(c))
	}
}

// A row shut off changes flow and difference; the valve's place stays.
func TestFlowChangeIsNoTurn(t *testing.T) {
	c := newCrew(t, plain(), LoopLimits{Rated: 66})
	c.fill()
	c.settled(0.5)
	was := c.o.Loop.Moves
	whole := c.plant.zone
	c.plant.zone = func(h units.KPa) units.LPerH { return whole(h).Scale(0.75) }
	c.wait(20 * time.Second)
	if l := &c.o.Loop; l.Moves != was {
		t.Errorf("%s", describe(c))
	}
}
