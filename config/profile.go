package config

import (
	"fmt"

	"gopkg.in/yaml.v3"
)

// Profile is a kind of board: what a person has to know of it, and the instruments
// as they would stand below sensors and board, still in words, for somebody to
// fill in.
type Profile struct {
	Name, Board, Clock, Grounds, Power string
	Buses                              []ProfileBus
	Lines                              []ProfileLine
	Sensors                            [][]Pair
	Supply, Button                     []Pair // nil: the board has none
}

// ProfileBus is a bus and how it is switched on.
type ProfileBus struct {
	Path, What, Pins string
	SwitchOn         string `yaml:"switch_on"`
}

// ProfileLine is a line of the GPIO chip, an input.
type ProfileLine struct{ Line, Pin, Direction, For string }

// Pair is a key and its value as they stand in a file.
type Pair struct{ Key, Value string }

// ParseProfile reads a board's profile.
func ParseProfile(name string, data []byte) (*Profile, error) {
	var file struct {
		Profile struct {
			Name, Board, Clock, Grounds, Power string
			Buses                              []ProfileBus
			Gpio                               struct {
				Chip  string
				Lines []ProfileLine
			}
		}
		Sensors []yaml.Node
		Board   struct{ Supply, Button yaml.Node }
	}
	if err := yaml.Unmarshal(data, &file); err != nil {
		return nil, fmt.Errorf("cannot read the profile %s: %w", name, err)
	}
	p := file.Profile
	out := &Profile{Name: p.Name, Board: p.Board, Clock: p.Clock, Grounds: p.Grounds, Power: p.Power, Buses: p.Buses, Lines: p.Gpio.Lines,
		Supply: pairs(&file.Board.Supply), Button: pairs(&file.Board.Button)}
	for i := range file.Sensors {
		out.Sensors = append(out.Sensors, pairs(&file.Sensors[i]))
	}
	return out, nil
}

// pairs are the keys of a mapping and their plain values, in the file's order.
func pairs(n *yaml.Node) (out []Pair) {
	for i := 0; n.Kind == yaml.MappingNode && i+1 < len(n.Content); i += 2 {
		out = append(out, Pair{n.Content[i].Value, n.Content[i+1].Value})
	}
	return out
}
