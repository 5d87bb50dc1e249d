package record

import "strconv"

// exactDigits are as many as a float64 holds exactly of any decimal number.
const exactDigits = 15

// exactTens are the powers of ten that a float64 holds exactly, so far as they
// are needed.
var exactTens = [exactDigits + 1]float64{1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15}

// parseNumber reads a decimal number. With at most 15 digits the number and
// the power of ten are both exact in a float64, so one division rounds
// correctly (Clinger, How to Read Floating Point Numbers Accurately, 1990); the
// rest goes to strconv. Words (nan, inf), hexadecimal and numbers beyond the
// range of a float64 are refused.
func parseNumber(b []byte) (float64, bool) {
	i, negative := 0, false
	if len(b) > 0 && (b[0] == '-' || b[0] == '+') {
		negative = b[0] == '-'
		i++
	}
	var mantissa uint64
	digits, decimals := 0, -1
	for ; i < len(b); i++ {
		c := b[i]
		switch {
		case '0' <= c && c <= '9' && digits < exactDigits:
			mantissa = mantissa*10 + uint64(c-'0')
			digits++
			if decimals >= 0 {
				decimals++
			}
		case c == '.' && decimals < 0:
			decimals = 0
		default:
			return parseSlow(b)
		}
	}
	if digits == 0 {
		return 0, false
	}
	x := float64(mantissa) / exactTens[max(decimals, 0)]
	if negative {
		x = -x
	}
	return x, true
}

func parseSlow(b []byte) (float64, bool) {
	for _, c := range b {
		switch {
		case '0' <= c && c <= '9', c == '.', c == '-', c == '+', c == 'e', c == 'E':
		default:
			return 0, false
		}
	}
	x, err := strconv.ParseFloat(string(b), 64)
	return x, err == nil
}

// trimBlank removes spaces and tabs around a cell.
func trimBlank(b []byte) []byte {
	for len(b) > 0 && (b[0] == ' ' || b[0] == '\t') {
		b = b[1:]
	}
	for len(b) > 0 && (b[len(b)-1] == ' ' || b[len(b)-1] == '\t') {
		b = b[:len(b)-1]
	}
	return b
}
