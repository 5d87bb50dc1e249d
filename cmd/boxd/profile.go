package main

import (
	"errors"
	"fmt"
	"os"
	"strings"

	"boxd/config"
	"boxd/internal/sensors"
	"boxd/internal/sensors/hwio"
)

// maxProfile bounds a board's profile, in bytes.
const maxProfile = 64 << 10

// profile is what a board's profile (hw/profiles) gives a configuration: its
// sections sensors and board, an instrument a line.
type profile struct {
	lines []string
	cfg   *config.Config // of these lines
}

func readProfile(path string) (profile, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return profile{}, fmt.Errorf("cannot read the board's profile: %w", err)
	}
	at := strings.Index("\n"+string(text), "\nsensors:")
	if len(text) > maxProfile || at < 0 {
		return profile{}, fmt.Errorf("%s is no board's profile: it has no sensors:, or is too long; those shipped are in hw/profiles", path)
	}
	p := profile{lines: strings.Split(strings.TrimRight(string(text[at:]), "\n"), "\n")}
	if p.cfg, err = config.Parse("the draft by "+path, []byte(draftZone+strings.Join(p.lines, "\n")+"\n")); err != nil {
		return profile{}, err
	}
	entries := 0
	for _, l := range p.lines {
		if strings.HasPrefix(l, "  - {") {
			entries++
		}
	}
	if entries != len(p.cfg.Sensors) {
		return profile{}, errors.New("cannot use the board's profile: each entry below sensors: has to be a line that begins with \"  - {\"")
	}
	return p, nil
}

// draft are the profile's lines: what was found stands, what wasn't is a comment.
func (p profile) draft(f hwio.Finds) string {
	var out []string
	n, head := 0, -1 // of the section, while nothing in it stands
	for _, l := range p.lines {
		there, what := true, ""
		switch {
		case strings.HasPrefix(l, "  - {"):
			there, what = found(f, p.cfg.Sensors[n].Wiring)
			n++
		case strings.HasPrefix(l, "  supply:") && p.cfg.Board.Supply != nil:
			there, what = found(f, p.cfg.Board.Supply.Wiring)
		case strings.HasPrefix(l, "  button:") && p.cfg.Board.Button != nil:
			there, what = seenLine(f, p.cfg.Board.Button.Line)
		}
		if !there {
			l = "#" + l
		}
		if what != "" {
			l += "   # " + what
		}
		switch {
		case strings.HasSuffix(l, ":") && !strings.HasPrefix(l, " "):
			out, head = closed(out, head), len(out)
		case strings.HasPrefix(l, "  "):
			head = -1
		}
		out = append(out, l)
	}
	return strings.Join(closed(out, head), "\n") + "\n"
}

// closed makes the head of a section in which nothing stands a comment too.
func closed(lines []string, head int) []string {
	if head >= 0 {
		lines[head] = "# " + lines[head]
	}
	return lines
}

// found says whether what a wiring asks for was found.
func found(f hwio.Finds, w sensors.Wiring) (bool, string) {
	switch d := w.Driver.(type) {
	case sensors.ADS1115:
		return seenAddress(f, w.Bus, d.Address)
	case sensors.ECText:
		return seenAddress(f, w.Bus, d.Address)
	case sensors.Pulses:
		return seenLine(f, d.Line)
	case sensors.DS18B20:
		for _, t := range f.Thermometers {
			if t.ID == d.ID {
				return true, valueText(t.Celsius, "°C now", t.Trouble)
			}
		}
		return false, "NOT FOUND: no such thermometer; those that were stand below"
	case sensors.Modbus:
		if len(f.Ports) > 0 {
			return true, "FILL IN: what speaks Modbus can't be seen; serial ports are there"
		}
		return false, "NOT FOUND: no serial port"
	}
	return true, ""
}

func seenAddress(f hwio.Finds, bus string, address uint16) (bool, string) {
	for _, b := range f.Buses {
		for _, d := range b.Answers {
			if b.Path == bus && d.Address == address && d.Driver == "" {
				return true, deviceText(d)
			}
		}
	}
	return false, fmt.Sprintf("NOT FOUND: nothing answers at 0x%02x of %s", address, bus)
}

func seenLine(f hwio.Finds, l sensors.Line) (bool, string) {
	for _, c := range f.Chips {
		for _, x := range c.Lines {
			if l.Name != "" && x.Name == l.Name || l.Name == "" && l.Chip == c.Path && l.Offset == x.Offset {
				return !x.Used && !x.Output, gpioText(x)
			}
		}
	}
	return false, "NOT FOUND: no such line"
}
