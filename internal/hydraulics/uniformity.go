package hydraulics

import (
	"math"
	"slices"

	"boxd/internal/units"
)

// LowerQuarterDU is the distribution uniformity: the mean of the lowest quarter
// of the flows over the mean of all (field practice, as in ASAE EP458). A
// quarter is rounded down, to one value at least. It is 0 where nothing flows.
func LowerQuarterDU(q []units.LPerH) units.Ratio {
	mean, _ := moments(q)
	if !(mean > 0) {
		return 0
	}
	sorted := slices.Clone(q)
	slices.Sort(sorted)
	low, _ := moments(sorted[:max(1, len(sorted)/4)])
	return units.Ratio(low / mean)
}

// VariationCoefficient is the flows' sample standard deviation over their mean.
// It is 0 for fewer than two values.
func VariationCoefficient(q []units.LPerH) units.Ratio {
	mean, sum := moments(q)
	if len(q) < 2 || !(mean > 0) {
		return 0
	}
	return units.Ratio(math.Sqrt(sum/float64(len(q)-1)) / mean)
}

// StatisticalUniformity is Us = 1 − CV (Bralts; ASAE EP458).
func StatisticalUniformity(q []units.LPerH) units.Ratio {
	return 1 - VariationCoefficient(q)
}

// ChristiansenUniformity is UCC = 1 − mean absolute deviation over mean
// (Christiansen 1942). It is 0 where nothing flows.
func ChristiansenUniformity(q []units.LPerH) units.Ratio {
	mean, _ := moments(q)
	if !(mean > 0) {
		return 0
	}
	sum := 0.0
	for _, x := range q {
		sum += math.Abs(float64(x) - mean)
	}
	return units.Ratio(1 - sum/float64(len(q))/mean)
}

// FlowVariation is q_var = 1 − least over greatest flow (Wu and Gitlin). It is 0
// where nothing flows.
func FlowVariation(q []units.LPerH) units.Ratio {
	if len(q) == 0 {
		return 0
	}
	low, high := slices.Min(q), slices.Max(q)
	if !(high > 0) {
		return 0
	}
	return 1 - low.Of(high)
}

// EmissionUniformity is the design EU = (1 − 1.27·CV/√e)·least/mean of ASAE
// EP405, cv being the emitters' manufacturing variation, e how many of them a
// plant has.
func EmissionUniformity(cv float64, perPlant int, least, mean units.LPerH) units.Ratio {
	spread := 1 - 1.27*cv/math.Sqrt(float64(max(1, perPlant)))
	return units.Ratio(math.Max(0, spread)) * least.Of(mean)
}

// moments gives the mean and the sum of squares about it.
func moments(q []units.LPerH) (mean, sum float64) {
	if len(q) == 0 {
		return 0, 0
	}
	for _, x := range q {
		mean += float64(x)
	}
	mean /= float64(len(q))
	for _, x := range q {
		d := float64(x) - mean
		sum += d * d
	}
	return mean, sum
}
