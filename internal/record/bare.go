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
	b, at, last := tr.t.raw, 0, len(tr.numbers)-1
	for i := range tr.numbers {
		n, end, ok := cutNumber(b, at)
		if !ok || i == tr.event && n.present || (end == len(b)) != (i == last) {
			return Row{}, false
		}
		if i < last && b[end] != tr.t.separator {
			return Row{}, false
		}
		tr.numbers[i], at = n, end+1
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

// cutNumber is the number that begins at b[at] and where it ends, as parseNumber
// would read it; false for one that it leaves to strconv.
func cutNumber(b []byte, at int) (n bareNumber, end int, ok bool) {
	negative := at < len(b) && b[at] == '-'
	if negative {
		at++
	}
	var mantissa uint64
	begin, point := at, -1
	for ; at < len(b); at++ {
		if d := b[at] - '0'; d <= 9 {
			mantissa = mantissa*10 + uint64(d)
		} else if b[at] == '.' && point < 0 {
			point = at
		} else {
			break
		}
	}
	digits, decimals := at-begin, 0
	if point >= 0 {
		digits, decimals = digits-1, at-1-point
	}
	if digits == 0 {
		return bareNumber{}, at, point < 0 && !negative
	}
	n = bareNumber{float64(mantissa), true}
	if decimals > 0 && digits <= exactDigits {
		n.x /= exactTens[decimals]
	}
	if negative {
		n.x = -n.x
	}
	return n, at, digits <= exactDigits
}
