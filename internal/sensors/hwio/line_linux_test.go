package hwio

import (
	"testing"
	"time"

	"boxd/internal/sensors"
)

// TestInputsOnly: whatever the configuration says, the kernel is asked for an
// input. Bits of linux/gpio.h: 2 input, 3 output, 6 open drain, 7 open source.
func TestInputsOnly(t *testing.T) {
	for bias := range sensors.BiasOff + 2 {
		for i := range 8 {
			w := watch{Line: sensors.Line{Bias: bias, Debounce: time.Duration(i&1) * time.Millisecond}, activeLow: i&2 != 0, both: i&4 != 0}
			r := w.request(17)
			if f := r.Config.Flags; f&(1<<2) == 0 || f&(1<<3|1<<6|1<<7) != 0 || r.Num_lines != 1 {
				t.Errorf("%+v: flags %#x, %d lines", w, f, r.Num_lines)
			}
			for _, a := range r.Config.Attrs {
				if a.Attr.Id != 0 && a.Attr.Id != 3 { // 3: debounce
					t.Errorf("%+v: attribute %d", w, a.Attr.Id)
				}
			}
		}
	}
}
