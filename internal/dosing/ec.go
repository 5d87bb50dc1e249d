package dosing

import (
	"fmt"
	"math"

	"boxd/internal/units"
)

// Linear temperature coefficients of EC.
const (
	// AlphaFeed is for fertilized water; between the 1.8 and 1.97 %/°C that
	// the NIST values of 0.01 mol/kg KCl give from 0 to 30 °C.
	AlphaFeed PerCelsius = 0.019
	// AlphaMeter is the 2 %/°C most meters ship with.
	AlphaMeter PerCelsius = 0.020
)

// Temperatures Linear accepts. Common practice, no source: far outside, the
// line is no longer an approximation of anything.
const (
	linearLow  units.Celsius = -5
	linearHigh units.Celsius = 50
)

// Linear compensates to 25 °C: EC25 = EC/(1 + α(T−25)). It is meant for
// fertilized water; on cold natural water it is off by 3–10 %, see
// NaturalWater. It fails on a negative or unreal EC, T outside −5…50 °C, and α
// outside 1–3 %/°C.
func Linear(ec RawEC, t units.Celsius, alpha PerCelsius) (units.USPerCm, error) {
	k, err := linearFactor(t, alpha)
	if err != nil {
		return 0, err
	}
	if err := checkRaw(ec); err != nil {
		return 0, err
	}
	return units.USPerCm(float64(ec) / k), nil
}

// AtTemperature undoes Linear: what a probe without compensation would show.
func AtTemperature(ec units.USPerCm, t units.Celsius, alpha PerCelsius) (RawEC, error) {
	k, err := linearFactor(t, alpha)
	if err != nil {
		return 0, err
	}
	if err := checkRaw(RawEC(ec)); err != nil {
		return 0, err
	}
	return RawEC(float64(ec) * k), nil
}

func linearFactor(t units.Celsius, alpha PerCelsius) (float64, error) {
	if !(t >= linearLow && t <= linearHigh) {
		return 0, fmt.Errorf("cannot compensate EC: %.1f °C is outside %.0f to %.0f °C; check the water temperature sensor", t, linearLow, linearHigh)
	}
	if !(alpha >= 0.01 && alpha <= 0.03) {
		return 0, fmt.Errorf("cannot compensate EC: coefficient %.4f per °C is outside 0.01 to 0.03; 0.019 suits fertilized water", alpha)
	}
	return 1 + float64(alpha)*float64(t-25), nil
}

func checkRaw(ec RawEC) error {
	if !units.Finite(ec) || ec < 0 {
		return fmt.Errorf("cannot compensate EC: %v µS/cm is no conductivity", float64(ec))
	}
	return nil
}

// NaturalWater compensates to 25 °C by the non-linear natural-water factor f25
// of ISO 7888:1985 / EN 27888:1993: EC25 = EC·f25(T), 0 ≤ T < 36 °C. It is
// meant for supply water of about 60–1000 µS/cm, not for fertilizer stock or
// acid.
func NaturalWater(ec RawEC, t units.Celsius) (units.USPerCm, error) {
	f, err := F25(t)
	if err != nil {
		return 0, err
	}
	if err := checkRaw(ec); err != nil {
		return 0, err
	}
	return units.USPerCm(float64(ec) * f), nil
}

// f25Table is the factor at 0, 1 … 35 °C: table of ISO 7888:1985 / EN
// 27888:1993.
func f25Table() *[36]float64 {
	return &[36]float64{1.918, 1.857, 1.800, 1.745, 1.693, 1.643, 1.596, 1.551, 1.508, 1.467, 1.428, 1.390,
		1.354, 1.320, 1.287, 1.256, 1.225, 1.196, 1.168, 1.141, 1.116, 1.091, 1.067, 1.044,
		1.021, 1.000, 0.979, 0.959, 0.940, 0.921, 0.903, 0.886, 0.869, 0.853, 0.837, 0.822}
}

// F25 is the natural-water factor to 25 °C, exact on the table's whole degrees
// and linear between them (within 0.001). Above 35 °C, where the table ends,
// the last step goes on to the standard's own limit of 36 °C.
func F25(t units.Celsius) (float64, error) {
	if !(t >= 0 && t < 36) {
		return 0, fmt.Errorf("cannot compensate EC: %.1f °C is outside the natural-water table, 0 to 36 °C; check the water temperature sensor", t)
	}
	table := f25Table()
	i := min(int(t), len(table)-2)
	return table[i] + (table[i+1]-table[i])*(float64(t)-float64(i)), nil
}

// f25Closed is the closed form of the annex of EN 27888 (coefficients from
// memory). It stands beside the table as a check; it differs by 0.001 at most.
func f25Closed(t units.Celsius) float64 {
	eta := -0.198058 + math.Exp(-1.992186+231.17628/(float64(t)+86.39123))
	return ((1 - 0.962144) + 0.962144*math.Pow(eta, 0.965078)) * 1.116
}

// CellConstant is K = κ/G from a standard's EC at the measured temperature and
// the conductance read in it with compensation off. Taking the standard's 25 °C
// value instead is the common mistake, about 10 % at 20 °C.
func CellConstant(standard RawEC, g Microsiemens) (PerCm, error) {
	if !units.Finite(standard) || !units.Finite(g) || standard <= 0 || g <= 0 {
		return 0, fmt.Errorf("cannot work out the cell constant: standard %v µS/cm and conductance %v µS must both be positive", float64(standard), float64(g))
	}
	return PerCm(float64(standard) / float64(g)), nil
}

// EC is the conductivity a cell of this constant sees at conductance g.
func (k PerCm) EC(g Microsiemens) RawEC { return RawEC(float64(k) * float64(g)) }

// Bounds for taking a new cell constant; common practice, no source.
const (
	cellChangeMost units.Ratio = 0.10  // against the constant before
	cellDriftMost  units.Ratio = 0.005 // of the reading in a minute
)

// AcceptCellConstant says why a new constant should not replace the old one:
// it moved by more than 10 %, or the reading drifted by 0.5 % a minute or more.
func AcceptCellConstant(fresh, old PerCm, driftPerMinute units.Ratio) error {
	if !units.Finite(fresh) || fresh <= 0 {
		return fmt.Errorf("cannot take cell constant %v: it must be positive", float64(fresh))
	}
	if d := math.Abs(float64(driftPerMinute)); !(d < float64(cellDriftMost)) {
		return fmt.Errorf("cannot take the cell constant yet: the reading drifts by %.2f %% a minute; wait until probe and standard have one temperature", 100*d)
	}
	if old <= 0 {
		return nil
	}
	if change := math.Abs(float64(fresh/old) - 1); change > float64(cellChangeMost) {
		return fmt.Errorf("cannot take cell constant %.4f: %.0f %% away from %.4f; clean the probe and check the standard and its temperature", float64(fresh), 100*change, float64(old))
	}
	return nil
}

// TDSFactor turns EC into dissolved solids, mg/L per µS/cm.
type TDSFactor float64

// TDSCommon is 0.64 (APHA Standard Methods 2510, USDA Salinity Laboratory);
// natural waters range over 0.55–0.90, up to about 5000 µS/cm.
const TDSCommon TDSFactor = 0.64

// TDS is an estimate of dissolved solids. Factors from 0.5 to 0.9 are taken:
// two readings in ppm say nothing of each other until both factors are known.
func TDS(ec units.USPerCm, f TDSFactor) (MgPerL, error) {
	if !(f >= 0.5 && f <= 0.9) {
		return 0, fmt.Errorf("cannot work out dissolved solids: factor %v is outside 0.5 to 0.9", float64(f))
	}
	return MgPerL(float64(ec) * float64(f)), nil
}
