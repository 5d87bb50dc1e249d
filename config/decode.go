package config

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"gopkg.in/yaml.v3"

	"boxd/internal/units"
)

// pos is a place in the file.
type pos struct{ line, column int }

// places tells where each written value stands, by dotted path.
type places map[string]pos

// where is the place of a path, or of the nearest part above it that is written.
func (p places) where(path string) pos {
	for {
		if at, ok := p[path]; ok {
			return at
		}
		i := strings.LastIndexAny(path, ".[")
		if i < 0 {
			return pos{1, 1}
		}
		path = path[:i]
	}
}

// decoder walks the parsed file by the keys the program knows. It collects
// faults instead of stopping, and remembers where each value stands, so that
// faults found later, by the packages the values are for, name a line too.
type decoder struct {
	file   string
	faults Faults
	places places
}

// fault records a problem at a place.
func (d *decoder) fault(at pos, path, problem, hint string) {
	d.faults = append(d.faults, Fault{d.file, at.line, at.column, path, problem, hint})
}

// at records a fault at the place of a path.
func (d *decoder) at(path, problem, hint string) {
	d.fault(d.places.where(path), path, problem, hint)
}

// written reports whether the file gives a value for the path.
func (d *decoder) written(path string) bool {
	_, ok := d.places[path]
	return ok
}

// line is the path's line, for messages that name a second place.
func (d *decoder) line(path string) int { return d.places.where(path).line }

func placeOf(n *yaml.Node) pos { return pos{max(1, n.Line), max(1, n.Column)} }

// follow goes from an alias to what it stands for. The parser has linked it
// already; one step is enough, since an anchor can't be put on an alias.
func follow(n *yaml.Node) *yaml.Node {
	if n.Kind == yaml.AliasNode && n.Alias != nil {
		return n.Alias
	}
	return n
}

// section is a mapping under way. A nil node means it isn't written: its keys
// all keep their defaults.
type section struct {
	d     *decoder
	path  string
	items map[string]*yaml.Node
	known bool // written as a mapping
}

// section takes node as a mapping with no other keys than these.
func (d *decoder) section(node *yaml.Node, path string, keys ...string) section {
	s := section{d: d, path: path, items: map[string]*yaml.Node{}}
	if node == nil {
		return s
	}
	here := placeOf(node)
	d.places[path] = here
	node = follow(node)
	if node.Kind != yaml.MappingNode {
		d.fault(here, path, "is "+describe(node)+", not a list of keys", "write keys such as "+strings.Join(keys[:min(3, len(keys))], ", ")+" with their values")
		return s
	}
	s.known = true
	for i := 0; i+1 < len(node.Content); i += 2 {
		s.take(node.Content[i], node.Content[i+1], keys)
	}
	return s
}

// take keeps one key and its value, if the key is known and new.
func (s *section) take(key, value *yaml.Node, keys []string) {
	name := key.Value
	path := s.at(name)
	if key.Kind != yaml.ScalarNode || key.Tag == "!!merge" {
		s.d.fault(placeOf(key), s.path, "has a key that is not a plain word", "write the keys out, one by one")
		return
	}
	if !slices.Contains(keys, name) {
		s.d.fault(placeOf(key), path, "is not a key boxd knows", suggest(name, keys))
		return
	}
	if first, twice := s.items[name]; twice {
		s.d.fault(placeOf(key), path, fmt.Sprintf("is given twice (first on line %d)", first.Line), "keep one of them")
		return
	}
	s.items[name] = value
	s.d.places[path] = placeOf(value)
}

// at is the path of a key.
func (s section) at(key string) string {
	if s.path == "" {
		return key
	}
	return s.path + "." + key
}

// sub is a mapping below the section.
func (s section) sub(key string, keys ...string) section {
	return s.d.section(s.items[key], s.at(key), keys...)
}

// list are the elements of a list below the section. One that isn't written is
// empty.
func (s section) list(key string) []*yaml.Node {
	n := s.items[key]
	if n == nil {
		return nil
	}
	list := follow(n)
	if list.Kind != yaml.SequenceNode {
		s.d.at(s.at(key), "is "+describe(list)+", not a list", "start each entry with \"- \"")
		return nil
	}
	for i, e := range list.Content {
		s.d.places[index(s.at(key), i)] = placeOf(e)
	}
	return list.Content
}

func index(path string, i int) string { return path + "[" + strconv.Itoa(i) + "]" }

// has reports whether the key is written.
func (s section) has(key string) bool { return s.items[key] != nil }

// need reports a fault unless the key is written. Nothing is said of a section
// that isn't a mapping: that is a fault already.
func (s section) need(key, plausible string) {
	if s.known && !s.has(key) {
		s.d.fault(s.d.places.where(s.path), s.at(key), "is missing", fmt.Sprintf("write for instance %s: %s", key, plausible))
	}
}

// scalar is a key's plain value.
func (s section) scalar(key string) (*yaml.Node, bool) {
	n := s.items[key]
	if n == nil {
		return nil, false
	}
	return s.d.scalar(n, s.at(key))
}

func (d *decoder) scalar(n *yaml.Node, path string) (*yaml.Node, bool) {
	here := placeOf(n)
	n = follow(n)
	if n.Kind != yaml.ScalarNode || n.Tag == "!!null" {
		d.fault(here, path, "is "+describe(n)+", not a value", "write the value behind the colon")
		return nil, false
	}
	return n, true
}

func describe(n *yaml.Node) string {
	switch {
	case n.Kind == yaml.MappingNode:
		return "a group of keys"
	case n.Kind == yaml.SequenceNode:
		return "a list"
	case n.Tag == "!!null":
		return "empty"
	}
	return "a single value"
}

// read parses a quantity into dst, which keeps its default when the key isn't
// written.
func read[T any](s section, key string, dst *T, parse func(string) (T, error)) {
	if n, ok := s.scalar(key); ok {
		readNode(s.d, n, s.at(key), dst, parse)
	}
}

func readNode[T any](d *decoder, n *yaml.Node, path string, dst *T, parse func(string) (T, error)) {
	v, err := parse(n.Value)
	if err == nil {
		*dst = v
		return
	}
	problem, hint := err.Error(), ""
	var q *units.QuantityError
	if errors.As(err, &q) {
		problem, hint = q.Problem, q.Hint
	}
	d.at(path, problem, hint)
}

// number reads a plain number.
func (s section) number(key string, dst *float64) {
	read(s, key, dst, func(text string) (float64, error) {
		v, err := strconv.ParseFloat(text, 64)
		if err != nil || !units.Finite(v) {
			return 0, &units.QuantityError{Problem: fmt.Sprintf("%q is not a plain number", text), Hint: "write a number without a unit, as in 0.5"}
		}
		return v, nil
	})
}

// whole reads a whole number.
func (s section) whole(key string, dst *int) {
	read(s, key, dst, func(text string) (int, error) {
		v, err := strconv.Atoi(text)
		if err != nil {
			return 0, &units.QuantityError{Problem: fmt.Sprintf("%q is not a whole number", text), Hint: "write a whole number without a unit, as in 6"}
		}
		return v, nil
	})
}

// truth reads true or false.
func (s section) truth(key string, dst *bool) {
	read(s, key, dst, func(text string) (bool, error) {
		if text != "true" && text != "false" {
			return false, &units.QuantityError{Problem: fmt.Sprintf("%q is neither true nor false", text), Hint: "write true or false"}
		}
		return text == "true", nil
	})
}

// maxText bounds names and other short texts, in bytes.
const maxText = 200

// text reads a short text on one line.
func (s section) text(key string, dst *string) {
	read(s, key, dst, parseText)
}

func parseText(text string) (string, error) {
	t := strings.TrimSpace(text)
	switch {
	case t == "":
		return "", &units.QuantityError{Problem: "is an empty text", Hint: "write a name, or leave the key out"}
	case len(t) > maxText:
		return "", &units.QuantityError{Problem: fmt.Sprintf("is %d bytes long", len(t)), Hint: fmt.Sprintf("keep it under %d", maxText)}
	case strings.ContainsFunc(t, func(r rune) bool { return r < ' ' || r == 0x7f || r == 0xfffd }):
		return "", &units.QuantityError{Problem: "holds signs that can't be shown", Hint: "write plain text on one line"}
	}
	return t, nil
}

// word reads one of a few words; each is an index into words, of type T.
func word[T any](s section, key string, dst *T, find func(string) (T, bool), words ...string) {
	read(s, key, dst, func(text string) (T, error) {
		v, ok := find(text)
		if !ok {
			hint := "write one of " + strings.Join(words, ", ")
			if near, ok := nearest(text, words); ok {
				hint = fmt.Sprintf("did you mean %s? It can be %s", near, strings.Join(words, ", "))
			}
			return v, &units.QuantityError{Problem: fmt.Sprintf("%q is not a word boxd knows here", text), Hint: hint}
		}
		return v, nil
	})
}

// day reads a date, as the midnight it begins with.
func (s section) day(key string, dst *time.Time, zone *time.Location) {
	read(s, key, dst, func(text string) (time.Time, error) {
		t, err := time.ParseInLocation(time.DateOnly, text, zone)
		if err != nil {
			return t, &units.QuantityError{Problem: fmt.Sprintf("%q is not a date", text), Hint: "write year-month-day, as in 2026-04-02"}
		}
		return t, nil
	})
}
