package setup

// A draft is filled in as a person does, field by field, and held against what
// package config and package report make of its text: the guide must not say
// anything that they don't, nor lose anything of what they say.

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"boxd/config"
	"boxd/hw"
	"boxd/internal/box"
	"boxd/internal/sensors"
)

// answers of the zone of config/default.yaml, whose numbers check's own tests hold
// against EPANET.
func answers() map[string]string {
	return map[string]string{
		"box.name": "south-box", "box.units": "metric", "box.timezone": "America/Chicago",
		"backflow.said": "declared", "backflow.supply": "public", "backflow.device": "reduced-pressure-zone", "backflow.required": "reduced-pressure-zone",
		"backflow.place": "pump house: by the door", "backflow.last_test": "2026-04-02", "backflow.next_due": "2027-04-02", "backflow.tester": "licence #0000",
		"injector.ratio": "1:50", "injector.convention": "stock-in-total", "injector.rated_flow": "6 L/min", "injector.starts_at": "34 kPa", "injector.meter": "water",
		"zones[0].name": "tunnel", "zones[0].inlet": "10 psi", "zones[0].lead.length": "8 m", "zones[0].lead.inside_diameter": "28 mm", "zones[0].lead.slope": "-1 %",
		"zones[0].header.feed": "end", "zones[0].header.beds": "6", "zones[0].header.bed_spacing": "1.25 m", "zones[0].header.first_tee": "0.6 m", "zones[0].header.inside_diameter": "28 mm",
		"zones[0].laterals.length": "30 m", "zones[0].laterals.lead_in": "0.3 m", "zones[0].laterals.emitter_spacing": "0.3 m", "zones[0].laterals.inside_diameter": "15.9 mm",
		"zones[0].emitters.flow": "0.98 L/h", "zones[0].emitters.at": "10 psi", "zones[0].emitters.exponent": "0.5", "line_end_probe.lag": "25 s",
		// What instruments' labels say.
		"low": "0 kPa", "high": "1000 kPa", "pulses_per_litre": "450", "most_flow": "60 L/min",
	}
}

// one of a channel's register, as a label says it.
func one(i Instrument) string {
	c, _ := box.ChannelByColumn(i.Of)
	return map[string]string{"kPa": "0.1 kPa", "µS/cm": "1 µS/cm", "°C": "0.1 °C"}[c.Info().Unit]
}

// fill answers every step of a draft.
func fill(t *testing.T, d *Draft, board string, all map[string]string) {
	t.Helper()
	for _, s := range Steps() {
		err := d.Take(s, func(name string) string {
			if name == "board" {
				return board
			}
			at, key, ok := d.instrument(name)
			switch {
			case !ok:
				return all[name]
			case key == "one":
				return one(d.Instruments[at])
			case key == "address" && d.said(name) == "":
				return fmt.Sprintf("28-0000000000%02d", at)
			case all[key] != "":
				return all[key]
			case key == "calibrated":
				return "2026-03-01"
			}
			return d.said(name)
		})
		if err != nil {
			t.Fatal(err)
		}
	}
}

func TestEveryBoardComesToAConfiguration(t *testing.T) {
	files, err := hw.Files.ReadDir("profiles")
	if err != nil || len(boards()) != len(files)+2 {
		t.Errorf("%d boards can be chosen of %d profiles, %v", len(boards()), len(files), err)
	}
	for _, choice := range boards() {
		board := choice.Value
		d := &Draft{Listen: "0.0.0.0:8080"}
		fill(t, d, board, answers())
		r := d.Check("box.yaml")
		if r.Config == nil {
			t.Fatalf("%s: %v\n%s", board, r.Faults, r.Text)
		}
		c := r.Config
		if c.Box.Name != "south-box" || c.Backflow.Place != "pump house: by the door" || c.Backflow.Tester != "licence #0000" || !c.Backflow.Declared || c.Web.Listen != "0.0.0.0:8080" || c.Web.Open || c.MQTT.Broker != "" {
			t.Errorf("%s: read back as %+v", board, c)
		}
		if math.Abs(float64(c.Injector.Ratio)-0.02) > 1e-12 || math.Abs(float64(c.Zones[0].Lead.Slope)+0.01) > 1e-12 {
			t.Errorf("%s: ratio %v, slope %v", board, c.Injector.Ratio, c.Zones[0].Lead.Slope)
		}
		wired := 0
		if p, ok := Profile(board); ok {
			wired = len(p.Sensors)
			if (c.Board.Supply != nil) != (p.Supply != nil) || (c.Board.Button != nil) != (p.Button != nil) {
				t.Errorf("%s: the board is read back as %+v", board, c.Board)
			}
		}
		if len(c.Sensors) != wired || len(d.Wirings()) != wired {
			t.Errorf("%s: %d sensors and %d wirings, want %d", board, len(c.Sensors), len(d.Wirings()), wired)
		}
		if d.At(r) != RunStep {
			t.Errorf("%s: not done with %s", board, d.At(r))
		}
		// What is kept is what was answered.
		b, err := json.Marshal(d)
		if err != nil {
			t.Fatal(err)
		}
		again := Draft{Listen: d.Listen}
		if err := json.Unmarshal(b, &again); err != nil || again.YAML() != r.Text {
			t.Errorf("%s: kept and read, it is another file: %v\n%s", board, err, again.YAML())
		}
	}
}

// The zone is that of the simulated box; what check prints of it is what the guide
// shows.
func TestFactsAreThoseOfCheck(t *testing.T) {
	d := &Draft{}
	all := answers()
	delete(all, "zones[0].lead.slope")
	for _, s := range []Step{ZoneStep} {
		if err := d.Take(s, func(n string) string { return all[n] }); err != nil {
			t.Fatal(err)
		}
	}
	f := d.Check("x").Zone
	if f == nil {
		t.Fatal("no facts")
	}
	cfg, err := config.Parse("default", config.Default())
	if err != nil {
		t.Fatal(err)
	}
	m, err := cfg.Model(&cfg.Zones[0])
	if err != nil {
		t.Fatal(err)
	}
	s := m.Summary()
	if math.Abs(f.FlushL-float64(s.FlushVolume)) > 1e-9 || math.Abs(f.FlowLpm-s.TotalFlow.LPerMin()) > 1e-9 || f.WorstKPa != float64(s.MinEmitter) ||
		math.Abs(f.FlushMin*f.FlowLpm-f.FlushL) > 1e-9 || f.FarMin != s.TravelFar.Minutes() {
		t.Errorf("%+v of %+v", f, s)
	}
}

// Whatever is wrong is told at the field that it is about.
func TestFaultsAreToldAtTheirField(t *testing.T) {
	const board = "header-40"
	small := answers()
	small["zones[0].laterals.length"] = "3 m" // soon solved
	for _, x := range []struct{ field, answer, says string }{
		{"box.name", "", "still to be said"},
		{"box.name", "north box", "can't name a box"},
		{"box.units", "", "still to be said"},
		{"box.timezone", "Mars/Olympus", "not a known time zone"},
		{"backflow.said", "", "still to be said"},
		{"backflow.supply", "", "still to be said"},
		{"backflow.device", "", "still to be said"},
		{"backflow.required", "", "still to be said"},
		{"backflow.next_due", "2026-01-01", "must be after"},
		{"backflow.last_test", "soon", "is not a date"},
		{"injector.ratio", "fifty", "fifty"},
		{"injector.convention", "", "still to be said"},
		{"injector.rated_flow", "6", "6"},
		{"injector.meter", "", "still to be said"},
		{"injector.starts_at", "9000 kPa", "it must be 1 to 700 kPa"},
		{"line_end_probe.lag", "2 h", "0 s to 10 min"},
		{"zones[0].name", "", "still to be said"},
		{"zones[0].inlet", "10", "10"},
		{"zones[0].lead.length", "8 psi", "psi"},
		{"zones[0].header.beds", "six", "not a whole number"},
		{"zones[0].header.bed_spacing", "", "still to be said"},
		{"zones[0].header.tapes_per_bed", "40", "40"},
		{"zones[0].laterals.length", "30 m, 28 m", "2"},
		{"zones[0].laterals.length", "30 m, x, 30 m, 30 m, 30 m, 30 m", "x"},
		{"zones[0].laterals.inside_diameter", "0 mm", "0"},
		{"zones[0].emitters.exponent", "two", "not a plain number"},
		{"i0.channel", "header_kpa", "wired already"},
		{"i0.low", "", "still to be said"},
		{"i0.high", "9 L", "9 L"},
		{"i0.shunt", "900 ohm", "more than the range"},
		{"i0.bus", "/dev/tty", "no I2C bus"},
		{"i5.pulses_per_litre", "0", "0"},
		{"i10.address", "", "still to be said"},
		{"i10.address", "28-xyz", "no number of a DS18B20"},
		{"i10.calibrated", "never", "is not a date"},
		{"i12.divider", "1000", "1 to 100"},
	} {
		d := &Draft{}
		fill(t, d, board, small)
		d.set(x.field, x.answer)
		r := d.Check("box.yaml")
		told := slices.ContainsFunc(r.Faults, func(f Fault) bool { return strings.Contains(f.Text.String(), x.says) && near(d, f, x.field) })
		if r.Config != nil || !told {
			t.Errorf("%s %q: %+v", x.field, x.answer, r.Faults)
		}
	}
}

// near reports whether a fault is told at the field, or at another of what both are
// about, as two channels at one place are.
func near(d *Draft, f Fault, field string) bool {
	if f.Field == field {
		return true
	}
	_, _, a := d.instrument(f.Field)
	_, key, b := d.instrument(field)
	return a && b && key == "channel"
}

// Nothing is taken for granted of backflow protection, and a class that the supply
// doesn't take is for the core to hold.
func TestNothingIsPreselected(t *testing.T) {
	d := &Draft{}
	for _, s := range []Step{BackflowStep, InjectorStep, NameStep, BoardStep} {
		for _, f := range d.Fields(s) {
			if s == BackflowStep && f.Practice != "" {
				t.Errorf("%s is filled in with %q", f.Name, f.Practice)
			}
			if _, ok := d.Answer(f.Name); ok {
				t.Errorf("%s has an answer before anybody gave one", f.Name)
			}
		}
	}
	all := answers()
	all["backflow.said"] = "not-yet"
	fill(t, d, NoBoard, all)
	r := d.Check("box.yaml")
	if r.Config == nil || r.Config.Backflow.Declared || !slices.ContainsFunc(r.Warnings, func(w string) bool { return strings.Contains(w, "advice to inject is withheld") }) {
		t.Errorf("%v %v", r.Faults, r.Warnings)
	}
}

func TestAnotherBoardBeginsAnew(t *testing.T) {
	d := &Draft{}
	take := func(board string) error {
		return d.Take(BoardStep, func(string) string { return board })
	}
	if err := take("rail"); err != nil {
		t.Fatal(err)
	}
	d.set("i0.bus", "/dev/ttyS9")
	if err := take("rail"); err != nil || d.said("i0.bus") != "/dev/ttyS9" {
		t.Errorf("the same board again: %v, bus %q", err, d.said("i0.bus"))
	}
	if err := take("usb"); err != nil || d.said("i0.bus") != "/dev/i2c-7" {
		t.Errorf("another board: %v, bus %q", err, d.said("i0.bus"))
	}
	if err := take("toaster"); err == nil || d.Board != "usb" {
		t.Errorf("no such board: %v, %s", err, d.Board)
	}
}

// IEC 60381-1: 4 mA and 20 mA are the ends of the span. 450 pulses a litre at 60
// L/min are 450 a second.
func TestWhatAMeterAtTheWireShows(t *testing.T) {
	loop := sensors.Wiring{Driver: sensors.ADS1115{Signal: sensors.Signal{Kind: sensors.Loop, Span: sensors.Span{Low: 0, High: 1000}}}}
	ratio := sensors.Wiring{Driver: sensors.ADS1115{Signal: sensors.Signal{Kind: sensors.Ratiometric, Span: sensors.Span{Low: 0, High: 1000}}}}
	volt := sensors.Wiring{Driver: sensors.ADS1115{Signal: sensors.Signal{Kind: sensors.Voltage, Span: sensors.Span{Low: 0, High: 1000}, Volts: sensors.Span{Low: 2, High: 10}}}}
	pulse := sensors.Wiring{Driver: sensors.Pulses{Meter: sensors.PulseMeter{PerLitre: 450}}}
	bus := sensors.Wiring{Driver: sensors.Modbus{Scale: 0.1, Offset: -50}}
	for _, x := range []struct {
		w    sensors.Wiring
		v, n float64
		unit string
	}{{loop, 0, 4, "mA"}, {loop, 1000, 20, "mA"}, {ratio, 500, 50, "%"}, {volt, 1000, 10, "V"}, {pulse, 60, 450, "Hz"}, {bus, 0, 500, ""}} {
		if n, unit, ok := Wire(x.w, x.v); !ok || math.Abs(n-x.n) > 1e-9 || unit != x.unit {
			t.Errorf("%+v at %v: %v %s %v, want %v", x.w, x.v, n, unit, ok, x.n)
		}
	}
	if _, _, ok := Wire(sensors.Wiring{Driver: sensors.DS18B20{}}, 20); ok {
		t.Error("a thermometer has a wire")
	}
}

// An answer is a value and nothing more, whatever is in it.
// TestWhatIsAddedByHandWillDo: the examples stand in a file of the guide's.
func TestWhatIsAddedByHandWillDo(t *testing.T) {
	d := &Draft{}
	fill(t, d, NoBoard, answers())
	const after = "\n# What is dialled"
	text := d.YAML()
	if !strings.Contains(text, after) {
		t.Fatal(text)
	}
	c, err := config.Parse("box.yaml", []byte(strings.Replace(text, after, ExampleZone()+after, 1)+ExampleFeed(d.ZoneName())))
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Zones) != 2 || len(c.Feeds) != 1 {
		t.Fatalf("%d zones, %d feeds", len(c.Zones), len(c.Feeds))
	}
	for _, z := range c.Zones {
		if _, err := c.Engine(z.Name); err != nil {
			t.Error(err)
		}
	}
}

func FuzzAnAnswerIsNeverMoreThanAValue(f *testing.F) {
	try := func(t *testing.T, text string) {
		d := &Draft{}
		d.set("box.name", clean(text))
		d.set("backflow.said", declared)
		for _, f := range []string{"backflow.device", "backflow.place", "zones[0].name"} {
			d.set(f, clean(text))
		}
		_, err := config.Parse("box.yaml", []byte(d.YAML()))
		for w := range strings.Lines(fmt.Sprint(err)) {
			if strings.Contains(w, "is not YAML") || strings.Contains(w, "not a key boxd knows") || strings.Contains(w, "given twice") || strings.Contains(w, "second document") {
				t.Fatalf("%q: %s\n%s", text, w, d.YAML())
			}
		}
		place := &Draft{Values: map[string]string{saidField: declared, "backflow.device": "x", "backflow.place": clean(text)}}
		const bench = "\n  - {name: z, lead: {length: 8 m, inside_diameter: 28 mm}, header: {beds: 1, first_tee: 1 m, inside_diameter: 28 mm}, " +
			"laterals: {length: 30 m, lead_in: 0.3 m, emitter_spacing: 0.3 m, inside_diameter: 16 mm}, emitters: {flow: 1 L/h, at: 69 kPa}}\n"
		c, err := config.Parse("box.yaml", []byte(strings.Replace(place.YAML(), "\n  - name: \"\"\n", bench, 1)))
		if clean(text) != "" && (err != nil || c.Backflow.Place != clean(text)) {
			t.Fatalf("%q is read back as %+v, %v", clean(text), c, err)
		}
	}
	for _, text := range []string{"a}, web: {access: open", "x # y", "a: b", "- 1", "*a", "!!int 3", "null", "~", "\"", "'", "a\nb: c", "yes", "…", "\u2028", "%", "?", "|", "[", "\\", "\u0085", "\ufffd"} {
		f.Add(text)
	}
	f.Fuzz(try)
}
