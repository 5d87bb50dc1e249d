package config

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// A Fault is one thing wrong with a file. Line and Column count from 1.
type Fault struct {
	File    string
	Line    int
	Column  int
	Path    string // dotted: zones[0].header.beds
	Problem string
	Hint    string // what would do
}

func (f Fault) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s:%d:%d: ", f.File, f.Line, f.Column)
	if f.Path != "" {
		b.WriteString(f.Path + " ")
	}
	b.WriteString(f.Problem)
	if f.Hint != "" {
		b.WriteString("; " + f.Hint)
	}
	return b.String()
}

// Faults is every fault of a file, in the order of its lines.
type Faults []Fault

// Error lists them, one a line.
func (fs Faults) Error() string {
	lines := make([]string, len(fs))
	for i, f := range fs {
		lines[i] = f.String()
	}
	return strings.Join(lines, "\n")
}

func (fs Faults) sort() {
	slices.SortStableFunc(fs, func(a, b Fault) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
}
