package config

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"boxd/internal/box"
	"boxd/internal/sensors"
	"boxd/internal/units"
)

// gpioLine reads a line of a GPIO chip: its name, or its number on the bus.
func (d *decoder) gpioLine(s section, bus *string) sensors.Line {
	v := sensors.Line{Bias: sensors.BiasAsIs}
	s.need("line", "GPIO17")
	read(s, "line", &v, func(text string) (sensors.Line, error) {
		if n, err := strconv.ParseUint(text, 10, 16); err == nil {
			v.Offset = uint32(n)
			return v, nil
		}
		if text == "" || len(text) > 31 || strings.ContainsFunc(text, func(r rune) bool { return r <= ' ' || r > '~' }) {
			return v, &units.QuantityError{Problem: fmt.Sprintf("%q is no line", text), Hint: "write the name the board gives it, as in GPIO17, or its number on the chip"}
		}
		v.Name = text
		return v, nil
	})
	if v.Name == "" && *bus == "" {
		*bus = "/dev/gpiochip0"
	}
	v.Chip = *bus
	word(s, "bias", &v.Bias, biasByName, "as-is", "up", "down", "off")
	read(s, "debounce", &v.Debounce, units.ParseDuration)
	return v
}

func biasByName(t string) (sensors.Bias, bool) {
	for b := sensors.BiasAsIs; b <= sensors.BiasOff; b++ {
		if b.String() == t {
			return b, true
		}
	}
	return sensors.UnknownBias, false
}

// jiffy is the longest step of a kernel's clock in use (100 a second). The kernel
// debounces in such steps, so a line is deaf for up to one longer than said.
const jiffy = 10 * time.Millisecond

// pulses reads a flow meter that gives pulses. Its smallest flow, unless said, is
// a hundredth of the largest (common practice, no source).
func (d *decoder) pulses(s section, w *sensors.Wiring) sensors.Driver {
	var v sensors.Pulses
	if w.Channel < box.MainFlow || w.Channel > box.StockDraw {
		d.at(s.at("channel"), "is no flow, but the driver is for flow meters", "it can be "+box.MainFlow.Info().Column+", "+box.InjectorFlow.Info().Column+" or "+box.StockDraw.Info().Column)
	}
	v.Line = d.gpioLine(s, &w.Bus)
	s.need("pulses_per_litre", "450")
	s.need("most_flow", "60 L/min")
	v.Meter = sensors.PulseMeter{PerLitre: 450, Most: 60}
	s.number("pulses_per_litre", &v.Meter.PerLitre)
	within(d, s.at("pulses_per_litre"), v.Meter.PerLitre, 0.01, 1e6, "", "what the meter's label says")
	flow := inColumn(box.MainFlow)
	read(s, "most_flow", &v.Meter.Most, flow)
	within(d, s.at("most_flow"), v.Meter.Most, 1e-6, 1e5, "L/min", "what the meter's label says")
	v.Least = v.Meter.Most / 100
	read(s, "least_flow", &v.Least, flow)
	below(d, s.at("least_flow"), v.Least, s.at("most_flow"), v.Meter.Most, "L/min")
	if d.sound(s.at("least_flow")) && d.sound(s.at("pulses_per_litre")) {
		d.pulseTimes(s, v)
	}
	return v
}

// standstillMost is how long it may take to see that a meter stands still.
const standstillMost = time.Minute

// pulseTimes holds what the meter gives against what can be told from it.
func (d *decoder) pulseTimes(s section, v sensors.Pulses) {
	perMin := v.Meter.PerLitre * v.Meter.Most
	if !(v.Least > 0) || 90/(v.Meter.PerLitre*v.Least) > standstillMost.Seconds() {
		d.at(s.at("pulses_per_litre"), fmt.Sprintf("leaves more than 40 s between two pulses at the smallest flow (%.4g L/min)", v.Least), "say the smallest flow that matters as least_flow, or take a meter with more pulses")
	}
	if most := 100000.0; perMin/60 > most {
		d.at(s.at("pulses_per_litre"), fmt.Sprintf("makes %.4g pulses a second at the largest flow, more than can be counted (%g)", perMin/60, most), "check both; pulses are per litre")
	}
	// Half of a period is a pulse's width; ISO 4064 lets a meter turn at 1.25 of its
	// largest flow (from memory).
	if width := time.Duration(30 / (1.25 * perMin) * float64(time.Second)); v.Line.Debounce < 0 || v.Line.Debounce > 0 && v.Line.Debounce+jiffy > width {
		d.at(s.at("debounce"), fmt.Sprintf("and the kernel's own 10 ms are longer than a pulse at the largest flow (%s): pulses would be lost", width.Round(10*time.Microsecond)), "leave it out, unless the meter has a contact that bounces")
	}
}

// ds18b20 reads a thermometer on the kernel's 1-Wire bus.
func (d *decoder) ds18b20(s section, w *sensors.Wiring) sensors.Driver {
	var v sensors.DS18B20
	if w.Channel.Info().Unit != "°C" {
		d.at(s.at("channel"), "is no temperature, but the driver is for thermometers", "it can be "+box.WaterTemp.Info().Column+", "+box.BoxAirTemp.Info().Column+" or "+box.OutsideAirTemp.Info().Column)
	}
	s.need("address", "28-0123456789ab")
	read(s, "address", &v.ID, func(text string) (string, error) {
		if !regexp.MustCompile(`^28-[0-9a-f]{12}$`).MatchString(text) {
			return "", &units.QuantityError{Problem: fmt.Sprintf("%q is no number of a DS18B20", text), Hint: "write the name below /sys/bus/w1/devices, as in 28-0123456789ab"}
		}
		return text, nil
	})
	return v
}

// modbus reads a value in the registers of an instrument on a serial line. What
// the file leaves out is common practice, no source.
func (d *decoder) modbus(s section, w *sensors.Wiring) sensors.Driver {
	v := sensors.Modbus{Unit: 1, Number: sensors.U16, Scale: 1, Serial: sensors.Serial{Baud: 9600, Parity: sensors.ParityNone, StopBits: 1, Timeout: 300 * time.Millisecond}}
	s.need("bus", "/dev/serial/by-id/usb-*")
	s.need("unit", "1")
	s.need("register", "0")
	s.need("one", "1 "+w.Channel.Info().Unit)
	d.counting(s, "unit", 1, 247, func(n int) { v.Unit = byte(n) })
	d.counting(s, "register", 0, 65535, func(n int) { v.Register = uint16(n) })
	word(s, "function", &v.Input, func(t string) (bool, bool) { return t == "input", t == "input" || t == "holding" }, "holding", "input")
	word(s, "number", &v.Number, numberByName, "u16", "s16", "u32", "s32", "f32")
	word(s, "words", &v.LowFirst, func(t string) (bool, bool) { return t == "low-first", t == "low-first" || t == "high-first" }, "high-first", "low-first")
	one, quantity := 1.0, inColumn(w.Channel)
	read(s, "zero", &v.Offset, quantity)
	read(s, "one", &one, quantity)
	v.Scale = one - v.Offset
	if v.Scale == 0 && d.sound(s.at("one")) && s.has("one") {
		d.at(s.at("one"), "is the same as zero", "write what 1 in the register means, and under zero what 0 means unless that is nothing")
	}
	d.serial(s, &v.Serial)
	return v
}

func numberByName(t string) (sensors.Number, bool) {
	for n := sensors.U16; n <= sensors.F32; n++ {
		if n.String() == t {
			return n, true
		}
	}
	return sensors.UnknownNumber, false
}

// counting reads a whole number within limits.
func (d *decoder) counting(s section, key string, low, high int, set func(n int)) {
	n := low
	s.whole(key, &n)
	within(d, s.at(key), float64(n), float64(low), float64(high), "", strconv.Itoa(low+1))
	set(min(max(n, low), high))
}

// serial reads how a port is set.
func (d *decoder) serial(s section, v *sensors.Serial) {
	d.counting(s, "stop_bits", 1, 2, func(n int) { v.StopBits = n })
	if s.has("baud") {
		d.counting(s, "baud", 300, 1000000, func(n int) { v.Baud = uint32(n) })
	}
	word(s, "parity", &v.Parity, parityByName, "none", "even", "odd")
	read(s, "timeout", &v.Timeout, units.ParseDuration)
	if a := s.at("timeout"); d.sound(a) && (v.Timeout < 20*time.Millisecond || v.Timeout > 5*time.Second) {
		d.at(a, fmt.Sprintf("is %s; it must be 20 ms to 5 s", Beat(v.Timeout)), "plausible: 300 ms")
	}
}

func parityByName(t string) (sensors.Parity, bool) {
	for p := sensors.ParityNone; p <= sensors.ParityOdd; p++ {
		if p.String() == t {
			return p, true
		}
	}
	return sensors.UnknownParity, false
}

// faulty reports whether anything below the path has a fault.
func (d *decoder) faulty(path string) bool {
	return slices.ContainsFunc(d.faults, func(f Fault) bool { return f.Path == path || strings.HasPrefix(f.Path, path+".") })
}

// wires finds two channels that are read at one place, and instruments on one
// serial line that set it differently.
func (d *decoder) wires(all []Sensor) {
	places, lines := map[string]*Sensor{}, map[string]*Sensor{}
	for i := range all {
		s := &all[i]
		if d.faulty(s.path) {
			continue
		}
		switch v := s.Driver.(type) {
		case sensors.Modbus:
			if f := lines[s.Bus]; f == nil {
				lines[s.Bus] = s
			} else if f.Driver.(sensors.Modbus).Serial != v.Serial {
				d.at(s.path, fmt.Sprintf("sets its serial line otherwise than %s (line %d)", f.path, d.line(f.path)), "give both the same baud, parity, stop_bits and timeout")
			}
		case sensors.Pulses, sensors.DS18B20:
		default:
			continue
		}
		if f := places[s.Wiring.String()]; f != nil {
			d.at(s.path, fmt.Sprintf("is read for %s already (%s, line %d)", f.Channel.Info().Column, f.path, d.line(f.path)), "check where it is wired")
			continue
		}
		places[s.Wiring.String()] = s
	}
}
