package hwio

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"time"

	"boxd/internal/box"
	"boxd/internal/sensors"
)

// The functions that read registers (Modbus application protocol V1.1b3, 6.3 and
// 6.4). There is no other in this package: nothing is ever written to an
// instrument.
const (
	readHolding = 3
	readInput   = 4
)

// What goes wrong with a question.
var (
	errMute = errors.New("mute")
	errCut  = errors.New("cut short")
	errLate = errors.New("late")
)

// exception is an instrument's refusal.
type exception byte

func (e exception) Error() string { return fmt.Sprintf("exception %d", byte(e)) }

// modbusLine is a serial line with instruments that speak Modbus RTU. An answer
// there doesn't say what it answers. So an instrument that owes one is not asked
// again until it came or can't come any more: there is never more than one
// question that an answer could be for.
type modbusLine struct {
	serialLine
	units map[byte]*debt
	frame [256]byte
}

// debt is how an instrument stands.
type debt struct {
	asked time.Time // last
	owes  error     // no answer came in time, why: it may still come; nil: none can
	late  bool      // its last answer came too late
}

// owedFor is after how many times the time for an answer none comes any more.
// Common practice, no source.
const owedFor = 10

// register is one channel's registers.
type register struct {
	sensors.Modbus
	channel box.Channel
	line    *modbusLine
}

// modbus puts a register on its line, which is made at the first.
func (b *builder) modbus(w sensors.Wiring, d sensors.Modbus) error {
	x := b.on(w.Bus)
	line, ok := b.serial[w.Bus]
	if !ok {
		line = &modbusLine{serialLine: serialLine{pattern: w.Bus, set: d.Serial, open: b.port, find: b.find}, units: map[byte]*debt{}}
		b.serial[w.Bus] = line
		x.closing(line.shut)
	}
	if line.set != d.Serial {
		return fmt.Errorf("cannot read %s: another instrument on its line is set to another speed, parity, stop bits or timeout; set them alike", w)
	}
	if line.units[d.Unit] == nil {
		line.units[d.Unit] = new(debt)
	}
	x.put(&register{Modbus: d, channel: w.Channel, line: line}, w.Every, w.Channel)
	return nil
}

// step asks once. It waits for the whole answer, for the line is busy as long.
func (r *register) step(_ context.Context, dst []box.Sample) ([]box.Sample, time.Duration) {
	data, err := r.line.ask(r)
	if err != nil {
		return append(dst, serialFault(r.channel, err)), 0
	}
	return append(dst, r.sample(data)), 0
}

// ask reads registers once. The data is good until the next question.
func (l *modbusLine) ask(r *register) ([]byte, error) {
	another, err := l.ready()
	if err != nil {
		return nil, err
	}
	if another { // no old answer comes from there
		for _, u := range l.units {
			u.owes = nil
		}
	}
	if err := l.strays(); err != nil {
		return nil, err
	}
	u := l.units[r.Unit]
	now := time.Now()
	if u.owes != nil && now.Sub(u.asked) < owedFor*l.set.Timeout {
		return nil, u.owes
	}
	if err := l.send(r.question()); err != nil {
		return nil, err
	}
	u.asked, u.owes = now, nil
	data, err := l.answer(r, now.Add(l.set.Timeout))
	switch {
	case errors.Is(err, errMute) && u.late:
		err = errLate
		fallthrough
	case errors.Is(err, errMute), errors.Is(err, errCut):
		u.owes = err
	case errors.Is(err, errGarbled):
		_, _ = l.receive(l.frame[:], now.Add(l.set.Timeout)) // what else is part of it
	default:
		u.late = false
	}
	return data, err
}

// strays takes what has come unasked. An answer that was owed is among it where
// it came late.
func (l *modbusLine) strays() error {
	for range 64 {
		f, err := l.telegram(time.Now())
		switch {
		case errors.Is(err, errPortGone):
			return err
		case err != nil: // nothing, or nothing to be understood
			return l.drain()
		}
		l.came(f[0])
	}
	return l.drain()
}

// came notes an answer that was not the one to the present question.
func (l *modbusLine) came(unit byte) {
	if u := l.units[unit]; u != nil && u.owes != nil {
		u.owes, u.late = nil, true
	}
}

func (r *register) function() byte {
	if r.Input {
		return readInput
	}
	return readHolding
}

func (r *register) question() []byte {
	q := []byte{r.Unit, r.function()}
	q = binary.BigEndian.AppendUint16(q, r.Register)
	q = binary.BigEndian.AppendUint16(q, uint16(r.Number.Registers()))
	return binary.LittleEndian.AppendUint16(q, crc16(q))
}

// answer reads telegrams until the one of the unit that was asked. Those of
// others come late; one of the unit that doesn't fit the question answers
// nobody here.
func (l *modbusLine) answer(r *register, until time.Time) ([]byte, error) {
	l.mute++
	for {
		f, err := l.telegram(until)
		if !errors.Is(err, errMute) {
			l.mute = 0
		}
		switch {
		case err != nil:
			return nil, err
		case f[0] == r.Unit && f[1] == r.function()|0x80:
			return nil, exception(f[2])
		case f[0] == r.Unit && f[1] == r.function() && int(f[2]) == 2*r.Number.Registers():
			return f[3 : len(f)-2], nil
		case time.Now().After(until): // a line that never falls silent
			return nil, errCut
		}
		l.came(f[0])
	}
}

// telegram reads one answer: unit, function, then the number of bytes and these,
// or the code of an exception, then the check sum.
func (l *modbusLine) telegram(until time.Time) ([]byte, error) {
	const head = 5 // the shortest: an exception
	n, err := l.receive(l.frame[:head], until)
	size := head
	switch f := l.frame[1]; {
	case err != nil:
		return nil, err
	case n == 0:
		return nil, errMute
	case n < head:
		return nil, errCut
	case f == readHolding || f == readInput:
		size += int(l.frame[2])
	case f&0x80 == 0: // an answer to what nobody asks here
		return nil, errCut
	}
	if size > len(l.frame) {
		return nil, errCut
	}
	n, err = l.receive(l.frame[head:size], until)
	switch f := l.frame[:size]; {
	case err != nil:
		return nil, err
	case n < size-head:
		return nil, errCut
	case binary.LittleEndian.Uint16(f[size-2:]) != crc16(f[:size-2]):
		return nil, errGarbled
	default:
		return f, nil
	}
}

// crc16 is the check sum of Modbus RTU: x¹⁶+x¹⁵+x²+1, least bit first (Modbus over
// serial line V1.02, 6.2.2).
func crc16(b []byte) uint16 {
	crc := uint16(0xffff)
	for _, v := range b {
		crc ^= uint16(v)
		for range 8 {
			low := crc & 1
			crc >>= 1
			if low != 0 {
				crc ^= 0xa001
			}
		}
	}
	return crc
}

// sample is what the registers hold.
func (r *register) sample(data []byte) box.Sample {
	v := r.number(data)
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return box.Failed(r.channel, 0, "the instrument gives no number: look at its own display; check register and number in the configuration")
	}
	return box.Sample{Channel: r.channel, Value: float64(v*r.Scale) + r.Offset}
}

func (r *register) number(data []byte) float64 {
	var v uint32
	if r.Number.Registers() == 1 {
		v = uint32(binary.BigEndian.Uint16(data))
	} else {
		v = binary.BigEndian.Uint32(data)
		if r.LowFirst {
			v = v<<16 | v>>16
		}
	}
	switch r.Number {
	case sensors.S16:
		return float64(int16(v))
	case sensors.S32:
		return float64(int32(v))
	case sensors.F32:
		return float64(math.Float32frombits(v))
	case sensors.U16, sensors.U32, sensors.UnknownNumber:
	}
	return float64(v)
}

// serialFault is what an error on a serial line means for a channel.
func serialFault(c box.Channel, err error) box.Sample {
	var refused exception
	switch {
	case errors.As(err, &refused):
		return box.Failed(c, float64(refused), "the instrument refuses with exception %.4g: check unit, function and register in the configuration")
	case errors.Is(err, errMute):
		return box.Failed(c, 0, "no answer on the serial line: check power, the wires A and B, unit and speed")
	case errors.Is(err, errLate):
		s := box.Failed(c, 0, "answers too late, and what came late was thrown away: give a longer timeout")
		s.Cause = box.CheckFunction
		return s
	case errors.Is(err, errGarbled), errors.Is(err, errCut):
		return box.Failed(c, 0, "garbled on the serial line: check speed and parity, the wires' length, the resistors at both ends")
	case errors.Is(err, errPortGone):
		return box.Failed(c, 0, "the serial port is gone: is the adapter unplugged?")
	case errors.Is(err, errPortHeld):
		return box.Failed(c, 0, "another program uses the serial port: stop that program, or check bus in the configuration")
	case errors.Is(err, errNoRight):
		return box.Failed(c, 0, "the serial port may not be read: put boxd's user into the port's group")
	}
	return box.Failed(c, 0, "there is no such serial port: plug the adapter in, or check bus in the configuration")
}
