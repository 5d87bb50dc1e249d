package season

import "math/rand/v2"

// How many tanks in series stand for the tape between two emitters, least and
// most. A laminar stretch with no mixing but at its outlets lets the last 5 %
// go after 2.24 mean times ((t̄/2t)² of the water is older than t: the parabolic
// profile); tanks in series do so after 2.37 for two of them, 2.10 for three
// and 1.75 for eight. Density currents and the outlets' pull at the wall mix
// better than the bare profile; how much is not known well enough to say one
// number, so it is drawn.
const (
	tanksLeast = 3
	tanksMost  = 8
	leadTanks  = 40
	reachTanks = 8
)

// carry moves solute through the pipes: µS/cm over the clean water, which
// stands for concentration. Tanks in series, implicit upwind: it conserves, and
// a step of any length is stable.
type carry struct {
	tanks int // a stretch of tape
	lead  []float64
	reach [][]float64 // a row's piece of header
	tape  [][]float64 // a row's tanks, stretch after stretch
	out   float64     // µS/cm·L that has left
	given []float64   // µS/cm·L an emitter has given
}

func newCarry(g *pipes, r *rand.Rand) *carry {
	c := &carry{tanks: tanksLeast + r.IntN(tanksMost-tanksLeast+1), lead: make([]float64, leadTanks), given: make([]float64, len(g.q))}
	for i := range g.rows {
		c.reach = append(c.reach, make([]float64, reachTanks))
		c.tape = append(c.tape, make([]float64, g.rows[i].n*c.tanks))
	}
	return c
}

// run lets v litres pass through tanks of size litres each and returns what
// comes out at the end.
func run(tanks []float64, size, v, in float64) float64 {
	keep := size / (size + v)
	for i := range tanks {
		in += keep * (tanks[i] - in)
		tanks[i] = in
	}
	return in
}

// move lets dt seconds pass with the water at the box outlet at conc.
func (c *carry) move(g *pipes, conc, dt float64) {
	if g.total < 1e-6 || dt == 0 {
		return
	}
	h := dt / 3600
	trunk := run(c.lead, g.lead.litres(g.leadLen)/leadTanks, g.total*h, conc)
	at, branch := trunk, 0
	for i := range g.rows {
		w := &g.rows[i]
		if w.branch != branch {
			at, branch = trunk, w.branch
		}
		at = run(c.reach[i], g.header.litres(w.reach)/reachTanks, w.reachQ*h, at)
		c.along(g, i, at, h)
	}
}

func (c *carry) along(g *pipes, i int, at, h float64) {
	w := &g.rows[i]
	length := g.leadIn
	for k := range w.n {
		e := w.first + k
		at = run(c.tape[i][k*c.tanks:(k+1)*c.tanks], g.tape.litres(length)/float64(c.tanks), g.in[e]*h, at)
		length = g.step
		c.given[e] += g.q[e] * h * at
		c.out += g.q[e] * h * at
		if w.hole > 0 && k == w.holeAt {
			c.out += w.holeQ * h * at
		}
	}
}

// end is the water at a row's last emitter.
func (c *carry) end(row int) float64 {
	t := c.tape[row]
	return t[len(t)-1]
}

// held is µS/cm·L still in the pipes.
func (c *carry) held(g *pipes) float64 {
	sum := func(tanks []float64, litres float64) float64 {
		s := 0.0
		for _, t := range tanks {
			s += t
		}
		return s * litres / float64(len(tanks))
	}
	total := sum(c.lead, g.lead.litres(g.leadLen))
	for i := range g.rows {
		w := &g.rows[i]
		total += sum(c.reach[i], g.header.litres(w.reach))
		total += sum(c.tape[i][:c.tanks], g.tape.litres(g.leadIn))
		if w.n > 1 {
			total += sum(c.tape[i][c.tanks:], g.tape.litres(g.step*float64(w.n-1)))
		}
	}
	return total
}
