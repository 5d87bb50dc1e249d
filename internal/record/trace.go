package record

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"

	"boxd/internal/box"
)

const (
	timeColumn  = "time_s"
	eventColumn = "event"
	// maxTime bounds time_s so that it fits a time.Duration, in seconds. Unix
	// times fit.
	maxTime = 9e9
)

// Row is one line of a trace.
type Row struct {
	T       float64      // time_s, seconds
	Samples []box.Sample // in the order of the channels; a missing sample is not there
	Deeds   []box.Deed   // what the person did, in the order written
}

// TraceReader reads a trace row by row. It never holds the whole file.
type TraceReader struct {
	name    string
	t       *table
	width   int // number of columns
	time    int // index of time_s
	event   int // index of event, -1 when absent
	values  []valueColumn
	numbers []bareNumber // of a bare row, by column
	has     [box.NumChannels]bool
	last    float64
	begun   bool
	faults  Faults
	failed  error // what Next goes on returning
	samples []box.Sample
	deeds   []box.Deed
	row     Row // the newest
}

type valueColumn struct {
	channel box.Channel
	index   int
}

// NewTraceReader reads the header of the trace called name and reports every
// fault of it at once (*Faults).
func NewTraceReader(name string, r io.Reader) (*TraceReader, error) {
	tr := &TraceReader{
		name: name, t: newTable(r),
		samples: make([]box.Sample, box.NumChannels), deeds: make([]box.Deed, 0, 4),
	}
	if err := tr.t.next(); err != nil {
		return nil, tr.headerError(err)
	}
	tr.header()
	if err := tr.faults.err(); err != nil {
		return nil, err
	}
	return tr, nil
}

// CheckTrace reads the whole trace and reports its faults, at most MaxFaults,
// as *Faults. It is for finding every fault before anything is done with the
// first row.
func CheckTrace(name string, r io.Reader) error {
	tr, err := NewTraceReader(name, r)
	for err == nil {
		_, err = tr.Next()
	}
	if errors.Is(err, io.EOF) {
		return nil
	}
	return err
}

// Columns says which channels the trace has a column for.
func (tr *TraceReader) Columns() [box.NumChannels]bool { return tr.has }

// Next is the next row; its slices are reused by the following call. At the end
// it returns io.EOF. At the first fault it reads on to find the others and
// returns all of them (*Faults), and so does every later call.
func (tr *TraceReader) Next() (Row, error) {
	if tr.failed != nil {
		return Row{}, tr.failed
	}
	err := tr.read()
	if err == nil && len(tr.faults.List) == 0 {
		return tr.row, nil
	}
	for err == nil && !tr.faults.full() {
		err = tr.read()
	}
	tr.faults.More = err == nil
	if tr.failed = tr.faults.err(); tr.failed == nil {
		tr.failed = err
	}
	return Row{}, tr.failed
}

// read takes one row and notes its faults. Its error ends the reading.
func (tr *TraceReader) read() error {
	err := tr.t.nextLine()
	if err == nil {
		if tr.bare() {
			return nil
		}
		err = tr.t.split()
	}
	if err != nil {
		return tr.rowError(err)
	}
	if n := len(tr.t.cells); n != tr.width {
		tr.fault(tr.t.cells[min(n, tr.width)-1].start, fmt.Sprintf("the row has %d cells, the header %d", n, tr.width))
		return nil
	}
	row := &tr.row
	row.T, row.Samples, row.Deeds = tr.readTime(), tr.samples[:0], tr.deeds[:0]
	for _, v := range tr.values {
		c := tr.t.cells[v.index]
		x, present := tr.number(c, v.channel.Info().Column)
		if present {
			row.Samples = append(row.Samples, box.Sample{Channel: v.channel, Value: x})
		}
	}
	if tr.event >= 0 {
		if c := tr.t.cells[tr.event]; c.end > c.start {
			row.Deeds = tr.readDeeds(row.Deeds, c)
			tr.deeds = row.Deeds
		}
	}
	return nil
}

// readTime reads time_s, which must rise.
func (tr *TraceReader) readTime() float64 {
	c := tr.t.cells[tr.time]
	before := len(tr.faults.List)
	t, present := tr.number(c, timeColumn)
	switch {
	case len(tr.faults.List) > before:
	case !present:
		tr.fault(c.start, "time_s is empty: every row needs its time")
	case math.Abs(t) > maxTime:
		tr.fault(c.start, fmt.Sprintf("time_s %g is beyond ±%g s", t, maxTime))
	case tr.begun && t <= tr.last:
		tr.fault(c.start, fmt.Sprintf("time_s %g does not come after %g: rows go forward in time", t, tr.last))
		tr.last = t
	default:
		tr.begun, tr.last = true, t
	}
	return t
}

// number reads a cell; an empty one is not present.
func (tr *TraceReader) number(c cell, column string) (x float64, present bool) {
	b := trimBlank(tr.t.text(c))
	if len(b) == 0 {
		return 0, false
	}
	x, ok := parseNumber(b)
	if !ok {
		tr.fault(c.start, fmt.Sprintf("%s %s is not a number: leave the cell empty where there is no sample", column, quote(b)))
		return 0, false
	}
	return x, true
}

// readDeeds reads the words of an event cell up to its remark.
func (tr *TraceReader) readDeeds(deeds []box.Deed, c cell) []box.Deed {
	text := tr.t.text(c)
	if i := bytes.IndexByte(text, '#'); i >= 0 {
		text = text[:i]
	}
	for len(text) > 0 {
		word := text
		if i := bytes.IndexByte(text, ';'); i >= 0 {
			word, text = text[:i], text[i+1:]
		} else {
			text = nil
		}
		if word = bytes.TrimSpace(word); len(word) == 0 {
			continue
		}
		d, ok := box.DeedByWord(string(word))
		if !ok {
			tr.fault(c.start, fmt.Sprintf("event word %s is unknown: known are %s; a remark goes after #", quote(word), deedWords()))
			continue
		}
		deeds = append(deeds, d)
	}
	return deeds
}

// header finds the columns and notes the faults of the header.
func (tr *TraceReader) header() {
	tr.time, tr.event, tr.values, tr.has = -1, -1, tr.values[:0], [box.NumChannels]bool{}
	tr.width = len(tr.t.cells)
	tr.numbers = make([]bareNumber, tr.width)
	seen := make(map[string]bool, tr.width)
	for i, c := range tr.t.cells {
		name := string(bytes.TrimSpace(tr.t.text(c)))
		switch channel, known := box.ChannelByColumn(name); {
		case seen[name]:
			tr.fault(c.start, fmt.Sprintf("column %s is there twice", quote([]byte(name))))
		case name == timeColumn:
			tr.time = i
		case name == eventColumn:
			tr.event = i
		case known && name != "":
			tr.has[channel] = true
			tr.values = append(tr.values, valueColumn{channel, i})
		default:
			tr.fault(c.start, fmt.Sprintf("column %s is unknown: known are %s", quote([]byte(name)), columnNames()))
		}
		seen[name] = true
	}
	if tr.time < 0 {
		tr.fault(0, "there is no column time_s")
	}
	slices.SortFunc(tr.values, func(a, b valueColumn) int { return int(a.channel) - int(b.channel) })
}

func (tr *TraceReader) fault(offset int, what string) {
	line, column := tr.t.at(offset)
	tr.faults.add(Fault{tr.name, line, column, what})
}

func (tr *TraceReader) headerError(err error) error {
	return tr.headerErrorOf(err, "the trace is empty: its first line names the columns, time_s among them")
}

func (tr *TraceReader) headerErrorOf(err error, empty string) error {
	if errors.Is(err, io.EOF) {
		return &Faults{List: []Fault{{tr.name, 1, 1, empty}}}
	}
	if err = tr.rowError(err); errors.Is(err, io.EOF) {
		return tr.faults.err()
	}
	return err
}

// rowError notes a record that is not CSV as a fault and ends the reading
// there, since where the next one begins can't be known.
func (tr *TraceReader) rowError(err error) error {
	var p *placed
	switch {
	case errors.Is(err, io.EOF):
		return io.EOF
	case errors.As(err, &p):
		tr.faults.add(Fault{tr.name, p.line, p.column, p.Error()})
		return io.EOF
	}
	return fmt.Errorf("cannot read trace %s: %w", tr.name, err)
}

func columnNames() string {
	names := timeColumn
	for c := box.UnknownChannel + 1; c < box.NumChannels; c++ {
		names += ", " + c.Info().Column
	}
	return names + ", " + eventColumn
}

func deedWords() string {
	words := ""
	for d := box.UnknownDeed + 1; d < box.NumDeeds; d++ {
		if words != "" {
			words += ", "
		}
		words += d.String()
	}
	return words
}

// quote shows a piece of the file, cut where it is long.
func quote(b []byte) string {
	if len(b) > 40 {
		return strconv.QuoteToASCII(string(b[:40])) + "…"
	}
	return strconv.Quote(string(b))
}
