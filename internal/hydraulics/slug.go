package hydraulics

import (
	"math"
	"slices"
	"sort"

	"boxd/internal/units"
)

// slugKnots bounds a slug's memory. One of a flush volume's length is kept to
// 0.2 % of the flush volume, longer ones more coarsely.
const slugKnots = 1024

// Slug follows injected fertilizer through a zone by the volume that has passed
// the box, not by time: a pause or a change of pressure moves everything alike.
// It holds while emitters keep their shares of the flow. Beside a leak, what is
// to be passed in is the slower count of Model.WholeRows.
//
// Transport is plug flow with full mixing at the outlets. In laminar tape ends
// real fronts come earlier and tails later; Doubt.Tail allows for that.
type Slug struct {
	model  *Model
	passed float64 // L since the slug was made
	front  float64 // passed when the first strength came
	// Knots of ∫strength dV over volume passed; from the first on, straight
	// lines between, level after the last. The last is where strength was last
	// seen.
	at, mass []float64
	step     float64 // L, least distance of knots
}

// NewSlug is a slug not yet begun. Its memory does not grow.
func NewSlug(m *Model) *Slug {
	return &Slug{
		model: m,
		at:    make([]float64, 0, slugKnots),
		mass:  make([]float64, 0, slugKnots),
		step:  float64(m.FlushVolume()) / (slugKnots / 2),
	}
}

// Pass counts dV litres through the box with the given strength: anything
// proportional to concentration, such as EC over its baseline. What is negative
// or no number counts as none.
func (s *Slug) Pass(dV units.Litre, strength float64) {
	if !(dV > 0) || !units.Finite(dV) {
		return
	}
	from := s.passed
	s.passed += float64(dV)
	if !(strength > 0) || math.IsInf(strength, 0) {
		return
	}
	sum := s.total()
	if len(s.at) == 0 {
		s.front = from
		s.add(from, 0)
	} else if from-s.at[len(s.at)-1] > s.step {
		s.add(from, sum) // clean water in between
	}
	sum += strength * float64(dV)
	if n := len(s.at); n > 1 && s.passed-s.at[n-2] < s.step {
		s.at[n-1], s.mass[n-1] = s.passed, sum
		return
	}
	s.add(s.passed, sum)
}

// add appends a knot. When memory is full every second one goes.
func (s *Slug) add(at, mass float64) {
	if len(s.at) == slugKnots {
		s.thin()
	}
	s.at, s.mass = append(s.at, at), append(s.mass, mass)
}

func (s *Slug) thin() {
	last := len(s.at) - 1
	n := 0
	for i := 0; i < last; i += 2 {
		s.at[n], s.mass[n] = s.at[i], s.mass[i]
		n++
	}
	s.at[n], s.mass[n] = s.at[last], s.mass[last]
	s.at, s.mass = s.at[:n+1], s.mass[:n+1]
	s.step *= 2
}

// total is all strength × volume so far.
func (s *Slug) total() float64 {
	if len(s.mass) == 0 {
		return 0
	}
	return s.mass[len(s.mass)-1]
}

// Begun reports whether any strength has passed the box.
func (s *Slug) Begun() bool { return s.total() > 0 }

// Total is strength × volume so far, in the unit of strength times litres.
func (s *Slug) Total() float64 { return s.total() }

// Passed is all volume counted.
func (s *Slug) Passed() units.Litre { return units.Litre(s.passed) }

// Front is the volume passed since the slug began: where V_e is less, it has
// come. It is 0, false before.
func (s *Slug) Front() (units.Litre, bool) {
	return units.Litre(s.passed - s.front), s.Begun()
}

// Tail is the volume passed since strength was last seen: where V_e is less, the
// water is clean again. It is 0, false before the slug.
func (s *Slug) Tail() (units.Litre, bool) {
	if !s.Begun() {
		return 0, false
	}
	return units.Litre(s.passed - s.at[len(s.at)-1]), true
}

// gone is the strength × volume that has reached V_e = v.
func (s *Slug) gone(v units.Litre) float64 {
	x := s.passed - float64(v)
	n := len(s.at)
	if n == 0 || x <= s.at[0] {
		return 0
	}
	if x >= s.at[n-1] {
		return s.mass[n-1]
	}
	return s.between(sort.SearchFloat64s(s.at, x), x)
}

// between interpolates in the stretch that ends at knot i.
func (s *Slug) between(i int, x float64) float64 {
	a, b := s.at[i-1], s.at[i]
	return s.mass[i-1] + (s.mass[i]-s.mass[i-1])*(x-a)/(b-a)
}

// Delivered is the part of its due that an emitter has had: all that was
// injected, times the emitter's share of the flow. It is 0 before the slug.
func (s *Slug) Delivered(e EmitterPath) units.Ratio {
	if !s.Begun() {
		return 0
	}
	return units.Ratio(s.gone(e.Volume) / s.total())
}

// Strength is that of the water at an emitter now.
func (s *Slug) Strength(e EmitterPath) float64 {
	x := s.passed - float64(e.Volume)
	n := len(s.at)
	if n == 0 || x <= s.at[0] || x > s.at[n-1] {
		return 0
	}
	i := sort.SearchFloat64s(s.at, x)
	return (s.mass[i] - s.mass[i-1]) / (s.at[i] - s.at[i-1])
}

// shortBelow is the part of its due below which an emitter counts as short.
// Common practice, no source: a tenth, as for the flow variation of a good
// design.
const shortBelow = 0.9

// Stop is what stopping now would leave.
type Stop struct {
	LastEmitter units.Ratio // of its due, delivered at the emitter reached last
	Undelivered units.Ratio // of all due to the emitters, still in the lines
	Short       units.Ratio // emitters with less than nine tenths of their due
	ShortBy     units.Ratio // what these lack, on average
}

// Stop tells what stopping now would leave. It is all zero before the slug.
// Work is one pass over emitters and knots; nothing is allocated.
func (s *Slug) Stop() Stop { return s.StopIf(1) }

// StopIf is Stop if the way to every emitter took so many times the volume it is
// reckoned to take: what an error of the pipes' bores or of the meter does.
func (s *Slug) StopIf(longer float64) Stop {
	total := s.total()
	if !(total > 0) {
		return Stop{}
	}
	var due, got, lack float64
	short, knot := 0, 0
	paths, byVolume := s.model.paths, s.model.byVolume
	part := 0.0
	for i := len(byVolume) - 1; i >= 0; i-- { // furthest first
		e := &paths[byVolume[i]]
		x := s.passed - float64(longer*float64(e.Volume))
		for knot < len(s.at) && s.at[knot] < x {
			knot++
		}
		switch knot {
		case 0:
			part = 0
		case len(s.at):
			part = 1
		default:
			part = s.between(knot, x) / total
		}
		due += e.Share
		got += e.Share * part
		if part < shortBelow {
			short++
			lack += 1 - part
		}
	}
	out := Stop{Undelivered: units.Ratio(math.Max(0, 1-got/due)), Short: units.Ratio(float64(short) / float64(len(paths)))}
	last := paths[byVolume[len(byVolume)-1]].Volume
	out.LastEmitter = units.Ratio(s.gone(last.Scale(units.Ratio(longer))) / total)
	if short > 0 {
		out.ShortBy = units.Ratio(lack / float64(short))
	}
	return out
}

// Short is the far part of a lateral that has less than nine tenths of its due.
type Short struct {
	From int         // its first emitter, from the tee; the lateral's number of emitters where none is short
	Lack units.Ratio // what this part lacks, on average
}

// Short tells which part of a lateral is short. Along a lateral nobody has had
// more of his due than the one before him, so the part reaches to the end.
func (s *Slug) Short(lateral int) Short {
	if lateral < 0 || lateral >= len(s.model.rows) {
		return Short{}
	}
	r := s.model.rows[lateral]
	out, due, lack := Short{From: r.Emitters}, 0.0, 0.0
	for s.Begun() && out.From > 0 {
		e := &s.model.paths[r.First+out.From-1]
		had := float64(s.Delivered(*e))
		if had >= shortBelow {
			break
		}
		out.From--
		due += e.Share
		lack += e.Share * (1 - had)
	}
	if due > 0 {
		out.Lack = units.Ratio(lack / due)
	}
	return out
}

// Point is an emitter in a picture of a lateral.
type Point struct {
	X         units.Metre // from the tee
	Strength  float64     // of the water there now
	Delivered units.Ratio // of its due
}

// Profile appends a lateral's emitters, from the tee outwards, to points.
func (s *Slug) Profile(lateral int, points []Point) []Point {
	if lateral < 0 || lateral >= len(s.model.rows) {
		return points
	}
	r := s.model.rows[lateral]
	points = slices.Grow(points, r.Emitters)
	for _, e := range s.model.paths[r.First : r.First+r.Emitters] {
		points = append(points, Point{e.X, s.Strength(e), s.Delivered(e)})
	}
	return points
}

// Doubt is what the count-down to clean water doesn't know.
type Doubt struct {
	Flow     units.Ratio // of the flow meter
	Geometry units.Ratio // of the line volume: bores count twice
	// Tail is the part of the last stretch's own V_e to add for what plug flow
	// leaves out. LaminarTail is the upper end.
	Tail units.Ratio
}

// LaminarTail is the Tail for which a laminar stretch, with no mixing but at the
// outlets, is clean to 5 %: of the water that leaves a pipe with a parabolic
// profile, (t̄/2t)² is older than t, so 5 % are after 2.24 mean times, 1.24 more
// than in plug flow.
//
// Most of the way to the last emitter is laminar, and the last stretch is the
// slowest, a tenth or more of the whole. Diffusion across 16 mm of tape takes
// hours and is no help in minutes; density currents and the outlets' pull at the
// wall, where the slow water is, are: a published trial found one advance time
// enough to flush (Horticulturae 8(12):1103, 2022). So this is an upper end, and
// 0 the plug-flow lower one.
const LaminarTail units.Ratio = 1.236

// Left is what has to pass the box until the last emitter has clean water.
type Left struct {
	Plug   units.Litre // in plug flow, with meter and geometry exact
	Spread units.Litre // ± at arrival, of meter and geometry
	Tail   units.Litre // allowance for what plug flow leaves out
	Safe   units.Litre // Plug, Spread and Tail, not under 0
}

// Allowance is what doubt makes of the flush volume: ± of meter and geometry, and what
// plug flow leaves out.
func (m *Model) Allowance(d Doubt) (spread, tail units.Litre) {
	spread = m.FlushVolume().Scale(units.Ratio(math.Hypot(float64(d.Flow), float64(d.Geometry))))
	return spread, m.LastStretch().Scale(d.Tail)
}

// Left counts down to clean water at the last emitter. It is false before the
// slug. While strength still comes the whole flush is left.
func (s *Slug) Left(d Doubt) (Left, bool) {
	tail, ok := s.Tail()
	if !ok {
		return Left{}, false
	}
	l := Left{Plug: s.model.FlushVolume() - tail}
	l.Spread, l.Tail = s.model.Allowance(d)
	l.Safe = max(0, l.Plug+l.Spread+l.Tail)
	l.Plug = max(0, l.Plug)
	return l, true
}
