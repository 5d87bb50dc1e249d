package alarm

import "testing"

// TestLimit: ISA-18.2 (from memory): a high alarm clears at limit − deadband, a
// low one at limit + deadband.
func TestLimit(t *testing.T) {
	l := Limit[float64]{At: 100, Deadband: 2}
	stood := false
	for _, k := range []struct {
		v    float64
		want bool
	}{{99, false}, {100, false}, {100.1, true}, {99, true}, {98.1, true}, {98, false}, {99.9, false}, {101, true}} {
		if stood = l.Above(k.v, stood); stood != k.want {
			t.Errorf("above at %v: %v", k.v, stood)
		}
	}
	stood = false
	for _, k := range []struct {
		v    float64
		want bool
	}{{100, false}, {99.9, true}, {101, true}, {101.9, true}, {102, false}, {101, false}} {
		if stood = l.Below(k.v, stood); stood != k.want {
			t.Errorf("below at %v: %v", k.v, stood)
		}
	}
}

// TestWaver: noise of half a deadband about the limit is one crossing, and many
// without a deadband.
func TestWaver(t *testing.T) {
	crossings := func(band float64) (n int) {
		l, stood := Limit[float64]{At: 70, Deadband: band}, false
		for i := range 1000 {
			was := stood
			if stood = l.Below(70+float64(i%5-2)/2, stood); stood && !was {
				n++
			}
		}
		return n
	}
	if one, many := crossings(2), crossings(0); one != 1 || many < 100 {
		t.Errorf("%d crossings with a deadband, %d without", one, many)
	}
}
