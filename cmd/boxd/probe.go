package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strings"
	"text/tabwriter"

	"boxd/internal/sensors/hwio"
)

func runProbe(a *app, args []string) error {
	f := a.flags("probe")
	asJSON := f.Bool("json", false, "print one JSON object")
	volts := f.Bool("volts", false, "convert the inputs of the ADS1115 found; only with boxd stopped")
	draft := f.String("draft", "", "write a draft of a configuration to `FILE`")
	board := f.String("profile", "", "`FILE` of the board's profile, as in hw/profiles: the draft takes its instruments")
	root := f.String("root", "/", "the `DIR` that holds dev and sys")
	if err := a.parse(f, args, 0); err != nil {
		return err
	}
	if *board != "" && *draft == "" {
		return a.usage(f, "-profile goes with -draft")
	}
	var known *profile
	if *board != "" {
		p, err := readProfile(*board)
		if err != nil {
			return err
		}
		known = &p
	}
	finds := hwio.Probe(a.ctx, *root, *volts)
	if err := a.ctx.Err(); err != nil {
		return fmt.Errorf("cannot look at the board: %w", err)
	}
	next := io.Writer(a.out)
	if *asJSON {
		next = a.err
		if err := json.NewEncoder(a.out).Encode(finds); err != nil {
			return err
		}
	} else if err := writeFinds(a.out, finds); err != nil {
		return err
	}
	if *draft != "" {
		if err := saveDraft(*draft, finds, known); err != nil {
			return err
		}
	}
	_, err := fmt.Fprintln(next, nextStep(finds, *draft, *volts))
	return err
}

// nextStep is the one line of what to do.
func nextStep(f hwio.Finds, draft string, volts bool) string {
	switch {
	case draft != "":
		return "Next: fill in what " + draft + " marks, then: boxd check -config " + draft
	case empty(f):
		return "Nothing was found. Next: switch I2C, 1-Wire and the serial port on in the board's settings, start it again, and look again."
	case !volts && hasConverter(f):
		return "Next: stop boxd and look again with -volts to see what the inputs read, and with -draft FILE for a configuration to fill in."
	}
	return "Next: look again with -draft FILE for a configuration to fill in."
}

func empty(f hwio.Finds) bool {
	return len(f.Buses)+len(f.Chips)+len(f.Thermometers)+len(f.Ports) == 0
}

func hasConverter(f hwio.Finds) bool {
	for _, b := range f.Buses {
		for _, d := range b.Answers {
			if d.Converter {
				return true
			}
		}
	}
	return false
}

// writeFinds prints the table.
func writeFinds(out io.Writer, f hwio.Finds) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for _, b := range f.Buses {
		fmt.Fprintf(w, "I2C bus\t%s\t%s\n", b.Path, b.Trouble)
		for _, d := range b.Answers {
			fmt.Fprintf(w, "\t0x%02x\t%s\n", d.Address, deviceText(d))
			for _, v := range d.Inputs {
				fmt.Fprintf(w, "\tinput %d\t%s\n", v.Input, valueText(v.Volts, "V", v.Trouble))
			}
		}
	}
	for _, c := range f.Chips {
		fmt.Fprintf(w, "GPIO chip\t%s\t%s\n", c.Path, either(c.Trouble, c.Label))
		for _, l := range c.Lines {
			fmt.Fprintf(w, "\t%d %s\t%s\n", l.Offset, l.Name, gpioText(l))
		}
	}
	for _, t := range f.Thermometers {
		fmt.Fprintf(w, "1-Wire\t%s\t%s\n", t.ID, valueText(t.Celsius, "°C", t.Trouble))
	}
	for _, p := range f.Ports {
		fmt.Fprintf(w, "serial port\t%s\t%s\n", either(p.ByID, p.Path), either(p.Trouble, p.Path+", driver "+p.Driver))
	}
	for _, z := range f.Zones {
		fmt.Fprintf(w, "board\t%s\t%s\n", z.Name, valueText(z.Celsius, "°C", "doesn't tell"))
	}
	return w.Flush()
}

func either(first, second string) string {
	if first != "" {
		return first
	}
	return second
}

func valueText(v *float64, unit, otherwise string) string {
	if v == nil {
		return otherwise
	}
	return fmt.Sprintf("%.4g %s", *v, unit)
}

func deviceText(d hwio.FoundDevice) string {
	switch {
	case d.Driver != "":
		return "the kernel has it, driver " + d.Driver + "; not asked"
	case d.Busy:
		return "answers as an ADS1115 does; another program reads it"
	case d.Converter:
		return "answers as an ADS1115 does"
	}
	return "unknown, answers"
}

func gpioText(l hwio.FoundLine) string {
	text := "input"
	if l.Output {
		text = "output"
	}
	switch {
	case l.By != "":
		text += ", used by " + l.By
	case l.Used:
		text += ", used"
	default:
		text += ", free"
	}
	return text
}

// saveDraft writes a draft to a new file.
func saveDraft(path string, f hwio.Finds, p *profile) error {
	if empty(f) {
		return errors.New("cannot draft a configuration: nothing was found; switch the board's buses on and look again")
	}
	file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("cannot write the draft: %s is there already; name another file", path)
	}
	if err != nil {
		return fmt.Errorf("cannot write the draft: %w", err)
	}
	_, err = file.WriteString(draftOf(f, p))
	if err = errors.Join(err, file.Close()); err != nil {
		return fmt.Errorf("cannot write the draft: %w", errors.Join(err, os.Remove(path)))
	}
	return nil
}

// draftZone is that of the simulated box: a file without a zone is none.
const draftZone = `# A draft by boxd probe. FILL IN the zone: this one is invented, measure your own.
zones:
  - name: zone
    water: 20 °C
    inlet: 10 psi
    lead: {length: 8 m, inside_diameter: 28 mm, roughness: 0.0015 mm, slope: 0 %}
    header: {feed: end, beds: 6, bed_spacing: 1.25 m, first_tee: 0.6 m, tapes_per_bed: 1, tape_gap: 0 m,
             inside_diameter: 28 mm, roughness: 0.0015 mm, slope: 0 %}
    laterals: {length: 30 m, lead_in: 0.3 m, emitter_spacing: 0.3 m, inside_diameter: 15.9 mm, roughness: 0.0015 mm,
               slope: 0 %, connector_loss: 0}
    emitters: {flow: 0.98 L/h, at: 10 psi, exponent: 0.5}
    header_window: {low: 8 psi, target: 10 psi, high: 12 psi}
`

// draftFound stands before what was found.
const draftFound = `
# What was found. What measures what can't be seen from here: FILL IN each word in
# CAPITALS, then take the "# " before that entry and before "sensors:" away.
# CHANNEL is such as supply_kpa, header_kpa, main_flow_lpm, water_c, each once;
# the keys of each driver are in the manual, under Wire.
`

// draftOf is a configuration that passes boxd check. What was found stands in it as
// comments until a person has filled them in; instruments of the board's profile,
// where there is one, stand where they were found.
func draftOf(f hwio.Finds, p *profile) string {
	var b strings.Builder
	b.WriteString(draftZone)
	if p != nil {
		b.WriteString("\n# The board's profile. FILL IN spans, pulses per litre and addresses of the\n# instruments at hand; strike out what is not there.\n" + p.draft(f))
	}
	b.WriteString(draftFound)
	if p == nil {
		b.WriteString("# sensors:\n")
	}
	entry := func(text, about string) { fmt.Fprintf(&b, "#   - {channel: CHANNEL, %s}   # %s\n", text, about) }
	for _, bus := range f.Buses {
		for _, d := range bus.Answers {
			draftDevice(entry, bus.Path, d)
		}
	}
	for _, t := range f.Thermometers {
		if strings.HasPrefix(t.ID, "28-") {
			entry("driver: ds18b20, address: "+t.ID, valueText(t.Celsius, "°C now", t.Trouble))
		}
	}
	for _, c := range f.Chips {
		if free := freeLines(c); len(free) > 0 {
			entry("driver: pulse, bus: "+c.Path+", line: LINE, pulses_per_litre: PULSES, most_flow: FLOW", "a meter on a free line: "+strings.Join(free, " "))
		}
	}
	for _, p := range f.Ports {
		entry(fmt.Sprintf("driver: modbus, bus: %q, unit: UNIT, register: REGISTER, one: ONE", either(p.ByID, p.Path)), "if it speaks Modbus RTU; driver "+p.Driver)
	}
	return b.String()
}

func draftDevice(entry func(text, about string), bus string, d hwio.FoundDevice) {
	switch {
	case d.Driver != "":
	case d.Converter:
		for i := range 4 {
			about := "the shunt too; or another signal"
			if i < len(d.Inputs) {
				about = valueText(d.Inputs[i].Volts, "V now", d.Inputs[i].Trouble) + "; " + about
			}
			entry(fmt.Sprintf("driver: ads1115, bus: %s, address: 0x%02x, input: %d, signal: loop, shunt: SHUNT, low: LOW, high: HIGH", bus, d.Address, i), about)
		}
	default:
		entry(fmt.Sprintf("driver: ec-text, bus: %s, address: 0x%02x", bus, d.Address), "unknown, answers: only if it is an EC probe that speaks ASCII")
	}
}

// freeLines names the lines that nobody uses, by number where they have no name.
func freeLines(c hwio.FoundChip) (free []string) {
	for _, l := range c.Lines {
		if !l.Used && !l.Output {
			free = append(free, either(l.Name, fmt.Sprint(l.Offset)))
		}
	}
	return free
}
