package season

// The changes against two series whose changes are published, a line whose slope
// is, and against noise that holds none.

import (
	"math"
	"math/rand/v2"
	"testing"
)

// nile is the yearly flow at Aswan, 10⁸ m³, 1871 to 1970 (Cobb, 1978, Biometrika
// 65:243–251; R's datasets::Nile): the level falls from 1899 on.
func nile() []float64 {
	return []float64{1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958, 1140,
		1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020, 1050, 969,
		831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796, 1040, 759,
		781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874, 848, 890,
		744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740}
}

// mines are the disasters in British coal mines a year, 1851 to 1962, 191 in all
// (Jarrett, 1979, Biometrika 66:191–193). Raftery and Akman (1986, Biometrika
// 73:85–89) place the one change at March 1890, between 1887 and 1895 with 95 %.
func mines() []float64 {
	return []float64{4, 5, 4, 1, 0, 4, 3, 4, 0, 6, 3, 3, 4, 0, 2, 6, 3, 3, 5, 4, 5, 3, 1, 4, 4, 1, 5, 5, 3, 4, 2, 5, 2, 2, 3, 4, 2, 1, 3, 2,
		2, 1, 1, 1, 1, 3, 0, 0, 1, 0, 1, 1, 0, 0, 3, 1, 0, 3, 2, 2, 0, 1, 1, 1, 0, 1, 0, 1, 0, 0, 0, 2, 1, 0, 0, 0, 1, 1, 0, 2,
		3, 3, 1, 1, 2, 1, 1, 1, 1, 2, 4, 2, 0, 0, 0, 1, 4, 0, 0, 0, 1, 0, 0, 0, 0, 0, 1, 0, 0, 1, 0, 1}
}

func years(n int) []float64 {
	t := make([]float64, n)
	for i := range t {
		t[i] = float64(i)
	}
	return t
}

func TestPublishedChanges(t *testing.T) {
	sum := 0.0
	for _, v := range mines() {
		sum += v
	}
	t.Logf("%d years, %g disasters", len(mines()), sum)
	for _, c := range []struct {
		name     string
		x        []float64
		from     int // the year of the first reading
		low, top int // the first year after the change
	}{
		{"Nile", nile(), 1871, 1899, 1899},
		{"mines", mines(), 1851, 1887, 1895},
	} {
		found := steps(years(len(c.x)), c.x)
		if len(found) == 0 {
			t.Errorf("%s: no change found", c.name)
			continue
		}
		s := found[0]
		t.Logf("%s: %d changes, the first in %d (%d to %d), by %.3g, p %.3g", c.name, len(found), c.from+s.at, c.from+s.low, c.from+s.high, s.size, s.p)
		if len(found) != 1 || c.from+s.at < c.low || c.from+s.at > c.top || s.low > s.at || s.high < s.at || s.size >= 0 {
			t.Errorf("%s: %+v", c.name, found)
		}
	}
}

// Anscombe's first data set (1973, American Statistician 27:17–21): y = 3.00 + 0.500 x.
func TestPublishedSlope(t *testing.T) {
	x := []float64{10, 8, 13, 9, 11, 14, 6, 4, 12, 7, 5}
	y := []float64{8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68}
	b, p := slope(x, y, nil)
	// Its published p is 0.00217, from t = 4.24.
	if math.Abs(b-0.5001) > 0.0001 || p > 0.01 {
		t.Errorf("slope %.4f, p %.4f", b, p)
	}
}

// In noise, and beside a steady fall, a change may be told in one series of a
// hundred: of 400, more than 12 come by chance once in ten thousand.
func TestNoChangeInNoise(t *testing.T) {
	for _, fall := range []float64{0, 0.1} {
		told := 0
		for seed := range uint64(400) {
			r := rand.New(rand.NewPCG(seed, 5))
			x := years(30)
			for i := range x {
				x[i] = r.NormFloat64() - fall*x[i]
			}
			if len(steps(years(30), x)) > 0 {
				told++
			}
		}
		if t.Logf("fall %g: told in %d of 400", fall, told); told > 12 {
			t.Errorf("a change told in %d of 400 series without one (seeds 0 to 399)", told)
		}
	}
}
