package hydraulics

import (
	"math"

	"boxd/internal/units"
)

// Viscosity is the kinematic viscosity of clean water in m²/s, for 0 to 40 °C:
// 1.004e-6 at 20 °C.
//
// Dynamic viscosity after Kestin, Sokolov and Wakeham (J. Phys. Chem. Ref.
// Data 7, 1978), density after Tanaka et al. (Metrologia 38, 2001). What a
// fertilizer solution of a few grams a litre adds (under 1 %) is left out.
func Viscosity(t units.Celsius) float64 {
	c := float64(t)
	d := 20 - c
	mu := 1.002e-3 * math.Pow(10, d/(c+96)*(1.2364-1.37e-3*d+5.7e-6*d*d))
	rho := 999.97495 * (1 - (c-3.983035)*(c-3.983035)*(c+301.797)/(522528.9*(c+69.34881)))
	return mu / rho
}
