package box

import (
	"strings"
	"unicode"
)

// Plain is what a device or another box says of itself, without what doesn't print: that
// would move a terminal's cursor, or worse.
func Plain(s string) string {
	return strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return -1
		}
		return r
	}, s)
}
