package main

import (
	"io"

	"boxd/internal/units"
)

const unitsHelp = "`SYSTEM` of the text: us, metric or both; default: the configuration's"

func goodUnits(word string) bool {
	_, ok := units.SystemByName(word)
	return ok || word == "" || word == "both"
}

// inUnits writes a text in the system asked for, the configuration's own where
// none is, or in both: the configuration's first.
func inUnits(w io.Writer, word string, own units.System, write func(units.System) error) error {
	if u, ok := units.SystemByName(word); ok {
		return write(u)
	}
	if err := write(own); err != nil || word != "both" {
		return err
	}
	if _, err := io.WriteString(w, "\n"); err != nil {
		return err
	}
	if own == units.US {
		return write(units.Metric)
	}
	return write(units.US)
}
