package box

import "testing"

// TestPlain: an escape sequence (ECMA-48) loses what makes it one, letters and signs of any
// language stay.
func TestPlain(t *testing.T) {
	if got, want := Plain("µS/cm 5 °C\x1b[2J\r\nprobe\u009b1m\u202e ñ"), "µS/cm 5 °C[2Jprobe1m ñ"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}
