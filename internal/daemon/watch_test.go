package daemon

import (
	"testing"
	"time"
)

// Where nothing happens a view may grow old, but not for whoever looks at the valve's page.
func TestHasten(t *testing.T) {
	d := &Daemon{o: Options{Speed: 1}, shown: time.Now().Add(-time.Millisecond)}
	if !d.shownLately() {
		t.Error("a view of just now does not do")
	}
	calm, other := d.Hasten(), d.Hasten()
	calm()
	if d.shownLately() {
		t.Error("with a hand on the valve a beat is left out")
	}
	if other(); !d.shownLately() {
		t.Error("all hands off, and each beat is shown")
	}
}
