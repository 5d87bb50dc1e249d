package hw

// A profile is held to the configuration's own reader: what is copied out of it
// is read, and reads what the profile says of lines and buses.

import (
	"bytes"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"gopkg.in/yaml.v3"

	"boxd/config"
	"boxd/internal/sensors"
)

// profile is a file of profiles/. What is below sensors and board is the
// configuration's.
type profile struct {
	Profile struct {
		Name, Board, Clock, Grounds, Power string
		Buses                              []struct {
			Path, What, Pins string
			SwitchOn         string `yaml:"switch_on"`
		}
		Gpio struct {
			Chip  string
			Lines []struct{ Line, Pin, Direction, For string }
		}
	}
	Sensors, Board yaml.Node
}

// zones makes a whole configuration of the parts that are copied.
const zones = `zones:
  - name: bench
    inlet: 10 psi
    lead: {length: 8 m, inside_diameter: 28 mm}
    header: {beds: 1, first_tee: 0.6 m, inside_diameter: 28 mm}
    laterals: {length: 30 m, lead_in: 0.3 m, emitter_spacing: 0.3 m, inside_diameter: 16 mm}
    emitters: {flow: 1 L/h, at: 10 psi, exponent: 0.5}
`

func TestProfiles(t *testing.T) {
	files, err := filepath.Glob("profiles/*.yaml")
	if err != nil || len(files) < 4 {
		t.Fatalf("%q, %v", files, err)
	}
	for _, file := range files {
		t.Run(file, func(t *testing.T) { check(t, file) })
	}
}

func check(t *testing.T, file string) {
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var p profile
	d := yaml.NewDecoder(bytes.NewReader(text))
	d.KnownFields(true)
	if err := d.Decode(&p); err != nil {
		t.Fatal(err)
	}
	if p.Profile.Name+".yaml" != filepath.Base(file) {
		t.Errorf("it is called %q", p.Profile.Name)
	}
	if p.Profile.Board == "" || p.Profile.Clock == "" || p.Profile.Power == "" || p.Profile.Grounds == "" || len(p.Profile.Buses) == 0 {
		t.Error("board, clock, power, grounds or buses are not said")
	}
	at := bytes.Index(text, []byte("\nsensors:"))
	cfg, err := config.Parse(file, append([]byte(zones), text[at+1:]...))
	if err != nil {
		t.Fatal(err)
	}
	lines := map[string]bool{}
	for _, l := range p.Profile.Gpio.Lines {
		if l.Direction != "input" {
			t.Errorf("line %s is an %s: boxd has inputs only", l.Line, l.Direction)
		}
		if l.Pin == "" || l.For == "" {
			t.Errorf("line %s: pin or purpose is not said", l.Line)
		}
		lines[l.Line] = true
	}
	buses := map[string]bool{p.Profile.Gpio.Chip: true}
	for _, b := range p.Profile.Buses {
		buses[b.Path] = true
	}
	used := map[string]bool{}
	for _, s := range cfg.Sensors {
		if l, ok := s.Driver.(sensors.Pulses); ok {
			used[nameOf(l.Line)] = true
			continue
		}
		if s.Bus != "" && !buses[s.Bus] {
			t.Errorf("%v is on %s, of which the profile says nothing", s.Channel, s.Bus)
		}
	}
	if b := cfg.Board.Button; b != nil {
		used[nameOf(b.Line)] = true
	}
	if !maps.Equal(used, lines) {
		t.Errorf("it lists the lines %q and uses %q", slices.Sorted(maps.Keys(lines)), slices.Sorted(maps.Keys(used)))
	}
	if strings.Contains(string(text), "output") {
		t.Error("it speaks of an output")
	}
}

func nameOf(l sensors.Line) string {
	if l.Name != "" {
		return l.Name
	}
	return strconv.FormatUint(uint64(l.Offset), 10)
}
