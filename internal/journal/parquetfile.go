package journal

import (
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"io"
	"math"
	"time"
)

// A Parquet file of a plain table, by the format's own description (Apache Parquet,
// parquet.thrift and Encodings.md, format version 2.10): one data page of version 1
// for each column of a row group, values PLAIN, whether there is one as levels in
// bit-packed runs, each page packed by gzip. The library that reads all of Parquet
// is for the tests: it would be a fifth of the program.

// parquetKind is what a column holds.
type parquetKind uint8

const (
	parquetUnknown parquetKind = iota
	parquetDouble
	parquetTime // microseconds since 1970, UTC
	parquetText
)

// What the format calls things, by number.
const (
	parquetInt64, parquetFloat64, parquetBytes = 2, 5, 6 // physical types
	parquetUTF8, parquetMicros                 = 0, 10   // converted types
	parquetPlain, parquetRLE                   = 0, 3    // encodings
	parquetGzip                                = 2       // codec
)

// parquetGroup is how many rows are held until they are written.
const parquetGroup = 16 << 10

// parquetColumn is a column and what is held of it.
type parquetColumn struct {
	name     string
	kind     parquetKind
	required bool
	values   []byte
	there    []byte // a bit for each row, where not required
	rows     int
}

// row notes whether the next row has a value.
func (c *parquetColumn) row(there bool) {
	if c.rows%8 == 0 {
		c.there = append(c.there, 0)
	}
	if there {
		c.there[c.rows/8] |= 1 << (c.rows % 8)
	}
	c.rows++
}

func (c *parquetColumn) null() { c.row(false) }

func (c *parquetColumn) double(v float64) {
	c.row(true)
	c.values = binary.LittleEndian.AppendUint64(c.values, math.Float64bits(v))
}

// micros takes a time; the zero one is none.
func (c *parquetColumn) micros(t time.Time) {
	c.row(!t.IsZero())
	if !t.IsZero() {
		c.values = binary.LittleEndian.AppendUint64(c.values, uint64(t.UnixMicro()))
	}
}

// text takes a word; an empty one is none.
func (c *parquetColumn) text(s string) {
	c.row(s != "")
	if s != "" {
		c.values = append(binary.LittleEndian.AppendUint32(c.values, uint32(len(s))), s...)
	}
}

// page is what is held, as a page before it is packed.
func (c *parquetColumn) page(dst []byte) []byte {
	if !c.required {
		run := append(binary.AppendUvarint(nil, uint64(len(c.there))<<1|1), c.there...)
		dst = append(binary.LittleEndian.AppendUint32(dst, uint32(len(run))), run...)
	}
	return append(dst, c.values...)
}

// parquetChunk is where a column of a row group stands in the file.
type parquetChunk struct {
	offset         int64
	plain, written int64 // bytes with the page's header
}

type parquetRows struct {
	rows   int
	chunks []parquetChunk
}

// parquetFile is written as it grows: what it holds is one row group.
type parquetFile struct {
	w       io.Writer
	columns []*parquetColumn
	groups  []parquetRows
	at      int64
	err     error // the first
	plain   []byte
	packed  bytes.Buffer
	zip     *gzip.Writer
}

const parquetMagic = "PAR1"

func (f *parquetFile) begin() { f.write([]byte(parquetMagic)) }

func (f *parquetFile) write(b []byte) {
	if f.err == nil {
		_, f.err = f.w.Write(b)
	}
	f.at += int64(len(b))
}

// rowDone: every column has had its value or none.
func (f *parquetFile) rowDone() {
	if f.columns[0].rows == parquetGroup {
		f.group()
	}
}

// group writes what is held.
func (f *parquetFile) group() {
	g := parquetRows{rows: f.columns[0].rows}
	if g.rows == 0 {
		return
	}
	for _, c := range f.columns {
		f.plain = c.page(f.plain[:0])
		f.pack()
		var h thrift
		h.int(1, 0) // a data page
		h.int(2, int64(len(f.plain)))
		h.int(3, int64(f.packed.Len()))
		h.open(5)
		h.int(1, int64(g.rows))
		h.int(2, parquetPlain)
		h.int(3, parquetRLE)
		h.int(4, parquetRLE)
		h.close()
		h.close()
		g.chunks = append(g.chunks, parquetChunk{f.at, int64(len(h.b) + len(f.plain)), int64(len(h.b) + f.packed.Len())})
		f.write(h.b)
		f.write(f.packed.Bytes())
		c.values, c.there, c.rows = c.values[:0], c.there[:0], 0
	}
	f.groups = append(f.groups, g)
}

func (f *parquetFile) pack() {
	f.packed.Reset()
	if f.zip == nil {
		f.zip = gzip.NewWriter(&f.packed)
	} else {
		f.zip.Reset(&f.packed)
	}
	if _, err := f.zip.Write(f.plain); err != nil && f.err == nil {
		f.err = err
	}
	if err := f.zip.Close(); err != nil && f.err == nil {
		f.err = err
	}
}

// end writes the rest and the footer.
func (f *parquetFile) end(meta [][2]string, by string) error {
	f.group()
	var t thrift
	t.int(1, 2) // version of the format
	f.schema(&t)
	rows := 0
	for i := range f.groups {
		rows += f.groups[i].rows
	}
	t.long(3, int64(rows))
	t.list(4, thriftStruct, len(f.groups))
	for i := range f.groups {
		f.footerGroup(&t, &f.groups[i])
	}
	t.list(5, thriftStruct, len(meta))
	for _, m := range meta {
		t.element()
		t.text(1, m[0])
		t.text(2, m[1])
		t.close()
	}
	t.text(6, by)
	t.close()
	f.write(t.b)
	f.write(binary.LittleEndian.AppendUint32(nil, uint32(len(t.b))))
	f.write([]byte(parquetMagic))
	return f.err
}

// physical is the format's number of what a column's values are made of.
func (c *parquetColumn) physical() int64 {
	switch c.kind {
	case parquetTime:
		return parquetInt64
	case parquetText:
		return parquetBytes
	case parquetDouble, parquetUnknown:
	}
	return parquetFloat64
}

// schema writes the table's root and its columns.
func (f *parquetFile) schema(t *thrift) {
	t.list(2, thriftStruct, len(f.columns)+1)
	t.element()
	t.text(4, "trace")
	t.int(5, int64(len(f.columns)))
	t.close()
	for _, c := range f.columns {
		t.element()
		t.int(1, c.physical())
		if c.required {
			t.int(3, 0)
		} else {
			t.int(3, 1) // optional
		}
		t.text(4, c.name)
		switch c.kind {
		case parquetTime: // microseconds, adjusted to UTC
			t.int(6, parquetMicros)
			t.open(10)
			t.open(8)
			t.yes(1)
			t.open(2)
			t.open(2)
			t.close()
			t.close()
			t.close()
			t.close()
		case parquetText:
			t.int(6, parquetUTF8)
			t.open(10)
			t.open(1)
			t.close()
			t.close()
		case parquetDouble, parquetUnknown:
		}
		t.close()
	}
}

// footerGroup tells where a row group's columns are.
func (f *parquetFile) footerGroup(t *thrift, g *parquetRows) {
	t.element()
	t.list(1, thriftStruct, len(g.chunks))
	var plain int64
	for i, k := range g.chunks {
		c := f.columns[i]
		plain += k.plain
		t.element()
		t.long(2, k.offset)
		t.open(3)
		t.int(1, c.physical())
		t.list(2, thriftInt, 2)
		t.zigzag(parquetPlain)
		t.zigzag(parquetRLE)
		t.list(3, thriftBytes, 1)
		t.bytes(c.name)
		t.int(4, parquetGzip)
		t.long(5, int64(g.rows))
		t.long(6, k.plain)
		t.long(7, k.written)
		t.long(9, k.offset)
		t.close()
		t.close()
	}
	t.long(2, plain)
	t.long(3, int64(g.rows))
	t.close()
}
