package estimate

import (
	"math"
	"time"

	"boxd/internal/box"
	"boxd/internal/units"
)

// Bound is what sets an end of the difference's window.
type Bound uint8

// The bounds.
const (
	BoundUnknown Bound = iota
	ByStart            // the injector starts there
	ByUsual            // half as much again as starts it: more only costs pressure
	ByDose             // the dose was planned with a branch flow
	ByRated            // the injector bears no more flow
	ByHeader           // the header falls out of its window
)

func (b Bound) String() string {
	return [...]string{"unknown", "start", "usual", "dose", "rated flow", "header"}[b]
}

// Way is which way the loop valve is to go.
type Way uint8

// The ways.
const (
	WayUnknown Way = iota
	Leave
	ShutMore
	OpenMore
)

func (w Way) String() string {
	return [...]string{"unknown", "leave", "shut more", "open a little"}[w]
}

// Far is how far, against the last movement: nobody knows the valve's turns.
type Far uint8

// The steps of Far.
const (
	FarUnknown Far = iota
	Quarter
	Third
	Half
	TwoThirds
	Same
	HalfAsMuchAgain
	Twice
	Thrice
	numFar
)

func (f Far) String() string {
	return [numFar]string{"unknown", "quarter", "third", "half", "two thirds", "same", "one and a half", "twice", "three times"}[f]
}

// Part is the fraction of the last movement; 0 is unknown.
func (f Far) Part() units.Ratio {
	return [numFar]units.Ratio{0, 0.25, 1. / 3, 0.5, 2. / 3, 1, 1.5, 2, 3}[f]
}

// farOf is the largest step that goes no more than a seventh too far: a turn too
// little is made up for, one too far throws the injector about.
func farOf(part float64) Far {
	f := Quarter
	for g := Third; g < numFar; g++ {
		if float64(g.Part()) <= 1.15*part {
			f = g
		}
	}
	return f
}

// Cannot is why the window can't be reached. The zero value is: nothing seen
// against it.
type Cannot uint8

// The reasons.
const (
	CannotNot     Cannot = iota
	SupplyTooLow         // the header falls out of its window first
	InjectorSmall        // its rated flow comes first
	LoopShut             // the loop valve is shut: all water goes through the branch and makes no more difference
	InjectorDead         // the difference is there and the branch does not flow
)

func (c Cannot) String() string {
	return [...]string{"", "supply too low", "injector too small", "loop valve is shut", "injector does not take water"}[c]
}

const (
	usualTop  = 1.5  // of the starting difference; common practice, no source
	doseBand  = 0.10 // of the planned branch flow, either way; a ratio off by more is an alarm
	innerPart = 0.10 // of the window's width is kept at either end before "enough" is said
	openTimes = 1.42 // the lowest Δp/Q², within which the valve is as open as it was: a sixth of a difference
)

// judgeHold are the timers of what is said about the loop valve.
type judgeHold struct {
	inside, for_, against holder
	doubt                 Cannot
}

// looping judges the loop valve.
func (e *Estimator) looping(dt time.Duration, r *box.Readings) {
	o, t := &e.out, &e.turn
	l := &o.Loop
	known := t.follow(e.now, dt, r)
	if o.Flowing == No && o.Supply.Known {
		t.static = float64(o.Supply.V)
	}
	if !known || o.Flowing == No {
		*l = Loop{Moves: t.moves, Last: t.last}
		e.judge = judgeHold{}
		t.at.moved = false // what comes with the water is no turn of the valve
		return
	}
	l.Known, l.Moving, l.Limits, l.HeaderLow = true, t.busy(), e.cfg.Loop, e.cfg.Low
	l.Diff.set(units.KPa(t.diff()), o.InjectorDiff.Basis)
	e.loopBranch(dt, r)
	main := heard{float64(o.Main.V), o.Main.Known && o.Main.V > 0}
	if !t.at.moving && t.now.main.have {
		main.v = t.now.main.y
	}
	branch := heard{float64(l.Branch.V), l.Branch.Known}
	x, by, ok := place(heard{float64(l.Diff.V), true}, main, branch)
	l.By = by
	t.newest(l)
	e.remember(x, by, ok)
	l.Open = t.opened(x, by, ok)
	e.mostDiff(main)
	e.loopWindow(branch)
	e.loopCannot(main, branch)
	e.loopWay(branch)
	l.Further = e.further(x, ok, main, branch)
}

// loopBranch is the branch flow: quick while the valve moves, averaged over
// strokes while it does not.
func (e *Estimator) loopBranch(dt time.Duration, r *box.Readings) {
	t, h, l := &e.turn, hear(&r.Branch), &e.out.Loop
	if !h.ok {
		t.branchQuick.reset()
		l.Branch = Value[units.LPerH]{}
		return
	}
	v := t.branchQuick.add(h.v, dt)
	if n := &t.now.branch; !t.at.moving && n.have && n.age > 2 {
		v = n.y
	}
	l.Branch.set(units.LPerH(v), basisOf(&r.Branch))
}

// remember keeps the ends of what was seen at rest with the lines at pressure.
func (e *Estimator) remember(x float64, by LoopBasis, ok bool) {
	o, t := &e.out, &e.turn
	if o.Pressurised != Yes || t.at.moving || t.now.diff.age < 2 || !o.Header.Known {
		return
	}
	t.regulated = max(t.regulated, float64(o.Header.V))
	if !ok {
		return
	}
	if !t.anyPlace || by != t.lowPlace {
		t.anyPlace, t.lowPlace, t.lowest = true, by, x
	}
	t.lowest = min(t.lowest, x)
}

// opened compares with the most open place seen in this run.
func (t *turning) opened(x float64, by LoopBasis, ok bool) Tri {
	if !ok || !t.anyPlace || by != t.lowPlace {
		return Unknown
	}
	return tri(x < t.lowest*openTimes)
}

// mostDiff is the difference that leaves the header at the low end of its
// window. The supply's loss up to the injector goes with Q²; where the header
// already sags, the regulator stands wide open and its loss is measured; where
// it does not, none is counted, so that the result is a bound no valve can beat.
func (e *Estimator) mostDiff(main heard) {
	o, t, c := &e.out, &e.turn, &e.cfg
	o.Loop.Most = Value[units.KPa]{}
	if !main.ok || !o.InjectorIn.Known || !o.Header.Known || !o.Expected.Known || o.Expected.V <= 0 || c.Low <= 0 {
		return
	}
	static := t.static
	if static <= 0 && o.Supply.Known {
		static = float64(o.Supply.V)
	}
	loss := static - float64(o.InjectorIn.V)
	if static <= 0 || loss < 0 {
		return
	}
	q2 := float64(e.least / o.Expected.V)
	q2 = float64(q2 * q2) // (flow at the low end ÷ flow now)²
	most := static - float64(loss*q2) - float64(c.Low)
	if e.sagging() {
		drop := max(float64(o.InjectorOut.V-o.Header.V), 0)
		most -= float64(drop * q2)
	}
	o.Loop.Most.set(units.KPa(most), o.InjectorIn.Basis.with(o.Header.Basis))
}

// wideOpen is more than a regulator loses that stands wide open: one that loses
// more still throttles, and a low header is its own doing. Common practice, no source.
const wideOpen = 60.0 // kPa

// sagging: the regulator stands wide open and can't hold the header any more.
func (e *Estimator) sagging() bool {
	o, t := &e.out, &e.turn
	low := o.Header.Known && o.InjectorOut.Known && t.regulated > 0 && float64(o.Header.V) < 0.96*t.regulated-1
	return low && float64(o.InjectorOut.V-o.Header.V) < wideOpen
}

// loopWindow is between which differences the injector does what it should. Where
// an upper bound lies below the lower end, nothing is left between.
func (e *Estimator) loopWindow(branch heard) {
	l, lim := &e.out.Loop, &e.cfg.Loop
	start := float64(lim.StartsAt)
	l.Low, l.LowBy = lim.StartsAt, ByStart
	l.High, l.HighBy = units.KPa(usualTop*start), ByUsual
	aim := 0.0
	if branch.ok && branch.v >= branchOn && l.Diff.V > 0 {
		at := func(q units.LPerH) float64 { return e.turn.law.diffFor(float64(q), branch.v, float64(l.Diff.V)) }
		if lim.Needed > 0 {
			aim = at(lim.Needed)
			if low := units.KPa(at(lim.Needed.Scale(1 - doseBand))); low > l.Low {
				l.Low, l.LowBy = low, ByDose
			}
			if high := units.KPa(at(lim.Needed.Scale(1 + doseBand))); float64(high) > 1.1*start {
				l.High, l.HighBy = high, ByDose
			} else {
				l.High, l.HighBy = units.KPa(1.2*start), ByStart // the dose is stronger than planned, but the injector runs
			}
		}
		if lim.Rated > 0 {
			if high := units.KPa(at(lim.Rated)); high < l.High {
				l.High, l.HighBy = max(high, l.Low), ByRated
			}
		}
	}
	if l.Most.Known && l.Most.V < l.High {
		l.High, l.HighBy = max(l.Most.V, l.Low), ByHeader
	}
	if in, out := l.inner(); aim > 0 {
		l.Aim = units.KPa(min(max(aim, in), out))
	} else {
		l.Aim = units.KPa((in + out) / 2)
	}
}

// inner is the window with its margins off.
func (l *Loop) inner() (low, high float64) {
	m := innerPart * float64(l.High-l.Low)
	return float64(l.Low) + m, float64(l.High) - m
}

// loopCannot says so after it has stood a while, and takes it back as slowly.
func (e *Estimator) loopCannot(main, branch heard) {
	l, j := &e.out.Loop, &e.judge
	c := CannotNot
	if !e.turn.at.moving {
		c = e.doubt(main, branch)
	}
	if c != j.doubt && c != CannotNot {
		j.for_.on = false
		j.doubt = c
	}
	if j.for_.stood(e.now, c != CannotNot, cannotFor) {
		l.Cannot = c
	}
	if j.against.stood(e.now, c == CannotNot && !e.turn.at.moving, cannotFor) {
		l.Cannot = CannotNot
	}
}

// doubt is what stands against reaching the window now.
func (e *Estimator) doubt(main, branch heard) Cannot {
	o, l, lim := &e.out, &e.out.Loop, &e.cfg.Loop
	if o.Pressurised != Yes {
		return CannotNot
	}
	flows := branch.ok && branch.v >= branchOn
	low := o.Header.Known && e.cfg.Low > 0 && o.Header.V < e.cfg.Low
	switch {
	case lim.Rated > 0 && lim.Needed > lim.Rated:
		return InjectorSmall
	case flows && lim.Rated > 0 && branch.v > 0.97*float64(lim.Rated) && l.Diff.V < l.Low:
		return InjectorSmall
	case l.Most.Known && l.Most.V < l.Low && (e.sagging() || e.turn.static > 0 && l.LowBy == ByStart):
		return SupplyTooLow
	case low && l.Diff.V < l.Low && e.sagging():
		return SupplyTooLow
	case flows && main.ok && branch.v > (1-shutPart)*main.v && l.Diff.V < l.Low:
		return LoopShut
	case branch.ok && branch.v < branchOn && float64(l.Diff.V) > 1.2*float64(lim.StartsAt):
		return InjectorDead
	}
	return CannotNot
}

// loopWay is which way to go, and whether it is enough.
func (e *Estimator) loopWay(branch heard) {
	o, l, j := &e.out, &e.out.Loop, &e.judge
	d := float64(l.Diff.V)
	in, out := l.inner()
	tooMuch := branch.ok && e.cfg.Loop.Rated > 0 && branch.v > float64(e.cfg.Loop.Rated)
	headerLow := o.Header.Known && o.Header.V < e.cfg.Low
	headerOff := headerLow || o.Header.Known && e.cfg.Loop.High > 0 && o.Header.V > e.cfg.Loop.High
	within := l.Diff.V >= l.Low && l.Diff.V <= l.High && !tooMuch && !headerOff
	inner := within && (j.inside.on || d >= in && d <= out) // once inside, as far as the window's own ends
	l.Enough = j.inside.stood(e.now, inner, enoughFor) && (l.Enough || e.turn.averaged())
	if l.Cannot == InjectorDead {
		l.Enough = false
	}
	switch {
	case tooMuch, headerLow:
		l.Way = OpenMore
	case l.Cannot != CannotNot && l.Diff.V <= l.High:
		l.Way = Leave
	case inner:
		l.Way = Leave
	case l.Diff.V < l.Aim:
		l.Way = ShutMore
	default:
		l.Way = OpenMore
	}
}

// further is the place to come to against that of now.
func (e *Estimator) further(x float64, ok bool, main, branch heard) float64 {
	l := &e.out.Loop
	aim := float64(l.Aim)
	if !ok || l.Moves == 0 || l.Way == Leave || l.Moving || aim <= 0 {
		return 0
	}
	if branch.ok && branch.v >= branchOn {
		branch.v *= math.Pow(aim/float64(l.Diff.V), e.turn.law.power())
	}
	to, _, _ := place(heard{aim, true}, main, branch)
	return to / x
}

// Far is what is left to the aim against the last movement, both in the valve's
// place; FarUnknown until a movement was seen.
func (l *Loop) Far() Far {
	if l.Further <= 0 || l.Last.Shut == 0 {
		return FarUnknown
	}
	left := math.Log(l.Further)
	if (left > 0) != (l.Way == ShutMore) {
		return Quarter
	}
	f := farOf(partOf(left, l.Last.Shut))
	if l.Way == ShutMore {
		f = min(f, Twice) // a valve bites harder near its seat
	}
	if !l.Last.plain {
		f = min(f, Same)
	}
	return f
}

// partOf is what is left against the last movement, both of u = ln(Δp/Q²). An
// equal-percentage trim goes evenly in u, a linear one in the flow coefficient,
// e^(−u/2), of which what is now divides out. Nobody said which it is, so it is the
// geometric mean of both answers.
func partOf(left, last float64) float64 {
	return math.Sqrt(math.Abs(left / last * math.Expm1(-left/2) / math.Expm1(last/2)))
}
