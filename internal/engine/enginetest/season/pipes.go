package season

import (
	"math"
	"math/rand/v2"

	"boxd/internal/hydraulics"
)

// pipes are the zone's true hydraulics. Flows are L/h, pressures kPa. One pass
// takes pressures from flows outwards and flows from pressures; passes repeated
// every second follow the pressure at the box outlet.
type pipes struct {
	lead, header, tape pipe
	leadLen            float64
	step               float64 // m between emitters
	leadIn             float64
	k, x               float64 // emitter: q = k·p^x
	rows               []row
	factor             []float64 // of each emitter's flow: making and clogging
	q, p, in           []float64 // emitter's flow and pressure, flow into its stretch
	total              float64
	solved             float64 // kPa at the box outlet of the last passes
	moving             bool    // the last pass still changed something
}

// row is one lateral.
type row struct {
	first, n int
	branch   int     // of the header
	reach    float64 // m of header from the tee before
	reachQ   float64
	inflow   float64
	open     float64 // 1; 0 when shut or kinked
	lock     float64 // part of the flow that a pocket of air keeps out
	hole     float64 // L/h per √kPa
	holeAt   int     // emitter it is beside
	holeQ    float64
	spoilt   bool // torn or shut in this run: nothing at the box tells how it is flushed
}

// pipe is a bore's friction.
type pipe struct{ bore, area, nu float64 } // m, m², m²/s

func newPipe(mm float64) pipe {
	d := mm / 1000
	return pipe{d, math.Pi * d * d / 4, 1.0034e-6} // water at 20 °C (from memory)
}

// litres is the volume of a length in m.
func (p pipe) litres(m float64) float64 { return p.area * m * 1000 }

// loss is the friction over a length in m at q L/h, kPa: Darcy–Weisbach, f =
// 64/Re up to 2000, Blasius' 0.316/Re^¼ for smooth pipe from 4000 (FACTS of any
// handbook; H. Blasius 1913), a straight line between.
func (p pipe) loss(q, m float64) float64 {
	v := q / 3.6e6 / p.area
	re := v * p.bore / p.nu
	if re < 1e-6 {
		return 0
	}
	f := 64 / re
	if re > 2000 {
		blasius := 0.316 / math.Sqrt(math.Sqrt(re))
		f = blasius
		if re < 4000 {
			f = 0.032 + (0.316/math.Sqrt(math.Sqrt(4000))-0.032)*(re-2000)/2000
		}
	}
	return f * m / p.bore * v * v / 2 // ρ = 1000 kg/m³ and 1000 Pa a kPa
}

// newPipes draws the zone out. Bores and emitters differ a little from what the
// owner says: bore is a factor, scatter the emitters' coefficient of variation.
func newPipes(z hydraulics.Zone, bore, scatter float64, r *rand.Rand) *pipes {
	g := &pipes{
		lead: newPipe(float64(z.Lead.Bore) * bore), header: newPipe(float64(z.Header.Bore) * bore), tape: newPipe(float64(z.Laterals.Bore) * bore),
		leadLen: float64(z.Lead.Length), step: float64(z.Laterals.EmitterSpacing), leadIn: float64(z.Laterals.LeadIn),
		x: z.Emitters.Exponent, k: float64(z.Emitters.Flow) / math.Pow(float64(z.Emitters.At), z.Emitters.Exponent),
	}
	per := z.Header.Beds
	if z.Header.Feed == hydraulics.FeedCentre {
		per = (per + 1) / 2
	}
	for bed := range z.Header.Beds {
		length := z.Laterals.Lengths[0]
		if len(z.Laterals.Lengths) > 1 {
			length = z.Laterals.Lengths[bed]
		}
		n := int(float64(length-z.Laterals.LeadIn)/g.step + 1 + 1e-9)
		w := row{first: len(g.factor), n: n, branch: bed / per, reach: float64(z.Header.BedSpacing), open: 1}
		if bed%per == 0 {
			w.reach = float64(z.Header.FirstTee)
		}
		g.rows = append(g.rows, w)
		for range n {
			g.factor = append(g.factor, 1+scatter*r.NormFloat64())
		}
	}
	n := len(g.factor)
	g.q, g.p, g.in = make([]float64, n), make([]float64, n), make([]float64, n)
	g.settle(float64(z.Inlet))
	return g
}

// settle repeats passes until nothing moves.
func (g *pipes) settle(box float64) {
	g.solved, g.moving = -1, true
	for range 200 {
		if g.follow(box); !g.moving {
			return
		}
	}
}

// follow takes two passes towards the state at box kPa, none when there.
func (g *pipes) follow(box float64) {
	box = max(box, 0)
	if !g.moving && math.Abs(box-g.solved) < 0.005 {
		return
	}
	g.solved = box
	for range 2 {
		g.pass(box)
	}
}

// disturb makes the next follow look again: something in the rows changed.
func (g *pipes) disturb() { g.moving = true }

func (g *pipes) pass(box float64) {
	g.gather()
	before := g.total
	top := box - g.lead.loss(g.total, g.leadLen)
	p, branch := top, 0
	for i := range g.rows {
		w := &g.rows[i]
		if w.branch != branch {
			p, branch = top, w.branch
		}
		p -= g.header.loss(w.reachQ, w.reach)
		g.along(w, p)
	}
	g.gather()
	g.moving = math.Abs(g.total-before) > 1e-5*(g.total+1)
}

// along takes one row from its tee outwards.
func (g *pipes) along(w *row, p float64) {
	length := g.leadIn
	for i := w.first; i < w.first+w.n; i++ {
		p -= g.tape.loss(g.in[i], length)
		length = g.step
		at := max(p, 0)
		g.p[i] = at
		want := g.k * g.factor[i] * w.open * (1 - w.lock) * g.law(at)
		g.q[i] += 0.6 * (want - g.q[i])
	}
	if w.hole > 0 {
		w.holeQ += 0.6 * (w.hole*math.Sqrt(g.p[w.first+w.holeAt]) - w.holeQ)
	} else {
		w.holeQ = 0
	}
}

func (g *pipes) law(p float64) float64 {
	if g.x == 0.5 {
		return math.Sqrt(p)
	}
	return math.Pow(p, g.x)
}

// gather adds the flows up from the ends inwards.
func (g *pipes) gather() {
	g.total = 0
	after, branch := 0.0, -1
	for i := len(g.rows) - 1; i >= 0; i-- {
		w := &g.rows[i]
		if w.branch != branch {
			after, branch = 0, w.branch
		}
		sum := 0.0
		for k := w.n - 1; k >= 0; k-- {
			sum += g.q[w.first+k]
			if k == w.holeAt {
				sum += w.holeQ
			}
			g.in[w.first+k] = sum
		}
		w.inflow = sum
		after += sum
		w.reachQ = after
		g.total += sum
	}
}

// wants is the flow at another pressure than the last: flows go with p^x.
func (g *pipes) wants(box float64) float64 {
	if g.solved <= 0.1 {
		return g.total
	}
	return g.total * math.Pow(max(box, 0)/g.solved, g.x)
}

// later tells of each row whether water reaches its last emitter later than that of
// another row: by the volume of each stretch over its part of the flow.
func (g *pipes) later(than int) []bool {
	at, branch, passed := make([]float64, len(g.rows)), 0, 0.0
	for i := range g.rows {
		w := &g.rows[i]
		if w.branch != branch {
			branch, passed = w.branch, 0
		}
		passed += g.header.litres(w.reach) / max(w.reachQ, 1e-9)
		at[i] = passed
		length := g.leadIn
		for e := w.first; e < w.first+w.n; e++ {
			at[i] += g.tape.litres(length) / max(g.in[e], 1e-9)
			length = g.step
		}
	}
	late := make([]bool, len(at))
	for i := range at {
		late[i] = at[i] > at[than]
	}
	return late
}

// lost is what leaves by holes.
func (g *pipes) lost() float64 {
	sum := 0.0
	for i := range g.rows {
		sum += g.rows[i].holeQ
	}
	return sum
}

// volume is all the water the zone holds, L.
func (g *pipes) volume() float64 {
	v := g.lead.litres(g.leadLen)
	for i := range g.rows {
		w := &g.rows[i]
		v += g.header.litres(w.reach) + g.tape.litres(g.leadIn+float64(w.n-1)*g.step)
	}
	return v
}
