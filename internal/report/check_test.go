package report

// The form is checked against the names the contract fixes, the numbers
// against arithmetic anybody can redo: bore volumes and nominal emitter flow.

import (
	"bytes"
	"encoding/json"
	"errors"
	"math"
	"strings"
	"testing"

	"boxd/config"
)

func checked(t *testing.T, text string) *Checked {
	t.Helper()
	c, err := config.Parse("test.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	out, err := Check(c)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func TestJSONNames(t *testing.T) {
	var b bytes.Buffer
	if err := checked(t, string(config.Default())).WriteJSON(&b); err != nil {
		t.Fatal(err)
	}
	var got struct {
		Zones    []map[string]any
		Warnings []string
	}
	if err := json.Unmarshal(b.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	want := strings.Fields(`name total_flow_l_h box_outlet_kpa header_inlet_kpa first_emitter_kpa last_emitter_kpa
		min_emitter_kpa max_emitter_kpa emission_uniformity_pct lower_quarter_du_pct flow_variation_pct lead_volume_l
		header_volume_l laterals_volume_l travel_to_near_end_s travel_to_far_end_s flush_volume_l`)
	if len(got.Zones) != 1 || len(got.Zones[0]) != len(want) {
		t.Fatalf("got %v", got.Zones)
	}
	for _, name := range want {
		if _, ok := got.Zones[0][name]; !ok {
			t.Errorf("%s is missing", name)
		}
	}
	if !strings.Contains(b.String(), `"warnings":[]`) {
		t.Error("no warnings must be an empty list, not null")
	}
}

func TestNumbers(t *testing.T) {
	z := checked(t, string(config.Default())).JSON().Zones[0]
	bore := func(mm, m float64) float64 { return math.Pi / 4 * mm * mm * m / 1000 }
	near := func(name string, got, want, rel float64) {
		if math.Abs(got-want) > rel*want {
			t.Errorf("%s: %v, want %v", name, got, want)
		}
	}
	near("lead", z.LeadVolume, bore(28, 8), 1e-9)
	near("header", z.HeaderVolume, bore(28, 0.6+5*1.25), 1e-9)
	near("laterals", z.LateralsVolume, bore(15.9, 6*30), 1e-9)
	near("flow", z.TotalFlow, 6*100*0.98, 0.03) // all at nominal pressure, less a little friction
	if z.TotalFlow >= 6*100*0.98 || z.BoxOutlet < 68.9 || z.LastEmitter >= z.FirstEmitter {
		t.Errorf("friction gives pressure: %+v", z)
	}
	near("flow variation", z.FlowVariation, 100*(1-math.Sqrt(z.MinEmitter/z.MaxEmitter)), 1e-6) // exponent ½
	near("flush", z.FlushVolume, z.TotalFlow*z.TravelFar/3600, 1e-6)
}

func TestText(t *testing.T) {
	var us, metric bytes.Buffer
	if err := checked(t, string(config.Default())).WriteText(&us); err != nil {
		t.Fatal(err)
	}
	if err := checked(t, strings.Replace(string(config.Default()), "units: us", "units: metric", 1)).WriteText(&metric); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"box north-box", "zone tunnel: 6 beds of 98.4 ft", "10.0 psi", "gal/min", "8.0 psi to 12.0 psi"} {
		if !strings.Contains(us.String(), want) {
			t.Errorf("%q is not in:\n%s", want, us.String())
		}
	}
	for _, want := range []string{"6 beds of 30.00 m", "68.9 kPa", "L/min"} {
		if !strings.Contains(metric.String(), want) {
			t.Errorf("%q is not in:\n%s", want, metric.String())
		}
	}
	if strings.Contains(metric.String(), "psi") {
		t.Error("US units in the metric text")
	}
}

func TestRemarks(t *testing.T) {
	text := strings.Replace(string(config.Default()), "length: 30 m, lead_in", "length: 250 m, lead_in", 1)
	text = strings.Replace(text, "lead: {length: 8 m, inside_diameter: 28 mm", "lead: {length: 8 m, inside_diameter: 20 mm", 1)
	all := strings.Join(checked(t, text).Warnings, "\n")
	if !strings.Contains(all, "emitter flow varies") || !strings.Contains(all, "outside its window") {
		t.Errorf("got %q", all)
	}
}

// The wiring is told as understood, with what it can't show.
func TestSensors(t *testing.T) {
	const loop = "driver: ads1115, signal: loop, shunt: 150 ohm, "
	all := []string{
		"{channel: supply_kpa, " + loop + "input: 0, low: 0 psi, high: 100 psi}",
		"{channel: main_flow_lpm, " + loop + "input: 1, low: 0 L/min, high: 40 L/min}",
		"{channel: ec_box_us_cm, " + loop + "input: 2, low: 0 mS/cm, high: 5 mS/cm}",
		"{channel: ec_end_us_cm, driver: ads1115, signal: voltage, divider: 4, input: 3, low: 0 mS/cm, high: 5 mS/cm}",
	}
	of := func(text string, lines ...string) *Checked {
		return checked(t, text+"\nsensors:\n  - "+strings.Join(lines, "\n  - ")+"\n")
	}
	demo := string(config.Default())
	c := of(demo, all...)
	var b bytes.Buffer
	if err := c.WriteText(&b); err != nil {
		t.Fatal(err)
	}
	if want := "  FT-101  main flow           ads1115 /dev/i2c-1 0x48 input 1  every 100 ms\n"; !strings.Contains(b.String(), want) {
		t.Errorf("no %q in\n%s", want, b.String())
	}
	board := "\nboard: {supply: {address: 0x49, input: 3, divider: 11, least: 11.5 V}, button: {line: GPIO23}}\n"
	b.Reset()
	if err := checked(t, demo+"\nsensors:\n  - "+all[0]+board).WriteText(&b); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"  temperature  the kernel's own", "  supply       ads1115 /dev/i2c-1 0x49 input 3, every 1 s, at least 11.5 V\n", "  button       line GPIO23, low while it is pressed\n"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("no %q in\n%s", want, b.String())
		}
	}
	before := len(checked(t, demo).Warnings)
	for _, w := range []struct {
		got  *Checked
		want []string
	}{
		{c, []string{"sensors[3]: a broken wire"}},
		{of(demo, all[:3]...), []string{"no sensor for ec_end_us_cm"}},
		{of(demo, all[1:]...), []string{"sensors[2]: a broken wire", "no sensor for supply_kpa"}},
		{of(strings.Replace(demo, "line_end_probe: {zone: tunnel, lag: 25 s}", "", 1), all...), []string{"no line_end_probe: ", "sensors[3]: a broken wire", "no line_end_probe that says where"}},
	} {
		got := w.got.Warnings
		if len(got) != before+len(w.want) {
			t.Errorf("%q, want %q", got, w.want)
		}
		for _, part := range w.want {
			if !strings.Contains(strings.Join(got, "\n"), part) {
				t.Errorf("no %q in %q", part, got)
			}
		}
	}
}

// Every unworkable zone is named, not the first one only.
func TestUnworkable(t *testing.T) {
	zone := `
  - name: NAME
    lead: {length: 8 m, inside_diameter: 28 mm}
    header: {beds: 1, first_tee: 0.6 m, inside_diameter: 28 mm}
    laterals: {length: 500 m, lead_in: 0.3 m, emitter_spacing: 0.3 m, inside_diameter: 15.9 mm, slope: 1 %}
    emitters: {flow: 0.98 L/h, at: 10 psi}`
	c, err := config.Parse("hills.yaml", []byte("zones:"+strings.Replace(zone, "NAME", "a", 1)+strings.Replace(zone, "NAME", "b", 1)+"\n"))
	if err != nil {
		t.Fatal(err)
	}
	_, err = Check(c)
	var fs config.Faults
	if !errors.As(err, &fs) || len(fs) != 2 || fs[0].Line != 5 || fs[1].Line != 10 {
		t.Errorf("got %v", err)
	}
}
