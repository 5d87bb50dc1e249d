package record

import "math"

// bareNumber is a cell of a bare row; an empty one is not present.
type bareNumber struct {
	x       float64
	present bool
}

// bare reads a row as nearly all are, plain decimal numbers or nothing between
// the separators and no event, in one pass over its bytes. It is false where
// anything else is in it, wrong or not: the careful way reads that row.
func (tr *TraceReader) bare() (Row, bool) {
	b, last := tr.t.raw, len(tr.numbers)-1
	for i := range tr.numbers {
		n, end, ok := cutNumber(b)
		if !ok || i == tr.event && n.present || (end == len(b)) != (i == last) {
			return Row{}, false
		}
		if tr.numbers[i] = n; i < last {
			if b[end] != tr.t.separator {
				return Row{}, false
			}
			b = b[end+1:]
		}
	}
	t := tr.numbers[tr.time]
	if !t.present || math.Abs(t.x) > maxTime || tr.begun && t.x <= tr.last {
		return Row{}, false
	}
	tr.begun, tr.last = true, t.x
	n := 0
	for _, v := range tr.values {
		if c := &tr.numbers[v.index]; c.present {
			s := &tr.samples[n]
			s.Channel, s.Value = v.channel, c.x // all else is none, as ever
			n++
		}
	}
	return Row{T: t.x, Samples: tr.samples[:n], Deeds: tr.deeds[:0]}, true
}

// cutNumber is the number at the begin of b and its length, as parseNumber would
// read it; false for one that it leaves to strconv.
func cutNumber(b []byte) (n bareNumber, length int, ok bool) {
	begin := 0
	if len(b) > 0 && b[0] == '-' {
		begin = 1
	}
	var mantissa uint64
	end, point := len(b), -1
	for i, c := range b[begin:] {
		if d := c - '0'; d <= 9 {
			mantissa = mantissa*10 + uint64(d)
		} else if c == '.' && point < 0 {
			point = i
		} else {
			end = begin + i
			break
		}
	}
	digits, decimals := end-begin, 0
	if point >= 0 {
		digits, decimals = digits-1, digits-1-point
	}
	if digits == 0 {
		return bareNumber{}, end, end == 0
	}
	n = bareNumber{float64(mantissa), true}
	if decimals > 0 && digits <= exactDigits {
		n.x /= exactTens[decimals]
	}
	if begin > 0 {
		n.x = -n.x
	}
	return n, end, digits <= exactDigits
}
