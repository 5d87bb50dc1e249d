package dosing

import (
	"fmt"
	"strings"
)

// Fault is one thing wrong with the input. Field is a dotted path such as
// "feeds[0].products[1].grams_per_litre".
type Fault struct {
	Field     string `json:"field"`
	Problem   string `json:"problem"`
	Plausible string `json:"plausible"` // what a right value looks like
}

func (f Fault) String() string {
	if f.Plausible == "" {
		return f.Field + ": " + f.Problem
	}
	return fmt.Sprintf("%s: %s (plausible: %s)", f.Field, f.Problem, f.Plausible)
}

// Faults is every fault found, in the order of the input. It is an error when
// it is not empty.
type Faults []Fault

// Error lists all the faults, one a line.
func (fs Faults) Error() string {
	lines := make([]string, 0, len(fs)+1)
	lines = append(lines, fmt.Sprintf("cannot plan the dose: %d fault(s) in the input", len(fs)))
	for _, f := range fs {
		lines = append(lines, "  "+f.String())
	}
	return strings.Join(lines, "\n")
}

// Under puts a path before every field: Under("feeds[0]") turns
// "products[1].parts" into "feeds[0].products[1].parts".
func (fs Faults) Under(path string) Faults {
	out := make(Faults, len(fs))
	for i, f := range fs {
		f.Field = joinPath(path, f.Field)
		out[i] = f
	}
	return out
}

// Err is fs as an error, nil when there is no fault.
func (fs Faults) Err() error {
	if len(fs) == 0 {
		return nil
	}
	return fs
}

func joinPath(path, field string) string {
	if path == "" || field == "" {
		return path + field
	}
	if strings.HasPrefix(field, "[") {
		return path + field
	}
	return path + "." + field
}

func (fs *Faults) add(field, plausible, format string, args ...any) {
	*fs = append(*fs, Fault{Field: field, Problem: fmt.Sprintf(format, args...), Plausible: plausible})
}
