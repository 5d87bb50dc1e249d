package setup

import (
	"encoding/json"
	"strings"
	"unicode"

	"boxd/internal/box"
	"boxd/internal/units"
)

// pair is a key of the configuration and its value.
type pair struct{ key, value string }

// writer writes YAML with comments. Values are quoted wherever they are more than a
// plain word or quantity, so that an answer is never more than a value.
type writer struct{ strings.Builder }

func (w *writer) line(text string) { w.WriteString(text + "\n") }

// plain is what needs no quotes: it begins with a letter or digit and holds nothing
// that YAML reads as more than text.
func plain(s string) bool {
	word := func(r rune) bool { return unicode.IsLetter(r) || r >= '0' && r <= '9' }
	for i, r := range s {
		if !word(r) && r != '/' && (i == 0 || !strings.ContainsRune(" .%°_-", r)) {
			return false
		}
	}
	return s != "" && !strings.HasSuffix(s, " ") && !strings.EqualFold(s, "null")
}

func quoted(s string) string {
	if plain(s) {
		return s
	}
	var b strings.Builder
	e := json.NewEncoder(&b) // a JSON text is a YAML one
	e.SetEscapeHTML(false)
	_ = e.Encode(s) // a string can always be written
	return strings.TrimSuffix(b.String(), "\n")
}

// wide is where a line is broken.
const wide = 110

// mapping writes "before{a: 1, b: 2}" of the values that are said, after a comment.
func (w *writer) mapping(before string, pairs []pair, about string) {
	line, indent := before+"{", strings.Repeat(" ", len([]rune(before))+1)
	first := true
	for _, p := range pairs {
		if p.value == "" {
			continue
		}
		item := p.key + ": " + p.value
		switch {
		case first:
		case len(line)+len(item) > wide:
			w.line(line + ",")
			line = indent
		default:
			line += ", "
		}
		first = false
		line += item
	}
	if first {
		return
	}
	line += "}"
	if about != "" {
		line += "   # " + about
	}
	w.line(line)
}

// of are the answers below a path, quoted.
func (d *Draft) of(path string, keys ...string) []pair {
	out := make([]pair, len(keys))
	for i, k := range keys {
		out[i].key = k
		if v := d.said(path + k); v != "" {
			out[i].value = quoted(v)
		}
	}
	return out
}

// YAML is the configuration that the answers come to, as it is documented: in the
// order of the README, with comments, to be changed by hand.
func (d *Draft) YAML() string {
	w := new(writer)
	w.line("# Made by the guide on boxd's page. It may be changed by hand: the guide then shows it")
	w.line("# and leaves it alone. Every quantity bears its unit; the keys are in boxd's manual, Configure.")
	w.line("")
	w.mapping("box: ", d.of("box.", "name", "units", "timezone"), "units: how numbers are shown, no more")
	d.writeZone(w)
	w.line("")
	w.line("# What is dialled, and what the ratio means: see the injector's manual.")
	w.mapping("injector: ", d.of("injector.", "ratio", "convention", "rated_flow", "starts_at", "meter"), d.practice(InjectorStep))
	w.line("")
	w.line("# Local codes and a licensed tester decide; this only repeats what was declared.")
	if d.said(saidField) == declared {
		w.mapping("backflow: ", d.of("backflow.", "device", "supply", "required", "place", "last_test", "next_due", "tester"), "")
	} else {
		w.line("# Nothing is declared: advice to inject is withheld until backflow: names the device and its test.")
	}
	d.writeInstruments(w)
	w.line("")
	if d.Listen != "" {
		w.line("# The page: whoever changes something signs in; looking is free on the local network (or signed-in).")
		w.mapping("web: ", []pair{{"listen", quoted(d.Listen)}, {"access", "sign-in"}, {"view", "local-network"}}, "")
	}
	d.writeTelling(w)
	w.line("# More can stand here: further zones, feeds, plan, influx, limits, freeze (the manual, Configure).")
	return w.String()
}

func (d *Draft) writeZone(w *writer) {
	at := func(part string, keys ...string) {
		w.mapping("    "+part+": ", d.of(zone+part+".", keys...), "")
	}
	w.line("")
	w.line("zones:")
	if about := d.practice(ZoneStep); about != "" {
		w.line("  # " + about)
	}
	name := "\"\""
	if v := d.said(zone + "name"); v != "" {
		name = quoted(v)
	}
	w.line("  - name: " + name)
	if v := d.said(zone + "inlet"); v != "" {
		w.line("    inlet: " + quoted(v) + "   # regulated pressure at the box outlet")
	}
	at("lead", "length", "inside_diameter", "slope")
	at("header", "feed", "beds", "bed_spacing", "first_tee", "tapes_per_bed", "tape_gap", "inside_diameter", "slope")
	w.mapping("    laterals: ", append([]pair{d.lengths()}, d.of(zone+"laterals.", "lead_in", "emitter_spacing", "inside_diameter", "slope")...), "slopes: + climbs away from the box")
	at("emitters", "flow", "at", "exponent")
	if d.measures(box.EndEC.Info().Column) || d.brings(box.EndEC.Info().Column) && d.said(lagField) != "" {
		w.line("")
		w.mapping("line_end_probe: ", append([]pair{{"zone", name}}, d.of("line_end_probe.", "lag")...), "")
	}
}

// lengths is the length of the rows, or one for each.
func (d *Draft) lengths() pair {
	all := strings.Split(d.said(zone+"laterals.length"), ",")
	if len(all) == 1 {
		return d.of(zone+"laterals.", "length")[0]
	}
	for i := range all {
		all[i] = quoted(strings.TrimSpace(all[i]))
	}
	return pair{"lengths", "[" + strings.Join(all, ", ") + "]"}
}

// practice says which answers of a step are common practice and nobody's measure.
func (d *Draft) practice(s Step) string {
	var names []string
	for _, f := range d.Fields(s) {
		if f.Practice != "" && d.said(f.Name) == f.Practice {
			names = append(names, f.Name[strings.LastIndexByte(f.Name, '.')+1:])
		}
	}
	if names == nil {
		return ""
	}
	return strings.Join(names, ", ") + ": common practice"
}

// writeInstruments writes what is fitted, in the order of the board's profile.
func (d *Draft) writeInstruments(w *writer) {
	fitted := d.fitted()
	if len(fitted) > 0 {
		w.line("")
		w.line("# How each channel is read; pulses, ranges and numbers are those of the instruments' labels.")
		w.line("sensors:")
	}
	for _, at := range fitted {
		w.mapping("  - ", d.entry(at), "")
	}
	head := false
	for _, i := range d.Instruments {
		if i.ofBoard() && i.Channel != "" {
			if !head {
				head = true
				w.line("")
				w.line("board:")
			}
			w.mapping("  "+strings.TrimPrefix(i.Of, "board.")+": ", i.pairs(), "")
		}
	}
}

// fitted are the instruments below sensors, in the order they are written.
func (d *Draft) fitted() (out []int) {
	for at, i := range d.Instruments {
		if i.Channel != "" && !i.ofBoard() {
			out = append(out, at)
		}
	}
	return out
}

func (d *Draft) entry(at int) []pair {
	i := d.Instruments[at]
	out := append([]pair{{"channel", quoted(i.Channel)}}, i.pairs()...)
	if i.Calibrated != "" {
		out = append(out, pair{"calibrated", quoted(i.Calibrated)})
	}
	return out
}

func (i Instrument) pairs() []pair {
	out := make([]pair, 0, len(i.Keys))
	for _, p := range i.Keys {
		if p.Value != "" {
			out = append(out, pair{p.Key, quoted(p.Value)})
		}
	}
	return out
}

// System is the units the box's numbers are to be written in.
func (d *Draft) System() (units.System, bool) { return units.SystemByName(d.said("box.units")) }
