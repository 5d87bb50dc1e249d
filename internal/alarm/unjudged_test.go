package alarm

import (
	"testing"
	"time"

	"boxd/internal/say"
)

// Time in which a condition can't be judged does not count towards its delay:
// a gauge that fell silent in mid-change must not raise what five seconds of
// readings would not.
func TestUnjudgedTimeDoesNotCount(t *testing.T) {
	a := New(Definition{ID: "x", OnDelay: 5 * time.Second})
	seen := func() say.Text { return say.T("") }
	for s := 1; s <= 3; s++ {
		a.Update(time.Duration(s)*time.Second, true, seen)
	}
	for s := 4; s <= 20; s++ {
		a.Unjudged(time.Duration(s) * time.Second)
	}
	if a.Update(21*time.Second, true, seen); a.State != Normal {
		t.Fatalf("raised after 3 judged seconds: %v", a.State)
	}
	if a.Update(23*time.Second, true, seen); a.State != Unacknowledged {
		t.Fatalf("not raised after 5 judged seconds: %v", a.State)
	}
}
