package setup

import (
	"fmt"
	"strings"

	"boxd/config"
	"boxd/hw"
	"boxd/internal/say"
)

// Profile finds a board's profile by name.
func Profile(name string) (*config.Profile, bool) {
	text, err := hw.Files.ReadFile("profiles/" + name + ".yaml")
	if err != nil {
		return nil, false
	}
	p, err := config.ParseProfile(name, text)
	if err != nil {
		panic(fmt.Sprintf("setup: %v", err)) // a test reads them all
	}
	return p, true
}

// boards are what can be chosen, by what a board has for wires.
func boards() []Choice {
	return []Choice{
		{"header-40", say.T("Small board with one header of 40 pins, 3.3 V: converters on I2C, current loops, pulses on its lines")},
		{"header-2x46", say.T("Small board with two headers of 46 pins, 3.3 V: converters on I2C, ratiometric transducers, pulses on its lines")},
		{"rail", say.T("Linux computer on a DIN rail, 24 V: everything by RS-485, pulses on isolated inputs")},
		{"usb", say.T("Computer without pins: RS-485 adapter and bridges for I2C and lines on USB")},
		{ByLogger, say.T("A logger brings the readings: boxd was started with -samples")},
		{NoBoard, say.T("No instruments yet: only look and plan, every reading stays unknown")},
	}
}

// Switching is how the buses of the chosen board are switched on: path, what is on
// it, what to do.
func (d *Draft) Switching() []config.ProfileBus {
	if p, ok := Profile(d.Board); ok {
		return p.Buses
	}
	return nil
}

// Clock is what the profile says of the chosen board's clock.
func (d *Draft) Clock() string {
	if p, ok := Profile(d.Board); ok {
		return strings.TrimSpace(p.Clock)
	}
	return ""
}
