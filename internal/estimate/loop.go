package estimate

import (
	"math"
	"time"

	"boxd/internal/box"
	"boxd/internal/units"
)

// LoopLimits are what the loop valve is set by. A zero limit is not given.
type LoopLimits struct {
	StartsAt units.KPa   // difference that starts the injector
	Rated    units.LPerH // the most the branch may carry
	Needed   units.LPerH // branch flow the dose was planned with
	High     units.KPa   // upper end of the header's window
}

// Loop is how the loop valve stands. There is no gauge on the valve: its place
// is read from the water as ln(Δp/Q²) of the flow through it, which goes evenly
// with the turn of an equal-percentage trim (inherent characteristic of
// IEC 60534-2-4) and steadily with that of any other.
type Loop struct {
	Known  bool // the difference can be read and water runs
	By     LoopBasis
	Diff   Value[units.KPa] // across the injector: responsive while it moves, averaged over strokes while not
	Branch Value[units.LPerH]
	Moving bool

	Low, High     units.KPa // the difference belongs between
	LowBy, HighBy Bound     // what sets each end
	Aim           units.KPa
	Limits        LoopLimits
	HeaderLow     units.KPa        // low end of its window
	Most          Value[units.KPa] // difference at which the header would come to the low end of its window

	Way     Way
	Further float64 // Δp/Q² at the aim, of that now; 0 where there is no movement to go by
	Enough  bool
	Cannot  Cannot
	Open    Tri // as far open as it was in this run before it was throttled

	Last  Movement // the newest one
	Moves int      // in this run
}

// Movement is what one turn of the loop valve did, from rest to rest.
type Movement struct {
	Began, Ended         time.Duration
	Shut                 float64 // change of ln(Δp/Q²); above 0 the valve was shut further
	plain                bool    // far more than strokes can pretend
	Diff, Header         units.KPa
	Branch, Main         units.LPerH
	BranchSeen, MainSeen bool
}

// LoopBasis is what the valve's place is told from.
type LoopBasis uint8

// The bases, worst first.
const (
	LoopUnknown LoopBasis = iota
	LoopByDiff            // the difference alone; right while the main flow stays the same
	LoopByMain            // difference and main flow; the branch counts as part of the valve
	LoopByFlows           // difference, main and branch flow
)

func (b LoopBasis) String() string {
	switch b {
	case LoopByDiff:
		return "difference alone"
	case LoopByMain:
		return "difference and main flow"
	case LoopByFlows:
		return "difference, main and branch flow"
	case LoopUnknown:
	}
	return "unknown"
}

// Times of the valve work: common practice, no source. A hand rests at least
// four seconds when it looks up.
const (
	quickTau    = 300 * time.Millisecond // of the difference while it moves; the median of three adds one sample
	branchTau   = time.Second
	stirTau     = time.Second // strokes must not pass for movements
	still       = 2 * time.Second
	turnMost    = 6 * time.Second
	restFor     = 4 * time.Second
	levelSpan   = 8.0                 // s: a level is the mean of this long, a few strokes
	enoughFor   = 3 * time.Second     // inside, before it is said
	cannotFor   = 5 * time.Second     // before it is said, and before it is taken back
	freshFor    = 2 * time.Second     // an older sample tells nothing of a valve that turns
	leastStir   = 0.6                 // kPa
	stirPart    = 0.03                // of the difference
	stirStroke  = 2.5                 // of the mean size of the strokes: as much is left of them, crest to crest, behind stirTau
	strokeMost  = 0.06                // of the difference: larger swings are turns
	strokeHalf  = 7 * time.Second / 2 // no half of a stroke takes longer
	restLeast   = 2.0                 // s of a level before "enough"; till then strokes show
	strokesShow = 0.012               // of the difference: more than the gauges' noise
	strokeTau   = 3 * time.Second     // of the mean that strokes are measured from
	leastMove   = 1.0                 // kPa: three standard deviations of two gauges' noise, a second apart
	leastMoved  = 0.06                // of ln(Δp/Q²): less is not a movement
	movedNoise  = 4                   // times the mean size of the strokes, likewise
)

// level is the mean since it was restarted, and over levelSpan when that is
// longer ago.
type level struct {
	y, age float64
	have   bool
}

func (l *level) add(x, dt float64) {
	l.age += dt
	if !l.have || l.age <= 0 {
		l.y, l.have = x, true
		return
	}
	l.y += float64(dt / min(l.age, levelSpan) * (x - l.y))
}

// heard is a reading that counts for the valve work.
type heard struct {
	v  float64
	ok bool
}

func hear[T ~float64](r *box.Reading[T]) heard {
	return heard{float64(r.Value), r.Usable() && r.Age <= freshFor}
}

// rest is how the water stood while nobody turned the valve.
type rest struct {
	diff, main, branch, header level
}

// place is the valve's place as Δp/Q²; false where it can't be told.
func place(diff, main, branch heard) (x float64, by LoopBasis, ok bool) {
	if !diff.ok || diff.v < 0.5 {
		return 0, LoopUnknown, false
	}
	switch {
	case !main.ok || main.v <= 0:
		return diff.v, LoopByDiff, true
	case !branch.ok:
		return diff.v / float64(main.v*main.v), LoopByMain, true
	}
	through := max(main.v-branch.v, shutPart*main.v)
	return diff.v / float64(through*through), LoopByFlows, true
}

// shutPart of the main flow is less than two meters can tell from nothing.
const shutPart = 0.05

func (l *level) heard() heard { return heard{l.y, l.have} }

// turning follows the difference and finds the turns of the valve in it.
type turning struct {
	quick, stir, mean, branchQuick lowpass
	ripple                         lowpass // mean size of the difference's strokes, a part of it
	now, from                      rest    // since the last movement; before it
	at                             struct {
		anchor      float64
		began, last time.Duration // of the movement; of its last stir
		stirred     time.Duration // since when it stirs without a rest
		above       bool          // the difference is above its mean
		crossed     time.Duration // when it last came over or under it
		moving      bool
		moved       bool // something moved since from was taken
	}
	last      Movement
	moves     int
	lowest    float64 // place seen, Δp/Q², at rest with the lines at pressure
	anyPlace  bool
	lowPlace  LoopBasis
	regulated float64 // highest header at rest, kPa
	static    float64 // supply with no water running, kPa; 0: not seen

	law law
}

func newTurning() turning {
	return turning{quick: lowpass{tau: quickTau}, stir: lowpass{tau: stirTau}, mean: lowpass{tau: strokeTau}, ripple: lowpass{tau: strokeTau}, branchQuick: lowpass{tau: branchTau}}
}

// begin forgets a run; the supply at rest and the branch's law are the box's.
func (t *turning) begin() {
	n := newTurning()
	n.static, n.law = t.static, t.law
	*t = n
}

// follow takes one turn's readings and tells whether the difference is known.
func (t *turning) follow(now, dt time.Duration, r *box.Readings) bool {
	in, out := hear(&r.InjectorIn), hear(&r.InjectorOut)
	if !in.ok || !out.ok || r.InjectorIn.Quality != box.Good || r.InjectorOut.Quality != box.Good {
		t.quick.reset()
		t.stir.reset()
		t.mean.reset()
		t.now, t.at.moving = rest{}, false
		return false
	}
	d := in.v - out.v
	fresh := !t.stir.have
	t.quick.add(d, dt)
	m := t.stir.add(d, dt)
	t.stroke(now, dt, t.mean.add(d, dt))
	if fresh {
		t.at.anchor, t.at.last = m, now-still
	}
	t.stirs(now, m)
	if !t.at.moving {
		t.settle(dt, d, r)
	}
	return true
}

// stroke measures the strokes as a part of the difference, with which they grow
// and fall. Behind a turn the mean lags to one side; strokes go to both.
func (t *turning) stroke(now, dt time.Duration, mean float64) {
	off := t.quick.y - mean
	if above := off > 0; above != t.at.above {
		t.at.above, t.at.crossed = above, now
	}
	if t.at.moving && (now-t.at.stirred <= turnMost || now-t.at.crossed > strokeHalf) {
		return // a turn's own ramp is no stroke
	}
	t.ripple.add(min(math.Abs(off)/max(math.Abs(mean), 1), strokeMost), dt)
}

// strokes is their mean size now, kPa.
func (t *turning) strokes() float64 { return t.ripple.y * math.Abs(t.mean.y) }

// averaged: the valve rests, and long enough that its level is no part of a
// stroke. Half of a stroke would pass for another difference and another flow.
func (t *turning) averaged() bool {
	least := restLeast
	if t.ripple.y > strokesShow {
		least = (2 * strokeHalf).Seconds()
	}
	return !t.at.moving && t.now.diff.age >= least
}

// stirs looks for the begin and the end of a movement.
func (t *turning) stirs(now time.Duration, m float64) {
	a := &t.at
	if math.Abs(m-a.anchor) > max(leastStir, stirPart*math.Abs(a.anchor), stirStroke*t.strokes()) {
		if !a.moving && now-a.last >= restFor {
			t.close(now)
		}
		if !a.moving {
			a.stirred = now
		}
		a.anchor, a.last, a.moving = m, now, true
		return
	}
	if a.moving && now-a.last >= still {
		// What comes next is measured from here, not from where the turn last stirred.
		a.moving, a.anchor, t.mean.y = false, m, m
		t.now = rest{}
	}
}

// settle averages what is measured while nobody turns the valve.
func (t *turning) settle(step time.Duration, d float64, r *box.Readings) {
	n, dt := &t.now, step.Seconds()
	n.diff.add(d, dt)
	if n.diff.age > levelSpan {
		// The anchor follows what drifts: strokes and pumps are no turns.
		t.at.anchor += float64(dt / levelSpan * (n.diff.y - t.at.anchor))
	}
	n.main.follow(hear(&r.Main), dt)
	n.branch.follow(hear(&r.Branch), dt)
	n.header.follow(hear(&r.Header), dt)
}

// follow adds what is heard; what can't be heard begins anew.
func (l *level) follow(h heard, dt float64) {
	if h.ok {
		l.add(h.v, dt)
	} else {
		*l = level{}
	}
}

// movement is what happened between the two rests, into m. It is one of the valve
// only where the valve's place changed; else the flow did.
func (t *turning) movement(m *Movement) bool {
	a, b := &t.from, &t.now
	if !t.at.moved || t.at.moving || b.diff.age < 1 || !a.diff.have {
		return false
	}
	bothMain, bothBranch := a.main.have && b.main.have, a.branch.have && b.branch.have
	xa, _, okA := place(a.diff.heard(), heard{a.main.y, bothMain}, heard{a.branch.y, bothBranch})
	xb, _, okB := place(b.diff.heard(), heard{b.main.y, bothMain}, heard{b.branch.y, bothBranch})
	// When the injector starts, its branch takes what the valve gives up: the
	// difference can stay though the valve moved.
	same := math.Abs(b.diff.y-a.diff.y) < leastMove && !(bothBranch && math.Abs(b.branch.y-a.branch.y) > shutPart*b.main.y)
	if !okA || !okB || same {
		return false
	}
	shut, least := math.Log(xb/xa), t.leastPlace()
	if math.Abs(shut) < least {
		return false
	}
	m.Began, m.Ended, m.Shut, m.plain = t.at.began, t.at.last, shut, math.Abs(shut) > 2*least
	m.Diff, m.BranchSeen, m.MainSeen = units.KPa(b.diff.y-a.diff.y), bothBranch, bothMain
	m.Branch, m.Main, m.Header = 0, 0, 0
	if bothBranch {
		m.Branch = units.LPerH(b.branch.y - a.branch.y)
	}
	if bothMain {
		m.Main = units.LPerH(b.main.y - a.main.y)
	}
	if a.header.have && b.header.have {
		m.Header = units.KPa(b.header.y - a.header.y)
	}
	return true
}

// leastPlace is the change of place that strokes can't pretend: theirs in the
// difference, and in the branch's flow as it shows in the flow beside it.
func (t *turning) leastPlace() float64 {
	n := &t.now
	share := 0.0
	if n.branch.have && n.main.have && n.main.y > 0 {
		share = min(max(n.branch.y/n.main.y, 0), 1-shutPart)
	}
	return max(leastMoved, movedNoise*t.ripple.y*(1+2*share/(1-share))/2)
}

// close keeps the movement that the next one ends. What was too little to tell
// goes into the next.
func (t *turning) close(now time.Duration) {
	ok := t.movement(&t.last)
	if ok {
		t.moves++
		t.law.learn(t.from, t.now)
	}
	if _, _, told := place(t.from.diff.heard(), heard{}, heard{}); ok || !t.at.moved || !told {
		t.from, t.at.began, t.at.moved = t.now, now, true
	}
}

// newest takes the newest movement into l; its response goes on being measured
// until the next begins.
func (t *turning) newest(l *Loop) {
	if t.movement(&l.Last) {
		l.Moves = t.moves + 1
		return
	}
	l.Last, l.Moves = t.last, t.moves
}

// busy: a hand turns the valve, or what it did can't be told yet.
func (t *turning) busy() bool { return t.at.moving || t.at.moved && t.now.diff.age < 1 }

// diff is the level while the valve rests and the quick value while it moves or
// stands off the level by more than strokes do.
func (t *turning) diff() float64 {
	l := &t.now.diff
	off := math.Abs(t.quick.y - l.y)
	if t.at.moving || l.age < 1 || off > max(1, 0.05*math.Abs(l.y), 3*t.strokes()) {
		return t.quick.y
	}
	return l.y
}

// law is the branch's flow as a power of the difference, Q = k·Δp^n: an orifice
// until two rests far enough apart tell better.
type law struct {
	n float64
}

const (
	orifice  = 0.5
	branchOn = 9.0 // L/h: below the finest meter's cut-off nothing flows (common practice, no source)
)

func (w *law) power() float64 {
	if w.n == 0 {
		return orifice
	}
	return w.n
}

func (w *law) learn(a, b rest) {
	if !a.branch.have || !b.branch.have || a.branch.y < branchOn || b.branch.y < branchOn || a.diff.y <= 0 || b.diff.y <= 0 {
		return
	}
	if span := math.Log(b.diff.y / a.diff.y); math.Abs(span) > 0.25 {
		w.n = min(max(math.Log(b.branch.y/a.branch.y)/span, 0.35), 1)
	}
}

// diffFor is the difference at which the branch would carry want, from where it
// carries q at diff.
func (w *law) diffFor(want, q, diff float64) float64 {
	return diff * math.Pow(want/q, 1/w.power())
}
