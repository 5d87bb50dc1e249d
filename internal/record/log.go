package record

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"math"
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/units"
)

// The input log is a run of records, one per turn of the core:
//
//	version (1 byte) · payload length (4 bytes, little endian) · payload · CRC-32C of all before it (4 bytes)
//
// Whole records can be joined in any number; a log that ends inside a record is
// good up to there. The payload is written by appendPayload. Version 2 ends with
// how archive and link fared, version 3 with which link it is that fails; where
// nobody has said, as in all logs before it, a record is of the version before.
const (
	logVersion = 1
	withAround = 2
	withFar    = 3
	headSize   = 5
	sumSize    = 4
	// maxPayload bounds a record: a turn has about 150 bytes.
	maxPayload = 1 << 20
	faultBit   = 0x80 // in a sample's channel byte: a fault and its cause follow
)

var (
	// ErrTorn says that the bytes end inside a record, as after a power loss.
	ErrTorn = errors.New("the record is torn off at the end")
	// ErrDamaged says that a record does not match its checksum or its form.
	ErrDamaged = errors.New("the record is damaged")
	// ErrVersion says that a record was written by a newer program.
	ErrVersion = errors.New("the record's version is unknown: read it with the newer program that wrote it")
	// ErrTooLong says that an input does not fit a record.
	ErrTooLong = fmt.Errorf("the input is longer than %d bytes", maxPayload)
)

func checksum(b []byte) uint32 {
	return crc32.Checksum(b, crc32.MakeTable(crc32.Castagnoli))
}

// AppendInput appends in to dst as one record. Every float keeps its bits.
// Wall keeps its instant and its offset from UTC, not its zone's name. On
// ErrTooLong dst comes back as it was.
func AppendInput(dst []byte, in *engine.Input) ([]byte, error) {
	start := len(dst)
	b := append(dst, versionOf(in), 0, 0, 0, 0)
	b = appendPayload(b, in)
	n := len(b) - start - headSize
	if n > maxPayload {
		return dst[:start], fmt.Errorf("cannot record a turn of the core: %w", ErrTooLong)
	}
	binary.LittleEndian.PutUint32(b[start+1:], uint32(n))
	return binary.LittleEndian.AppendUint32(b, checksum(b[start:])), nil
}

func versionOf(in *engine.Input) byte {
	switch {
	case in.Link.To != box.FarUnknown:
		return withFar
	case in.Archive == (box.Surrounding{}) && in.Link == (box.Surrounding{}):
		return logVersion
	}
	return withAround
}

func appendPayload(b []byte, in *engine.Input) []byte {
	b = binary.AppendVarint(b, int64(in.Mono))
	b = appendWall(b, in.Wall)
	b = binary.AppendUvarint(b, uint64(len(in.Samples)))
	for i := range in.Samples {
		b = appendSample(b, &in.Samples[i])
	}
	b = binary.AppendUvarint(b, uint64(len(in.Actions)))
	for i := range in.Actions {
		b = appendAction(b, &in.Actions[i])
	}
	version := versionOf(in)
	if version >= withAround {
		b = appendSurrounding(b, in.Archive)
		b = appendSurrounding(b, in.Link)
	}
	if version >= withFar {
		b = append(b, byte(in.Link.To))
	}
	return b
}

func appendSurrounding(b []byte, s box.Surrounding) []byte {
	return appendString(append(b, byte(s.Health)), s.Why)
}

func appendWall(b []byte, t time.Time) []byte {
	if t.IsZero() {
		return append(b, 0)
	}
	_, offset := t.Zone()
	b = append(b, 1)
	b = binary.AppendVarint(b, t.Unix())
	b = binary.AppendUvarint(b, uint64(t.Nanosecond()))
	return binary.AppendVarint(b, int64(offset))
}

func appendSample(b []byte, s *box.Sample) []byte {
	mark := byte(s.Channel)
	faulty := s.Fault != "" || s.Cause != box.NoCause
	if faulty {
		mark |= faultBit
	}
	b = append(b, mark)
	b = binary.LittleEndian.AppendUint64(b, math.Float64bits(s.Value))
	if faulty {
		b = append(b, byte(s.Cause))
		b = appendString(b, s.Fault)
	}
	return b
}

func appendAction(b []byte, a *box.Action) []byte {
	b = append(b, byte(a.Kind), byte(a.Deed))
	b = binary.AppendUvarint(b, a.Advice)
	b = appendString(b, a.ID)
	b = appendString(b, a.Alarm)
	b = appendString(b, a.By)
	b = appendString(b, a.Note)
	if a.Kind == box.Post { // fields that only one kind has come last
		b = binary.LittleEndian.AppendUint64(b, math.Float64bits(float64(a.Forecast.Low)))
		b = appendWall(b, a.Forecast.At)
	}
	if a.Kind == box.Shelve {
		b = binary.AppendVarint(b, int64(a.For))
	}
	return b
}

func appendString(b []byte, s string) []byte {
	b = binary.AppendUvarint(b, uint64(len(s)))
	return append(b, s...)
}

// ReadInput reads the first record of b into in, reusing its slices, and
// returns the record's length. Errors are ErrTorn, ErrDamaged and ErrVersion;
// with an error in means nothing.
func ReadInput(b []byte, in *engine.Input) (int, error) {
	n, err := recordSize(b)
	if err != nil {
		return 0, err
	}
	if len(b) < n {
		return 0, ErrTorn
	}
	sum := binary.LittleEndian.Uint32(b[n-sumSize:])
	if checksum(b[:n-sumSize]) != sum {
		return 0, ErrDamaged
	}
	d := decoder{b: b[headSize : n-sumSize]}
	d.input(in, b[0])
	if d.bad || len(d.b) != 0 {
		return 0, ErrDamaged
	}
	return n, nil
}

// recordSize is the length of the record that begins b.
func recordSize(b []byte) (int, error) {
	switch {
	case len(b) == 0:
		return 0, ErrTorn
	case b[0] == 0:
		return 0, ErrDamaged
	case b[0] > withFar:
		return 0, ErrVersion
	case len(b) < headSize:
		return 0, ErrTorn
	}
	n := binary.LittleEndian.Uint32(b[1:])
	if n > maxPayload {
		return 0, ErrDamaged
	}
	return headSize + int(n) + sumSize, nil
}

// decoder takes a payload apart from its front. Once bad it stays bad.
type decoder struct {
	b   []byte
	bad bool
}

func (d *decoder) input(in *engine.Input, version byte) {
	in.Mono = time.Duration(d.varint())
	in.Wall = d.wall()
	in.Samples = in.Samples[:0]
	for n := d.uvarint(); n > 0 && !d.bad; n-- {
		in.Samples = append(in.Samples, d.sample())
	}
	in.Actions = in.Actions[:0]
	for n := d.uvarint(); n > 0 && !d.bad; n-- {
		in.Actions = append(in.Actions, d.action())
	}
	in.Archive, in.Link = box.Surrounding{}, box.Surrounding{}
	if version >= withAround {
		in.Archive, in.Link = d.surrounding(), d.surrounding()
	}
	if version >= withFar {
		in.Link.To = box.Far(d.byte())
	}
}

func (d *decoder) surrounding() box.Surrounding {
	return box.Surrounding{Health: box.Health(d.byte()), Why: d.string()}
}

func (d *decoder) wall() time.Time {
	if d.byte() == 0 {
		return time.Time{}
	}
	seconds, nanos, offset := d.varint(), d.uvarint(), d.varint()
	if nanos >= 1e9 || offset < -86400 || offset > 86400 {
		d.bad = true
		return time.Time{}
	}
	t := time.Unix(seconds, int64(nanos))
	if offset == 0 {
		return t.UTC()
	}
	return t.In(time.FixedZone("", int(offset)))
}

func (d *decoder) sample() box.Sample {
	mark := d.byte()
	s := box.Sample{Channel: box.Channel(mark &^ faultBit), Value: math.Float64frombits(d.uint64())}
	if mark&faultBit != 0 {
		s.Cause = box.Cause(d.byte())
		s.Fault = d.string()
	}
	return s
}

func (d *decoder) action() box.Action {
	a := box.Action{
		Kind: box.ActionKind(d.byte()), Deed: box.Deed(d.byte()), Advice: d.uvarint(),
		ID: d.string(), Alarm: d.string(), By: d.string(), Note: d.string(),
	}
	if a.Kind == box.Post {
		a.Forecast = box.Forecast{Low: units.Celsius(math.Float64frombits(d.uint64())), At: d.wall()}
	}
	if a.Kind == box.Shelve {
		a.For = time.Duration(d.varint())
	}
	return a
}

// take removes n bytes, or none when there are not as many.
func (d *decoder) take(n int) []byte {
	if d.bad || n < 0 || n > len(d.b) {
		d.bad = true
		return nil
	}
	b := d.b[:n]
	d.b = d.b[n:]
	return b
}

func (d *decoder) byte() byte {
	if b := d.take(1); b != nil {
		return b[0]
	}
	return 0
}

func (d *decoder) uint64() uint64 {
	if b := d.take(8); b != nil {
		return binary.LittleEndian.Uint64(b)
	}
	return 0
}

func (d *decoder) uvarint() uint64 {
	x, n := binary.Uvarint(d.b)
	if n <= 0 {
		d.bad = true
		return 0
	}
	d.take(n)
	return x
}

func (d *decoder) varint() int64 {
	x, n := binary.Varint(d.b)
	if n <= 0 {
		d.bad = true
		return 0
	}
	d.take(n)
	return x
}

func (d *decoder) string() string {
	n := d.uvarint()
	if n > maxPayload {
		d.bad = true
		return ""
	}
	return string(d.take(int(n)))
}

// LogReader reads a log from a stream.
type LogReader struct {
	r      io.Reader
	buf    []byte // unread bytes of the stream
	offset int64  // of buf in the stream
	end    error  // what ended the stream, io.EOF for its end
	torn   bool
}

// NewLogReader reads the log in r.
func NewLogReader(r io.Reader) *LogReader { return &LogReader{r: r} }

// Next reads the next record into in, reusing its slices. It returns io.EOF
// after the last whole record; Torn then tells whether more had been begun. A
// damaged record with others after it is an error that names its offset.
func (l *LogReader) Next(in *engine.Input) error {
	for {
		n, err := ReadInput(l.buf, in)
		switch {
		case err == nil:
			l.buf = l.buf[n:]
			l.offset += int64(n)
			return nil
		case errors.Is(err, ErrTorn) && l.end == nil:
			l.fill()
			continue
		case l.end != nil && !errors.Is(l.end, io.EOF):
			return fmt.Errorf("cannot read the input log: %w", l.end)
		case errors.Is(err, ErrTorn):
			l.torn = len(l.buf) > 0
			return io.EOF
		}
		if errors.Is(err, ErrDamaged) && l.lastOne() {
			l.torn = true
			return io.EOF
		}
		return fmt.Errorf("cannot read the input log at byte %d: %w", l.offset, err)
	}
}

// Torn reports whether the log ended inside a record.
func (l *LogReader) Torn() bool { return l.torn }

// lastOne reports whether nothing but zeros can stand after the damaged record
// at the front. A file whose length was saved before its content ends in zeros.
func (l *LogReader) lastOne() bool {
	for l.end == nil && len(l.buf) <= headSize+maxPayload+sumSize {
		l.fill()
	}
	if l.end == nil {
		return false
	}
	n, err := recordSize(l.buf)
	if err != nil {
		n = 0
	}
	for _, b := range l.buf[min(n, len(l.buf)):] {
		if b != 0 {
			return false
		}
	}
	return true
}

// fill reads more of the stream.
func (l *LogReader) fill() {
	const step = 1 << 16
	rest := len(l.buf)
	if cap(l.buf)-rest < step {
		grown := make([]byte, rest, 2*rest+2*step)
		copy(grown, l.buf)
		l.buf = grown
	}
	n, err := l.r.Read(l.buf[rest : rest+step])
	l.buf = l.buf[:rest+n]
	l.end = err
}
