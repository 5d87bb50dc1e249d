package config

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"gopkg.in/yaml.v3"

	"boxd/internal/dosing"
	"boxd/internal/engine"
	"boxd/internal/safety"
	"boxd/internal/units"
)

// Parse reads a file's content. The name is for messages. The error is a Faults
// with everything that is wrong.
func Parse(name string, data []byte) (*Config, error) {
	d := &decoder{file: name, places: places{}}
	c := defaults(name)
	if root := d.document(data); root != nil {
		d.root(root, c)
	}
	if len(d.faults) > 0 {
		d.faults.sort()
		return nil, d.faults
	}
	c.places = d.places
	c.warn(d)
	return c, nil
}

// defaults are what holds where the file says nothing.
//
// Injector: a small water-driven unit as the example file has it. Probe lag
// 25 s: a probe in a small flow cell. Meter: 1.5 % for a fitted flow sensor
// (common practice, no source), 0.5 % for the zone's geometry (as drawn).
func defaults(name string) *Config {
	return &Config{
		Name: name,
		Box:  Box{Name: "box", Timezone: time.UTC, Dusk: 17 * time.Hour},
		Injector: dosing.Injector{
			Ratio: units.Percent(2), Convention: dosing.StockInTotal, RatedFlow: units.LPerMin(13.2),
		},
		StartsAt: 34,
		Limits:   safety.DefaultLimits(),
		Probe:    Probe{Lag: 25 * time.Second},
		Meter:    engine.Meter{FlowError: units.Percent(1.5), GeometryError: units.Percent(0.5)},
		Cooling:  engine.DefaultCooling(),
		Web:      Web{Listen: "127.0.0.1:8080", OpenView: true},
		MQTT:     MQTT{Broker: "embedded", Listen: "127.0.0.1:1883"},
	}
}

// document parses the text into its only document's top node.
func (d *decoder) document(data []byte) *yaml.Node {
	if len(data) > maxFile {
		d.fault(pos{1, 1}, "", fmt.Sprintf("the file is larger than %d bytes", maxFile), "keep only the box's description in it")
		return nil
	}
	dec := yaml.NewDecoder(bytes.NewReader(data))
	var doc yaml.Node
	if err := dec.Decode(&doc); errors.Is(err, io.EOF) {
		d.fault(pos{1, 1}, "", "the file is empty", "describe at least one zone below zones:")
		return nil
	} else if err != nil {
		d.syntax(err)
		return nil
	}
	var next yaml.Node
	if err := dec.Decode(&next); err == nil {
		d.fault(placeOf(&next), "", "the file holds a second document", "keep everything in one, without a line of ---")
	} else if !errors.Is(err, io.EOF) {
		d.syntax(err)
	}
	if len(doc.Content) == 0 {
		return nil
	}
	return doc.Content[0]
}

// syntax turns the YAML parser's error into a fault at its line.
func (d *decoder) syntax(err error) {
	line, text := 1, strings.TrimPrefix(err.Error(), "yaml: ")
	if rest, ok := strings.CutPrefix(text, "line "); ok {
		number, why, _ := strings.Cut(rest, ": ")
		if n, err := strconv.Atoi(number); err == nil && n > 0 {
			line, text = n, why
		}
	}
	d.fault(pos{line, 1}, "", "is not YAML: "+text, "check indentation, colons and quotes on this line and the one before")
}

// root reads the whole file.
func (d *decoder) root(n *yaml.Node, c *Config) {
	s := d.section(n, "", "box", "zones", "injector", "supply", "backflow", "line_end_probe", "limits", "alarms", "plan",
		"person", "meter", "holds", "freeze", "web", "mqtt", "influx", "alerts", "feeds", "sensors", "board", "archive")
	if s.known && !s.has("zones") {
		d.fault(placeOf(n), "zones", "is missing", "describe at least one zone below zones:")
	}
	d.box(s, c)
	d.archive(s, &c.Archive)
	d.zones(s, c)
	d.injector(s, c)
	d.supply(s, &c.Supply)
	d.backflow(s, c)
	d.probe(s, c)
	d.limits(s, c)
	d.alarms(s, &c.Limits)
	d.plan(s, &c.Plan)
	s.sub("person", "observe").truth("observe", &c.Observe)
	d.meter(s, &c.Meter)
	d.holds(s, c)
	d.freeze(s, &c.Cooling)
	d.links(s, c)
	d.feeds(s, c)
	d.planFeed(c)
	d.sensors(s, c)
}

// boxName is what an MQTT topic and a file name bear. It is compiled for each
// use: package variables are not for work.
func boxName(text string) (string, error) {
	if !regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_-]{0,62}$`).MatchString(text) {
		return "", &units.QuantityError{Problem: fmt.Sprintf("%q can't name a box", text), Hint: "use letters, digits, - and _ only, as in north-box"}
	}
	return text, nil
}

func (d *decoder) box(s section, c *Config) {
	b := s.sub("box", "name", "units", "data", "timezone", "dusk")
	read(b, "dusk", &c.Box.Dusk, clockTime)
	read(b, "name", &c.Box.Name, boxName)
	word(b, "units", &c.Box.Units, units.SystemByName, "us", "metric")
	b.text("data", &c.Box.Data)
	read(b, "timezone", &c.Box.Timezone, func(text string) (*time.Location, error) {
		l, err := time.LoadLocation(text)
		if err != nil || text == "" {
			return nil, &units.QuantityError{Problem: fmt.Sprintf("%q is not a known time zone", text), Hint: "write UTC, Local or a name of the IANA data base, as in America/New_York"}
		}
		return l, nil
	})
}

// archive reads how long what is kept. A day is the least that makes sense of any.
func (d *decoder) archive(s section, v *Archive) {
	const year = 365 * 24 * time.Hour
	*v = Archive{ThinAfter: 90 * 24 * time.Hour, KeepRuns: 10 * year, KeepUndelivered: year, Most: 2000}
	a := s.sub("archive", "thin_after", "keep_runs", "keep_undelivered", "most_megabytes")
	for _, x := range []struct {
		key string
		dst *time.Duration
	}{{"thin_after", &v.ThinAfter}, {"keep_runs", &v.KeepRuns}, {"keep_undelivered", &v.KeepUndelivered}} {
		read(a, x.key, x.dst, func(text string) (time.Duration, error) {
			t, err := units.ParseDuration(text)
			if err == nil && t < 24*time.Hour {
				err = &units.QuantityError{Problem: fmt.Sprintf("%q is less than a day", text), Hint: "write for instance 90 d"}
			}
			return t, err
		})
	}
	if v.KeepRuns < v.ThinAfter {
		d.at("archive.keep_runs", fmt.Sprintf("is shorter than archive.thin_after (%.4g d)", v.ThinAfter.Hours()/24), "keep runs at least as long as all of their samples")
	}
	a.whole("most_megabytes", &v.Most)
	if v.Most < leastArchive {
		d.at("archive.most_megabytes", fmt.Sprintf("is %d", v.Most), fmt.Sprintf("give at least %d: a season of a hundred runs takes 60", leastArchive))
	}
}

// leastArchive is in MB: a few runs and their log.
const leastArchive = 20

// share reads a ratio as "2 %" or as "1:50".
func share(text string) (units.Ratio, error) {
	one, n, ok := strings.Cut(text, ":")
	if !ok {
		return units.ParseRatio(text)
	}
	v, err := strconv.ParseFloat(strings.TrimSpace(n), 64)
	if strings.TrimSpace(one) != "1" || err != nil || !(v >= 1 && v <= 1e6) {
		return 0, &units.QuantityError{Problem: fmt.Sprintf("%q is not a ratio", text), Hint: "write 2 % or 1:50"}
	}
	return dosing.OneIn(v), nil
}

func convention(text string) (dosing.Convention, bool) {
	for c := dosing.StockInTotal; c <= dosing.StockPerWater; c++ {
		if c.String() == text {
			return c, true
		}
	}
	return 0, false
}

func (d *decoder) injector(s section, c *Config) {
	i := s.sub("injector", "ratio", "convention", "rated_flow", "starts_at", "lowest_flow", "dial_low", "dial_high", "branch_flow", "meter", "ratio_error")
	read(i, "ratio", &c.Injector.Ratio, share)
	word(i, "convention", &c.Injector.Convention, convention, "stock-in-total", "stock-per-water")
	read(i, "rated_flow", &c.Injector.RatedFlow, units.ParseLPerH)
	read(i, "starts_at", &c.StartsAt, units.ParseKPa)
	read(i, "lowest_flow", &c.Injector.LowestFlow, units.ParseLPerH)
	read(i, "dial_low", &c.Injector.DialLow, share)
	read(i, "dial_high", &c.Injector.DialHigh, share)
	read(i, "branch_flow", &c.Injector.BranchFlow, units.ParseLPerH)
	word(i, "meter", &c.BranchMeter, branchMeter, "water", "mixture")
	read(i, "ratio_error", &c.RatioError, units.ParseRatio)
	within(d, "injector.ratio_error", c.RatioError*100, 0, 50, "%", "5 %")
	d.dosing(c.Injector.Check().Under("injector"))
	within(d, "injector.starts_at", c.StartsAt, 1, 700, "kPa", "34 kPa (5 psi)")
}

// branchMeter reads what the meter in the injector's branch counts.
func branchMeter(text string) (dosing.BranchMeter, bool) {
	switch text {
	case "water":
		return dosing.MeterWater, true
	case "mixture":
		return dosing.MeterMixture, true
	}
	return 0, false
}

// within wants low ≤ v ≤ high of a value in the wire unit named.
func within[T ~float64](d *decoder, path string, v, low, high T, unit, plausible string) {
	if d.sound(path) && !(v >= low && v <= high) {
		if unit != "" {
			unit = " " + unit
		}
		d.at(path, fmt.Sprintf("is %.6g%s; it must be %g to %g%s", float64(v), unit, float64(low), float64(high), unit), "plausible: "+plausible)
	}
}

// sound reports whether the path has no fault so far. What follows from a
// faulty value need not be told.
func (d *decoder) sound(path string) bool {
	for _, f := range d.faults {
		if f.Path == path {
			return false
		}
	}
	return true
}

// dosing takes over the faults that package dosing finds.
func (d *decoder) dosing(fs dosing.Faults) {
	for _, f := range fs {
		if !d.sound(f.Field) {
			continue
		}
		d.at(f.Field, f.Problem, "plausible: "+f.Plausible)
	}
}

func milliequivalents(text string) (dosing.MeqPerL, error) {
	number, ok := strings.CutSuffix(strings.TrimSpace(text), "meq/L")
	v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
	if !ok || err != nil || !units.Finite(v) {
		return 0, &units.QuantityError{Problem: fmt.Sprintf("%q is not an amount of charge in a volume", text), Hint: "write for instance 2.5 meq/L"}
	}
	return dosing.MeqPerL(v), nil
}

func (d *decoder) supply(s section, v *dosing.Supply) {
	w := s.sub("supply", "flow", "ec", "calcium", "magnesium", "bicarbonate", "sulfate", "chlorinated")
	read(w, "flow", &v.Flow, units.ParseLPerH)
	read(w, "ec", &v.EC, units.ParseUSPerCm)
	read(w, "calcium", &v.Calcium, milliequivalents)
	read(w, "magnesium", &v.Magnesium, milliequivalents)
	read(w, "bicarbonate", &v.Bicarbonate, milliequivalents)
	read(w, "sulfate", &v.Sulfate, milliequivalents)
	w.truth("chlorinated", &v.Chlorinated)
	d.dosing(v.Check().Under("supply"))
}

func (d *decoder) backflow(s section, c *Config) {
	b := s.sub("backflow", "device", "place", "last_test", "next_due", "tester", "supply", "required")
	b.need("device", "reduced-pressure-zone")
	v := &c.Backflow
	b.text("device", &v.Device)
	b.text("place", &v.Place)
	b.text("tester", &v.Tester)
	kinds, words := wordOf(safety.PublicSupply, safety.PrivateSupply)
	word(b, "supply", &v.Supply, kinds, words...)
	b.text("required", &v.Required)
	b.day("last_test", &v.LastTest, c.Box.Timezone)
	b.day("next_due", &v.NextDue, c.Box.Timezone)
	v.Declared = v.Device != ""
	if !v.LastTest.IsZero() && !v.NextDue.IsZero() && !v.NextDue.After(v.LastTest) {
		d.at("backflow.next_due", fmt.Sprintf("(%s) must be after backflow.last_test (%s, line %d)",
			v.NextDue.Format(time.DateOnly), v.LastTest.Format(time.DateOnly), d.line("backflow.last_test")),
			"plausible: "+v.LastTest.AddDate(1, 0, 0).Format(time.DateOnly)+"; the tester's report says it")
	}
}

func (d *decoder) probe(s section, c *Config) {
	p := s.sub("line_end_probe", "zone", "lag")
	p.text("zone", &c.Probe.Zone)
	read(p, "lag", &c.Probe.Lag, units.ParseDuration)
	if c.Probe.Lag < 0 || c.Probe.Lag > 10*time.Minute {
		d.at("line_end_probe.lag", fmt.Sprintf("is %s; it must be 0 s to 10 min", units.Elapsed(c.Probe.Lag)), "plausible: 25 s")
	}
	if !p.known {
		return
	}
	if c.Probe.Zone == "" && len(c.Zones) != 1 {
		p.need("zone", "the zone it is in")
		return
	}
	z, err := c.Zone(c.Probe.Zone)
	if err != nil {
		d.at("line_end_probe.zone", fmt.Sprintf("%q is none of the zones", c.Probe.Zone), d.zoneHint(c, c.Probe.Zone))
		return
	}
	c.Probe.Zone = z.Name
}

func (d *decoder) zoneHint(c *Config, name string) string {
	names := make([]string, len(c.Zones))
	for i, z := range c.Zones {
		names[i] = z.Name
	}
	if near, ok := nearest(name, names); ok {
		return fmt.Sprintf("did you mean %s (line %d)?", near, d.line("zones"))
	}
	return "the zones are " + strings.Join(names, ", ")
}

func (d *decoder) limits(s section, c *Config) {
	l := s.sub("limits", "supply_low", "supply_collapse", "backflow_margin", "backflow_ec", "ec_limit", "filter_warn", "filter_clean",
		"filter_torn", "flow_high", "flow_low", "ratio_warn", "ratio_alarm", "freeze_water", "freeze_air", "freeze_lead", "silent", "silent_temperature")
	v := &c.Limits
	read(l, "supply_low", &v.SupplyLow, units.ParseKPa)
	read(l, "supply_collapse", &v.SupplyCollapse, units.ParseKPa)
	read(l, "backflow_margin", &v.BackflowMargin, units.ParseKPa)
	read(l, "backflow_ec", &v.BackflowEC, units.ParseUSPerCm)
	read(l, "ec_limit", &v.ECLimit, units.ParseUSPerCm)
	read(l, "filter_warn", &v.FilterWarn, units.ParseKPa)
	read(l, "filter_clean", &v.FilterClean, units.ParseKPa)
	read(l, "filter_torn", &v.FilterTorn, units.ParseRatio)
	read(l, "flow_high", &v.FlowHigh, units.ParseRatio)
	read(l, "flow_low", &v.FlowLow, units.ParseRatio)
	read(l, "ratio_warn", &v.RatioWarn, units.ParseRatio)
	read(l, "ratio_alarm", &v.RatioAlarm, units.ParseRatio)
	read(l, "freeze_water", &v.FreezeWater, units.ParseCelsius)
	read(l, "freeze_air", &v.FreezeAir, units.ParseCelsius)
	read(l, "freeze_lead", &v.FreezeLead, units.ParseDuration)
	read(l, "silent", &v.Silent, units.ParseDuration)
	read(l, "silent_temperature", &v.SilentTemperature, units.ParseDuration)
	c.supplyLowSaid = l.has("supply_low")
	d.checkLimits(v)
	d.checkBackflow(v)
}

// checkBackflow checks what signs of backflow are judged by. The supply counts as
// gone below half of what is weak, where the file says nothing else.
func (d *decoder) checkBackflow(v *safety.Limits) {
	within(d, "limits.supply_collapse", v.SupplyCollapse, 0, 700, "kPa", "15 kPa (2 psi)")
	within(d, "limits.backflow_margin", v.BackflowMargin, 1, 50, "kPa", "7 kPa (1 psi)")
	within(d, "limits.backflow_ec", v.BackflowEC, 20, 5000, "µS/cm", "150 µS/cm")
	if d.written("limits.supply_collapse") {
		below(d, "limits.supply_collapse", v.SupplyCollapse, "limits.supply_low", v.SupplyLow, "kPa")
	} else {
		v.SupplyCollapse = min(v.SupplyCollapse, v.SupplyLow/2)
	}
}

func (d *decoder) checkLimits(v *safety.Limits) {
	within(d, "limits.supply_low", v.SupplyLow, 0, 1600, "kPa", "70 kPa (10 psi)")
	within(d, "limits.ec_limit", v.ECLimit, 0, 20000, "µS/cm", "2500 µS/cm")
	within(d, "limits.filter_warn", v.FilterWarn, 1, 300, "kPa", "20 kPa (3 psi)")
	within(d, "limits.filter_clean", v.FilterClean, 1, 300, "kPa", "35 kPa (5 psi)")
	within(d, "limits.filter_torn", v.FilterTorn*100, 10, 90, "%", "50 %")
	within(d, "limits.flow_high", v.FlowHigh*100, 1, 100, "%", "12 %")
	within(d, "limits.flow_low", v.FlowLow*100, 1, 100, "%", "12 %")
	within(d, "limits.ratio_warn", v.RatioWarn*100, 1, 100, "%", "10 %")
	within(d, "limits.ratio_alarm", v.RatioAlarm*100, 1, 100, "%", "25 %")
	within(d, "limits.freeze_water", v.FreezeWater, 0, 20, "°C", "3 °C")
	within(d, "limits.freeze_air", v.FreezeAir, -20, 20, "°C", "0 °C")
	d.period("limits.freeze_lead", v.FreezeLead, 0, 48*time.Hour, "2 h")
	d.period("limits.silent", v.Silent, time.Second, time.Hour, "30 s")
	d.period("limits.silent_temperature", v.SilentTemperature, time.Second, time.Hour, "15 min")
	below(d, "limits.filter_warn", v.FilterWarn, "limits.filter_clean", v.FilterClean, "kPa")
	below(d, "limits.ratio_warn", v.RatioWarn*100, "limits.ratio_alarm", v.RatioAlarm*100, "%")
}

// alarms reads how alarms behave; what they are judged by stands under limits.
func (d *decoder) alarms(s section, v *safety.Limits) {
	a := s.sub("alarms", "shelve_at_most", "pressure_deadband", "flow_deadband", "ratio_deadband", "ec_deadband")
	b := &v.Deadband
	read(a, "shelve_at_most", &v.MaxShelving, units.ParseDuration)
	read(a, "pressure_deadband", &b.Pressure, units.ParseKPa)
	read(a, "flow_deadband", &b.Flow, units.ParseRatio)
	read(a, "ratio_deadband", &b.Ratio, units.ParseRatio)
	read(a, "ec_deadband", &b.EC, units.ParseRatio)
	d.period("alarms.shelve_at_most", v.MaxShelving, time.Minute, 24*time.Hour, "4 h")
	within(d, "alarms.pressure_deadband", b.Pressure, 0, 20, "kPa", "2 kPa")
	within(d, "alarms.ec_deadband", b.EC*100, 0, 50, "%", "5 %")
	within(d, "alarms.flow_deadband", b.Flow*100, 0, 50, "%", "5 %")
	within(d, "alarms.ratio_deadband", b.Ratio*100, 0, 50, "%", "2 %")
}

func (d *decoder) period(path string, v, low, high time.Duration, plausible string) {
	if d.sound(path) && (v < low || v > high) {
		d.at(path, fmt.Sprintf("is %s; it must be %s to %s", units.Elapsed(v), units.Elapsed(low), units.Elapsed(high)), "plausible: "+plausible)
	}
}

// below wants a < b and names both places.
func below[T ~float64](d *decoder, pathA string, a T, pathB string, b T, unit string) {
	if a < b || !d.sound(pathA) || !d.sound(pathB) {
		return
	}
	at, other, rel := pathA, pathB, "below"
	v, w := a, b
	if !d.written(pathA) { // the default can't be the wrong one
		at, other, rel, v, w = pathB, pathA, "above", b, a
	}
	place := "the default"
	if d.written(other) {
		place = fmt.Sprintf("line %d", d.line(other))
	}
	d.at(at, fmt.Sprintf("(%.6g %s) must be %s %s (%.6g %s, %s)", float64(v), unit, rel, other, float64(w), unit, place), "change one of the two")
}

func (d *decoder) plan(s section, v *Plan) {
	p := s.sub("plan", "feed", "injection", "stock", "strength", "strength_error", "ec_per_gram_per_litre")
	p.text("feed", &v.Feed)
	read(p, "injection", &v.Injection, units.ParseDuration)
	read(p, "stock", &v.Stock, units.ParseLitre)
	read(p, "strength", &v.Strength, units.ParseGPerL)
	read(p, "strength_error", &v.StrengthError, units.ParseRatio)
	read(p, "ec_per_gram_per_litre", &v.ECPerGPerL, units.ParseUSPerCm)
	d.period("plan.injection", v.Injection, 0, 24*time.Hour, "15 min")
	within(d, "plan.stock", v.Stock, 0, 10000, "L", "12 L")
	within(d, "plan.strength", v.Strength, 0, 2000, "g/L", "75 g/L")
	within(d, "plan.strength_error", v.StrengthError*100, 0, 50, "%", "2 %")
	within(d, "plan.ec_per_gram_per_litre", v.ECPerGPerL, 0, 5000, "µS/cm", "1200 µS/cm")
}

func (d *decoder) meter(s section, v *engine.Meter) {
	m := s.sub("meter", "flow_error", "geometry_error", "max_flow")
	read(m, "flow_error", &v.FlowError, units.ParseRatio)
	read(m, "geometry_error", &v.GeometryError, units.ParseRatio)
	read(m, "max_flow", &v.MaxFlow, units.ParseLPerH)
	within(d, "meter.max_flow", v.MaxFlow.LPerMin(), 0, 2000, "L/min", "60 L/min; the meter's data sheet says it")
	within(d, "meter.flow_error", v.FlowError*100, 0, 25, "%", "1.5 %")
	within(d, "meter.geometry_error", v.GeometryError*100, 0, 25, "%", "1 %")
}

// holds reads which holds a named person may lift for a run.
func (d *decoder) holds(s section, c *Config) {
	h := s.sub("holds", "overridable")
	for i, n := range h.list("overridable") {
		path := index(h.at("overridable"), i)
		n, ok := d.scalar(n, path)
		if !ok {
			continue
		}
		may := safety.OverridableHolds()
		switch {
		case slices.Contains(safety.FixedHolds(), n.Value):
			d.at(path, fmt.Sprintf("the hold %s guards drinking water and can't be overridden", n.Value), "take it out; a licensed tester's report or a repaired sensor ends it")
		case !slices.Contains(may, n.Value):
			d.at(path, fmt.Sprintf("%q is not a hold boxd knows", n.Value), "it can be "+strings.Join(may, ", "))
		case slices.Contains(c.Limits.Overridable, n.Value):
			d.at(path, n.Value+" is named twice", "keep one of them")
		default:
			c.Limits.Overridable = append(c.Limits.Overridable, n.Value)
		}
	}
}

// freeze reads the small volumes that freeze first.
func (d *decoder) freeze(s section, v *engine.Cooling) {
	f := s.sub("freeze", "filter_bowl", "injector", "backflow_device")
	d.smallVolume(f, "filter_bowl", &v.FilterBowl)
	d.smallVolume(f, "injector", &v.Injector)
	d.smallVolume(f, "backflow_device", &v.BackflowDevice)
}

func (d *decoder) smallVolume(s section, key string, v *engine.SmallVolume) {
	b := s.sub(key, "ratio", "exposed")
	read(b, "ratio", &v.Ratio, units.ParseRatio)
	b.truth("exposed", &v.Exposed)
	within(d, b.at("ratio"), v.Ratio*100, 1, 200, "%", "30 %")
}

// listen reads an address to listen on.
func listen(text string) (string, error) {
	_, port, err := net.SplitHostPort(text)
	if n, bad := strconv.ParseUint(port, 10, 16); err != nil || bad != nil || n > 65535 {
		return "", &units.QuantityError{Problem: fmt.Sprintf("%q is not an address to listen on", text), Hint: "write host:port, as in 127.0.0.1:8080"}
	}
	return text, nil
}

// address reads a URL of one of the schemes.
func address(example string, schemes ...string) func(string) (string, error) {
	return func(text string) (string, error) {
		u, err := url.Parse(text)
		if err == nil && u.Host != "" && u.User == nil {
			for _, s := range schemes {
				if u.Scheme == s {
					return text, nil
				}
			}
		}
		return "", &units.QuantityError{Problem: "is not a URL that can be used here", Hint: fmt.Sprintf("write %s, as in %s, with no name or password in it", strings.Join(schemes, ":// or ")+"://", example)}
	}
}
