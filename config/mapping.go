package config

import (
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"gopkg.in/yaml.v3"

	"boxd/internal/box"
	"boxd/internal/record"
	"boxd/internal/units"
)

// LoadMapping reads a file that says how a logger's CSV becomes a trace. The
// error is a Faults when the file's content is to blame.
func LoadMapping(path string) (*record.Mapping, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("cannot read the mapping: %w", err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, maxFile+1))
	if err != nil {
		return nil, fmt.Errorf("cannot read the mapping: %w", err)
	}
	return ParseMapping(path, data)
}

// ParseMapping reads a mapping's content; the name is for messages.
func ParseMapping(name string, data []byte) (*record.Mapping, error) {
	d := &decoder{file: name, places: places{}}
	m := &record.Mapping{Separator: ',', Decimal: '.'}
	if root := d.document(data); root != nil {
		d.mapping(root, m)
	}
	if len(d.faults) > 0 {
		d.faults.sort()
		return nil, d.faults
	}
	return m, nil
}

func (d *decoder) mapping(n *yaml.Node, m *record.Mapping) {
	s := d.section(n, "", "separator", "decimal", "skip", "time", "columns", "missing", "event")
	word(s, "separator", &m.Separator, sign(map[string]byte{"comma": ',', "semicolon": ';', "tab": '\t'}), "comma", "semicolon", "tab")
	word(s, "decimal", &m.Decimal, sign(map[string]byte{"point": '.', "comma": ','}), "point", "comma")
	s.whole("skip", &m.Skip)
	if m.Skip < 0 || m.Skip > 1000 {
		d.at("skip", fmt.Sprintf("is %d", m.Skip), "it is the number of lines before the header, up to 1000")
	}
	s.need("time", "{column: Time, format: YYYY-MM-DD hh:mm:ss}")
	d.loggerTime(s.sub("time", "column", "columns", "format", "zone"), &m.Time)
	s.need("columns", "{header_kpa: {column: Header, unit: psi}}")
	d.loggerColumns(s, m)
	for i, e := range s.list("missing") {
		if v, ok := d.scalar(e, index("missing", i)); ok {
			m.Missing = append(m.Missing, v.Value)
		}
	}
	d.loggerEvents(s.sub("event", "column", "words"), m)
}

func sign(of map[string]byte) func(string) (byte, bool) {
	return func(text string) (byte, bool) { b, ok := of[text]; return b, ok }
}

// loggerTime reads the column of time, or those of day and hour.
func (d *decoder) loggerTime(s section, t *record.LoggerTime) {
	t.Zone = time.UTC
	if !s.known {
		return
	}
	var one string
	s.text("column", &one)
	if one != "" {
		t.Columns = []string{one}
	}
	for i, e := range s.list("columns") {
		if v, ok := d.scalar(e, index("time.columns", i)); ok {
			t.Columns = append(t.Columns, v.Value)
		}
	}
	if s.has("column") == s.has("columns") || len(t.Columns) == 0 {
		d.at("time", "needs column or columns", "write column: Time, or columns: [Date, Hour]")
	}
	s.need("format", "YYYY-MM-DD hh:mm:ss")
	read(s, "zone", &t.Zone, zoneByName)
	read(s, "format", t, func(text string) (record.LoggerTime, error) {
		out := *t
		switch text {
		case "seconds":
			out.Unit = time.Second
			return out, nil
		case "milliseconds":
			out.Unit = time.Millisecond
			return out, nil
		}
		layout, ok := layoutOf(text)
		if !ok {
			return out, &units.QuantityError{Problem: fmt.Sprintf("%q is no format of time", text), Hint: "write seconds, milliseconds, or a pattern such as YYYY-MM-DD hh:mm:ss, DD/MM/YYYY hh:mm, MM/DD/YY hh:mm:ss AM"}
		}
		out.Layout = layout
		return out, nil
	})
}

// layoutOf turns a pattern of YYYY MM DD hh mm ss AM into one of package time.
// After hh: and before the seconds mm are minutes, elsewhere the month.
func layoutOf(pattern string) (string, bool) {
	hour := "15"
	if strings.Contains(pattern, "AM") {
		hour = "03"
	}
	layout := strings.NewReplacer("YYYY", "2006", "YY", "06", "MM", "01", "DD", "02", "hh", hour, "mm", "04", "ss", "05", "AM", "PM").Replace(pattern)
	// A fraction of seconds is taken without being asked for.
	for _, need := range []string{"06", "01", "02", hour, "04"} {
		if strings.Count(layout, need) != 1 {
			return "", false
		}
	}
	left := strings.NewReplacer("2006", "", "06", "", "01", "", "02", "", hour, "", "04", "", "05", "", "PM", "", "T", "").Replace(layout)
	return layout, !strings.ContainsFunc(left, func(r rune) bool { return r >= 'A' && r <= 'z' || r >= '0' && r <= '9' })
}

func zoneByName(text string) (*time.Location, error) {
	z, err := time.LoadLocation(text)
	if err != nil || text == "Local" || text == "" {
		return time.UTC, &units.QuantityError{Problem: fmt.Sprintf("%q is no time zone", text), Hint: "write a name of the tz database, such as America/Chicago"}
	}
	return z, nil
}

// loggerColumns reads where each channel stands and in what unit.
func (d *decoder) loggerColumns(s section, m *record.Mapping) {
	var names []string
	for c := box.UnknownChannel + 1; c < box.NumChannels; c++ {
		names = append(names, c.Info().Column)
	}
	cols := s.sub("columns", names...)
	for c := box.UnknownChannel + 1; c < box.NumChannels; c++ {
		name := c.Info().Column
		if !cols.has(name) {
			continue
		}
		one := cols.sub(name, "column", "unit")
		one.need("column", "Header")
		one.need("unit", c.Info().Unit)
		l := record.LoggerColumn{Channel: c}
		one.text("column", &l.Column)
		read(one, "unit", &l.Convert, func(unit string) (func(string) (float64, error), error) {
			convert := func(number string) (float64, error) { return columnValue(c, number+" "+unit) }
			_, err := convert("1")
			return convert, err
		})
		m.Channels = append(m.Channels, l)
	}
	if cols.known && len(m.Channels) == 0 {
		d.at("columns", "names no channel", "write for instance header_kpa: {column: Header, unit: psi}")
	}
}

// columnValue is a quantity in the unit of a channel's trace column.
func columnValue(c box.Channel, text string) (float64, error) {
	switch c.Info().Unit {
	case "kPa":
		v, err := units.ParseKPa(text)
		return float64(v), err
	case "L/min":
		v, err := units.ParseLPerH(text)
		return float64(v) / 60, err
	case "µS/cm":
		v, err := units.ParseUSPerCm(text)
		return float64(v), err
	}
	v, err := units.ParseCelsius(text)
	return float64(v), err
}

// loggerEvents reads what a logger's own words stand for.
func (d *decoder) loggerEvents(s section, m *record.Mapping) {
	if !s.known {
		return
	}
	s.need("column", "Note")
	s.need("words", "{pump on: main_open}")
	s.text("column", &m.Event)
	m.Words = map[string]box.Deed{}
	words := s.items["words"]
	if words == nil {
		return
	}
	if words = follow(words); words.Kind != yaml.MappingNode {
		d.at("event.words", "is "+describe(words)+", not a list of words", "write for instance pump on: main_open")
		return
	}
	for i := 0; i+1 < len(words.Content); i += 2 {
		key, value := words.Content[i], words.Content[i+1]
		deed, ok := box.DeedByWord(value.Value)
		if !ok {
			d.fault(placeOf(value), "event.words."+key.Value, fmt.Sprintf("%q is no event of a trace", value.Value), "write one of "+deedNames())
			continue
		}
		m.Words[key.Value] = deed
	}
}

func deedNames() string {
	var names []string
	for e := box.UnknownDeed + 1; e < box.NumDeeds; e++ {
		names = append(names, e.String())
	}
	return strings.Join(names, ", ")
}
