package calibration

import (
	"errors"
	"math"
)

// Line is y = Zero + Slope·(x − At), fitted by least squares (JCGM 100, H.3).
type Line struct {
	Zero, Slope   float64
	UZero, USlope float64 // standard uncertainties
	Correlation   float64 // of the two
	S             float64 // of one point about the line; 0 with two points
	At            float64
}

// Fit fits a line about x = at. It takes two points that differ in x, or more.
func Fit(xs, ys []float64, at float64) (Line, error) {
	n := float64(len(xs))
	var sx, sy, sxx, sxy float64
	for i, x := range xs {
		x -= at
		sx += x
		sy += ys[i]
		sxx += float64(x * x)
		sxy += float64(x * ys[i])
	}
	d := float64(n*sxx) - float64(sx*sx)
	if len(xs) < 2 || len(xs) != len(ys) || !(d > 0) {
		return Line{}, errors.New("a line takes two points that differ")
	}
	l := Line{At: at, Zero: (float64(sy*sxx) - float64(sx*sxy)) / d, Slope: (float64(n*sxy) - float64(sx*sy)) / d}
	if len(xs) > 2 {
		sum := 0.0
		for i, x := range xs {
			e := ys[i] - l.Value(x)
			sum += float64(e * e)
		}
		l.S = math.Sqrt(sum / (n - 2))
	}
	l.UZero, l.USlope = l.S*math.Sqrt(sxx/d), l.S*math.Sqrt(n/d)
	l.Correlation = -sx / math.Sqrt(n*sxx)
	return l, nil
}

// Value is the line at x.
func (l Line) Value(x float64) float64 { return l.Zero + float64(l.Slope*(x-l.At)) }

// U is the standard uncertainty of Value.
func (l Line) U(x float64) float64 {
	x -= l.At
	v := float64(l.UZero*l.UZero) + float64(x*x*l.USlope*l.USlope) + float64(2*x*l.UZero*l.USlope*l.Correlation)
	return math.Sqrt(max(v, 0))
}
