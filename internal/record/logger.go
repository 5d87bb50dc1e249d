package record

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"boxd/internal/box"
)

// Mapping says how the CSV file of some logger becomes a trace.
type Mapping struct {
	Separator byte // between cells
	Decimal   byte // in numbers
	Skip      int  // lines before the header
	Time      LoggerTime
	Channels  []LoggerColumn
	Missing   []string            // cells that hold no value, besides empty ones
	Event     string              // column with what the person did; empty: none
	Words     map[string]box.Deed // what its cells say
}

// LoggerTime is where a row's time stands: one column, or a day and an hour in
// two.
type LoggerTime struct {
	Columns []string
	// Layout is that of package time; empty: a number of Unit.
	Layout string
	Zone   *time.Location
	Unit   time.Duration
}

// LoggerColumn is a channel's column.
type LoggerColumn struct {
	Channel box.Channel
	Column  string
	// Convert turns a number as it stands in the cell into the unit of the
	// channel's trace column.
	Convert func(number string) (float64, error)
}

// Import writes the logger's file called name as a trace whose time_s counts
// from its first row. Whatever is wrong in it comes at once, as *Faults with line
// and column; what was written by then is no trace. It returns the rows written.
func Import(m *Mapping, name string, r io.Reader, w io.Writer) (rows int, err error) {
	im := importer{m: m, t: newTable(r), tr: TraceReader{name: name}}
	im.tr.t = im.t
	im.t.separator = m.Separator
	for range m.Skip {
		if err := im.t.readLine(); err != nil {
			return 0, fmt.Errorf("cannot import %s: it ends within the %d lines to skip", name, m.Skip)
		}
	}
	if err := im.header(); err != nil {
		return 0, err
	}
	var has [box.NumChannels]bool
	for _, c := range m.Channels {
		has[c.Channel] = true
	}
	tw, err := NewTraceWriter(w, has)
	if err != nil {
		return 0, err
	}
	for !im.tr.faults.full() {
		row, err := im.read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return rows, err
		}
		if len(im.tr.faults.List) > 0 {
			continue // read on for the other faults
		}
		if err := tw.Write(row); err != nil {
			return rows, err
		}
		rows++
	}
	im.tr.faults.More = im.tr.faults.full()
	if err := im.tr.faults.err(); err != nil {
		return rows, err
	}
	if rows == 0 {
		return 0, fmt.Errorf("cannot import %s: there is no row below its header", name)
	}
	return rows, tw.Flush()
}

// importer reads one logger's file; tr lends its way to note faults.
type importer struct {
	m      *Mapping
	t      *table
	tr     TraceReader
	times  []int
	values []int
	event  int
	first  time.Time // of the first row, for times of day
	base   float64   // of the first row, for times that are numbers
	begun  bool
	last   float64
}

// header finds the columns asked for.
func (im *importer) header() error {
	if err := im.t.next(); err != nil {
		return im.tr.headerErrorOf(err, "the file has no header")
	}
	at := map[string]int{}
	var names []string
	for i, c := range im.t.cells {
		name := string(bytes.TrimSpace(im.t.text(c)))
		if _, twice := at[name]; !twice {
			at[name] = i
		}
		names = append(names, quote([]byte(name)))
	}
	find := func(column string) int {
		i, ok := at[column]
		if !ok {
			im.tr.fault(0, fmt.Sprintf("there is no column %s: there are %s", quote([]byte(column)), strings.Join(names[:min(len(names), 30)], ", ")))
		}
		return i
	}
	for _, c := range im.m.Time.Columns {
		im.times = append(im.times, find(c))
	}
	for _, c := range im.m.Channels {
		im.values = append(im.values, find(c.Column))
	}
	if im.event = -1; im.m.Event != "" {
		im.event = find(im.m.Event)
	}
	im.tr.width = len(im.t.cells)
	return im.tr.faults.err()
}

// read takes one row and notes its faults.
func (im *importer) read() (Row, error) {
	if err := im.t.next(); err != nil {
		return Row{}, im.tr.rowError(err)
	}
	if n := len(im.t.cells); n != im.tr.width {
		im.tr.fault(im.t.cells[min(n, im.tr.width)-1].start, fmt.Sprintf("the row has %d cells, the header %d", n, im.tr.width))
		return Row{}, nil
	}
	row := Row{T: im.time()}
	for i, c := range im.m.Channels {
		if x, ok := im.value(im.t.cells[im.values[i]], &c); ok {
			row.Samples = append(row.Samples, box.Sample{Channel: c.Channel, Value: x})
		}
	}
	if im.event >= 0 {
		row.Deeds = im.deeds(im.t.cells[im.event])
	}
	return row, nil
}

// time is the row's time, which must rise.
func (im *importer) time() float64 {
	c := im.t.cells[im.times[0]]
	t, err := im.when()
	switch {
	case err != nil:
		im.tr.fault(c.start, err.Error())
	case im.begun && t <= im.last:
		im.tr.fault(c.start, fmt.Sprintf("the row's time does not come after that of the row before (%g s after it): rows go forward in time", t-im.last))
	default:
		im.begun, im.last = true, t
	}
	return t
}

func (im *importer) when() (float64, error) {
	var parts []string
	for _, i := range im.times {
		parts = append(parts, string(bytes.TrimSpace(im.t.text(im.t.cells[i]))))
	}
	text := strings.Join(parts, " ")
	if im.m.Time.Layout == "" {
		x, ok := parseNumber(im.number([]byte(text)))
		if !ok {
			return 0, fmt.Errorf("the time %s is not a number", quote([]byte(text)))
		}
		if !im.begun {
			im.base = x
		}
		t := (x - im.base) * im.m.Time.Unit.Seconds()
		if t > maxTime {
			return 0, fmt.Errorf("the time %g s is too far from the first row's", t)
		}
		return t, nil
	}
	at, err := time.ParseInLocation(im.m.Time.Layout, text, im.m.Time.Zone)
	if err != nil {
		return 0, fmt.Errorf("the time %s is not written as the mapping says", quote([]byte(text)))
	}
	if !im.begun {
		im.first = at
	}
	return at.Sub(im.first).Seconds(), nil
}

// number is a cell's number with a decimal point.
func (im *importer) number(b []byte) []byte {
	if im.m.Decimal != '.' {
		b = bytes.ReplaceAll(b, []byte{im.m.Decimal}, []byte{'.'})
	}
	return b
}

func (im *importer) value(c cell, to *LoggerColumn) (float64, bool) {
	b := bytes.TrimSpace(im.t.text(c))
	if len(b) == 0 {
		return 0, false
	}
	for _, m := range im.m.Missing {
		if string(b) == m {
			return 0, false
		}
	}
	n := im.number(b)
	if _, ok := parseNumber(n); !ok {
		im.tr.fault(c.start, fmt.Sprintf("%s %s is not a number: name it under missing where it stands for no value", to.Channel.Info().Column, quote(b)))
		return 0, false
	}
	x, err := to.Convert(string(n))
	if err != nil {
		im.tr.fault(c.start, fmt.Sprintf("%s %s", to.Channel.Info().Column, err))
	}
	return x, err == nil
}

func (im *importer) deeds(c cell) []box.Deed {
	word := string(bytes.TrimSpace(im.t.text(c)))
	if word == "" {
		return nil
	}
	d, ok := im.m.Words[word]
	if !ok {
		im.tr.fault(c.start, fmt.Sprintf("event %s is not among the words of the mapping", quote([]byte(word))))
		return nil
	}
	return []box.Deed{d}
}
