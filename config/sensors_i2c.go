package config

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"boxd/internal/box"
	"boxd/internal/sensors"
	"boxd/internal/units"
)

// ads1115 reads an input of that converter and what its voltage means.
func (d *decoder) ads1115(s section, w *sensors.Wiring) sensors.Driver {
	v := d.converter(s, w)
	s.need("signal", "loop")
	v.Signal = d.signal(s, w, v.FullScale)
	return v
}

// converter reads an input of that converter. What the file leaves out: the
// address with ADDR at ground, a range that suits a converter at 3.3 V, and a rate
// whose conversions last about a cycle of the mains, which averages hum out, and
// of which four fit into 100 ms.
func (d *decoder) converter(s section, w *sensors.Wiring) sensors.ADS1115 {
	v := sensors.ADS1115{Address: 0x48, Minus: sensors.NoInput, FullScale: 4.096, Rate: 64}
	d.i2cBus(s, w)
	s.need("input", "0")
	read(s, "address", &v.Address, busAddress)
	if a := s.at("address"); d.sound(a) && (v.Address < 0x48 || v.Address > 0x4b) {
		d.at(a, fmt.Sprintf("0x%02x is no address of an ADS1115", v.Address), "it has 0x48, 0x49, 0x4a or 0x4b, as its pin ADDR is wired")
	}
	d.inputs(s, &v)
	var scale units.Volt = 4.096
	read(s, "range", &scale, oneOf(units.ParseVolt, sensors.ADS1115Ranges(), "V"))
	v.FullScale = float64(scale)
	s.whole("samples_per_second", &v.Rate)
	if a := s.at("samples_per_second"); d.sound(a) && !slices.Contains(sensors.ADS1115Rates(), v.Rate) {
		d.at(a, fmt.Sprintf("%d is no rate of the ADS1115", v.Rate), "it has "+list(sensors.ADS1115Rates()))
	}
	return v
}

// chip is one address on an I2C bus with what is said of it.
type chip struct {
	first  *Sensor
	inputs map[[2]int]*Sensor
	supply map[int]bool
	took   time.Duration // for all its inputs
}

// chips checks what entries say of the same chip. A converter's inputs are read
// one after the other, at one beat.
func (d *decoder) chips(all []Sensor) {
	found, order := map[string]*chip{}, []*chip(nil)
	for i := range all {
		s := &all[i]
		var address uint16
		switch v := s.Driver.(type) {
		case sensors.ADS1115:
			address = v.Address
		case sensors.ECText:
			address = v.Address
		default:
			continue
		}
		if address == 0 {
			continue // a fault already
		}
		key := fmt.Sprintf("%s %x", s.Bus, address)
		c := found[key]
		if c == nil {
			c = &chip{first: s, inputs: map[[2]int]*Sensor{}, supply: map[int]bool{}, took: halfCycle}
			found[key], order = c, append(order, c)
		}
		d.chip(c, s)
	}
	for _, c := range order {
		if s := c.first; c.took > s.Every && d.sound(s.path+".every") {
			d.at(s.path, fmt.Sprintf("is at a converter whose inputs take %s to read, longer than every (%s)", Beat(c.took), Beat(s.Every)), "take more samples_per_second, or read it less often")
		}
	}
}

// chip adds an entry to its chip.
func (d *decoder) chip(c *chip, s *Sensor) {
	a, converter := s.Driver.(sensors.ADS1115)
	line := d.line(c.first.path)
	if c.first != s && (!converter || c.first.Driver.Name() != s.Driver.Name()) {
		d.at(s.path+".address", fmt.Sprintf("is that of %s (line %d)", c.first.path, line), "give each its own address")
		return
	}
	if !converter {
		return
	}
	if at := [2]int{a.Plus, a.Minus}; c.inputs[at] == nil {
		c.inputs[at] = s
		c.took += conversion(a.Rate)
	} else {
		o := c.inputs[at]
		d.at(s.path+".input", fmt.Sprintf("is read for %s already (%s, line %d)", o.Channel.Info().Column, o.path, d.line(o.path)), "check address and input")
	}
	if v := a.Signal; v.Kind == sensors.Ratiometric && !c.supply[v.Supply] {
		c.supply[v.Supply] = true
		c.took += conversion(a.Rate)
	}
	if s.Every != c.first.Every {
		d.at(s.path+".every", fmt.Sprintf("is %s, but %s for %s at the same converter (line %d)", Beat(s.Every), Beat(c.first.Every), c.first.path, line), "write the same for all inputs of a converter")
	}
}

// halfCycle is by how much every second reading of a converter begins late.
const halfCycle = 9 * time.Millisecond

// conversion is what one may take: the rate is good to 10 % (data sheet), and the
// transfers take their time.
func conversion(rate int) time.Duration {
	return time.Second*11/10/time.Duration(max(1, rate)) + 2*time.Millisecond
}

// i2cBus checks that the bus is one of I2C.
func (d *decoder) i2cBus(s section, w *sensors.Wiring) {
	n, ok := strings.CutPrefix(w.Bus, "/dev/i2c-")
	if _, err := strconv.ParseUint(n, 10, 16); (!ok || err != nil) && d.sound(s.at("bus")) {
		d.at(s.at("bus"), fmt.Sprintf("%q is no I2C bus", w.Bus), "write it like /dev/i2c-1")
	}
}

// inputs reads "0", or "0-1" for the difference of two.
func (d *decoder) inputs(s section, v *sensors.ADS1115) {
	type pair struct{ plus, minus int }
	p := pair{0, sensors.NoInput}
	read(s, "input", &p, func(text string) (pair, error) {
		for i := range 4 {
			if text == strconv.Itoa(i) {
				return pair{i, sensors.NoInput}, nil
			}
		}
		for _, p := range []pair{{0, 1}, {0, 3}, {1, 3}, {2, 3}} {
			if text == fmt.Sprintf("%d-%d", p.plus, p.minus) {
				return p, nil
			}
		}
		return pair{}, &units.QuantityError{Problem: fmt.Sprintf("%q is no input", text), Hint: "write 0 to 3, or for the difference of two 0-1, 0-3, 1-3, 2-3"}
	})
	v.Plus, v.Minus = p.plus, p.minus
}

// signal reads what the voltage at the converter means.
func (d *decoder) signal(s section, w *sensors.Wiring, fullScale float64) sensors.Signal {
	v := sensors.Signal{Divider: 1, SupplyDivider: 1, Volts: sensors.Span{Low: 0, High: 10}}
	word(s, "signal", &v.Kind, signalByName, "loop", "ratiometric", "voltage")
	v.Span = d.span(s, w.Channel)
	own := map[sensors.SignalKind][]string{
		sensors.Loop:        {"shunt"},
		sensors.Ratiometric: {"divider", "supply_input", "supply_divider"},
		sensors.Voltage:     {"divider", "low_volts", "high_volts"},
	}
	for _, key := range []string{"shunt", "divider", "supply_input", "supply_divider", "low_volts", "high_volts"} {
		if v.Kind != sensors.UnknownSignal && s.has(key) && !slices.Contains(own[v.Kind], key) {
			d.at(s.at(key), "is not for a signal of kind "+v.Kind.String(), "leave it out, or check signal")
		}
	}
	s.number("divider", &v.Divider)
	within(d, s.at("divider"), v.Divider, 1, 100, "", "2 for two equal resistors")
	switch v.Kind {
	case sensors.Loop:
		d.loop(s, &v, fullScale)
	case sensors.Ratiometric:
		d.ratiometric(s, &v, fullScale)
	case sensors.Voltage:
		d.voltage(s, &v, fullScale)
	case sensors.UnknownSignal:
	}
	return v
}

func signalByName(t string) (sensors.SignalKind, bool) {
	for k := sensors.Loop; k <= sensors.Voltage; k++ {
		if k.String() == t {
			return k, true
		}
	}
	return sensors.UnknownSignal, false
}

// failureCurrent is what a failed loop may bear, A (NAMUR NE 43: 21 mA). A range
// that can't show it would take a failure for a value.
const failureCurrent = 0.021

func (d *decoder) loop(s section, v *sensors.Signal, fullScale float64) {
	s.need("shunt", "150 ohm")
	var shunt units.Ohm = 150
	read(s, "shunt", &shunt, units.ParseOhm)
	v.Shunt = float64(shunt)
	within(d, s.at("shunt"), shunt, 1, 1000, "ohm", "150 ohm")
	if a := s.at("shunt"); d.sound(a) && v.Shunt*failureCurrent > fullScale {
		d.at(a, fmt.Sprintf("(%g ohm) makes %.4g V of the 21 mA of a failed loop, more than the range of %g V can show", v.Shunt, v.Shunt*failureCurrent, fullScale), "take a smaller shunt or a larger range")
	}
}

// supplyMost is the highest supply of a transducer for 5 V, V (10 % over).
const supplyMost = 5.5

func (d *decoder) ratiometric(s section, v *sensors.Signal, fullScale float64) {
	s.need("supply_input", "3")
	s.whole("supply_input", &v.Supply)
	within(d, s.at("supply_input"), float64(v.Supply), 0, 3, "", "3")
	s.number("supply_divider", &v.SupplyDivider)
	within(d, s.at("supply_divider"), v.SupplyDivider, 1, 100, "", "2 for two equal resistors")
	for _, key := range []string{"divider", "supply_divider"} {
		by := map[string]float64{"divider": v.Divider, "supply_divider": v.SupplyDivider}[key]
		if a := s.at(key); d.sound(a) && supplyMost/by > fullScale {
			d.at(a, fmt.Sprintf("(%g) leaves up to %.3g V of the transducer's supply at the input, more than the range of %g V can show", by, supplyMost/by, fullScale), "divide it by 2, with two equal resistors, or take a larger range")
		}
	}
	if a := s.at("supply_input"); d.sound(a) && s.has("supply_input") && valueIs(s, "input", v.Supply) {
		d.at(a, fmt.Sprintf("is the input of the signal itself (line %d)", d.line(s.at("input"))), "wire the transducer's supply to an input of its own")
	}
}

func valueIs(s section, key string, want int) bool {
	n := s.items[key]
	return n != nil && follow(n).Value == strconv.Itoa(want)
}

func (d *decoder) voltage(s section, v *sensors.Signal, fullScale float64) {
	low, high := units.Volt(v.Volts.Low), units.Volt(v.Volts.High)
	read(s, "low_volts", &low, units.ParseVolt)
	read(s, "high_volts", &high, units.ParseVolt)
	v.Volts = sensors.Span{Low: float64(low), High: float64(high)}
	below(d, s.at("low_volts"), low, s.at("high_volts"), high, "V")
	if end := max(math.Abs(v.Volts.Low), math.Abs(v.Volts.High)) / v.Divider; d.sound(s.at("divider")) && end > fullScale {
		d.at(s.at("divider"), fmt.Sprintf("(%g) leaves %.4g V at the input, more than the range of %g V can show", v.Divider, end, fullScale), "divide the voltage, say by how much under divider, or take a larger range")
	}
}

// oneOf reads a quantity that can be one of a few.
func oneOf[T ~float64](parse func(string) (T, error), few []float64, unit string) func(string) (T, error) {
	return func(text string) (T, error) {
		v, err := parse(text)
		if err == nil && !slices.Contains(few, float64(v)) {
			err = &units.QuantityError{Problem: fmt.Sprintf("%q is none of the ranges", text), Hint: "they are " + list(few) + " " + unit}
		}
		return v, err
	}
}

func list[T any](few []T) string {
	out := make([]string, len(few))
	for i, v := range few {
		out[i] = fmt.Sprint(v)
	}
	return strings.Join(out, ", ")
}

// ecText reads an EC probe that speaks ASCII on I2C. The status bytes are the
// data sheet's to say; the defaults are common ones.
func (d *decoder) ecText(s section, w *sensors.Wiring) sensors.Driver {
	v := sensors.ECText{Command: "R", Wait: 600 * time.Millisecond, Scale: 1, Codes: sensors.TextCodes{Done: 1, Pending: 254, Failed: 2, NoData: 255}}
	if w.Channel != box.BoxEC && w.Channel != box.EndEC {
		d.at(s.at("channel"), "is no EC, but the driver is for EC probes", "it can be "+box.BoxEC.Info().Column+" or "+box.EndEC.Info().Column)
	}
	d.i2cBus(s, w)
	s.need("address", "0x64")
	read(s, "address", &v.Address, busAddress)
	s.text("command", &v.Command)
	if a := s.at("command"); d.sound(a) && len(v.Command) > 16 {
		d.at(a, "is longer than 16 letters", "write the one that asks for a single reading, by the probe's data sheet")
	}
	read(s, "wait", &v.Wait, units.ParseDuration)
	d.period(s.at("wait"), v.Wait, 0, 10*time.Second, "600 ms")
	if d.sound(s.at("wait")) && d.sound(s.at("every")) && v.Wait >= w.Every {
		d.at(s.path, fmt.Sprintf("is read every %s, but needs %s for a reading", Beat(w.Every), Beat(v.Wait)), "change every or wait")
	}
	s.whole("field", &v.Field)
	within(d, s.at("field"), float64(v.Field), 0, 7, "", "0 for the first number of the answer")
	word(s, "unit", &v.Scale, conductivityUnit, "µS/cm", "mS/cm")
	for key, at := range map[string]*byte{"done": &v.Codes.Done, "pending": &v.Codes.Pending, "failed": &v.Codes.Failed, "no_data": &v.Codes.NoData} {
		read(s, key, at, statusByte)
	}
	return v
}

func conductivityUnit(t string) (float64, bool) {
	switch t {
	case "µS/cm", "uS/cm":
		return 1, true
	case "mS/cm", "dS/m":
		return 1000, true
	}
	return 1, false
}

func statusByte(text string) (byte, error) {
	v, err := strconv.ParseUint(text, 0, 8)
	if err != nil {
		return 0, &units.QuantityError{Problem: fmt.Sprintf("%q is no status byte", text), Hint: "write 0 to 255, by the probe's data sheet"}
	}
	return byte(v), nil
}
