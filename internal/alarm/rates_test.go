package alarm

// Floods and chattering against the figures of EEMUA 191 and ISA-18.2 (from
// memory): more than ten in ten minutes begin a flood, fewer than five end it;
// three activations in a minute are chattering.

import (
	"testing"
	"time"
)

func TestFlood(t *testing.T) {
	var r Rates
	for i := range 10 {
		if began, _ := r.Turn(sec(30*i), 1); began {
			t.Fatalf("a flood after %d alarms", i+1)
		}
	}
	if began, _ := r.Turn(sec(300), 1); !began || !r.Figures().Flood {
		t.Fatal("eleven alarms in five minutes are no flood")
	}
	// The oldest of the eleven leave one by one from 600 s on, every 30 s; with
	// the seventh, at 780 s, four are left.
	over := 0
	for s := 301; s <= 1000 && over == 0; s++ {
		if _, ended := r.Turn(sec(s), 0); ended {
			over = s
		}
	}
	if over != 780 {
		t.Errorf("the flood ended at %d s, want 780", over)
	}
}

// TestNoFlood: one alarm a minute is ten in ten minutes, never eleven.
func TestNoFlood(t *testing.T) {
	var r Rates
	for m := range 600 {
		if began, _ := r.Turn(time.Duration(m)*time.Minute, 1); began {
			t.Fatalf("a flood in minute %d", m)
		}
	}
	f := r.Figures()
	if f.LastTenMinutes != 10 || f.LastHour != 60 || f.LastDay != 600 || f.PerHour < 59 || f.PerHour > 61 || f.FloodShare != 0 {
		t.Errorf("%+v", f)
	}
}

// TestShareOfFlood: a flood of known length in three hours that were watched; an
// hour nobody watched counts for neither; yesterday's alarms are forgotten.
func TestShareOfFlood(t *testing.T) {
	var r Rates
	r.Turn(0, 11)
	for s := 1; s <= 3*3600; s++ {
		r.Turn(sec(s), 0)
	}
	f := r.Figures() // all eleven leave at 600 s
	if want := 600. / 10800; f.FloodShare < want*0.99 || f.FloodShare > want*1.01 || f.Observed != 3*time.Hour {
		t.Errorf("%+v, want a share of %.4f", f, want)
	}
	r.Turn(4*time.Hour, 0)
	if got := r.Figures().Observed; got != 3*time.Hour {
		t.Errorf("an hour unwatched was counted: %v", got)
	}
	r.Turn(28*time.Hour, 2)
	if got := r.Figures().LastDay; got != 2 {
		t.Errorf("%d alarms in the last day", got)
	}
	var many Rates
	if many.Turn(0, 1000); many.Figures().LastTenMinutes != maxRecent || many.Figures().LastDay != 1000 {
		t.Errorf("%+v", many.Figures())
	}
}

func TestChattering(t *testing.T) {
	for _, k := range []struct {
		at   []int
		want bool
	}{{nil, false}, {[]int{0, 10}, false}, {[]int{0, 30, 61}, false}, {[]int{0, 30, 60}, true}, {[]int{0, 100, 130, 160}, true}} {
		var r riseRing
		now := 0
		for _, now = range k.at {
			r.add(sec(now))
		}
		if got := r.chatters(sec(now)); got != k.want {
			t.Errorf("%v: %v", k.at, got)
		}
	}
}
