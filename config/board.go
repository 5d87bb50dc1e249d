package config

import (
	"time"

	"boxd/internal/box"
	"boxd/internal/sensors"
	"boxd/internal/units"
)

// Board is what is wired to the board for itself and for persons.
type Board struct {
	Supply *Sensor    // an input that measures its supply, V; nil: none
	Least  units.Volt // of the supply; 0: not said
	Button *Button    // nil: none
}

// Button says "done" at the box.
type Button struct {
	Line       sensors.Line
	ActiveHigh bool // its line is high while it is pressed
}

// board reads the section of that name. It comes after the sensors: its supply
// may be at a converter of theirs, and is then read with them.
func (d *decoder) board(s section, c *Config) {
	b := s.sub("board", "supply", "button")
	if b.has("supply") {
		d.boardSupply(b, c)
	}
	if b.has("button") {
		v := b.sub("button", "bus", "line", "bias", "debounce", "active")
		var bus string
		v.text("bus", &bus)
		button := &Button{Line: d.gpioLine(v, &bus)}
		word(v, "active", &button.ActiveHigh, func(t string) (bool, bool) { return t == "high", t == "high" || t == "low" }, "low", "high")
		if !v.has("bias") && !button.ActiveHigh {
			button.Line.Bias = sensors.BiasUp
		}
		if !v.has("debounce") {
			button.Line.Debounce = 30 * time.Millisecond
		}
		d.period(v.at("debounce"), button.Line.Debounce, 0, time.Second, "30 ms")
		c.Board.Button = button
	}
}

// boardSupply reads the input of a converter that measures the board's supply.
func (d *decoder) boardSupply(b section, c *Config) {
	s := b.sub("supply", "bus", "address", "input", "range", "samples_per_second", "divider", "least")
	v := &Sensor{path: s.path, Wiring: sensors.Wiring{Channel: box.UnknownChannel, Bus: "/dev/i2c-1", Every: time.Second}}
	s.text("bus", &v.Bus)
	chip := d.converter(s, &v.Wiring)
	chip.Signal = sensors.Signal{Kind: sensors.Voltage, Divider: 1, SupplyDivider: 1}
	s.number("divider", &chip.Signal.Divider)
	within(d, s.at("divider"), chip.Signal.Divider, 1, 100, "", "11 for 100 and 10 kohm")
	all := sensors.Span{High: chip.FullScale * chip.Signal.Divider} // what is measured is what it means
	chip.Signal.Volts, chip.Signal.Span = all, all
	read(s, "least", &c.Board.Least, units.ParseVolt)
	within(d, s.at("least"), c.Board.Least, 0, units.Volt(all.High), "V", "11.5 V for a lead battery of 12 V")
	v.Driver = chip
	for _, o := range c.Sensors {
		if a, ok := o.Driver.(sensors.ADS1115); ok && o.Bus == v.Bus && a.Address == chip.Address {
			v.Every = o.Every
		}
	}
	c.Board.Supply = v
}
