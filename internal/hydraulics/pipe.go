package hydraulics

import (
	"math"

	"boxd/internal/units"
)

// Constants of the friction laws.
//
// EPANET works with g = 32.2 ft/s², which makes losses 0.08 % smaller than
// standard gravity would. Its value is used here, so that differences against
// its results are errors of ours and not of the constant; 0.08 % of the loss is
// far below what bores are known to. The same goes for its Hazen–Williams
// coefficient (4.727 in feet and ft³/s, about 10.67 in SI).
const (
	gravity        = 32.2 * units.MetrePerFoot // m/s²
	footCubed      = units.MetrePerFoot * units.MetrePerFoot * units.MetrePerFoot
	hazenExponent  = 1.852
	hazenBore      = 4.871
	perCubicMetreS = 3.6e6 // L/h in 1 m³/s
	hazenFrom      = 0.01  // L/h below which Hazen–Williams is a straight line, lest its slope vanish
	laminarEnd     = 2000  // Reynolds number up to which flow is taken as laminar
	turbulentStart = 4000  // Reynolds number from which it is taken as turbulent
)

// conduit is a bore with its friction law, ready for the inner loops: flows in
// L/h, losses in kPa a metre. Losses are at equal height.
type conduit struct {
	laminarTo float64 // L/h
	laminar   float64 // kPa/m per L/h below laminarTo
	square    float64 // kPa/m per (L/h)² and friction factor
	reynolds  float64 // per L/h
	rough     float64 // relative roughness over 3.7
	cubic     [4]float64
	table     *factorTable
	hazen     float64 // kPa/m per (L/h)^1.852; 0: Darcy–Weisbach
	velocity  float64 // kPa of velocity head per (L/h)²
	area      float64 // litres a metre
}

// newConduit prepares a bore. nu is the kinematic viscosity in m²/s.
func newConduit(bore, roughness units.MM, law Formula, nu float64) conduit {
	d := float64(bore) / 1000
	area := float64(bore.Area())
	c := conduit{
		reynolds: 4 / (math.Pi * d * nu) / perCubicMetreS,
		rough:    float64(roughness) / float64(bore) / 3.7,
		area:     area * 1000,
	}
	c.velocity = units.KPaPerMetreWater / (2 * gravity * area * area) / (perCubicMetreS * perCubicMetreS)
	c.square = c.velocity / d
	c.laminarTo = laminarEnd / c.reynolds
	c.laminar = 64 / c.reynolds * c.square
	c.cubic = dunlop(c.rough)
	c.table = newFactorTable(c.rough)
	if k := law.coefficient(); k > 0 {
		c.hazen = units.KPaPerMetreWater * hazenSI() / math.Pow(k, hazenExponent) / math.Pow(d, hazenBore) /
			math.Pow(perCubicMetreS, hazenExponent)
		c.laminarTo = hazenFrom
		c.laminar = c.hazen * math.Pow(hazenFrom, hazenExponent-1)
	}
	return c
}

// hazenSI is EPANET's Hazen–Williams coefficient in metres and m³/s.
func hazenSI() float64 {
	return 4.727 * math.Pow(units.MetrePerFoot, hazenBore) / math.Pow(footCubed, hazenExponent)
}

// dunlop gives the cubic in Re/2000 that joins 64/Re at 2000 to Swamee–Jain at
// 4000 (E. Dunlop 1991; EPANET 2.2 User Manual, chapter 12).
func dunlop(rough float64) [4]float64 {
	low := 5.74 / math.Pow(turbulentStart, 0.9)
	y2 := rough + low
	y3 := -2 * math.Log10(y2)
	fa := 1 / (y3 * y3)
	fb := fa * (2 - 3.6/math.Ln10*low/(y2*y3))
	return [4]float64{
		7*fa - fb,
		0.128 - 17*fa + 2.5*fb,
		-0.128 + 13*fa - 2*fb,
		0.032 - 3*fa + 0.5*fb,
	}
}

// gradient is the loss in kPa a metre at flow q in L/h, and its derivative.
func (c *conduit) gradient(q float64) (loss, slope float64) {
	if q <= c.laminarTo {
		return c.laminar * q, c.laminar
	}
	return c.rougher(q)
}

// rougher is gradient above laminar flow.
func (c *conduit) rougher(q float64) (loss, slope float64) {
	if c.hazen > 0 {
		return c.hazenWilliams(q)
	}
	re := c.reynolds * q
	var f, df float64 // df is q·∂f/∂q
	if re < turbulentStart {
		k, r := &c.cubic, re/laminarEnd
		f = k[0] + r*(k[1]+r*(k[2]+r*k[3]))
		df = r * (k[1] + r*(2*k[2]+r*3*k[3]))
	} else if f, df = c.table.at(re); f == 0 {
		f, df = swameeJain(re, c.rough)
	}
	s := c.square * q
	return f * s * q, s * (2*f + df)
}

// swameeJain is the friction factor of turbulent flow and Re·∂f/∂Re (Swamee and
// Jain, J. Hydraul. Div. ASCE 102, 1976). rough is relative roughness over 3.7.
func swameeJain(re, rough float64) (f, df float64) {
	y1 := 5.74 * math.Exp(-0.9*math.Log(re))
	y2 := rough + y1
	y3 := -2 / math.Ln10 * math.Log(y2)
	f = 1 / (y3 * y3)
	return f, -3.6 / math.Ln10 * f * y1 / (y2 * y3)
}

// The table of friction factors has sixteen steps an octave of Re, from 2^11 on.
const (
	tableBits    = 4
	tableSteps   = 1 << tableBits
	tableOctaves = 8
	tableFrom    = (1023 + 11) << tableBits // exponent and leading mantissa bits of 2^11
	mantissa     = 1<<52 - 1
	exponentOne  = 1023 << 52
)

// factorTable holds Swamee–Jain as cubics through values and slopes, 2e-7 from
// the formula (tested). It saves the logarithms, which otherwise take half the
// time of a solve.
type factorTable [tableOctaves * tableSteps][4]float64

func newFactorTable(rough float64) *factorTable {
	t := new(factorTable)
	for i := range t {
		width := math.Ldexp(1, 11+i/tableSteps-tableBits)
		low := width * float64(tableSteps+i%tableSteps)
		f0, d0 := swameeJain(low, rough)
		f1, d1 := swameeJain(low+width, rough)
		d0, d1 = d0*width/low, d1*width/(low+width)
		t[i] = [4]float64{f0, d0, 3*(f1-f0) - 2*d0 - d1, d0 + d1 - 2*(f1-f0)}
	}
	return t
}

// at gives factor and Re·∂f/∂Re; 0 outside the table. The step comes from the
// leading bits of re, the place in it from the bits that follow.
func (t *factorTable) at(re float64) (f, df float64) {
	bits := math.Float64bits(re)
	i := bits>>(52-tableBits) - tableFrom
	if i >= uint64(len(t)) {
		return 0, 0
	}
	x := math.Float64frombits(bits<<tableBits&mantissa|exponentOne) - 1
	k := &t[i]
	f = k[0] + x*(k[1]+x*(k[2]+x*k[3]))
	return f, (float64(tableSteps+i%tableSteps) + x) * (k[1] + x*(2*k[2]+x*3*k[3]))
}

func (c *conduit) hazenWilliams(q float64) (loss, slope float64) {
	loss = c.hazen * math.Exp(hazenExponent*math.Log(q))
	return loss, hazenExponent * loss / q
}

// coefficient is the law's Hazen–Williams C; 0 for Darcy–Weisbach.
func (f Formula) coefficient() float64 {
	switch f {
	case HazenWilliams140:
		return 140
	case HazenWilliams150:
		return 150
	case DarcyWeisbach:
	}
	return 0
}

// String names the law.
func (f Formula) String() string {
	switch f {
	case DarcyWeisbach:
		return "Darcy–Weisbach"
	case HazenWilliams140:
		return "Hazen–Williams 140"
	case HazenWilliams150:
		return "Hazen–Williams 150"
	}
	return "unknown"
}
