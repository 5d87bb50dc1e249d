package record

import (
	"fmt"
	"slices"
	"strings"
)

// MaxFaults bounds how many faults of one trace are told at once.
const MaxFaults = 50

// Fault is one thing wrong with a trace, at its place. Line and Column count
// from 1; Column counts bytes.
type Fault struct {
	File   string
	Line   int
	Column int
	What   string
}

func (f Fault) Error() string {
	return fmt.Sprintf("%s:%d:%d: %s", f.File, f.Line, f.Column, f.What)
}

// Faults are all the faults found in one trace, at most MaxFaults, in the order
// of their places.
type Faults struct {
	List []Fault
	More bool // the search ended at MaxFaults; there may be more
}

func (fs *Faults) Error() string {
	var b strings.Builder
	for i, f := range fs.List {
		if i > 0 {
			b.WriteByte('\n')
		}
		b.WriteString(f.Error())
	}
	if fs.More {
		fmt.Fprintf(&b, "\n%s: stopped after %d faults; there may be more", fs.List[0].File, MaxFaults)
	}
	return b.String()
}

func (fs *Faults) add(f Fault) {
	if len(fs.List) >= MaxFaults {
		fs.More = true
		return
	}
	fs.List = append(fs.List, f)
}

func (fs *Faults) full() bool { return len(fs.List) >= MaxFaults }

// err is the faults in the order of their places, or nil when there are none.
func (fs *Faults) err() error {
	if len(fs.List) == 0 {
		return nil
	}
	slices.SortStableFunc(fs.List, func(a, b Fault) int {
		if a.Line != b.Line {
			return a.Line - b.Line
		}
		return a.Column - b.Column
	})
	return fs
}
