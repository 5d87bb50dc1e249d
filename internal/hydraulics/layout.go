package hydraulics

import (
	"cmp"
	"math"
	"slices"

	"boxd/internal/units"
)

// layout is a zone drawn out: every lateral, every outlet. It does not change
// once made, so solvers may share it.
type layout struct {
	zone      Zone
	lead      conduit
	header    conduit
	tape      conduit
	regulator conduit // zero where the zone has none
	leadRise  float64 // kPa of height from the box outlet to the header's inlet
	law       law
	entry     float64 // kPa per (L/h)² lost at a lateral's entry
	rows      []row
	branches  []span // of rows, in header order
	// One entry an outlet, from the tee outwards, row after row.
	coef    []float64 // the outlet's flow relative to one clean emitter's
	seg     []float64 // m of tape before the outlet
	emitter []int32   // number of the emitter in the zone; −1: a leak
	paths   []place
}

// row is one lateral.
type row struct {
	outlets  span // in coef, seg and emitter
	emitters span // in paths
	reach    float64
	tee      float64 // m of header from its inlet
	rise     float64 // kPa of height from the box outlet to the tee
	climb    float64 // kPa of height a metre of tape
}

// span is the half-open range from .. to.
type span struct{ from, to int }

// place says where an emitter is.
type place struct {
	lateral, index int
	x              units.Metre
}

// law is the outlets' flow law, L/h at kPa: q = k·p^x, with a straight line
// through zero below a thousandth of the nominal pressure, where a power law's
// slope would run away. An outlet takes nothing in at negative pressure.
type law struct {
	k, x     float64
	knee     float64 // kPa
	kneeFlow float64 // L/h
}

func newLaw(e Emitters) law {
	l := law{x: e.Exponent, knee: float64(e.At) / 1000}
	l.k = float64(e.Flow) / math.Pow(float64(e.At), e.Exponent)
	l.kneeFlow = l.k * math.Pow(l.knee, l.x)
	return l
}

// flow is one emitter's flow at p and its derivative.
func (l *law) flow(p float64) (q, slope float64) {
	switch {
	case p <= 0:
		return 0, 0
	case p < l.knee:
		slope = l.kneeFlow / l.knee
		return slope * p, slope
	case l.x == 0.5:
		q = l.k * math.Sqrt(p)
	case l.x == 0:
		return l.k, 0
	case l.x == 1:
		return l.k * p, l.k
	default:
		q = l.k * math.Exp(l.x*math.Log(p))
	}
	return q, l.x * q / p
}

// newLayout draws the zone out. The zone must be valid.
func newLayout(z Zone) *layout {
	nu := Viscosity(z.Water)
	n := z.laterals()
	l := &layout{
		zone:   z,
		lead:   newConduit(z.Lead.Bore, z.Lead.Roughness, z.Formula, nu),
		header: newConduit(z.Header.Bore, z.Header.Roughness, z.Formula, nu),
		tape:   newConduit(z.Laterals.Bore, z.Laterals.Roughness, z.Formula, nu),
		law:    newLaw(z.Emitters),
		rows:   make([]row, 0, n),
	}
	if r := z.Regulator; r != nil {
		l.regulator = newConduit(r.PipeBore, r.Roughness, z.Formula, nu)
	}
	l.leadRise = height(z.Lead.Length, z.Lead.Slope)
	l.entry = z.Laterals.ConnectorLoss * l.tape.velocity
	for bed := range z.Header.Beds {
		for tape := range z.Header.TapesPerBed {
			l.addRow(bed, tape)
		}
	}
	return l
}

// height is the static pressure that climbing a pipe costs, kPa.
func height(length units.Metre, slope units.Ratio) float64 {
	return float64(length) * float64(slope) * units.KPaPerMetreWater
}

// addRow appends one lateral and its outlets.
func (l *layout) addRow(bed, tape int) {
	z := &l.zone
	per := z.Header.branchBeds()
	if bed%per == 0 && tape == 0 {
		l.branches = append(l.branches, span{len(l.rows), len(l.rows)})
	}
	tee := z.Header.tee(bed%per, tape)
	r := row{
		outlets:  span{len(l.coef), len(l.coef)},
		emitters: span{len(l.paths), len(l.paths)},
		tee:      float64(tee),
		reach:    float64(tee),
		rise:     l.leadRise + height(tee, z.Header.Slope),
		climb:    height(1, z.Laterals.Slope),
	}
	branch := &l.branches[len(l.branches)-1]
	if branch.to > branch.from {
		r.reach -= l.rows[branch.to-1].tee
	}
	l.addOutlets(&r, len(l.rows), bed)
	l.rows = append(l.rows, r)
	branch.to = len(l.rows)
}

// addOutlets appends a lateral's emitters and leaks in the order water meets
// them.
func (l *layout) addOutlets(r *row, lateral, bed int) {
	z := &l.zone
	leaks := slices.DeleteFunc(slices.Clone(z.Leaks), func(k Leak) bool { return k.Lateral != lateral })
	slices.SortStableFunc(leaks, func(a, b Leak) int { return cmp.Compare(a.At, b.At) })
	last := units.Metre(0)
	add := func(x units.Metre, coef float64, emitter int) {
		l.coef = append(l.coef, coef)
		l.seg = append(l.seg, float64(x-last))
		l.emitter = append(l.emitter, int32(emitter))
		last = x
	}
	for i := range z.Laterals.emitters(bed) {
		x := z.Laterals.LeadIn + units.Metre(i)*z.Laterals.EmitterSpacing
		for len(leaks) > 0 && leaks[0].At < x {
			add(leaks[0].At, float64(leaks[0].Flow/z.Emitters.Flow), -1)
			leaks = leaks[1:]
		}
		add(x, z.factor(lateral, i), len(l.paths))
		l.paths = append(l.paths, place{lateral, i, x})
	}
	for _, k := range leaks {
		add(max(k.At, last), float64(k.Flow/z.Emitters.Flow), -1)
	}
	r.outlets.to, r.emitters.to = len(l.coef), len(l.paths)
}

// laterals is how many the zone has.
func (z *Zone) laterals() int { return z.Header.Beds * z.Header.TapesPerBed }

// factor is what an emitter's flow is multiplied by.
func (z *Zone) factor(lateral, i int) float64 {
	if z.Factors == nil {
		return 1
	}
	return z.Factors[lateral][i]
}

// branchBeds is how many beds one branch of the header feeds, the first one the
// odd bed too.
func (h Header) branchBeds() int {
	if h.Feed == FeedCentre {
		return (h.Beds + 1) / 2
	}
	return h.Beds
}

// tee is how far from the header's inlet a tape starts. bed counts along its
// branch.
func (h Header) tee(bed, tape int) units.Metre {
	return h.FirstTee + units.Metre(bed)*h.BedSpacing + units.Metre(tape)*h.TapeGap
}

// length is a bed's lateral length.
func (l Laterals) length(bed int) units.Metre {
	if len(l.Lengths) == 1 {
		return l.Lengths[0]
	}
	return l.Lengths[bed]
}

// emitters is how many emitters one tape of the bed has. The tape is taken to
// end at the last of them.
func (l Laterals) emitters(bed int) int {
	return int(math.Floor(float64((l.length(bed)-l.LeadIn)/l.EmitterSpacing) + 1 + 1e-9))
}
