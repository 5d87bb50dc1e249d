package setup

import (
	"slices"
	"strconv"

	"boxd/internal/box"
	"boxd/internal/say"
)

// Field is one question.
type Field struct {
	Name        string // the value's path in the configuration; i3.low for the fourth instrument's
	Label, Hint say.Text
	Kind        Kind
	Choices     []Choice // of a Choose; the first thing offered is nothing
	Known       []string // of a Line: words that come up often
	Practice    string   // what common practice takes: offered until the person says otherwise, and marked
	Must        bool
	Group       string // fields of one instrument: its Of
}

// Kind is how a question is answered.
type Kind uint8

// The kinds.
const (
	UnknownKind Kind = iota
	Line
	Choose
	Day
	Secret // never shown once it will do; nothing said leaves it as it is, - takes it away
)

func (k Kind) String() string {
	switch k {
	case Line:
		return "line"
	case Choose:
		return "choose"
	case Day:
		return "day"
	case Secret:
		return "secret"
	case UnknownKind:
	}
	return "unknown"
}

// Choice is one of a few answers.
type Choice struct {
	Value string
	Says  say.Text
}

// Fields are the questions of a step, as far as they depend on what was answered.
func (d *Draft) Fields(s Step) []Field {
	switch s {
	case NameStep:
		return nameFields()
	case BoardStep:
		return []Field{{Name: "board", Label: say.T("Kind of board"), Kind: Choose, Choices: boards(), Must: true}}
	case ChannelStep:
		return d.channelFields()
	case CalibrateStep:
		return d.calibrateFields()
	case BackflowStep:
		return d.backflowFields()
	case InjectorStep:
		return d.injectorFields()
	case ZoneStep:
		return d.zoneFields()
	case TellStep:
		return d.tellFields()
	case RunStep, UnknownStep:
	}
	return nil
}

func nameFields() []Field {
	return []Field{
		{Name: "box.name", Label: say.T("Name of the box"), Hint: say.T("letters, digits, - and _ only, such as north-box"), Kind: Line, Must: true},
		{Name: "box.units", Label: say.T("Units"), Kind: Choose, Must: true, Choices: []Choice{
			{"us", say.T("US: psi, gal/min, °F")}, {"metric", say.T("metric: kPa, L/min, °C")}}},
		{Name: "box.timezone", Label: say.T("Time zone"), Hint: say.T("such as America/New_York; UTC where nothing is said"), Kind: Line},
	}
}

// saidOf is how the guide asks whether a device can be declared; it is no key of
// the configuration.
const (
	saidField = "backflow.said"
	declared  = "declared"
	notYet    = "not-yet"
)

// classes of backflow devices as the trade calls them. They are offered in
// alphabetical order, for none comes first.
func classes() []string {
	return []string{"air-gap", "atmospheric-vacuum-breaker", "chemigation-valve", "double-check", "pressure-vacuum-breaker", "reduced-pressure-zone"}
}

func (d *Draft) backflowFields() []Field {
	can := d.said(saidField) == declared
	return []Field{
		{Name: saidField, Label: say.T("Can you declare a device?"), Kind: Choose, Must: true, Choices: []Choice{
			{declared, say.T("Yes: it is there, and I declare it below")}, {notYet, say.T("Not yet: advice to inject stays withheld")}}},
		{Name: "backflow.supply", Label: say.T("Where the water comes from"), Kind: Choose, Must: can, Choices: []Choice{
			{"public", say.T("a public supply")}, {"private", say.T("a supply of one's own, such as a well or a pond")}}},
		{Name: "backflow.device", Label: say.T("Class of the device"), Hint: say.T("as it stands on the tester's report"), Kind: Line, Known: classes(), Must: can},
		{Name: "backflow.required", Label: say.T("Class that the public supply demands"), Hint: say.T("ask the water supplier; local code decides. While another class is declared, advice to inject is withheld"),
			Kind: Line, Known: classes(), Must: can && d.said("backflow.supply") == "public"},
		{Name: "backflow.place", Label: say.T("Where it is"), Hint: say.T("such as pump house"), Kind: Line},
		{Name: "backflow.last_test", Label: say.T("Last test"), Kind: Day},
		{Name: "backflow.next_due", Label: say.T("Next test due"), Hint: say.T("the tester's report says it; without both dates advice to inject is withheld"), Kind: Day},
		{Name: "backflow.tester", Label: say.T("Who tested it"), Hint: say.T("name or number of the licence"), Kind: Line},
	}
}

func (d *Draft) injectorFields() []Field {
	fields := []Field{
		{Name: "injector.ratio", Label: say.T("Ratio as it is dialled"), Hint: say.T("such as 2 % or 1:50"), Kind: Line, Must: true},
		{Name: "injector.convention", Label: say.T("What the ratio means"), Hint: say.T("by the injector's manual"), Kind: Choose, Must: true, Choices: []Choice{
			{"stock-in-total", say.T("stock in all of the mixture: 1:50 is 1 part in 50")},
			{"stock-per-water", say.T("stock to water: 1:50 is 1 part to 50 parts of water")}}},
		{Name: "injector.rated_flow", Label: say.T("Rated flow"), Hint: say.T("the most the injector takes, by its label, such as 3.5 gal/min or 13.2 L/min"), Kind: Line, Must: true},
		{Name: "injector.starts_at", Label: say.T("Pressure difference that starts it"), Hint: say.T("such as 5 psi or 34 kPa"), Kind: Line, Practice: "34 kPa"},
	}
	if column := box.InjectorFlow.Info().Column; d.brings(column) {
		fields = append(fields, Field{Name: "injector.meter", Label: say.T("What the flow meter in its branch counts"), Kind: Choose, Must: d.measures(column), Choices: []Choice{
			{"water", say.T("water, before the injector")}, {"mixture", say.T("the mixture, after it")}}})
	}
	return fields
}

// zone is the path of the only zone the guide makes.
const zone = "zones[0]."

const lagField = "line_end_probe.lag"

func (d *Draft) zoneFields() []Field {
	several := d.said(zone+"header.beds") != "1"
	fields := []Field{
		{Name: zone + "name", Label: say.T("Name of the zone"), Hint: say.T("such as east"), Kind: Line, Must: true},
		{Name: zone + "inlet", Label: say.T("Regulated pressure at the box outlet"), Hint: say.T("tape takes 8 to 12 psi, 55 to 83 kPa"), Kind: Line, Practice: "10 psi"},
		{Name: zone + "lead.length", Label: say.T("Pipe from the box to the header: length"), Hint: say.T("such as 26 ft or 8 m"), Kind: Line, Must: true},
		{Name: zone + "lead.inside_diameter", Label: say.T("Pipe from the box to the header: inside diameter"), Hint: say.T("inside, not outside: such as 1.1 in or 28 mm"), Kind: Line, Must: true},
		{Name: zone + "lead.slope", Label: say.T("Pipe from the box to the header: slope"), Hint: say.T("how much it climbs away from the box, such as 2 %; falling is -2 %; level where nothing is said"), Kind: Line},
		{Name: zone + "header.feed", Label: say.T("Where the header is fed"), Kind: Choose, Must: true, Choices: []Choice{
			{"end", say.T("at one end")}, {"centre", say.T("in its middle")}}},
		{Name: zone + "header.beds", Label: say.T("Number of beds"), Kind: Line, Must: true},
		{Name: zone + "header.bed_spacing", Label: say.T("From bed to bed"), Hint: say.T("such as 5 ft or 1.5 m"), Kind: Line, Must: several},
		{Name: zone + "header.first_tee", Label: say.T("From where the header is fed to the first bed"), Hint: say.T("such as 2 ft or 0.6 m"), Kind: Line, Must: true},
		{Name: zone + "header.inside_diameter", Label: say.T("Header: inside diameter"), Hint: say.T("such as 1.1 in or 28 mm"), Kind: Line, Must: true},
		{Name: zone + "header.slope", Label: say.T("Header: slope"), Hint: say.T("how much it climbs away from where it is fed; level where nothing is said"), Kind: Line},
		{Name: zone + "header.tapes_per_bed", Label: say.T("Tapes in a bed"), Hint: say.T("1 where nothing is said"), Kind: Line},
		{Name: zone + "header.tape_gap", Label: say.T("Between the tapes of a bed"), Hint: say.T("where there are several, such as 1 ft or 0.3 m"), Kind: Line},
	}
	fields = append(fields, lateralFields()...)
	if column := box.EndEC.Info().Column; d.brings(column) {
		fields = append(fields, Field{Name: lagField, Label: say.T("Lag of the probe at the line end"), Hint: say.T("from when the water there changes to when the probe shows it, such as 25 s for a small flow cell; empty where there is no such probe"), Kind: Line, Must: d.measures(column)})
	}
	return fields
}

func lateralFields() []Field {
	return []Field{
		{Name: zone + "laterals.length", Label: say.T("Length of the rows"), Hint: say.T("one for all, such as 100 ft or 30 m, or one for each bed with commas between"), Kind: Line, Must: true},
		{Name: zone + "laterals.lead_in", Label: say.T("From the header to the first emitter"), Hint: say.T("such as 1 ft or 0.3 m"), Kind: Line, Must: true},
		{Name: zone + "laterals.emitter_spacing", Label: say.T("From emitter to emitter"), Hint: say.T("by the tape's label, such as 12 in or 0.3 m"), Kind: Line, Must: true},
		{Name: zone + "laterals.inside_diameter", Label: say.T("Tape: inside diameter"), Hint: say.T("by the tape's label, such as 0.625 in or 15.9 mm"), Kind: Line, Must: true},
		{Name: zone + "laterals.slope", Label: say.T("Rows: slope"), Hint: say.T("how much they climb away from the header; level where nothing is said"), Kind: Line},
		{Name: zone + "emitters.flow", Label: say.T("Flow of an emitter"), Hint: say.T("by the tape's label, such as 0.26 gal/h or 0.98 L/h"), Kind: Line, Must: true},
		{Name: zone + "emitters.at", Label: say.T("At which pressure it has that flow"), Hint: say.T("such as 10 psi or 69 kPa"), Kind: Line, Must: true},
		{Name: zone + "emitters.exponent", Label: say.T("Emitter exponent"), Hint: say.T("0.5 for turbulent flow paths, about 0 for pressure-compensating emitters"), Kind: Line, Practice: "0.5"},
	}
}

// fieldOf is the name of an instrument's field.
func fieldOf(at int, key string) string { return "i" + strconv.Itoa(at) + "." + key }

// channelFields are those of each instrument of the board.
func (d *Draft) channelFields() (fields []Field) {
	for at, i := range d.Instruments {
		fields = append(fields, Field{Name: fieldOf(at, "channel"), Label: say.T("What it measures"), Kind: Choose, Choices: i.channels(), Group: i.Of})
		for _, p := range i.Keys {
			if f, ok := keyField(p.Key); ok {
				f.Name, f.Group = fieldOf(at, p.Key), i.Of
				f.Must = i.Channel != "" && (keyOf(p.Key).label || p.Key == "address")
				fields = append(fields, f)
			}
		}
	}
	return fields
}

// channels are what an instrument can be for: whatever is measured in the same unit.
func (i Instrument) channels() []Choice {
	if i.ofBoard() {
		return []Choice{{i.Of, i.Name()}}
	}
	own, _ := box.ChannelByColumn(i.Of)
	var out []Choice
	for c := box.UnknownChannel + 1; c < box.NumChannels; c++ {
		if c.Info().Unit == own.Info().Unit {
			out = append(out, Choice{c.Info().Column, say.Text{Format: c.Info().Name}})
		}
	}
	return out
}

// Name is what the profile has the instrument for.
func (i Instrument) Name() say.Text {
	switch i.Of {
	case boardSupply:
		return say.T("supply of the board")
	case boardButton:
		return say.T("button at the box")
	}
	c, _ := box.ChannelByColumn(i.Of)
	return say.Text{Format: c.Info().Name}
}

// Tag is the tag of what it measures; empty where there is none.
func (i Instrument) Tag() string {
	if c, ok := box.ChannelByColumn(i.Channel); ok {
		return c.Info().Tag
	}
	return ""
}

func (d *Draft) calibrateFields() (fields []Field) {
	for at, i := range d.Instruments {
		if c, ok := box.ChannelByColumn(i.Channel); ok {
			fields = append(fields, Field{Name: fieldOf(at, "calibrated"), Label: say.Text{Format: c.Info().Name}, Kind: Day})
		}
	}
	return fields
}

// key is what the guide knows of a key of an instrument.
type key struct {
	label bool // the instrument's own label says it: a profile's value is an example
	fixed bool // it is what it is with this board
}

func keyOf(name string) key {
	return key{
		label: slices.Contains([]string{"low", "high", "pulses_per_litre", "most_flow", "one"}, name),
		fixed: slices.Contains([]string{"driver", "signal", "every", "number", "function"}, name),
	}
}

// keyField is the question for a key; false where it isn't asked.
func keyField(name string) (Field, bool) {
	f := Field{Kind: Line}
	if keyOf(name).fixed {
		return f, false
	}
	switch name {
	case "low":
		f.Label, f.Hint = say.T("Low end of its range"), say.T("by its label, such as 0 psi or 0 kPa")
	case "high":
		f.Label, f.Hint = say.T("High end of its range"), say.T("by its label, such as 150 psi or 1000 kPa")
	case "pulses_per_litre":
		f.Label, f.Hint = say.T("Pulses per litre (K-factor)"), say.T("by the meter's label, such as 450; a factor per US gallon divided by 3.785")
	case "most_flow":
		f.Label, f.Hint = say.T("Largest flow of the meter"), say.T("by its label, such as 16 gal/min or 60 L/min")
	case "one":
		f.Label, f.Hint = say.T("What 1 in the register means"), say.T("by its manual, such as 0.1 kPa, 1 µS/cm or 0.1 °C")
	case "bus":
		f.Label, f.Hint = say.T("Bus"), say.T("the device file, such as /dev/i2c-1 or /dev/ttyS1")
	case "address":
		f.Label, f.Hint = say.T("Address"), say.T("on I2C such as 0x48; a thermometer's number such as 28-0123456789ab, on it or below /sys/bus/w1/devices")
	case "input":
		f.Label, f.Hint = say.T("Input of the converter"), say.T("0 to 3, or a difference such as 0-1")
	case "shunt":
		f.Label, f.Hint = say.T("Shunt"), say.T("the resistor that the current of the loop goes through, such as 150 ohm")
	case "divider":
		f.Label, f.Hint = say.T("Divider"), say.T("by how much the voltage is divided before the input: 2 for two equal resistors")
	case "supply_input":
		f.Label = say.T("Input that measures the transducers' supply")
	case "supply_divider":
		f.Label = say.T("Divider of that supply")
	case "line":
		f.Label, f.Hint = say.T("Line"), say.T("its name on the board, or its number on the chip")
	case "unit":
		f.Label, f.Hint = say.T("Unit"), say.T("the instrument's number on the line, or the unit of what it answers")
	case "register":
		f.Label, f.Hint = say.T("Register"), say.T("by its manual, counted from 0")
	case "least":
		f.Label, f.Hint = say.T("Least voltage of the supply"), say.T("such as 11.5 V for a lead battery of 12 V")
	case "active":
		f.Label, f.Hint = say.T("Level of the line while it is pressed"), say.T("low or high")
	default:
		return f, false
	}
	return f, true
}

// Called is what a question is called where it stands alone: an instrument's after
// what the instrument is for.
func (d *Draft) Called(f Field) say.Text {
	if at, _, ok := d.instrument(f.Name); ok && f.Group != "" {
		return say.Text{Format: "%v · %v", Args: []any{d.Instruments[at].Name(), f.Label}}
	}
	return f.Label
}
