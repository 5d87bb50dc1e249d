package setup

import (
	"fmt"
	"path"
	"strings"

	"boxd/config"
	"boxd/hw"
	"boxd/internal/say"
)

// Profiles are the boards there are profiles of.
func Profiles() []*config.Profile {
	entries, err := hw.Profiles.ReadDir("profiles")
	if err != nil {
		panic("setup: " + err.Error()) // embedded: they are there
	}
	var out []*config.Profile
	for _, e := range entries {
		text, err := hw.Profiles.ReadFile(path.Join("profiles", e.Name()))
		if err != nil {
			panic("setup: " + err.Error())
		}
		p, err := config.ParseProfile(e.Name(), text)
		if err != nil {
			panic(fmt.Sprintf("setup: %v", err)) // a test reads them all
		}
		out = append(out, p)
	}
	return out
}

// Profile finds a board's profile by name.
func Profile(name string) (*config.Profile, bool) {
	for _, p := range Profiles() {
		if p.Name == name {
			return p, true
		}
	}
	return nil, false
}

// boards are what can be chosen, by what a board has for wires.
func boards() []Choice {
	out := make([]Choice, 0, 6)
	for _, p := range Profiles() {
		says := say.Verbatim(p.Board)
		switch p.Name {
		case "header-40":
			says = say.T("Small board with one header of 40 pins, 3.3 V: converters on I2C, current loops, pulses on its lines")
		case "header-2x46":
			says = say.T("Small board with two headers of 46 pins, 3.3 V: converters on I2C, ratiometric transducers, pulses on its lines")
		case "rail":
			says = say.T("Linux computer on a DIN rail, 24 V: everything by RS-485, pulses on isolated inputs")
		case "usb":
			says = say.T("Computer without pins: RS-485 adapter and bridges for I2C and lines on USB")
		}
		out = append(out, Choice{p.Name, says})
	}
	return append(out,
		Choice{ByLogger, say.T("A logger brings the readings: boxd was started with -samples")},
		Choice{NoBoard, say.T("No instruments yet: only look and plan, every reading stays unknown")})
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
