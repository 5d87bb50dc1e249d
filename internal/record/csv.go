package record

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
)

// maxRecord bounds one CSV record, in bytes: a trace row has about a hundred.
const maxRecord = 1 << 20

// errLongRecord is a record longer than maxRecord.
var errLongRecord = fmt.Errorf("the row is longer than %d bytes: is this a trace?", maxRecord)

// errOpenQuote is a quoted cell that the file's end left open.
var errOpenQuote = errors.New(`a quoted cell is not closed: add the missing "`)

// cell is one field of a record: bytes raw[start:end] of the record as it
// stands in the file, without the quotes around it.
type cell struct {
	start, end int
	quoted     bool // has quotes around it, so "" inside stands for "
}

// table splits a CSV stream (RFC 4180) into records without allocating: it
// owns raw and cells and fills them anew for each record. A line feed alone ends
// a record too, and a byte order mark at the start is passed over.
type table struct {
	r     *bufio.Reader
	long  []byte // a record that did not fit in one slice of r
	raw   []byte // the record, line end removed
	cells []cell
	line  int // where raw begins
	lines int // lines read so far

	separator byte // between cells
	alone     bool // a record is a line: a quoted cell can't go on in the next
}

func newTable(r io.Reader) *table {
	t := &table{r: bufio.NewReaderSize(r, 1<<16), separator: ','}
	if b, err := t.r.Peek(3); err == nil && string(b) == "\ufeff" {
		_, _ = t.r.Discard(3) // cannot fail: the bytes are in the buffer
	}
	return t
}

// next reads the next record that is not an empty line. It returns io.EOF at
// the end, and *placed for a record that is not CSV.
func (t *table) next() error {
	if err := t.nextLine(); err != nil {
		return err
	}
	return t.split()
}

// nextLine reads the next line that is not empty.
func (t *table) nextLine() error {
	for {
		if err := t.readLine(); err != nil || len(t.raw) > 0 {
			return err
		}
	}
}

// split splits the record that begins with the line read.
func (t *table) split() error {
	if bytes.IndexByte(t.raw, '"') < 0 {
		t.splitPlain()
		return nil
	}
	return t.splitQuoted()
}

// readLine puts the next line in raw, line end removed.
func (t *table) readLine() error {
	b, err := t.r.ReadSlice('\n')
	if errors.Is(err, bufio.ErrBufferFull) {
		t.long = append(t.long[:0], b...)
		b, err = t.readRest()
	}
	if err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	if len(b) == 0 {
		return io.EOF
	}
	t.lines++
	t.line = t.lines
	t.raw = trimEnd(b)
	return nil
}

// readRest appends to long up to the end of the line.
func (t *table) readRest() ([]byte, error) {
	for {
		b, err := t.r.ReadSlice('\n')
		if len(t.long)+len(b) > maxRecord {
			return nil, &placed{t.lines + 1, 1, errLongRecord}
		}
		t.long = append(t.long, b...)
		if !errors.Is(err, bufio.ErrBufferFull) {
			return t.long, err
		}
	}
}

func trimEnd(b []byte) []byte {
	if n := len(b); n > 0 && b[n-1] == '\n' {
		b = b[:n-1]
	}
	if n := len(b); n > 0 && b[n-1] == '\r' {
		b = b[:n-1]
	}
	return b
}

func (t *table) splitPlain() {
	t.cells = t.cells[:0]
	start := 0
	for i, c := range t.raw {
		if c == t.separator {
			t.cells = append(t.cells, cell{start: start, end: i})
			start = i + 1
		}
	}
	t.cells = append(t.cells, cell{start: start, end: len(t.raw)})
}

// splitQuoted splits a record with quotes in it, reading on where a quoted cell
// holds a line end.
func (t *table) splitQuoted() error {
	t.cells = t.cells[:0]
	i := 0
	for {
		if i < len(t.raw) && t.raw[i] == '"' {
			end, err := t.quotedEnd(i + 1)
			if err != nil {
				return err
			}
			t.cells = append(t.cells, cell{i + 1, end, true})
			i = end + 1
			if i < len(t.raw) && t.raw[i] != t.separator {
				return t.place(i, errors.New(`there is text after the closing quote: double a quote inside a quoted cell ("")`))
			}
		} else {
			end := i
			for end < len(t.raw) && t.raw[end] != t.separator {
				if t.raw[end] == '"' {
					return t.place(end, errors.New("there is a quote inside a cell that does not begin with one: quote the whole cell"))
				}
				end++
			}
			t.cells = append(t.cells, cell{start: i, end: end})
			i = end
		}
		if i >= len(t.raw) {
			return nil
		}
		i++ // the comma
	}
}

// quotedEnd is where the closing quote of a cell that starts at i stands.
func (t *table) quotedEnd(i int) (int, error) {
	open := i - 1
	for {
		for i < len(t.raw) {
			if t.raw[i] != '"' {
				i++
				continue
			}
			if i+1 < len(t.raw) && t.raw[i+1] == '"' {
				i += 2
				continue
			}
			return i, nil
		}
		if err := t.extend(); err != nil {
			if errors.Is(err, io.EOF) {
				return 0, t.place(open, errOpenQuote)
			}
			return 0, err
		}
	}
}

// extend joins the next line to raw.
func (t *table) extend() error {
	if t.alone {
		return io.EOF
	}
	line, whole := t.line, append([]byte(nil), t.raw...)
	if err := t.readLine(); err != nil {
		t.raw, t.line = whole, line
		return err
	}
	if len(whole)+len(t.raw) > maxRecord {
		t.line = line
		return &placed{line, 1, errLongRecord}
	}
	whole = append(whole, '\n')
	t.raw, t.line = append(whole, t.raw...), line
	return nil
}

// text is the content of a cell. It belongs to the table until the next record.
func (t *table) text(c cell) []byte {
	b := t.raw[c.start:c.end]
	if c.quoted && bytes.IndexByte(b, '"') >= 0 {
		return bytes.ReplaceAll(b, []byte(`""`), []byte(`"`))
	}
	return b
}

// placed is an error at a place in the file.
type placed struct {
	line, column int
	err          error
}

func (p *placed) Error() string { return p.err.Error() }

func (t *table) place(offset int, err error) error {
	line, column := t.at(offset)
	return &placed{line, column, err}
}

// at is the line and column of byte offset of the record.
func (t *table) at(offset int) (line, column int) {
	before := t.raw[:min(offset, len(t.raw))]
	line = t.line + bytes.Count(before, []byte{'\n'})
	return line, offset - bytes.LastIndexByte(before, '\n')
}
