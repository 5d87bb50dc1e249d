package record

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"boxd/internal/box"
	"boxd/internal/units"
)

// TraceColumns are the channels that the trace has a column for. Outside air is
// not among them; TraceReader takes its column where there is one.
func TraceColumns() [box.NumChannels]bool {
	var has [box.NumChannels]bool
	for c := box.SupplyPressure; c <= box.BoxAirTemp; c++ {
		has[c] = true
	}
	return has
}

// TraceWriter writes a trace. The same rows give the same bytes: numbers are the
// shortest decimals that read back to the same float64.
type TraceWriter struct {
	w       *bufio.Writer
	columns []box.Channel
	line    []byte
	last    float64
	begun   bool
}

// NewTraceWriter writes the header: time_s, the columns asked for in the order
// of the channels, event.
func NewTraceWriter(w io.Writer, columns [box.NumChannels]bool) (*TraceWriter, error) {
	tw := &TraceWriter{w: bufio.NewWriterSize(w, 1<<16)}
	names := []string{timeColumn}
	for c := box.UnknownChannel + 1; c < box.NumChannels; c++ {
		if columns[c] {
			tw.columns = append(tw.columns, c)
			names = append(names, c.Info().Column)
		}
	}
	names = append(names, eventColumn)
	_, err := tw.w.WriteString(strings.Join(names, ",") + "\n")
	return tw, err
}

// Write writes one row. Of several samples of a channel the newest with a value
// counts; a fault, or a value that is no ordinary number, leaves the cell
// empty. Times must rise.
func (tw *TraceWriter) Write(row Row) error {
	if !units.Finite(row.T) || tw.begun && row.T <= tw.last {
		return fmt.Errorf("cannot write a trace row: time %g s does not come after %g s", row.T, tw.last)
	}
	tw.begun, tw.last = true, row.T
	var values [box.NumChannels]float64
	var has [box.NumChannels]bool
	for _, s := range row.Samples {
		if s.Channel < box.NumChannels && s.Fault == "" && units.Finite(s.Value) {
			values[s.Channel], has[s.Channel] = s.Value, true
		}
	}
	b := appendNumber(tw.line[:0], row.T)
	for _, c := range tw.columns {
		b = append(b, ',')
		if has[c] {
			b = appendNumber(b, values[c])
		}
	}
	b = append(b, ',')
	for i, d := range row.Deeds {
		if i > 0 {
			b = append(b, ';')
		}
		b = append(b, d.String()...)
	}
	b = append(b, '\n')
	tw.line = b
	_, err := tw.w.Write(b)
	return err
}

// Flush writes what is still held back. It is the last call.
func (tw *TraceWriter) Flush() error { return tw.w.Flush() }

// appendNumber writes plain decimals, and an exponent where they would be long.
func appendNumber(b []byte, x float64) []byte {
	if a := math.Abs(x); a != 0 && (a < 1e-6 || a >= 1e15) {
		return strconv.AppendFloat(b, x, 'e', -1, 64)
	}
	return strconv.AppendFloat(b, x, 'f', -1, 64)
}
