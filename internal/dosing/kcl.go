package dosing

import (
	"fmt"

	"boxd/internal/units"
)

// Standard is a KCl calibration solution.
type Standard struct {
	Name string
	At25 RawEC // EC at 25 °C
	rows func() *[numKCl]RawEC
}

const numKCl = 10

// kclTemps are the temperatures of the KCl table, °C.
func kclTemps() *[numKCl]units.Celsius {
	return &[numKCl]units.Celsius{0, 5, 10, 15, 18, 20, 25, 30, 35, 40}
}

// kcl001 is 0.01 mol KCl per kg of water, kcl01 is 0.1 mol/kg, on ITS-90 with
// the CO2 water's share taken off: CRC Handbook, "Standard KCl Solutions for
// Calibrating Conductivity Cells", after Wu, Koch and Pratt, J. Res. NIST
// 96:191 (1991) and Pratt et al., Pure Appl. Chem. 73:1783 (2001).
func kcl001() *[numKCl]RawEC {
	return &[numKCl]RawEC{772.92, 890.96, 1013.95, 1141.45, 1219.93, 1273.03, 1408.23, 1546.63, 1687.79, 1831.27}
}

func kcl01() *[numKCl]RawEC {
	return &[numKCl]RawEC{7116.85, 8183.70, 9291.72, 10437.1, 11140.6, 11615.9, 12824.6, 14059.2, 15316.0, 16591.0}
}

// KCl001Molal is 0.01 mol KCl per kg of water: 1408.23 µS/cm at 25 °C.
func KCl001Molal() Standard {
	return Standard{Name: "KCl 0.01 mol/kg", At25: 1408.23, rows: kcl001}
}

// KCl01Molal is 0.1 mol KCl per kg of water: 12 824.6 µS/cm at 25 °C.
func KCl01Molal() Standard {
	return Standard{Name: "KCl 0.1 mol/kg", At25: 12824.6, rows: kcl01}
}

// Bottle is a bought standard with its label's value at 25 °C, such as 1413
// (0.01 mol per litre). Its temperature dependence is taken from the KCl
// solution nearer in strength: bottle labels are known to carry wrong cells.
func Bottle(name string, at25 RawEC) (Standard, error) {
	if !units.Finite(at25) || at25 < 100 || at25 > 120000 {
		return Standard{}, fmt.Errorf("cannot use standard %q: %v µS/cm is outside 100 to 120000; give the label's value at 25 °C", name, float64(at25))
	}
	s := Standard{Name: name, At25: at25, rows: kcl001}
	if at25 > 4250 { // the geometric mean of the two tabled solutions
		s.rows = kcl01
	}
	return s, nil
}

// At is the standard's EC at t, exact on the table's temperatures and by a
// cubic through the four nearest rows between them. It fails outside 0–40 °C.
func (s Standard) At(t units.Celsius) (RawEC, error) {
	if s.rows == nil {
		return 0, fmt.Errorf("cannot tell the EC of standard %q: it was not made by this package", s.Name)
	}
	temps, rows := kclTemps(), s.rows()
	if !(t >= temps[0] && t <= temps[numKCl-1]) {
		return 0, fmt.Errorf("cannot tell the EC of standard %q at %.1f °C: the table covers 0 to 40 °C", s.Name, t)
	}
	return s.At25 * RawEC(cubic(temps[:], rows[:], t)) / rows[6], nil
}

// cubic interpolates by the Lagrange polynomial through the four rows around t.
func cubic(xs []units.Celsius, ys []RawEC, t units.Celsius) float64 {
	i := 0
	for i+2 < len(xs) && xs[i+1] <= t {
		i++
	}
	from := min(max(i-1, 0), len(xs)-4)
	sum := 0.0
	for j := from; j < from+4; j++ {
		term := float64(ys[j])
		for k := from; k < from+4; k++ {
			if k != j {
				term *= float64(t-xs[k]) / float64(xs[j]-xs[k])
			}
		}
		sum += term
	}
	return sum
}

// KClMolar is one row of the molar table.
type KClMolar struct {
	MolPerL float64
	At25    RawEC
}

// KClMolarTable is KCl per litre of solution at 25 °C: APHA Standard Methods
// Table 2510:I. Per litre is not per kilogram: 0.01 mol/L is 1412, 0.01 mol/kg
// is 1408.2.
func KClMolarTable() []KClMolar {
	return []KClMolar{{0.0001, 14.9}, {0.0005, 73.9}, {0.001, 146.9}, {0.005, 717.5}, {0.01, 1412}, {0.02, 2765},
		{0.05, 6667}, {0.1, 12890}, {0.2, 24800}, {0.5, 58670}, {1, 111900}}
}
