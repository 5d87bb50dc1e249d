package config

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"gopkg.in/yaml.v3"

	"boxd/internal/box"
	"boxd/internal/sensors"
	"boxd/internal/units"
)

// Sensor is one channel's wiring.
type Sensor struct {
	sensors.Wiring
	Calibrated time.Time // zero: not said

	path string // sensors[0]
}

// driver is one way to read an instrument: its keys beside the common ones, and
// what makes it of them.
type driver struct {
	keys  []string
	every time.Duration // unless the file says it
	bus   string        // likewise
	read  func(d *decoder, s section, v *sensors.Wiring) sensors.Driver
}

// drivers are all there are, by name.
func drivers() map[string]driver {
	return map[string]driver{
		"ads1115": {
			keys:  []string{"address", "input", "range", "samples_per_second", "signal", "low", "high", "shunt", "divider", "supply_input", "supply_divider", "low_volts", "high_volts"},
			every: 100 * time.Millisecond, bus: "/dev/i2c-1", read: (*decoder).ads1115,
		},
		"ec-text": {
			keys:  []string{"address", "command", "wait", "field", "unit", "done", "pending", "failed", "no_data"},
			every: time.Second, bus: "/dev/i2c-1", read: (*decoder).ecText,
		},
		"pulse": {
			keys:  []string{"line", "bias", "debounce", "pulses_per_litre", "most_flow", "least_flow"},
			every: 100 * time.Millisecond, read: (*decoder).pulses,
		},
		"ds18b20": {keys: []string{"address"}, every: 5 * time.Second, read: (*decoder).ds18b20},
		"modbus": {
			keys:  []string{"unit", "function", "register", "number", "words", "zero", "one", "baud", "parity", "stop_bits", "timeout"},
			every: time.Second, read: (*decoder).modbus,
		},
	}
}

// How often an instrument may be read.
const (
	everyLeast = 10 * time.Millisecond
	everyMost  = time.Hour
)

// sensors reads the wiring.
func (d *decoder) sensors(s section, c *Config) {
	seen := map[box.Channel]string{}
	for i, e := range s.list("sensors") {
		path := index("sensors", i)
		v, ok := d.sensor(e, path)
		if v.Channel == box.UnknownChannel {
			continue
		}
		if first, twice := seen[v.Channel]; twice {
			d.at(path+".channel", fmt.Sprintf("%s is wired already (%s, line %d)", v.Channel.Info().Column, first, d.line(first)), "keep one of them")
			continue
		}
		seen[v.Channel] = path
		if ok {
			c.Sensors = append(c.Sensors, v)
		}
	}
	d.board(s, c)
	if c.Board.Supply != nil {
		d.chips(append(slices.Clip(c.Sensors), *c.Board.Supply))
	} else {
		d.chips(c.Sensors)
	}
	for _, v := range c.Sensors {
		if _, ok := seen[box.WaterTemp]; v.Raw && !ok {
			d.at(v.path+".compensated", "needs the temperature of the water, but no sensor has the channel "+box.WaterTemp.Info().Column, "wire a thermometer, or take an instrument that compensates by itself")
		}
	}
	d.wires(c.Sensors)
}

// sensor reads one entry. The driver comes first: it decides which keys there
// are.
func (d *decoder) sensor(n *yaml.Node, path string) (Sensor, bool) {
	v := Sensor{path: path}
	keys := []string{"channel", "driver", "bus", "every", "calibrated", "compensated"}
	how, known := drivers()[valueOf(n, "driver")]
	if known {
		keys = append(keys, how.keys...)
	} else { // one fault for the driver, none for its keys
		keys = append(keys, keysOf(n)...)
	}
	s := d.section(n, path, keys...)
	s.need("channel", "header_kpa")
	s.need("driver", "ads1115")
	read(s, "channel", &v.Channel, channel)
	var name string
	read(s, "driver", &name, driverName)
	v.Every, v.Bus = how.every, how.bus
	s.text("bus", &v.Bus)
	read(s, "every", &v.Every, units.ParseDuration)
	s.day("calibrated", &v.Calibrated, time.UTC)
	d.compensated(s, &v)
	if !known {
		return v, false
	}
	if a := s.at("every"); d.sound(a) && (v.Every < everyLeast || v.Every > everyMost) {
		d.at(a, fmt.Sprintf("is %s; it must be %s to %s", Beat(v.Every), Beat(everyLeast), Beat(everyMost)), "plausible: "+Beat(how.every))
	}
	if v.Channel == box.UnknownChannel {
		return v, false // its quantity decides how the rest is read
	}
	v.Driver = how.read(d, s, &v.Wiring)
	return v, true
}

// compensated reads whether an instrument gives EC at 25 °C by itself.
func (d *decoder) compensated(s section, v *Sensor) {
	by := true
	s.truth("compensated", &by)
	v.Raw = !by
	switch a := s.at("compensated"); {
	case !s.has("compensated") || v.Channel == box.BoxEC:
	case v.Channel == box.EndEC && v.Raw:
		d.at(a, "can't be false at the line end: the water there is not as warm as at the box, where its temperature is taken", "take an instrument that compensates by itself")
	case v.Channel != box.UnknownChannel && v.Channel != box.EndEC:
		d.at(a, "is for EC alone", "leave it out")
	}
}

// Beat writes a time between readings.
func Beat(d time.Duration) string {
	if d < time.Second {
		return strconv.FormatInt(d.Milliseconds(), 10) + " ms"
	}
	return units.Elapsed(d)
}

// valueOf is the plain value of a mapping's key; empty where there is none.
func valueOf(n *yaml.Node, key string) string {
	m := follow(n)
	for i := 0; m.Kind == yaml.MappingNode && i+1 < len(m.Content); i += 2 {
		if k, v := m.Content[i], follow(m.Content[i+1]); k.Value == key && v.Kind == yaml.ScalarNode {
			return v.Value
		}
	}
	return ""
}

func keysOf(n *yaml.Node) (keys []string) {
	m := follow(n)
	for i := 0; m.Kind == yaml.MappingNode && i+1 < len(m.Content); i += 2 {
		if k := m.Content[i]; k.Kind == yaml.ScalarNode {
			keys = append(keys, k.Value)
		}
	}
	return keys
}

func driverName(text string) (string, error) {
	var names []string
	for name := range drivers() {
		if name == text {
			return name, nil
		}
		names = append(names, name)
	}
	slices.Sort(names)
	hint := "the drivers are " + strings.Join(names, ", ")
	if near, ok := nearest(text, names); ok {
		hint = fmt.Sprintf("did you mean %s?", near)
	}
	return "", &units.QuantityError{Problem: fmt.Sprintf("%q is no driver", text), Hint: hint}
}

// channel reads a trace column's name.
func channel(text string) (box.Channel, error) {
	if c, ok := box.ChannelByColumn(text); ok {
		return c, nil
	}
	var names []string
	for c := box.UnknownChannel + 1; c < box.NumChannels; c++ {
		names = append(names, c.Info().Column)
	}
	hint := "the channels are " + strings.Join(names, ", ")
	if near, ok := nearest(text, names); ok {
		hint = fmt.Sprintf("did you mean %s?", near)
	}
	return box.UnknownChannel, &units.QuantityError{Problem: fmt.Sprintf("%q is no channel", text), Hint: hint}
}

// inColumn reads a quantity of the channel's kind, in the unit of its column.
func inColumn(c box.Channel) func(text string) (float64, error) {
	switch c.Info().Unit {
	case "kPa":
		return func(text string) (float64, error) { v, err := units.ParseKPa(text); return float64(v), err }
	case "L/min":
		return func(text string) (float64, error) { v, err := units.ParseLPerH(text); return v.LPerMin(), err }
	case "µS/cm":
		return func(text string) (float64, error) { v, err := units.ParseUSPerCm(text); return float64(v), err }
	}
	return func(text string) (float64, error) { v, err := units.ParseCelsius(text); return float64(v), err }
}

// span reads what the two ends of a signal mean.
func (d *decoder) span(s section, c box.Channel) (v sensors.Span) {
	s.need("low", "0 "+c.Info().Unit)
	s.need("high", "1000 "+c.Info().Unit)
	read(s, "low", &v.Low, inColumn(c))
	read(s, "high", &v.High, inColumn(c))
	if s.has("low") && s.has("high") && d.sound(s.at("low")) && d.sound(s.at("high")) && v.Low == v.High {
		d.at(s.at("high"), fmt.Sprintf("is the same as low (line %d)", d.line(s.at("low"))), "write what the two ends of the signal mean, by the instrument's label")
	}
	return v
}

// busAddress reads an I2C address of seven bits; the outer ones are reserved.
func busAddress(text string) (uint16, error) {
	v, err := strconv.ParseUint(text, 0, 16)
	if err != nil || v < 0x08 || v > 0x77 {
		return 0, &units.QuantityError{Problem: fmt.Sprintf("%q is no I2C address", text), Hint: "write 0x08 to 0x77, as in 0x48"}
	}
	return uint16(v), nil
}

// warnSensors tells of wiring that can't show what it should.
func (c *Config) warnSensors(say func(string, ...any)) {
	if len(c.Sensors) == 0 {
		return // a logger brings the samples
	}
	has := map[box.Channel]bool{}
	for _, s := range c.Sensors {
		has[s.Channel] = true
		if a, ok := s.Driver.(sensors.ADS1115); ok && a.Signal.Kind == sensors.Voltage && a.Signal.Volts.Low <= 0 {
			say("%s: a broken wire of a signal from %.4g V reads as a value; a 4–20 mA loop shows it", s.path, a.Signal.Volts.Low)
		}
	}
	switch {
	case has[box.EndEC] && c.Probe.Zone == "":
		say("there is a sensor for %s, but no line_end_probe that says where it is: the flush is told without it", box.EndEC.Info().Column)
	case !has[box.EndEC] && c.Probe.Zone != "":
		say("there is a line_end_probe, but no sensor for %s", box.EndEC.Info().Column)
	}
	for _, need := range []box.Channel{box.SupplyPressure, box.MainFlow, box.BoxEC} {
		if !has[need] {
			say("no sensor for %s: what rests on it stays unknown, and is held where it is a matter of safety", need.Info().Column)
		}
	}
}
