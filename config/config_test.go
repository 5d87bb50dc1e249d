package config

// Good files are read and compared with what was written in them; each bad file
// in testdata has its exact messages beside it. Run with -rewrite to write
// those messages anew, then read every one of them.

import (
	"errors"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"boxd/internal/box"
	"boxd/internal/dosing"
	"boxd/internal/engine"
	"boxd/internal/hydraulics"
	"boxd/internal/safety"
	"boxd/internal/sensors"
	"boxd/internal/units"
)

var rewrite = flag.Bool("rewrite", false, "write the bad files' messages anew")

func load(t *testing.T, name string) *Config {
	t.Helper()
	c, err := Load(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestBadFiles(t *testing.T) {
	files, err := filepath.Glob("testdata/*.bad.yaml")
	if err != nil || len(files) < 10 {
		t.Fatalf("found %d bad files, %v", len(files), err)
	}
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			data, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			_, err = Parse(filepath.Base(file), data)
			var faults Faults
			if !errors.As(err, &faults) {
				t.Fatalf("got %v, want faults", err)
			}
			beside := strings.TrimSuffix(file, ".yaml") + ".txt"
			got := faults.Error() + "\n"
			if *rewrite {
				if err := os.WriteFile(beside, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(beside)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("got:\n%swant:\n%s", got, want)
			}
		})
	}
}

func TestExample(t *testing.T) {
	c := load(t, "example.yaml")
	want := hydraulics.Zone{
		Name: "east", Water: 20, Inlet: 68.95,
		Lead: hydraulics.Pipe{Length: 8, Bore: 28, Roughness: 0.0015},
		Header: hydraulics.Header{Feed: hydraulics.FeedEnd, Beds: 6, BedSpacing: 1.25, FirstTee: 0.6, TapesPerBed: 1,
			Bore: 28, Roughness: 0.0015},
		Laterals: hydraulics.Laterals{Lengths: []units.Metre{30}, LeadIn: 0.3, EmitterSpacing: 0.3, Bore: 15.9, Roughness: 0.0015},
		Emitters: hydraulics.Emitters{Flow: 0.98, At: 68.95, Exponent: 0.5},
	}
	if len(c.Zones) != 1 || !reflect.DeepEqual(c.Zones[0].Zone, want) {
		t.Errorf("got %+v, want %+v", c.Zones, want)
	}
	if w := c.Zones[0].Window; w != (Window{55, 68.95, 83}) {
		t.Errorf("window %+v", w)
	}
	if c.Box.Name != "north-box" || c.Box.Units != units.US {
		t.Errorf("box %+v", c.Box)
	}
	inj := dosing.Injector{Ratio: 0.02, Convention: dosing.StockInTotal, RatedFlow: 13.2 * 60}
	if c.Injector != inj || c.StartsAt != 34 {
		t.Errorf("injector %+v, starts at %v", c.Injector, c.StartsAt)
	}
	day := func(y int) time.Time { return time.Date(y, 4, 2, 0, 0, 0, 0, time.UTC) }
	b := safety.Backflow{Declared: true, Device: "reduced-pressure-zone", Place: "pump house", Tester: "licence 0000", LastTest: day(2026), NextDue: day(2027)}
	if c.Backflow != b {
		t.Errorf("backflow %+v", c.Backflow)
	}
	if c.Probe != (Probe{"east", 25 * time.Second}) {
		t.Errorf("probe %+v", c.Probe)
	}
	if len(c.Warnings) != 0 {
		t.Errorf("warnings %q", c.Warnings)
	}
}

// The same box in other units is the same box, to eleven figures.
func TestExampleInOtherUnits(t *testing.T) {
	a, b := load(t, "example.yaml"), load(t, "example-us.yaml")
	b.Zones[0].Laterals.Lengths = b.Zones[0].Laterals.Lengths[:1] // six equal ones
	b.Name, b.places = a.Name, a.places
	same(t, "config", reflect.ValueOf(*a), reflect.ValueOf(*b))
}

// same compares two values, numbers to 1e-10.
func same(t *testing.T, path string, a, b reflect.Value) {
	t.Helper()
	switch a.Kind() {
	case reflect.Float64:
		x, y := a.Float(), b.Float()
		if math.Abs(x-y) > 1e-10*math.Max(1e-3, math.Abs(x)) {
			t.Errorf("%s: %v and %v", path, x, y)
		}
	case reflect.Struct:
		if a.Type() == reflect.TypeFor[time.Time]() {
			if fmt.Sprint(a) != fmt.Sprint(b) {
				t.Errorf("%s: %v and %v", path, a, b)
			}
			return
		}
		for i := range a.NumField() {
			same(t, path+"."+a.Type().Field(i).Name, a.Field(i), b.Field(i))
		}
	case reflect.Slice:
		if a.Len() != b.Len() {
			t.Errorf("%s: %d and %d long", path, a.Len(), b.Len())
			return
		}
		for i := range a.Len() {
			same(t, fmt.Sprintf("%s[%d]", path, i), a.Index(i), b.Index(i))
		}
	default:
		if fmt.Sprint(a) != fmt.Sprint(b) {
			t.Errorf("%s: %v and %v", path, a, b)
		}
	}
}

func TestZonesAloneServe(t *testing.T) {
	data, err := os.ReadFile("testdata/example.yaml")
	if err != nil {
		t.Fatal(err)
	}
	zones, _, _ := strings.Cut(string(data), "box:")
	c, err := Parse("zones.yaml", []byte(zones))
	if err != nil {
		t.Fatal(err)
	}
	e, err := c.Engine("")
	if err != nil {
		t.Fatal(err)
	}
	if e.Backflow.Declared || e.Probe.Present || e.Observe {
		t.Errorf("got %+v", e)
	}
	if !reflect.DeepEqual(e.Limits, safety.DefaultLimits()) {
		t.Errorf("limits %+v", e.Limits)
	}
	if len(c.Warnings) != 3 {
		t.Errorf("want warnings for backflow, probe and ratio, got %q", c.Warnings)
	}
}

func TestFull(t *testing.T) {
	c := load(t, "full.yaml")
	z, err := c.Zone("west")
	if err != nil {
		t.Fatal(err)
	}
	// 8/10 and 12/10 psi about nominal: the window follows the inlet.
	if w := z.Window; math.Abs(float64(w.Low)-100*55/68.95) > 1e-9 || w.Target != 100 || math.Abs(float64(w.High)-100*83/68.95) > 1e-9 {
		t.Errorf("window %+v", w)
	}
	if z.Header.Feed != hydraulics.FeedCentre || !reflect.DeepEqual(z.Laterals.Lengths, []units.Metre{90, 83, 76}) || z.Laterals.Slope != -0.01 {
		t.Errorf("zone %+v", z)
	}
	far, err := c.Zone("far")
	if err != nil || far.Inlet != 70 || far.Regulator == nil || far.Window.Target != 70 || math.Abs(float64(far.Water)-10) > 1e-9 {
		t.Errorf("zone %+v, %v", far, err)
	}
	e, err := c.Engine("far")
	if err != nil {
		t.Fatal(err)
	}
	// University of Maryland FS-1121: 1 part to 50 of water is 1 in 51.
	if math.Abs(float64(e.Injector.Ratio)-1.0/51) > 1e-12 {
		t.Errorf("ratio %v", e.Injector.Ratio)
	}
	if !e.Probe.Present || !e.Observe || e.Injector.ECPerGPerL != 1190 || e.Injector.Strength != 75 || e.Plan.Injection != 30*time.Minute {
		t.Errorf("engine %+v", e)
	}
	if e.Injector.Meter != dosing.MeterWater || e.Injector.Convention != dosing.StockPerWater || e.Injector.RatioError != 0.04 || e.Dose.StrengthError != 0.03 {
		t.Errorf("dose %+v, injector %+v", e.Dose, e.Injector)
	}
	near := func(what string, got, want float64) {
		if math.Abs(got-want) > 1e-6*want {
			t.Errorf("%s is %v, want %v", what, got, want)
		}
	}
	l := e.Limits
	near("supply_collapse", float64(l.SupplyCollapse), 3*units.KPaPerPsi)
	near("backflow_margin", float64(l.BackflowMargin), 10)
	near("backflow_ec", float64(l.BackflowEC), 200)
	near("filter_torn", float64(l.FilterTorn), 0.4)
	near("max_flow", float64(e.Meter.MaxFlow), 15*units.LitrePerUSGallon*60)
	if e.Backflow.Supply != safety.PublicSupply || e.Backflow.Required != "reduced-pressure-zone" {
		t.Errorf("backflow %+v", e.Backflow)
	}
	if math.Abs(float64(e.Limits.SupplyLow)-12*6.894757) > 1e-4 || e.Limits.FreezeLead != 3*time.Hour || e.Limits.ECLimit != 2500 {
		t.Errorf("limits %+v", e.Limits)
	}
	bowl := engine.SmallVolume{Ratio: 0.25, Exposed: true}
	if e.Cooling.FilterBowl != bowl || e.Cooling.Injector != engine.DefaultCooling().Injector || !slices.Equal(e.Limits.Overridable, []string{"header-pressure-low", "ice"}) {
		t.Errorf("freeze %+v, holds %v", e.Cooling, e.Limits.Overridable)
	}
	if b := e.Limits.Deadband; e.Limits.MaxShelving != 2*time.Hour || math.Abs(float64(b.Pressure)-3.447379) > 1e-5 || b.Flow != 0.04 || b.Ratio != 0.03 || b.EC != 0.06 {
		t.Errorf("alarms %+v", e.Limits)
	}
	if e.Limits.SilentTemperature != 20*time.Minute {
		t.Errorf("limits %+v", e.Limits)
	}
	if w, err := c.Engine("west"); err != nil || w.Probe.Present {
		t.Errorf("the probe is in the far zone only: %+v, %v", w.Probe, err)
	}
}

// What turns stock into grams follows the plan's feed, or the file says why not.
func TestDoseOfPlan(t *testing.T) {
	dose := func(edit ...string) engine.Config {
		t.Helper()
		c, err := Parse("dose.yaml", []byte(strings.NewReplacer(edit...).Replace(string(Default()))))
		if err != nil {
			t.Fatal(err)
		}
		e, err := c.Engine("")
		if err != nil {
			t.Fatal(err)
		}
		return e
	}
	// 6 beds × 30 m at the guide's 5 ft, 3.5 lb N/ac: 1.524 m × 180 m = 274.3 m²,
	// 0.3923 g/m², 107.6 g N; 15.5-0-0 as the pure double salt holds 15.55 %
	// (hand computation; IUPAC masses).
	e := dose()
	if n := e.Dose.Mix.Nutrients(e.Dose.Due).N; len(e.Dose.Mix) != 1 || math.Abs(float64(n)-107.6) > 0.3 || e.Injector.Strength != 140 || e.Dose.Plants != 0 {
		t.Errorf("%+v holds %v g N, want 107.6", e.Dose, n)
	}
	e = dose("guide_spacing: 5 ft}", "guide_spacing: 5 ft, plant_spacing: 0.3 m, rows_per_bed: 2}", "plan: {feed: weekly-nitrogen}", "plan: {feed: weekly-nitrogen, ec_per_gram_per_litre: 1.3 mS/cm}")
	if e.Dose.Plants < 1188 || e.Dose.Plants > 1200 { // two rows of 0.3 m along 180 m
		t.Errorf("%v plants", e.Dose.Plants)
	}
	if r := e.Dose.Mix.ECRise(2); r.Rise != 2600 {
		t.Errorf("the EC stated does not rule: %+v", r)
	}
	if e = dose("plan: {feed: weekly-nitrogen}", "plan: {injection: 10 min}"); len(e.Dose.Mix) != 0 || e.Dose.Due != 0 {
		t.Errorf("no feed is planned: %+v", e.Dose)
	}
	two := dose("product: calcium-nitrate}", "product: calcium-nitrate, tank: A}\n      - {product: potassium-nitrate, tank: B}", "strength: 140 g/L}", "strength: 140 g/L}\n      - {name: B, volume: 20 L, strength: 100 g/L}")
	if len(two.Dose.Mix) != 0 || !strings.Contains(two.Dose.Why.String(), "2 tanks") {
		t.Errorf("two tanks: %+v", two.Dose)
	}
}

func TestFullRest(t *testing.T) {
	c := load(t, "full.yaml")
	f, err := c.Feed("")
	if err != nil || len(f.Products) != 2 || f.Target.Period != dosing.PerWeek || f.Products[1].Product.Analysis.K != 0.44 || !f.Products[1].Product.Hazards.Oxidiser {
		t.Errorf("feed %+v, %v", f, err)
	}
	if math.Abs(float64(f.Target.FieldArea)-404.68564224) > 1e-9 {
		t.Errorf("field area %v", f.Target.FieldArea)
	}
	want := []sensors.Wiring{
		{Channel: box.HeaderPressure, Bus: "/dev/i2c-1", Every: 100 * time.Millisecond, Driver: sensors.ADS1115{Address: 0x48, Minus: sensors.NoInput, FullScale: 4.096, Rate: 64,
			Signal: sensors.Signal{Kind: sensors.Loop, Span: sensors.Span{High: 30 * units.KPaPerPsi}, Shunt: 150, Divider: 1, SupplyDivider: 1, Volts: sensors.Span{High: 10}}}},
		{Channel: box.SupplyPressure, Bus: "/dev/i2c-1", Every: 200 * time.Millisecond, Driver: sensors.ADS1115{Address: 0x49, Plus: 2, Minus: sensors.NoInput, FullScale: 4.096, Rate: 64,
			Signal: sensors.Signal{Kind: sensors.Ratiometric, Span: sensors.Span{High: 1000}, Divider: 2, Supply: 3, SupplyDivider: 2, Volts: sensors.Span{High: 10}}}},
		{Channel: box.BoxEC, Bus: "/dev/i2c-3", Every: 100 * time.Millisecond, Driver: sensors.ADS1115{Address: 0x4a, Plus: 0, Minus: 1, FullScale: 2.048, Rate: 128,
			Signal: sensors.Signal{Kind: sensors.Voltage, Span: sensors.Span{High: 5000}, Divider: 5, SupplyDivider: 1, Volts: sensors.Span{High: 10}}}},
		{Channel: box.EndEC, Bus: "/dev/i2c-1", Every: 2 * time.Second, Driver: sensors.ECText{Address: 0x64, Command: "r", Wait: time.Second, Field: 1, Scale: 1000,
			Codes: sensors.TextCodes{Done: 1, Pending: 0xfd, Failed: 2, NoData: 0xfe}}},
		{Channel: box.MainFlow, Every: 200 * time.Millisecond, Driver: sensors.Pulses{Line: sensors.Line{Name: "GPIO17", Bias: sensors.BiasAsIs}, Meter: sensors.PulseMeter{PerLitre: 450, Most: 60}, Least: 0.6}},
		{Channel: box.StockDraw, Bus: "/dev/gpiochip1", Every: 100 * time.Millisecond, Driver: sensors.Pulses{
			Line:  sensors.Line{Chip: "/dev/gpiochip1", Offset: 4, Bias: sensors.BiasUp, Debounce: 5 * time.Millisecond},
			Meter: sensors.PulseMeter{PerLitre: 100, Most: 4}, Least: 0.1}},
		{Channel: box.WaterTemp, Every: 10 * time.Second, Driver: sensors.DS18B20{ID: "28-0123456789ab"}},
		{Channel: box.OutsideAirTemp, Bus: "/dev/serial/by-id/usb-*", Every: time.Second, Driver: sensors.Modbus{
			Serial: sensors.Serial{Baud: 19200, Parity: sensors.ParityEven, StopBits: 1, Timeout: 300 * time.Millisecond},
			Unit:   9, Input: true, Register: 2, Number: sensors.S16, Scale: 0.1}},
		{Bus: "/dev/i2c-1", Every: 200 * time.Millisecond, Driver: sensors.ADS1115{Address: 0x49, Plus: 1, Minus: sensors.NoInput, FullScale: 2.048, Rate: 64,
			Signal: sensors.Signal{Kind: sensors.Voltage, Span: sensors.Span{High: 22.528}, Divider: 11, SupplyDivider: 1, Volts: sensors.Span{High: 22.528}}}},
	}
	if got := c.Wirings(); !reflect.DeepEqual(got, want) {
		t.Errorf("sensors\n%+v, want\n%+v", got, want)
	}
	if d := c.Sensors[0].Calibrated; d.Format(time.DateOnly) != "2026-04-02" || !c.Sensors[1].Calibrated.IsZero() {
		t.Errorf("calibrated %v", d)
	}
	if b := c.Board; b.Least != 11.5 || *b.Button != (Button{Line: sensors.Line{Name: "GPIO27", Bias: sensors.BiasUp, Debounce: 30 * time.Millisecond}}) {
		t.Errorf("board %+v %+v", b, b.Button)
	}
	if c.Supply.Calcium != 2.5 || !c.Supply.Chlorinated {
		t.Errorf("supply %+v", c.Supply)
	}
	if got := c.Channels(); !reflect.DeepEqual(got, []box.Channel{box.SupplyPressure, box.HeaderPressure, box.MainFlow, box.StockDraw, box.BoxEC, box.EndEC, box.WaterTemp, box.OutsideAirTemp}) {
		t.Errorf("channels %v", got)
	}
	if c.MQTT.Broker != "mqtts://broker.example:8883" || c.MQTT.ClientID != "box-2" || !c.MQTT.NoReadBack || c.Influx.Bucket != "boxd" || c.Web.Listen != "[::1]:8080" ||
		!c.Web.Open || c.Web.OpenView || c.Web.TLS != TLSSelfMade || len(c.Web.Hosts) != 1 {
		t.Errorf("links %+v %+v %+v", c.MQTT, c.Influx, c.Web)
	}
	if a := c.Alerts[1]; a.Quiet != (Quiet{22 * time.Hour, 6*time.Hour + 30*time.Minute}) || a.Repeat != 10*time.Minute || c.Box.Dusk != 16*time.Hour+30*time.Minute || c.Web.Public == "" {
		t.Errorf("alerts %+v, dusk %v, page %q", a, c.Box.Dusk, c.Web.Public)
	}
	if text := fmt.Sprintf("%v %+v %#v %s", c.Alerts, *c, c.Alerts, c.Alerts[1].URL); strings.Contains(text, "hunter2") {
		t.Errorf("the secret prints itself: %s", text)
	}
}

func TestMessagesKeepSecrets(t *testing.T) {
	data, err := os.ReadFile("testdata/links.bad.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Parse("links.yaml", data); err == nil || strings.Contains(err.Error(), "hunter2") {
		t.Errorf("got %v", err)
	}
}

// A zone that only its solution shows to be unworkable gets its line too.
func TestUnfedZone(t *testing.T) {
	text := strings.Replace(string(Default()), "length: 30 m, lead_in", "length: 500 m, lead_in", 1)
	text = strings.Replace(text, "slope: 0 %, connector_loss", "slope: 1 %, connector_loss", 1)
	c, err := Parse("long.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	var fs Faults
	if _, err := c.Engine(""); !errors.As(err, &fs) || fs[0].Line != 15 || fs[0].Path != "zones[0].laterals" {
		t.Errorf("got %v", err)
	}
	if got := c.Fault("zones[0].laterals.slope", "is odd", "0 %").String(); !strings.HasPrefix(got, "long.yaml:16:") {
		t.Errorf("got %s", got)
	}
}

func TestNames(t *testing.T) {
	c := load(t, "full.yaml")
	for name, want := range map[string]string{"": "west, far", "nowhere": "west, far"} {
		if _, err := c.Zone(name); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("zone %q: %v", name, err)
		}
	}
	if _, err := c.Feed("none"); err == nil || !strings.Contains(err.Error(), "two-tanks") {
		t.Errorf("feed: %v", err)
	}
	if _, err := load(t, "example-us.yaml").Feed(""); err == nil || !strings.Contains(err.Error(), "list feeds") {
		t.Errorf("feed: %v", err)
	}
}

func TestDefaultIsGood(t *testing.T) {
	c, err := Parse("default.yaml", Default())
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Warnings) > 0 {
		t.Errorf("warnings: %q", c.Warnings)
	}
	e, err := c.Engine("")
	if err != nil {
		t.Fatal(err)
	}
	if !e.Probe.Present || e.Box != "north-box" || !e.Backflow.Declared {
		t.Errorf("engine config: %+v", e)
	}
}

// What the plan doesn't say follows from the feed it names. A dose
// worked by hand for the embedded tunnel: 180 m of bed at 5 ft
// is 274.32 m² or 0.067786 ac; × 3.5 lb is 107.62 g N; ÷ 0.155 is 694.3 g of
// 15.5-0-0; ÷ 140 g/L is 4.959 L of stock.
func TestPlanFollowsFeed(t *testing.T) {
	text := strings.Replace(string(Default()), "plan: {feed: weekly-nitrogen}", "plan: {feed: weekly-nitrogen, injection: 20 min}", 1)
	c, err := Parse("plan.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	e, err := c.Engine("")
	if err != nil {
		t.Fatal(err)
	}
	if e.Plan.Injection != 20*time.Minute || math.Abs(float64(e.Plan.Stock)-4.959) > 0.002 || e.Injector.Strength != 140 {
		t.Errorf("got %+v %+v", e.Plan, e.Injector)
	}
	// What the label warns of and what the crop bears come with the feed too.
	if !e.Stock.Known || !e.Stock.Oxidiser || e.Stock.StrongAcid || e.Limits.ECLimit != 2500 {
		t.Errorf("stock %+v, EC limit %v", e.Stock, e.Limits.ECLimit)
	}
	// EC of 1 g/L: 1.19 mS/cm by Kohlrausch and Onsager (Robinson and Stokes); a
	// little less at the line's 1.7 g/L.
	if per := e.Injector.ECPerGPerL; per < 1130 || per > 1190 {
		t.Errorf("EC of 1 g/L: %v", per)
	}
}

// TestWeakSupply: where only the weakest supply is said, the supply counts as
// gone below half of it at most.
func TestWeakSupply(t *testing.T) {
	for said, want := range map[string]units.KPa{"limits: {supply_low: 20 kPa}": 10, "limits: {supply_low: 90 kPa}": 15,
		"limits: {supply_low: 20 kPa, supply_collapse: 18 kPa}": 18} {
		c, err := Parse("weak.yaml", append(Default(), []byte(said+"\n")...))
		if err != nil {
			t.Fatal(err)
		}
		if e, err := c.Engine(""); err != nil || e.Limits.SupplyCollapse != want {
			t.Errorf("%s: %v, %v", said, e.Limits.SupplyCollapse, err)
		}
	}
}

// TestPublicSupply: a public supply without the class it demands is warned of.
func TestPublicSupply(t *testing.T) {
	text := strings.Replace(string(Default()), "backflow: {", "backflow: {supply: public, ", 1)
	c, err := Parse("public.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Warnings) != 1 || !strings.Contains(c.Warnings[0], "backflow.required") || !strings.Contains(c.Warnings[0], "local code") {
		t.Errorf("%q", c.Warnings)
	}
}

func TestDosePlanFaultsHaveAPlace(t *testing.T) {
	c, err := Parse("plan.yaml", Default())
	if err != nil {
		t.Fatal(err)
	}
	f, err := c.Feed("")
	if err != nil {
		t.Fatal(err)
	}
	f.Tanks = append(f.Tanks, dosing.Tank{Name: "A"}) // a fault that reading would have found
	m, err := c.Model(&c.Zones[0])
	if err != nil {
		t.Fatal(err)
	}
	var fs Faults
	if _, err := c.DosePlan(f, m); !errors.As(err, &fs) || fs[0].Line < 30 || !strings.HasPrefix(fs[0].Path, "feeds[0].tanks") {
		t.Errorf("got %v", err)
	}
}

func TestLoadFails(t *testing.T) {
	if _, err := Load(filepath.Join(t.TempDir(), "none.yaml")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("got %v", err)
	}
	big := filepath.Join(t.TempDir(), "big.yaml")
	if err := os.WriteFile(big, make([]byte, maxFile+10), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Load(big); err == nil || !strings.Contains(err.Error(), "larger") {
		t.Errorf("got %v", err)
	}
}

// Aliases stand for what they name; the parser's own loops don't hang it.
func TestAliases(t *testing.T) {
	text := strings.Replace(string(Default()), "inlet: 10 psi", "inlet: &p 10 psi", 1)
	text = strings.Replace(text, "target: 10 psi", "target: *p", 1)
	if _, err := Parse("a.yaml", []byte(text)); err != nil {
		t.Error(err)
	}
	if _, err := Parse("loop.yaml", []byte("zones: &a [*a, *a]\nbox: &b {name: *b}\n")); err == nil {
		t.Error("a loop passed")
	}
}

// Whatever the bytes, Parse answers: a config that serves, or faults with a
// place in the file.
func FuzzParse(f *testing.F) {
	files, err := filepath.Glob("testdata/*.yaml")
	if err != nil {
		f.Fatal(err)
	}
	for _, file := range files {
		data, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Add(Default())
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := Parse("fuzz.yaml", data)
		if err == nil {
			if len(c.Zones) == 0 {
				t.Error("no zone and no fault")
			}
			for _, z := range c.Zones {
				if fs := z.Validate(); len(fs) > 0 {
					t.Errorf("accepted: %v", fs)
				}
			}
			return
		}
		var faults Faults
		if !errors.As(err, &faults) || len(faults) == 0 {
			t.Fatalf("got %v", err)
		}
		for _, x := range faults {
			if x.Line < 1 || x.Column < 1 || x.Problem == "" {
				t.Errorf("fault without a place: %+v", x)
			}
		}
	})
}
