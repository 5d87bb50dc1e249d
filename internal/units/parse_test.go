package units

// Conversions are checked against NIST SP 811 (2008), appendix B.8, to the
// figures printed there.

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"
)

func near(got, want, rel float64) bool { return math.Abs(got-want) <= rel*math.Abs(want) }

// num is a parsed quantity's number; an error is not a number.
func num[T ~float64](v T, err error) float64 {
	if err != nil {
		return math.NaN()
	}
	return float64(v)
}

func TestParseAgainstNIST(t *testing.T) {
	for i, c := range []struct{ got, want float64 }{
		{num(ParseKPa("1 psi")), 6.894757},
		{num(ParseKPa("1 bar")), 100},
		{num(ParseKPa("1 mbar")), 0.1},
		{num(ParseKPa("1 ft H2O")), 2.989067}, // "foot of water, conventional"
		{num(ParseKPa("1 in H2O")), 0.2490889},
		{num(ParseKPa("1 cm H2O")), 0.0980665},
		{num(ParseLPerH("1 gal/min")), 6.309020e-5 * 3.6e6},
		{num(ParseLitre("1 gal")), 3.785412},
		{num(ParseLitre("1 fl oz")), 0.02957353},
		{num(ParseLitre("1 qt")), 0.9463529},
		{num(ParseMetre("1 ft")), 0.3048},
		{num(ParseMM("1 in")), 25.4},
		{num(ParseMM("1 mil")), 0.0254},
		{num(ParseMetre("1 yd")), 0.9144},
		{num(ParseCelsius("212 °F")), 100},
		{num(ParseCelsius("-40 F")), -40},
		{num(ParseGram("1 lb")), 453.59237},
		{num(ParseGram("1 oz")), 28.34952},
		{num(ParseM2("1 ft²")), 0.09290304},
		{num(ParseM2("1 ha")), 1e4},
		{num(ParseGPerL("1 lb/gal")), 119.8264},
		{num(ParseVolt("512 mV")), 0.512},
		{num(ParseOhm("0.15 kohm")), 150},
		{num(ParseOhm("150 \u2126")), 150}, // the ohm sign
		{num(ParseOhm("150 \u03a9")), 150}, // the letter omega
		{num(ParseGPerL("1 oz/gal")), 7.489152},
	} {
		if !near(c.got, c.want, 1e-6) {
			t.Errorf("row %d: %v, want %v", i, c.got, c.want)
		}
	}
}

// Ways to write the same thing.
func TestParseSpellings(t *testing.T) {
	for _, text := range []string{"10 psi", "10psi", " +10.0 PSI ", "1e1 psi", "10 psig"} {
		if got, err := ParseKPa(text); err != nil || got != 10*KPaPerPsi {
			t.Errorf("%q: %v, %v", text, got, err)
		}
	}
	for _, text := range []string{"1.8 mS/cm", "1.8 dS/m", "1800 µS/cm", "1800 \u03bcS/cm", "1800 uS/cm"} {
		if got, err := ParseUSPerCm(text); err != nil || !near(float64(got), 1800, 1e-12) {
			t.Errorf("%q: %v, %v", text, got, err)
		}
	}
	for _, text := range []string{"2.5 m3/h", "2.5 m³/h", "2500 L/h", "2500 l / h"} {
		if got, err := ParseLPerH(text); err != nil || got != 2500 {
			t.Errorf("%q: %v, %v", text, got, err)
		}
	}
	if got, err := ParseCelsius("\u22125 °C"); err != nil || got != -5 {
		t.Errorf("true minus: %v, %v", got, err)
	}
	if got, err := ParseRatio("-.5%"); err != nil || got != -0.005 {
		t.Errorf("ratio: %v, %v", got, err)
	}
	if got, err := ParseDuration("1.5 h"); err != nil || got != 90*time.Minute {
		t.Errorf("time: %v, %v", got, err)
	}
}

func TestParseRefuses(t *testing.T) {
	for text, want := range map[string]string{
		"":         `"" is not a pressure; write a number with a unit, as in 68.95 kPa`,
		"10":       `"10" has no unit; write a pressure in one of kPa, psi, bar, mbar, m H2O, as in 68.95 kPa`,
		"kPa":      `"kPa" is not a pressure; write a number with a unit, as in 68.95 kPa`,
		"NaN kPa":  `"NaN kPa" is not a pressure; write a number with a unit, as in 68.95 kPa`,
		"0x10 kPa": `"0x10 kPa" has an unknown unit "x10kPa"; use one of kPa, psi, bar, mbar, m H2O, as in 68.95 kPa`,
		"1,5 bar":  `"1,5 bar" is not a pressure; write a decimal point and no thousands mark, as in 68.95 kPa`,
		"10 ft":    `"10 ft" is a length, not a pressure; use one of kPa, psi, bar, mbar, m H2O, as in 68.95 kPa`,
		"10 gal":   `"10 gal" is a volume, not a pressure; use one of kPa, psi, bar, mbar, m H2O, as in 68.95 kPa`,
		"1e400 Pa": `"1e400 Pa" is too large; write for instance 68.95 kPa`,
		"1e308MPa": `"1e308MPa" is too large; write for instance 68.95 kPa`,
	} {
		_, err := ParseKPa(text)
		var q *QuantityError
		if !errors.As(err, &q) || err.Error() != want {
			t.Errorf("%q: got %v, want %s", text, err, want)
		}
	}
	if _, err := ParseDuration("15 m"); err == nil || !strings.Contains(err.Error(), "is a length, not a time") {
		t.Errorf("15 m: %v", err)
	}
	if _, err := ParseDuration("1e12 s"); err == nil {
		t.Error("a time of 30,000 years passed")
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"10 psi", "1e9999 kPa", "-", "+.e1 m", "\u22125 °C", "1.µ"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		if v, err := ParseKPa(text); err == nil && !Finite(v) {
			t.Errorf("%q gave %v", text, v)
		}
		if _, err := ParseDuration(text); err == nil && strings.TrimSpace(text) == "" {
			t.Error("nothing was read as a time")
		}
	})
}

func TestShow(t *testing.T) {
	for _, c := range []struct{ got, want string }{
		{Metric.Pressure(68.94757).String(), "68.9 kPa"},
		{US.Pressure(68.94757).String(), "10.0 psi"},
		{US.Pressure(-0.01).String(), "0.0 psi"},
		{Metric.Flow(792).String(), "13.20 L/min"},
		{US.Flow(227.1247).String(), "1.00 gal/min"},
		{US.EmitterFlow(1.022061).String(), "0.270 gal/h"}, // 0.45 gal/min per 100 ft at 1 ft
		{US.Volume(3.785412).String(), "1.0 gal"},
		{Metric.Volume(12).String(), "12.0 L"},
		{US.Length(30).String(), "98.4 ft"},
		{US.Bore(15.875).String(), "0.625 in"},
		{US.Temperature(0).String(), "32.0 °F"},
		{Metric.Temperature(-0.04).String(), "0.0 °C"},
		{Metric.Mass(940.5).String(), "941 g"},
		{Metric.Mass(25_000).String(), "25.00 kg"},
		{US.Mass(940.5).String(), "2.07 lb"},
		{US.Mass(100).String(), "3.5 oz"},
		{US.Concentration(7.489152).String(), "1.00 oz/gal"},
		{Metric.Area(371.612).String(), "371.6 m²"},
		{US.Area(371.61216).String(), "4000 ft²"},
		{US.Conductivity(1740).String(), "1.74 mS/cm"},
		{Ratio(0.925).Shown().String(), "92.5 %"},
		{Elapsed(40 * time.Second), "40 s"},
		{Elapsed(750 * time.Second), "12 min 30 s"},
		{Elapsed(-185 * time.Minute), "-3 h 05 min"},
		{US.String(), "us"},
		{Metric.String(), "metric"},
	} {
		if c.got != c.want {
			t.Errorf("got %q, want %q", c.got, c.want)
		}
	}
}
