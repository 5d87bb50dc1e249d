package season

import (
	"math"
	"math/rand/v2"

	"boxd/internal/hydraulics"
	"boxd/internal/units"
)

// Bounds of a drawn zone: emitters for the time a season takes, seconds for
// the way to the last emitter.
const (
	mostEmitters = 300
	longestWay   = 1800.0

	mostEmittersSlice = 120
	longestWaySlice   = 480.0
)

// drawZone draws a planting as its owner would describe it: end- or
// centre-fed, even or uneven rows, short or long.
func drawZone(r *rand.Rand, slice bool) hydraulics.Zone {
	bore := []units.MM{15.9, 15.9, 22.2}[r.IntN(3)]
	z := hydraulics.Zone{
		Name: "field", Water: 20, Inlet: 68.95,
		Lead:     hydraulics.Pipe{Length: units.Metre(2 + 14*r.Float64()), Bore: 28, Roughness: 0.0015},
		Header:   hydraulics.Header{Feed: hydraulics.FeedEnd, BedSpacing: units.Metre(1.1 + 0.7*r.Float64()), FirstTee: 0.6, TapesPerBed: 1, Bore: 28, Roughness: 0.0015},
		Laterals: hydraulics.Laterals{LeadIn: 0.3, EmitterSpacing: []units.Metre{0.2, 0.3, 0.4}[r.IntN(3)], Bore: bore, Roughness: 0.0015},
		Emitters: hydraulics.Emitters{Flow: units.LPerH(0.6 + 0.5*r.Float64()), At: 68.95, Exponent: []float64{0.5, 0.5, 0.54}[r.IntN(3)]},
	}
	z.Header.Beds = 2 + r.IntN(5)
	if z.Header.Beds%2 == 0 && r.IntN(3) == 0 {
		z.Header.Feed = hydraulics.FeedCentre
	}
	length := 12 + 28*r.Float64()
	if z.Header.Beds == 2 {
		length = 30 + 40*r.Float64()
	}
	emitters, way := mostEmitters, longestWay
	if slice {
		length, emitters, way = 0.5*length, mostEmittersSlice, longestWaySlice
	}
	most := float64(emitters/z.Header.Beds) * float64(z.Laterals.EmitterSpacing)
	z.Laterals.Lengths = []units.Metre{units.Metre(min(length, most))}
	if r.IntN(3) == 0 {
		uneven(&z, r)
	}
	quicken(&z, way)
	return z
}

// uneven gives every bed a length of its own.
func uneven(z *hydraulics.Zone, r *rand.Rand) {
	full := z.Laterals.Lengths[0]
	z.Laterals.Lengths = nil
	for range z.Header.Beds {
		z.Laterals.Lengths = append(z.Laterals.Lengths, full*units.Metre(0.6+0.4*r.Float64()))
	}
}

// quicken gives the emitters the flow that brings water to the last one within
// way seconds: N equal emitters are run through in (V/q)·(ln N + 0.58), V the
// volume of one stretch.
func quicken(z *hydraulics.Zone, way float64) {
	n := float64(z.Laterals.Lengths[0] / z.Laterals.EmitterSpacing)
	stretch := float64(z.Laterals.EmitterSpacing.Bore(z.Laterals.Bore))
	least := stretch * 3600 / way * (math.Log(n) + 0.58)
	z.Emitters.Flow = max(z.Emitters.Flow, units.LPerH(least))
}

// drawModel draws zones until one can be fed; the core is given its model.
func drawModel(r *rand.Rand, slice bool) *hydraulics.Model {
	for range 50 {
		if m, err := hydraulics.NewModel(drawZone(r, slice)); err == nil {
			return m
		}
	}
	panic("season: no zone of fifty can be fed")
}
