package hydraulics

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"boxd/internal/units"
)

// Model is a zone solved once, at the pressure its inlet gives: what live
// estimates need. It never changes, so any number of goroutines may use it.
type Model struct {
	layout  *layout
	design  *solver
	summary Summary
	paths   []EmitterPath
	rows    []Row
	curve   curve
	shares  shares
	// byVolume numbers the emitters in the order water reaches them.
	byVolume []int32
	stretch  units.Litre
}

// Summary describes the zone at its design pressure.
type Summary struct {
	TotalFlow          units.LPerH
	BoxOutlet          units.KPa
	HeaderInlet        units.KPa
	FirstEmitter       units.KPa // first emitter of the first lateral
	LastEmitter        units.KPa // last emitter of the last lateral
	MinEmitter         units.KPa
	MaxEmitter         units.KPa
	EmissionUniformity units.Ratio // ASAE EP405 design EU, one emitter a plant
	LowerQuarterDU     units.Ratio
	FlowVariation      units.Ratio
	LeadVolume         units.Litre
	HeaderVolume       units.Litre
	LateralsVolume     units.Litre
	TravelNear         time.Duration // box outlet to the last emitter reached first
	TravelFar          time.Duration // box outlet to the last emitter of all
	FlushVolume        units.Litre   // largest V_e of all emitters
	Emitters           int
}

// EmitterPath is where an emitter is and what it gets. Where the water moves by
// volume, an emitter's share and volume are constants of the zone.
type EmitterPath struct {
	Lateral, Index int
	X              units.Metre // from the tee
	Share          float64     // of the flow through the box
	Volume         units.Litre // V_e: has to pass the box before water from there arrives
}

// NewModel solves the zone at the pressure its inlet gives and over the range
// about it. The error is a Faults when the zone's data are to blame.
func NewModel(z Zone) (*Model, error) {
	n, err := NewNetwork(z)
	if err != nil {
		return nil, err
	}
	sol, err := n.SolveInlet()
	if err != nil {
		return nil, err
	}
	if f := unfed(n, sol); f != nil {
		return nil, f
	}
	m := &Model{layout: n.s.layout, design: n.s}
	m.summary = summarise(n, sol)
	m.rows = append(m.rows, sol.Rows...)
	m.paths = paths(n, sol)
	m.shares = n.s.shares()
	m.byVolume = byVolume(m.paths)
	m.stretch = lastStretch(m.paths, int(m.byVolume[len(m.paths)-1]))
	if m.curve, err = newCurve(n.s, float64(sol.BoxOutlet)); err != nil {
		return nil, err
	}
	return m, nil
}

// unfed tells that friction, on top of height, leaves emitters without water.
func unfed(n *Network, sol *Solution) error {
	if sol.Unfed == 0 && sol.TotalFlow > 0 {
		return nil
	}
	for i, p := range sol.Pressure {
		if lateral, _, x := n.Place(i); p <= 0 {
			return Faults{{
				Field:     "laterals",
				Problem:   fmt.Sprintf("can't all be fed: %d emitters get no water, the first on lateral %d, %.4g m from the header", sol.Unfed, lateral+1, float64(x)),
				Plausible: "larger bores, shorter laterals, less slope or a higher inlet pressure",
			}}
		}
	}
	return errors.New("cannot model the zone: no water flows at its inlet pressure; check the emitters' flow and factors")
}

func summarise(n *Network, sol *Solution) Summary {
	z, l := &n.s.zone, n.s.layout
	m := Summary{
		TotalFlow: sol.TotalFlow, BoxOutlet: sol.BoxOutlet, HeaderInlet: sol.HeaderInlet,
		FirstEmitter: sol.FirstEmitter, LastEmitter: sol.LastEmitter, MinEmitter: sol.MinEmitter, MaxEmitter: sol.MaxEmitter,
		LowerQuarterDU: LowerQuarterDU(sol.Flow), FlowVariation: FlowVariation(sol.Flow),
		FlushVolume: sol.FlushVolume, Emitters: n.Emitters(),
	}
	least := sol.Flow[0]
	for _, q := range sol.Flow {
		least = min(least, q)
	}
	m.EmissionUniformity = EmissionUniformity(z.Emitters.CV, 1, least, sol.MeanFlow())
	m.LeadVolume = z.Lead.Length.Bore(z.Lead.Bore)
	for i := range l.rows {
		m.HeaderVolume += units.Metre(l.rows[i].reach).Bore(z.Header.Bore)
	}
	for _, d := range l.seg {
		m.LateralsVolume += units.Metre(d).Bore(z.Laterals.Bore)
	}
	m.TravelNear, _ = sol.Travel(sol.NearVolume)
	m.TravelFar, _ = sol.Travel(sol.FarVolume)
	return m
}

func paths(n *Network, sol *Solution) []EmitterPath {
	out := make([]EmitterPath, n.Emitters())
	for i := range out {
		lateral, index, x := n.Place(i)
		out[i] = EmitterPath{lateral, index, x, float64(sol.Flow[i].Of(sol.TotalFlow)), sol.Volume[i]}
	}
	return out
}

func byVolume(paths []EmitterPath) []int32 {
	out := make([]int32, len(paths))
	for i := range out {
		out[i] = int32(i)
	}
	slices.SortStableFunc(out, func(a, b int32) int { return cmp.Compare(paths[a].Volume, paths[b].Volume) })
	return out
}

// lastStretch is V_e of emitter i less that of the one before it in its lateral.
func lastStretch(paths []EmitterPath, i int) units.Litre {
	if i == 0 || paths[i-1].Lateral != paths[i].Lateral {
		return paths[i].Volume
	}
	return paths[i].Volume - paths[i-1].Volume
}

// LastStretch is the V_e that the last stretch of tape before the emitter
// reached last makes, the slowest of its path.
func (m *Model) LastStretch() units.Litre { return m.stretch }

// Zone is the zone as given.
func (m *Model) Zone() Zone { return m.layout.zone }

// Summary describes the zone at its design pressure.
func (m *Model) Summary() Summary { return m.summary }

// LineVolume is the water in lead, header and laterals.
func (m *Model) LineVolume() units.Litre {
	return m.summary.LeadVolume + m.summary.HeaderVolume + m.summary.LateralsVolume
}

// FlushVolume is the largest V_e of all emitters.
func (m *Model) FlushVolume() units.Litre { return m.summary.FlushVolume }

// Emitters lists all emitters, lateral after lateral from the tee outwards. The
// list is the model's own: not to be changed.
func (m *Model) Emitters() []EmitterPath { return m.paths }

// Rows lists the laterals at the design pressure. The list is the model's own:
// not to be changed.
func (m *Model) Rows() []Row { return m.rows }

// ExpectedFlow is what the zone takes at a measured pressure: 0 at none, rising
// with it, by interpolation between solves up to twice the design pressure and
// in a straight line over the root of pressure beyond. It allocates nothing.
func (m *Model) ExpectedFlow(boxOutlet units.KPa) units.LPerH {
	return units.LPerH(m.curve.at(float64(boxOutlet)))
}

// curvePoints sets the error of the interpolated flow: under 0.01 % from a
// tenth of the design pressure up (tested).
const curvePoints = 65

// curve is flow against pressure: a monotone cubic through solved points
// (Fritsch and Carlson, SIAM J. Numer. Anal. 17, 1980), over the root of
// pressure, in which the flow of drip emitters is nearly a straight line.
type curve struct {
	top         float64 // kPa
	flow, slope [curvePoints]float64
}

// newCurve solves the layout from rest to twice the pressure box, at which o is
// solved.
func newCurve(o *solver, box float64) (curve, error) {
	c := curve{top: 2 * box}
	s := newSolver(o.layout)
	s.startFrom(o)
	for i := curvePoints - 1; i > 0; i-- {
		u := float64(i) / (curvePoints - 1)
		if err := s.solve(c.top*u*u, burst{}); err != nil {
			return curve{}, err
		}
		c.flow[i] = s.total
		if i < curvePoints-1 { // a solve is good to its tolerance only
			c.flow[i] = math.Min(c.flow[i], c.flow[i+1])
		}
	}
	c.setSlopes()
	return c, nil
}

// setSlopes takes the harmonic mean of neighbouring chords, which never
// overshoots.
func (c *curve) setSlopes() {
	const last = curvePoints - 1
	for i := 1; i < last; i++ {
		a, b := c.flow[i]-c.flow[i-1], c.flow[i+1]-c.flow[i]
		if a > 0 && b > 0 {
			c.slope[i] = 2 * a * b / (a + b)
		}
	}
	c.slope[0] = c.flow[1] - c.flow[0]
	c.slope[last] = c.flow[last] - c.flow[last-1]
}

// at gives the flow in L/h at p kPa; 0 where p is no pressure at all.
func (c *curve) at(p float64) float64 {
	if !(p > 0) {
		return 0
	}
	const last = curvePoints - 1
	u := math.Sqrt(p/c.top) * last
	if u >= last {
		return c.flow[last] + (u-last)*c.slope[last]
	}
	i := int(u)
	t := u - float64(i)
	y0, y1, d0, d1 := c.flow[i], c.flow[i+1], c.slope[i], c.slope[i+1]
	e := y1 - y0
	return y0 + t*(d0+t*(3*e-2*d0-d1+t*(d0+d1-2*e)))
}
