package alarm

import (
	"testing"
	"time"
)

// Time in which a condition can't be judged does not count towards its delay:
// a gauge that fell silent in mid-change must not raise what five seconds of
// readings would not.
func TestUnjudgedTimeDoesNotCount(t *testing.T) {
	a := New(Definition{ID: "x", OnDelay: 5 * time.Second})
	say := func() string { return "" }
	for s := 1; s <= 3; s++ {
		a.Update(time.Duration(s)*time.Second, true, say)
	}
	for s := 4; s <= 20; s++ {
		a.Unjudged(time.Duration(s) * time.Second)
	}
	if a.Update(21*time.Second, true, say); a.State != Normal {
		t.Fatalf("raised after 3 judged seconds: %v", a.State)
	}
	if a.Update(23*time.Second, true, say); a.State != Unacknowledged {
		t.Fatalf("not raised after 5 judged seconds: %v", a.State)
	}
}
