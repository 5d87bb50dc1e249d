// Package setup makes a box's configuration of a person's answers: which steps
// there are, what each asks, the YAML that the answers come to, and what is wrong
// with it, field by field.
//
// It keeps nothing, reads no bus and judges nothing by itself: what the text means
// is package config's to say. It fills in a value only where trade practice has
// one, and marks it; for backflow protection it fills in nothing.
package setup

import (
	"maps"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"boxd/config"
	"boxd/internal/say"
)

// Draft is what a person has answered so far. It is kept as JSON.
type Draft struct {
	Values      map[string]string `json:"values,omitempty"` // by the field's name
	Board       string            `json:"board,omitempty"`  // a profile's name, ByLogger or NoBoard; empty: not said
	Instruments []Instrument      `json:"instruments,omitempty"`
	Kept        []Step            `json:"kept,omitempty"`    // the steps answered
	Written     []string          `json:"written,omitempty"` // SHA-256 of the file made of it and of the one before, hexadecimal

	Secrets map[string]string `json:"secrets,omitempty"` // of a Secret field, by its name

	Listen string `json:"-"` // the page's address, which the configuration keeps
	Dir    string `json:"-"` // where the files with secrets are
}

// What stands in Draft.Board where it is no profile.
const (
	ByLogger = "logger"
	NoBoard  = "none"
)

// Instrument is an entry of a profile with what the person put in.
type Instrument struct {
	Of         string        `json:"of"`                // what the profile has it for: a column, or boardSupply, boardButton
	Channel    string        `json:"channel,omitempty"` // what it measures; empty: it isn't fitted
	Keys       []config.Pair `json:"keys"`              // as in the file, without the channel
	Calibrated string        `json:"calibrated,omitempty"`
}

// What is wired to the board for itself.
const (
	boardSupply = "board.supply"
	boardButton = "board.button"
)

func (i Instrument) ofBoard() bool { return i.Of == boardSupply || i.Of == boardButton }

// Bounds of a draft.
const (
	maxSecret = 1000 // bytes: the URL of a service can be long
	maxAnswer = 200  // bytes; package config takes no longer text
)

// Clone is a draft that shares nothing with d.
func (d *Draft) Clone() *Draft {
	c := *d
	c.Values, c.Secrets, c.Kept, c.Instruments = maps.Clone(d.Values), maps.Clone(d.Secrets), slices.Clone(d.Kept), slices.Clone(d.Instruments)
	for i := range c.Instruments {
		c.Instruments[i].Keys = slices.Clone(c.Instruments[i].Keys)
	}
	return &c
}

// Take takes the answers of a step: answer gives what stands in the field of a
// name. The error is for the person.
func (d *Draft) Take(s Step, answer func(name string) string) error {
	if s == BoardStep {
		if err := d.takeBoard(clean(answer("board"))); err != nil {
			return err
		}
	}
	for _, f := range d.Fields(s) {
		if f.Kind == Secret {
			d.keepSecret(f.Name, within(answer(f.Name), maxSecret))
			continue
		}
		d.set(f.Name, clean(answer(f.Name)))
	}
	if !slices.Contains(d.Kept, s) {
		d.Kept = append(d.Kept, s)
	}
	return nil
}

// none is what takes a secret away again; nothing leaves it as it is.
const none = "-"

func (d *Draft) keepSecret(name, answer string) {
	switch answer {
	case "":
	case none:
		delete(d.Secrets, name)
	default:
		if d.Secrets == nil {
			d.Secrets = map[string]string{}
		}
		d.Secrets[name] = answer
	}
}

// takeBoard takes the choice of a board. The same board again keeps what was said of
// its instruments.
func (d *Draft) takeBoard(name string) error {
	if name == d.Board {
		return nil
	}
	if name == "" || name == ByLogger || name == NoBoard {
		d.Board, d.Instruments = name, nil
		return nil
	}
	p, ok := Profile(name)
	if !ok {
		return say.Refuse("There is no board called %s.", name)
	}
	d.Board, d.Instruments = name, nil
	for _, pairs := range p.Sensors {
		d.Instruments = append(d.Instruments, drafted("", pairs))
	}
	if p.Supply != nil {
		d.Instruments = append(d.Instruments, drafted(boardSupply, p.Supply))
	}
	if p.Button != nil {
		d.Instruments = append(d.Instruments, drafted(boardButton, p.Button))
	}
	return nil
}

// drafted is a profile's entry before anybody filled it in: as it is wired, without
// what the instrument's own label says.
func drafted(of string, pairs []config.Pair) Instrument {
	i := Instrument{Of: of}
	for _, p := range pairs {
		switch {
		case p.Key == "channel":
			i.Of = p.Value
			continue
		case keyOf(p.Key).label, p.Key == "address" && strings.HasPrefix(p.Value, "28-"): // a thermometer's own number
			p.Value = ""
		}
		i.Keys = append(i.Keys, p)
	}
	i.Channel = i.Of
	return i
}

// clean keeps an answer to one line of bounded length.
func clean(s string) string { return within(s, maxAnswer) }

// within is what was typed, in so many bytes.
func within(s string, most int) string {
	s = strings.ToValidUTF8(s, "")
	s = strings.Join(strings.FieldsFunc(s, func(r rune) bool { return !unicode.IsGraphic(r) || r == utf8.RuneError }), " ")
	s = strings.TrimSpace(s)
	for len(s) > most {
		_, n := utf8.DecodeLastRuneInString(s)
		s = s[:len(s)-n]
	}
	return s
}

// set puts an answer where it belongs.
func (d *Draft) set(name, answer string) {
	if at, key, ok := d.instrument(name); ok {
		i := &d.Instruments[at]
		switch key {
		case "channel":
			i.Channel = answer
		case "calibrated":
			i.Calibrated = answer
		default:
			for k := range i.Keys {
				if i.Keys[k].Key == key {
					i.Keys[k].Value = answer
				}
			}
		}
		return
	}
	if d.Values == nil {
		d.Values = map[string]string{}
	}
	d.Values[name] = answer
}

// Answer is what stands in the field of a name; false: nobody has said anything.
func (d *Draft) Answer(name string) (string, bool) {
	if name == "board" {
		return d.Board, d.Board != ""
	}
	at, key, ok := d.instrument(name)
	if !ok {
		v, ok := d.Values[name]
		return v, ok
	}
	i := d.Instruments[at]
	switch key {
	case "channel":
		return i.Channel, true
	case "calibrated":
		return i.Calibrated, true
	}
	for _, p := range i.Keys {
		if p.Key == key {
			return p.Value, true
		}
	}
	return "", false
}

// said is an answer, empty where there is none.
func (d *Draft) said(name string) string {
	v, _ := d.Answer(name)
	return v
}

// instrument finds the instrument that a field such as i3.low is of.
func (d *Draft) instrument(name string) (at int, key string, ok bool) {
	for i := range d.Instruments {
		if key, ok := strings.CutPrefix(name, fieldOf(i, "")); ok {
			return i, key, true
		}
	}
	return 0, "", false
}

// brings reports whether a column may come: from an instrument that is described, or from
// a logger, which may bring any.
func (d *Draft) brings(column string) bool { return d.Board == ByLogger || d.measures(column) }

// measures reports whether an instrument for that column is fitted.
func (d *Draft) measures(column string) bool {
	return slices.ContainsFunc(d.Instruments, func(i Instrument) bool { return i.Channel == column })
}
