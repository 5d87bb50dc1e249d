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
func (tr *TraceReader) bare() bool {
	var n decimal
	col := 0
	for _, c := range tr.t.raw {
		if d := c - '0'; d <= 9 {
			n.mantissa = n.mantissa*10 + uint64(d)
			n.digits++
			continue
		}
		switch {
		case c == '.' && n.point == 0:
			n.point = n.digits + 1
		case c == tr.t.separator && n.fits() && col < len(tr.numbers)-1:
			tr.numbers[col], n = n.number(), decimal{}
			col++
		case c == '-' && n == (decimal{}):
			n.negative = true
		default:
			return false
		}
	}
	if !n.fits() || col != len(tr.numbers)-1 {
		return false
	}
	tr.numbers[col] = n.number()
	if tr.event >= 0 && tr.numbers[tr.event].present {
		return false
	}
	t := &tr.numbers[tr.time]
	if !t.present || math.Abs(t.x) > maxTime || tr.begun && t.x <= tr.last {
		return false
	}
	tr.begun, tr.last = true, t.x
	had := 0
	for _, v := range tr.values {
		if c := &tr.numbers[v.index]; c.present {
			s := &tr.samples[had]
			s.Channel, s.Value = v.channel, c.x // all else is none, as ever
			had++
		}
	}
	tr.row.T, tr.row.Samples, tr.row.Deeds = t.x, tr.samples[:had], tr.deeds[:0]
	return true
}

// decimal is a plain number as it is met digit by digit.
type decimal struct {
	mantissa uint64
	digits   int
	point    int // 1 + digits before it; 0: there is none
	negative bool
}

// fits reports whether number gives what parseNumber would, or nothing is there.
func (n *decimal) fits() bool {
	return n.digits > 0 && n.digits <= exactDigits || n.digits == 0 && n.point == 0 && !n.negative
}

func (n *decimal) number() bareNumber {
	if n.digits == 0 {
		return bareNumber{}
	}
	x := float64(n.mantissa)
	if n.point > 0 {
		x /= exactTens[n.digits+1-n.point]
	}
	if n.negative {
		x = -x
	}
	return bareNumber{x, true}
}
