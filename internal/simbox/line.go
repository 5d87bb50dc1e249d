package simbox

import "math"

// cells is how finely the water on its way is remembered.
const cells = 4096

// line remembers how much stock had gone out of the box with each volume of
// water. The concentration at an emitter is the slope of that curve, V_e back.
type line struct {
	farthest   float64 // L, V_e of the last water to arrive
	dispersion float64
	mixing     float64 // L at the injection point
	conc       float64 // L/L at the box outlet

	bin    float64 // L
	ring   [cells + 2]float64
	points int     // grid points written; the last is at (points-1)·bin
	volume float64 // L passed
	mass   float64 // L of stock passed
}

func newLine(s Spec, normal float64) line {
	l := line{dispersion: float64(s.Dispersion), mixing: normal / 3600 * mixSeconds, points: 1}
	for _, e := range s.Paths {
		l.farthest = max(l.farthest, float64(e.Volume))
	}
	l.bin = l.farthest * (1 + l.dispersion) / cells
	return l
}

// mix stirs the stock into the water at the injection point and is the stock
// that leaves it, L.
func (l *line) mix(water, stock float64) float64 {
	before := l.conc
	l.conc += float64(-math.Expm1(-water/l.mixing) * (stock/water - l.conc))
	return stock - float64(l.mixing*(l.conc-before))
}

// push moves water with stock in it into the lines.
func (l *line) push(water, stock float64) {
	v, m := l.volume, l.mass
	l.volume, l.mass = v+water, m+stock
	if l.bin <= 0 {
		return
	}
	for {
		next := float64(l.points) * l.bin
		if next > l.volume {
			return
		}
		l.ring[l.points%len(l.ring)] = m + float64((next-v)/water*stock)
		l.points++
	}
}

// massAt is the stock that had gone out when volume v had.
func (l *line) massAt(v float64) float64 {
	if v <= 0 {
		return 0
	}
	if v >= l.volume || l.bin <= 0 {
		return l.mass
	}
	k := max(min(int(v/l.bin), l.points-1), l.points-len(l.ring))
	v0, m0 := float64(k)*l.bin, l.ring[k%len(l.ring)]
	v1, m1 := l.volume, l.mass
	if k+1 < l.points {
		v1, m1 = v0+l.bin, l.ring[(k+1)%len(l.ring)]
	}
	if v1 <= v0 {
		return m0
	}
	return m0 + float64((v-v0)/(v1-v0)*(m1-m0))
}

// concAt is the concentration arriving where ve litres lie between, L/L.
func (l *line) concAt(ve float64) float64 {
	if ve <= 0 {
		return l.conc
	}
	half := ve * l.dispersion
	at := l.volume - ve
	return (l.massAt(at+half) - l.massAt(at-half)) / (2 * half)
}
