package calibration

// Each method is held to a published value or worked example, named beside it,
// and each refusal to its reason.

import (
	"math"
	"strings"
	"testing"
	"time"

	"boxd/internal/box"
	"boxd/internal/say"
	"boxd/internal/units"
)

func now() time.Time { return time.Date(2026, 4, 2, 9, 0, 0, 0, time.UTC) }

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s is %.6g, want %.6g ± %g", what, got, want, within)
	}
}

func made(t *testing.T, r Request, before Correction) Record {
	t.Helper()
	r.ID, r.By = "c1", "Ada"
	rec, err := Make(r, before, now())
	if err != nil {
		t.Fatal(err)
	}
	return rec
}

func refused(t *testing.T, r Request, before Correction, want string) {
	t.Helper()
	r.ID, r.By = "c1", "Ada"
	if rec, err := Make(r, before, now()); err == nil || !strings.Contains(err.Error(), want) {
		t.Errorf("refused with %v, want %q (made %+v)", err, want, rec.After)
	}
}

// TestLine is the calibration of a thermometer of JCGM 100:2008, H.3 (table H.6
// and the results of H.3.3, H.3.4).
func TestLine(t *testing.T) {
	xs := []float64{21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511}
	ys := []float64{-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160}
	l, err := Fit(xs, ys, 20)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "y1", l.Zero, -0.1712, 0.00005)
	near(t, "s(y1)", l.UZero, 0.0029, 0.00005)
	near(t, "y2", l.Slope, 0.00218, 0.000005)
	near(t, "s(y2)", l.USlope, 0.00067, 0.000005)
	near(t, "r", l.Correlation, -0.930, 0.0005)
	near(t, "s", l.S, 0.0035, 0.00005)
	near(t, "b(30 °C)", l.Value(30), -0.1494, 0.00005)
	near(t, "u(b(30 °C))", l.U(30), 0.0041, 0.00005)
	if _, err := Fit([]float64{1, 1}, []float64{1, 2}, 0); err == nil {
		t.Error("a line through two points at one place")
	}
}

// JCGM 100:2008, 4.3.7, example 1: copper's expansion, ± 0.40 at most, has a
// standard uncertainty of 0.23.
func TestRectangular(t *testing.T) { near(t, "u", rectangular(0.40), 0.23, 0.005) }

// The volume of a gram of water weighed in air at 101.3 kPa: factors Z of ISO
// 8655-6, annex (from memory), and densities of Tanaka et al. 2001.
func TestWeighedWater(t *testing.T) {
	for c, z := range map[float64]float64{15: 1.0020, 20: 1.0029, 25: 1.0040} {
		near(t, "Z", litresOf(1, c), z, 0.00006)
	}
	for c, rho := range map[float64]float64{4: 999.975, 20: 998.2067, 25: 997.0470} {
		near(t, "density", Density(c), rho, 0.001)
	}
}

func bucket(litres, pulses float64) Bucket {
	return Bucket{Litres: litres, Seconds: 80, Pulses: pulses}
}

func TestFlow(t *testing.T) {
	ask := func(channel string, k float64, b ...Bucket) Request {
		return Request{Channel: channel, Standard: Standard{Name: "bucket", Limit: 0.1}, Flow: &Flow{PerLitre: k, Buckets: b}}
	}
	main := box.MainFlow.Info().Column
	// By hand: 25 L and 11 475 pulses are 459 a litre where the plate says 450.
	r := made(t, ask(main, 450, bucket(25, 11475)), None())
	near(t, "K", r.PerLitre, 459, 0.001)
	near(t, "gain", r.After.Gain, 450.0/459, 1e-9)
	near(t, "error before", r.Points[0].Before, 0.5, 1e-9)
	near(t, "error after", r.Points[0].After, 0, 1e-9)
	near(t, "U", r.Expanded, 2*math.Sqrt((0.1*0.1/25/25+1/11475.0/11475)/3), 1e-9)
	if r.Next != now().AddDate(1, 0, 0) && r.Next != now().AddDate(0, 0, 365) || r.Overdue(now()) || !r.Overdue(now().AddDate(2, 0, 0)) {
		t.Errorf("next due %v", r.Next)
	}
	// Three buckets: the scatter of their mean is added (JCGM 100, 4.2.3).
	r = made(t, ask(main, 450, bucket(25, 11475), bucket(25, 11400), bucket(25, 11550)), None())
	near(t, "U of three", r.Expanded, 2*math.Sqrt((0.1*0.1/25/25+1/11400.0/11400)/3+math.Pow(75/11475.0, 2)/3), 2e-5)
	// What boxd shows has the correction in force in it: it is taken out first.
	q := ask(main, 0, Bucket{Litres: 24, Seconds: 60, Flow: 25 * 0.98})
	q.Corrected = true
	near(t, "gain anew", made(t, q, Correction{Gain: 0.98}).After.Gain, 0.96, 1e-9)

	// The meter's own total is read to 0.01 L, twice.
	q = ask(main, 0, Bucket{Litres: 25, Seconds: 80, Meter: 25})
	near(t, "U by the total", made(t, q, None()).Expanded, 2*math.Sqrt((0.1*0.1+0.01*0.01)/25/25/3), 1e-9)
	q.Standard.Limit = 3
	refused(t, q, None(), "take a better one")

	refused(t, ask(main, 450, bucket(10, 4500)), None(), "too little water")
	refused(t, ask(main, 450, Bucket{Litres: 25, Seconds: 20, Pulses: 11250}), None(), "too short")
	refused(t, ask(main, 450, bucket(25, 5600)), None(), "nameplate")
	refused(t, ask(main, 450, bucket(25, 11250), bucket(25, 11700)), None(), "differ")
	refused(t, ask(main, 450, bucket(25, 0)), None(), "counted nothing")
	refused(t, ask(main, 450, Bucket{Litres: 25, Kilograms: 25, Seconds: 80, Pulses: 1}), None(), "litres or its kilograms")
	refused(t, ask("header_kpa", 450, bucket(25, 11250)), None(), "no flow")
	if made(t, ask(box.StockDraw.Info().Column, 4500, bucket(2, 9000)), None()).After.Gain != 1 {
		t.Error("two litres of stock are not enough for its meter")
	}
}

func TestPressure(t *testing.T) {
	ask := func(ps ...Compared) Request {
		return Request{Channel: "header_kpa", Corrected: true, Pressure: &Pressure{ps}}
	}
	r := made(t, ask(Compared{0, 1.2}, Compared{0, 1.4}), Correction{Gain: 1, Offset: 0})
	near(t, "zero", r.After.Offset, -1.3, 1e-9)
	near(t, "U of the zero", r.Expanded, 2*math.Sqrt(0.1*0.1+0.3*0.3/3), 1e-9) // two readings 0.2 apart: their mean's is 0.1
	// By hand: true = 1.02·raw − 2.
	r = made(t, ask(Compared{0, 2 / 1.02}, Compared{100, 100}, Compared{202, 200}), None())
	near(t, "gain", r.After.Gain, 1.02, 1e-9)
	near(t, "offset", r.After.Offset, -2, 1e-9)
	near(t, "U", r.Expanded, 2*2/math.Sqrt(3), 1e-6) // the gauge alone: all points lie on the line
	// The same seen through a correction comes to the same.
	was := Correction{Gain: 0.99, Offset: 3}
	again := made(t, ask(Compared{0, was.At(2 / 1.02)}, Compared{100, was.At(100)}, Compared{202, was.At(200)}), was)
	near(t, "gain through another", again.After.Gain, 1.02, 1e-9)
	near(t, "offset through another", again.After.Offset, -2, 1e-7)

	refused(t, ask(Compared{0, 35}), None(), "open to the air")
	refused(t, ask(Compared{100, 101}, Compared{130, 131}), None(), "too near together")
	refused(t, ask(Compared{0, 0}, Compared{100, 14.5}), None(), "gain would be")
	refused(t, ask(Compared{0, 0}, Compared{100, 112}, Compared{200, 200}), None(), "off the line")
	refused(t, ask(), None(), "0 points")
}

func TestEC(t *testing.T) {
	ask := func(by Compensation, ps ...Solution) Request {
		return Request{Channel: "ec_box_us_cm", Corrected: true, EC: &EC{By: by, Points: ps}}
	}
	// 0.01 mol/kg KCl is 1273.03 µS/cm at 20 °C (Pratt et al. 2001, ITS-90): a cell
	// that shows 1250 there has the constant 1.0184, not 1.1266.
	r := made(t, ask(Nobody, Solution{At25: 1408.23, Celsius: 20, Reading: 1250}), None())
	near(t, "cell", r.After.Gain, 1.0184, 0.0001)
	// Compensated by boxd, standard and reading go the same way: 1273.03/(1−0.095).
	r = made(t, ask(Boxd, Solution{At25: 1408.23, Celsius: 20, Reading: 1250 / 0.905}), None())
	near(t, "cell, compensated", r.After.Gain, 1.0184, 0.0001)
	// Two standards of NIST at 25 °C, on true = 1.05·raw − 20.
	r = made(t, ask(Probe, Solution{At25: 1408.23, Celsius: 25, Reading: 1428.23 / 1.05}, Solution{At25: 12824.6, Celsius: 25, Reading: 12844.6 / 1.05}), None())
	near(t, "gain", r.After.Gain, 1.05, 1e-6)
	near(t, "offset", r.After.Offset, -20, 1e-3)
	// A bottle's own table rules; between rows by a straight line.
	table := []Row{{20, 1278}, {25, 1413}}
	r = made(t, ask(Nobody, Solution{At25: 1413, Table: table, Celsius: 22.5, Reading: 1345.5}), None())
	near(t, "by the bottle's table", r.After.Gain, 1, 1e-9)

	refused(t, ask(Nobody, Solution{At25: 1413, Table: table, Celsius: 12, Reading: 1100}), None(), "its table covers")
	refused(t, ask(Nobody, Solution{At25: 1413, Celsius: 45, Reading: 1900}), None(), "0 to 40")
	refused(t, ask(Nobody, Solution{At25: 1413, Table: []Row{{20, 1278}, {25, 1200}}, Celsius: 22, Reading: 1300}), None(), "misprint")
	// By NIST a bottle of 1413 has 1277 at 20 °C: 1413·1273.03/1408.23. A table with
	// another's digits is refused, one that rounds is not.
	refused(t, ask(Nobody, Solution{At25: 1413, Table: []Row{{20, 1378}, {25, 1413}}, Celsius: 22, Reading: 1300}), None(), "row 1 of the bottle's table, 1378 µS/cm at 20 °C, is +7.9 % off KCl")
	refused(t, ask(Nobody, Solution{At25: 1413, Table: []Row{{20, 2278}, {25, 2765}}, Celsius: 22, Reading: 1300}), None(), "(NIST: 1277)")
	refused(t, ask(Nobody, Solution{At25: 1413, Table: []Row{{25, 1413}}, Celsius: 25, Reading: 1300}), None(), "1 rows")
	refused(t, ask(Probe, Solution{At25: 1413, Celsius: 10, Reading: 1400}), None(), "within 10 °C of 25")
	refused(t, ask(Nobody, Solution{At25: 1413, Celsius: 25, Reading: 700}), None(), "nominal cell")
	refused(t, ask(Nobody, Solution{At25: 1413, Celsius: 25, Reading: 1200}), Correction{Gain: 1.001}, "since the last calibration")
	refused(t, ask(Nobody, Solution{At25: 1413, Celsius: 25, Reading: 1400}, Solution{At25: 1408, Celsius: 25, Reading: 1390}), None(), "too near together")
	refused(t, ask("", Solution{At25: 1413, Celsius: 25, Reading: 1400}), None(), "say nobody, boxd or probe")
}

func TestIce(t *testing.T) {
	ask := func(vs ...float64) Request {
		return Request{Channel: "water_c", Corrected: true, Temperature: &Temperature{vs}}
	}
	r := made(t, ask(0.25, 0.1875, 0.25), None())
	near(t, "offset", r.After.Offset, -0.229167, 1e-6)
	refused(t, ask(1.5, 1.5), None(), "check the probe")
	refused(t, ask(-0.4, 0.4), None(), "rest")
	// A correction of before hides nothing: the probe itself is judged.
	refused(t, ask(0.5), Correction{Gain: 1, Offset: -0.9}, "check the probe")
}

func TestRatio(t *testing.T) {
	ask := func(q Ratio) Request { return Request{Channel: Injector, Ratio: &q} }
	r := made(t, ask(Ratio{Dialled: 0.02, Stock: 0.55, Total: 25}), None())
	near(t, "ratio", r.Ratio, 0.022, 1e-12)
	r = made(t, ask(Ratio{Dialled: 0.02, WaterEC: 400, MixEC: 1980, HandEC: 2000, HandRatio: 0.02}), None())
	near(t, "ratio by EC", r.Ratio, 0.01975, 1e-12)
	// A cylinder that may be off by 1 % of what was drawn, beside the bucket's 0.5 %.
	with := ask(Ratio{Dialled: 0.02, Stock: 0.55, Total: 25})
	with.Standard.Limit = 0.01
	near(t, "U with a limit", made(t, with, None()).Expanded, 2*math.Sqrt((0.01*0.01+0.005*0.005)/3), 1e-9)
	refused(t, ask(Ratio{Dialled: 0.02, Stock: 0.2, Total: 5}), None(), "too little")
	refused(t, ask(Ratio{Dialled: 0.02, Stock: 0.3, Total: 25}), None(), "air in the suction hose")
	refused(t, ask(Ratio{Dialled: 0.02, WaterEC: 400, MixEC: 450, HandEC: 2000, HandRatio: 0.02}), None(), "urea")
	refused(t, Request{Channel: "main_flow_lpm", Ratio: &Ratio{}}, None(), "no such channel")
}

func TestRequest(t *testing.T) {
	refused(t, Request{Channel: "water_c"}, None(), "0 ways")
	refused(t, Request{Channel: "water_c", Temperature: &Temperature{[]float64{math.NaN()}}}, None(), "no number")
	if _, err := Make(Request{ID: "x", Channel: "water_c", Temperature: &Temperature{[]float64{0}}}, None(), now()); err == nil || !strings.Contains(err.Error(), "who did it") {
		t.Errorf("a calibration by nobody: %v", err)
	}
}

// TestSaid: a record is said in the reader's units; by hand a degree is 1.8 °F and
// 10 kPa are 1.450 psi. One of an unknown kind is said as it was.
func TestSaid(t *testing.T) {
	us := say.Voice{Units: units.US}
	ice := made(t, Request{Channel: "water_c", Temperature: &Temperature{[]float64{0.5}}}, None())
	zero := made(t, Request{Channel: "header_kpa", Pressure: &Pressure{[]Compared{{0, 10}}}}, None())
	for _, c := range []struct{ got, want string }{
		{ice.Text, "offset -0.500 °C ± 0.12 °C from 1 readings in melting ice"},
		{us.Say(ice.Said()), "offset -0.900 °F ± 0.22 °F from 1 readings in melting ice"},
		{us.Say(zero.Said()), "zero moved by -1.45 psi ± 0.05 psi, gain as it was (1.0000)"},
		{us.Say((&Record{Kind: "later", Text: "as then"}).Said()), "as then"},
	} {
		if c.got != c.want {
			t.Errorf("said %q, want %q", c.got, c.want)
		}
	}
}

// TestCorrections: the newest of each channel holds.
func TestCorrections(t *testing.T) {
	list := []Record{{Channel: "water_c", After: Correction{1, 0.5}}, {Channel: Injector, After: Correction{1.1, 0}}, {Channel: "water_c", After: Correction{1, -0.2}, Wall: now()}}
	c := Corrections(list)
	if len(c) != 1 || c[box.WaterTemp].Offset != -0.2 || !c[box.WaterTemp].At.Equal(now()) {
		t.Errorf("corrections %+v", c)
	}
	if InForce(list, "water_c").Offset != -0.2 || InForce(list, "header_kpa") != None() {
		t.Error("the correction in force is another")
	}
}
