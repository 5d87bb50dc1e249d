package units

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// A QuantityError says why a text is no quantity of the wanted kind, and how to
// write it.
type QuantityError struct {
	Problem string // "has no unit"
	Hint    string // "write it with one, as in 30 m"
}

func (e *QuantityError) Error() string { return e.Problem + "; " + e.Hint }

// unit is one way to write a quantity: a value v in it is v·factor + offset in
// the kind's own unit.
type unit struct {
	name           string
	factor, offset float64
}

// kind is one sort of quantity with the units people write it in.
type kind struct {
	name    string // with its article: "a pressure"
	example string // "68.95 kPa"
	offer   string // the units to offer in a message
	units   []unit
}

// Factors: NIST SP 811 (2008) appendix B, and exact decimal prefixes. Metres,
// feet and inches of water use 9.80665 kPa a metre; cb is the centibar of soil
// work.
func pressures() kind {
	return kind{"a pressure", "68.95 kPa", "kPa, psi, bar, mbar, m H2O", []unit{
		{"kPa", 1, 0}, {"psi", KPaPerPsi, 0}, {"psig", KPaPerPsi, 0}, {"bar", 100, 0}, {"mbar", 0.1, 0},
		{"Pa", 0.001, 0}, {"hPa", 0.1, 0}, {"MPa", 1000, 0}, {"cb", 1, 0},
		{"mH2O", KPaPerMetreWater, 0}, {"cmH2O", KPaPerMetreWater / 100, 0},
		{"ftH2O", KPaPerMetreWater * MetrePerFoot, 0}, {"inH2O", KPaPerMetreWater * MMPerInch / 1000, 0},
	}}
}

func flows() kind {
	return kind{"a flow", "13.2 L/min", "L/h, L/min, gal/min, gal/h (gph), m3/h", []unit{
		{"L/h", 1, 0}, {"L/min", 60, 0}, {"lpm", 60, 0}, {"L/s", 3600, 0}, {"mL/min", 0.06, 0}, {"mL/h", 0.001, 0},
		{"m3/h", 1000, 0}, {"gal/min", 60 * LitrePerUSGallon, 0}, {"gpm", 60 * LitrePerUSGallon, 0},
		{"gal/h", LitrePerUSGallon, 0}, {"gph", LitrePerUSGallon, 0},
	}}
}

func volumes() kind {
	return kind{"a volume", "12 L", "L, mL, m3, gal, fl oz", []unit{
		{"L", 1, 0}, {"mL", 0.001, 0}, {"hL", 100, 0}, {"m3", 1000, 0}, {"gal", LitrePerUSGallon, 0},
		{"qt", LitrePerUSGallon / 4, 0}, {"floz", MLPerUSFluidOunce / 1000, 0},
	}}
}

// lengths is in metres.
func lengths() kind {
	return kind{"a length", "30 m", "m, cm, mm, ft, in", []unit{
		{"m", 1, 0}, {"cm", 0.01, 0}, {"mm", 0.001, 0}, {"km", 1000, 0}, {"ft", MetrePerFoot, 0},
		{"in", MMPerInch / 1000, 0}, {"yd", 3 * MetrePerFoot, 0},
	}}
}

// bores is in millimetres.
func bores() kind {
	return kind{"a length", "15.9 mm", "mm, cm, m, in, ft", []unit{
		{"mm", 1, 0}, {"cm", 10, 0}, {"m", 1000, 0}, {"in", MMPerInch, 0}, {"ft", 12 * MMPerInch, 0},
		{"µm", 0.001, 0}, {"mil", MMPerInch / 1000, 0},
	}}
}

func temperatures() kind {
	const perF = 1 / 1.8
	f := unit{"°F", perF, -32 * perF}
	return kind{"a temperature", "20 °C", "°C, °F", []unit{
		{"°C", 1, 0}, {"C", 1, 0}, {"degC", 1, 0}, f, {"F", f.factor, f.offset}, {"degF", f.factor, f.offset},
	}}
}

func conductivities() kind {
	return kind{"a conductivity", "1.8 mS/cm", "µS/cm, mS/cm, dS/m", []unit{
		{"µS/cm", 1, 0}, {"uS/cm", 1, 0}, {"mS/cm", 1000, 0}, {"dS/m", 1000, 0}, {"mS/m", 10, 0}, {"S/m", 1e4, 0},
	}}
}

func ratios() kind {
	return kind{"a share", "2 %", "%", []unit{{"%", 0.01, 0}, {"percent", 0.01, 0}, {"‰", 0.001, 0}}}
}

func concentrations() kind {
	return kind{"a mass in a volume", "75 g/L", "g/L, mg/L, kg/L, lb/gal, oz/gal", []unit{
		{"g/L", 1, 0}, {"mg/L", 0.001, 0}, {"kg/L", 1000, 0}, {"g/mL", 1000, 0}, {"kg/m3", 1, 0},
		{"lb/gal", GramPerPound / LitrePerUSGallon, 0}, {"oz/gal", GramPerOunce / LitrePerUSGallon, 0},
	}}
}

func masses() kind {
	return kind{"a mass", "940 g", "g, kg, mg, oz, lb", []unit{
		{"g", 1, 0}, {"kg", 1000, 0}, {"mg", 0.001, 0}, {"t", 1e6, 0}, {"oz", GramPerOunce, 0}, {"lb", GramPerPound, 0},
	}}
}

func areas() kind {
	return kind{"an area", "1200 m2", "m2, ha, ft2, ac", []unit{
		{"m2", 1, 0}, {"ha", 1e4, 0}, {"ft2", M2PerSquareFoot, 0}, {"ac", M2PerAcre, 0}, {"acre", M2PerAcre, 0},
	}}
}

// durations is in seconds.
func durations() kind {
	return kind{"a time", "15 min", "s, min, h", []unit{
		{"s", 1, 0}, {"min", 60, 0}, {"h", 3600, 0}, {"ms", 0.001, 0}, {"d", 86400, 0},
	}}
}

func voltages() kind {
	return kind{"a voltage", "4.096 V", "V, mV", []unit{{"V", 1, 0}, {"mV", 0.001, 0}}}
}

func resistances() kind {
	return kind{"a resistance", "150 ohm", "ohm, kohm", []unit{{"ohm", 1, 0}, {"Ω", 1, 0}, {"kohm", 1000, 0}, {"kΩ", 1000, 0}}}
}

// ParseKPa reads a gauge pressure: "68.95 kPa", "10 psi", "0.7 bar", "7 m H2O".
func ParseKPa(text string) (KPa, error) { return parse[KPa](text, pressures()) }

// ParseLPerH reads a flow: "0.98 L/h", "13.2 L/min", "3.6 gal/min". Gallons are
// those of the United States.
func ParseLPerH(text string) (LPerH, error) { return parse[LPerH](text, flows()) }

// ParseLitre reads a volume: "12 L", "3 gal".
func ParseLitre(text string) (Litre, error) { return parse[Litre](text, volumes()) }

// ParseMetre reads a length: "30 m", "98.4 ft", "12 in".
func ParseMetre(text string) (Metre, error) { return parse[Metre](text, lengths()) }

// ParseMM reads a short length: "15.9 mm", "0.626 in".
func ParseMM(text string) (MM, error) { return parse[MM](text, bores()) }

// ParseCelsius reads a temperature: "20 °C", "68 °F".
func ParseCelsius(text string) (Celsius, error) { return parse[Celsius](text, temperatures()) }

// ParseUSPerCm reads a conductivity at 25 °C: "350 µS/cm", "1.8 mS/cm", "1.8 dS/m".
func ParseUSPerCm(text string) (USPerCm, error) { return parse[USPerCm](text, conductivities()) }

// ParseRatio reads a share: "2 %".
func ParseRatio(text string) (Ratio, error) { return parse[Ratio](text, ratios()) }

// ParseGPerL reads a mass in a volume: "75 g/L", "0.6 lb/gal".
func ParseGPerL(text string) (GPerL, error) { return parse[GPerL](text, concentrations()) }

// ParseGram reads a mass: "940 g", "2 lb", "3 oz" (avoirdupois).
func ParseGram(text string) (Gram, error) { return parse[Gram](text, masses()) }

// ParseM2 reads an area: "1200 m2", "0.3 ac".
func ParseM2(text string) (M2, error) { return parse[M2](text, areas()) }

// ParseVolt reads a voltage: "4.096 V", "250 mV".
func ParseVolt(text string) (Volt, error) { return parse[Volt](text, voltages()) }

// ParseOhm reads a resistance: "150 ohm".
func ParseOhm(text string) (Ohm, error) { return parse[Ohm](text, resistances()) }

// ParseDuration reads a time: "25 s", "15 min", "1.5 h".
func ParseDuration(text string) (time.Duration, error) {
	s, err := parse[float64](text, durations())
	if err != nil {
		return 0, err
	}
	if math.Abs(s) > 1e9 {
		return 0, &QuantityError{fmt.Sprintf("%q is longer than thirty years", text), "write for instance 15 min"}
	}
	return time.Duration(math.Round(s * float64(time.Second))), nil
}

// parse reads a number and a unit of kind k.
func parse[T ~float64](text string, k kind) (T, error) {
	v, name, err := cut(text, k)
	if err != nil {
		return 0, err
	}
	u, ok := k.find(name)
	if !ok {
		return 0, k.refuse(text, name)
	}
	// The product is rounded by itself, so that every machine gives the same bits.
	x := float64(v*u.factor) + u.offset
	if !Finite(x) {
		return 0, &QuantityError{fmt.Sprintf("%q is too large", text), "write for instance " + k.example}
	}
	return T(x), nil
}

// cut parts the number from the unit. The unit comes back in its plain
// spelling.
func cut(text string, k kind) (float64, string, error) {
	t := strings.ReplaceAll(strings.TrimSpace(text), "\u2212", "-")
	n := numberLength(t)
	name := plain(t[n:])
	if n == 0 || strings.ContainsRune(".,'_", first(name)) {
		hint := "write a number with a unit, as in " + k.example
		if first(name) == ',' && n > 0 {
			hint = "write a decimal point and no thousands mark, as in " + k.example
		}
		return 0, "", &QuantityError{fmt.Sprintf("%q is not %s", text, k.name), hint}
	}
	v, err := strconv.ParseFloat(t[:n], 64)
	if err != nil {
		return 0, "", &QuantityError{fmt.Sprintf("%q is too large", text), "write for instance " + k.example}
	}
	if name == "" {
		return 0, "", &QuantityError{fmt.Sprintf("%q has no unit", text), fmt.Sprintf("write %s in %s, as in %s", k.name, k.choice(), k.example)}
	}
	return v, name, nil
}

func first(s string) rune {
	for _, r := range s {
		return r
	}
	return 0
}

// numberLength is how many bytes at the start of t are a decimal number.
func numberLength(t string) int {
	i := 0
	if i < len(t) && (t[i] == '+' || t[i] == '-') {
		i++
	}
	from := i
	i += digits(t[i:])
	n := i - from
	if i < len(t) && t[i] == '.' {
		frac := digits(t[i+1:])
		n += frac
		i += 1 + frac
	}
	if n == 0 {
		return 0
	}
	return i + exponentLength(t[i:])
}

// exponentLength is that of a power of ten such as e-3; 0 when there is none.
func exponentLength(t string) int {
	if t == "" || t[0] != 'e' && t[0] != 'E' {
		return 0
	}
	i := 1
	if i < len(t) && (t[i] == '+' || t[i] == '-') {
		i++
	}
	if n := digits(t[i:]); n > 0 {
		return i + n
	}
	return 0
}

func digits(t string) int {
	i := 0
	for i < len(t) && t[i] >= '0' && t[i] <= '9' {
		i++
	}
	return i
}

// plain takes blanks out of a unit and puts look-alike signs right.
func plain(name string) string {
	r := strings.NewReplacer("³", "3", "²", "2", "₂", "2", "μ", "µ", "\u2126", "Ω", "º", "°", "US gal", "gal")
	return strings.Join(strings.Fields(r.Replace(name)), "")
}

// find looks a unit up: exactly, then whatever its case.
func (k kind) find(name string) (unit, bool) {
	for _, u := range k.units {
		if u.name == name {
			return u, true
		}
	}
	for _, u := range k.units {
		if strings.EqualFold(u.name, name) {
			return u, true
		}
	}
	return unit{}, false
}

// choice lists the units to offer.
func (k kind) choice() string {
	if strings.Contains(k.offer, ",") {
		return "one of " + k.offer
	}
	return k.offer
}

// refuse says what is wrong with a unit: that of another kind, or unknown.
func (k kind) refuse(text, name string) error {
	for _, o := range []kind{pressures(), flows(), volumes(), lengths(), temperatures(), conductivities(), ratios(), concentrations(), masses(), areas(), durations(), voltages(), resistances()} {
		if _, ok := o.find(name); ok {
			return &QuantityError{fmt.Sprintf("%q is %s, not %s", text, o.name, k.name), fmt.Sprintf("use %s, as in %s", k.choice(), k.example)}
		}
	}
	return &QuantityError{fmt.Sprintf("%q has an unknown unit %q", text, name), fmt.Sprintf("use %s, as in %s", k.choice(), k.example)}
}
