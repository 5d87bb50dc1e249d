package main

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
)

// A trace's faults come alone: what was told of the rows before them is not.
func TestSound(t *testing.T) {
	t.Parallel()
	fault := errors.New("trace.csv:9:2: no number")
	for _, want := range []error{nil, fault} {
		var out strings.Builder
		err := sound(&out, func(w io.Writer) error {
			if _, err := io.WriteString(w, "pressurised\n"); err != nil {
				return err
			}
			return want
		})
		if !errors.Is(err, want) || out.Len() > 0 != (want == nil) {
			t.Errorf("fault %v: %v, told %q", want, err, out.String())
		}
	}
}

// Whatever the bound, all comes once and in order, and no more than it is held.
func TestHeld(t *testing.T) {
	t.Parallel()
	for _, most := range []int{0, 1, 10, 1000} {
		var out, want strings.Builder
		h := held{out: &out, most: most}
		for i := range 50 {
			line := fmt.Sprintf("event %d\n", i)
			want.WriteString(line)
			if _, err := io.WriteString(&h, line); err != nil {
				t.Fatal(err)
			}
			if h.kept.Len() > max(most, len(line)) {
				t.Fatalf("%d bytes are held, not %d", h.kept.Len(), most)
			}
		}
		if err := h.let(); err != nil || out.String() != want.String() {
			t.Errorf("of at most %d: %v, %q", most, err, out.String())
		}
	}
}
