package config

import (
	"fmt"
	"strings"
)

// suggest is the hint for a key nobody knows.
func suggest(name string, keys []string) string {
	if near, ok := nearest(name, keys); ok {
		return fmt.Sprintf("did you mean %s?", near)
	}
	return "the keys here are " + strings.Join(keys, ", ")
}

// nearest is the word that fewest changed letters turn name into, if that is at
// most about a third of it.
func nearest(name string, words []string) (string, bool) {
	best, least := "", (len(name)+2)/3
	if len(name) > 40 {
		return "", false // no slip of the finger
	}
	for _, w := range words {
		if d := distance(strings.ToLower(name), w); d <= least && (best == "" || d < distance(strings.ToLower(name), best)) {
			best = w
		}
	}
	return best, best != ""
}

// distance is Levenshtein's: letters to insert, drop or change.
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := diagonal
			if a[i] != b[j] {
				cost++
			}
			diagonal = row[j+1]
			row[j+1] = min(cost, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
