package journal

import "encoding/binary"

// Types of Thrift's compact protocol (Apache Thrift, thrift-compact-protocol.md).
const (
	thriftTrue   = 1
	thriftInt    = 5
	thriftLong   = 6
	thriftBytes  = 8
	thriftList   = 9
	thriftStruct = 12
)

// thrift writes one struct in the compact protocol: its fields in rising order,
// each close ending what open, element or the start began.
type thrift struct {
	b     []byte
	last  int   // number of the field written last
	outer []int // that of the structs around
}

// field writes a field's head: the step from the field before and its type.
func (t *thrift) field(id int, kind byte) {
	t.b = append(t.b, byte(id-t.last)<<4|kind)
	t.last = id
}

func (t *thrift) zigzag(v int64) { t.b = binary.AppendVarint(t.b, v) }

func (t *thrift) int(id int, v int64) {
	t.field(id, thriftInt)
	t.zigzag(v)
}

func (t *thrift) long(id int, v int64) {
	t.field(id, thriftLong)
	t.zigzag(v)
}

func (t *thrift) yes(id int) { t.field(id, thriftTrue) }

func (t *thrift) bytes(s string) { t.b = append(binary.AppendUvarint(t.b, uint64(len(s))), s...) }

func (t *thrift) text(id int, s string) {
	t.field(id, thriftBytes)
	t.bytes(s)
}

// list begins a list of n elements; they follow.
func (t *thrift) list(id int, kind byte, n int) {
	t.field(id, thriftList)
	if n < 15 {
		t.b = append(t.b, byte(n)<<4|kind)
		return
	}
	t.b = binary.AppendUvarint(append(t.b, 0xf0|kind), uint64(n))
}

// element begins a struct that is an element of a list.
func (t *thrift) element() {
	t.outer = append(t.outer, t.last)
	t.last = 0
}

// open begins a struct that is a field.
func (t *thrift) open(id int) {
	t.field(id, thriftStruct)
	t.element()
}

// close ends a struct; the outermost too.
func (t *thrift) close() {
	t.b = append(t.b, 0)
	if n := len(t.outer); n > 0 {
		t.last, t.outer = t.outer[n-1], t.outer[:n-1]
	}
}
