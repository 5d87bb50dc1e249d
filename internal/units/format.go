package units

import (
	"fmt"
	"math"
	"strconv"
	"time"
)

// System is the units quantities are shown in. Nothing is computed in it.
type System uint8

const (
	Metric System = iota
	US
)

// String is the word the configuration file uses.
func (s System) String() string {
	if s == US {
		return "us"
	}
	return "metric"
}

// SystemByName finds a system by the word of the configuration file.
func SystemByName(name string) (System, bool) {
	switch name {
	case "metric":
		return Metric, true
	case "us":
		return US, true
	}
	return Metric, false
}

// Shown is a quantity as a person reads it.
type Shown struct {
	Value    float64
	Unit     string
	Decimals int
}

// String is the number, a blank and the unit. Minus zero is written as 0.
func (s Shown) String() string {
	scale := math.Pow10(s.Decimals)
	v := math.Round(s.Value*scale) / scale
	if v == 0 {
		v = 0 // drops the sign
	}
	return strconv.FormatFloat(v, 'f', s.Decimals, 64) + " " + s.Unit
}

// pick gives the metric or the US form.
func (s System) pick(metric, us Shown) Shown {
	if s == US {
		return us
	}
	return metric
}

// Pressure is in kPa or psi.
func (s System) Pressure(p KPa) Shown {
	return s.pick(Shown{float64(p), "kPa", 1}, Shown{float64(p) / KPaPerPsi, "psi", 1})
}

// Flow is in L/min or gal/min.
func (s System) Flow(q LPerH) Shown {
	return s.pick(Shown{q.LPerMin(), "L/min", 2}, Shown{q.LPerMin() / LitrePerUSGallon, "gal/min", 2})
}

// EmitterFlow is in L/h or gal/h.
func (s System) EmitterFlow(q LPerH) Shown {
	return s.pick(Shown{float64(q), "L/h", 3}, Shown{float64(q) / LitrePerUSGallon, "gal/h", 3})
}

// Volume is in L or gal.
func (s System) Volume(v Litre) Shown {
	return s.pick(Shown{float64(v), "L", 1}, Shown{float64(v) / LitrePerUSGallon, "gal", 1})
}

// Length is in m or ft.
func (s System) Length(l Metre) Shown {
	return s.pick(Shown{float64(l), "m", 2}, Shown{float64(l) / MetrePerFoot, "ft", 1})
}

// Bore is in mm or in.
func (s System) Bore(d MM) Shown {
	return s.pick(Shown{float64(d), "mm", 1}, Shown{float64(d) / MMPerInch, "in", 3})
}

// Temperature is in °C or °F.
func (s System) Temperature(t Celsius) Shown {
	return s.pick(Shown{float64(t), "°C", 1}, Shown{float64(t)*1.8 + 32, "°F", 1})
}

// Mass is in g or kg, or in oz or lb, whichever reads best.
func (s System) Mass(m Gram) Shown {
	g := float64(m)
	metric := Shown{g, "g", 0}
	if math.Abs(g) >= 10_000 {
		metric = Shown{g / 1000, "kg", 2}
	}
	us := Shown{g / GramPerOunce, "oz", 1}
	if math.Abs(g) >= GramPerPound {
		us = Shown{g / GramPerPound, "lb", 2}
	}
	return s.pick(metric, us)
}

// Concentration is in g/L or oz/gal.
func (s System) Concentration(c GPerL) Shown {
	return s.pick(Shown{float64(c), "g/L", 2}, Shown{float64(c) * LitrePerUSGallon / GramPerOunce, "oz/gal", 2})
}

// Area is in m² or ft².
func (s System) Area(a M2) Shown {
	return s.pick(Shown{float64(a), "m²", 1}, Shown{float64(a) / M2PerSquareFoot, "ft²", 0})
}

// Conductivity is in mS/cm in both systems: the trade's unit.
func (s System) Conductivity(e USPerCm) Shown { return Shown{float64(e) / 1000, "mS/cm", 2} }

// Shown is the fraction in per cent.
func (r Ratio) Shown() Shown { return Shown{r.Percent(), "%", 1} }

// Elapsed writes a time as people say it: "40 s", "12 min 30 s", "3 h 05 min".
func Elapsed(d time.Duration) string {
	s := int64(math.Round(d.Seconds()))
	sign := ""
	if s < 0 {
		sign, s = "-", -s
	}
	switch {
	case s < 60:
		return fmt.Sprintf("%s%d s", sign, s)
	case s < 3600:
		return fmt.Sprintf("%s%d min %02d s", sign, s/60, s%60)
	}
	return fmt.Sprintf("%s%d h %02d min", sign, s/3600, s%3600/60)
}
