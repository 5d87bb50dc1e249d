package dosing

import (
	"fmt"
	"math"

	"boxd/internal/units"
)

// OneIn makes a ratio from its other way of writing: OneIn(50) is 1:50, 2 %.
func OneIn(n float64) units.Ratio { return units.Ratio(1 / n) }

// InTotal is the ratio as stock in the total of the mixture. 1:50 in total is
// 1 part and 49 of water (University of Maryland FS-1121); 1:50 per water is 1
// part and 50 of water.
func (c Convention) InTotal(r units.Ratio) units.Ratio {
	if c == StockPerWater {
		return r / (1 + r)
	}
	return r
}

// FromTotal is a stock-in-total ratio written in this convention.
func (c Convention) FromTotal(r units.Ratio) units.Ratio {
	if c == StockPerWater {
		return r / (1 - r)
	}
	return r
}

// FieldRatio is what a ratio dialled on the injector comes to in the block
// when only the branch goes through it: r·Q_branch/Q_total. Both flows are
// those the convention divides by: the mixture, or the water.
func FieldRatio(r units.Ratio, branch, total units.LPerH) units.Ratio {
	return r * branch.Of(total)
}

// BranchRatio is FieldRatio backwards: what to dial for a field ratio.
func BranchRatio(field units.Ratio, branch, total units.LPerH) (units.Ratio, error) {
	if !(branch > 0) || !(total >= branch) {
		return 0, fmt.Errorf("cannot tell the ratio to dial: branch flow %.1f L/h must be above 0 and at most the block flow %.1f L/h", branch, total)
	}
	return field / branch.Of(total), nil
}

// Split is how the block's flow parts between injector and loop valve.
type Split struct {
	Total  units.LPerH `json:"total_l_h"`  // what the emitters take: water and stock
	Water  units.LPerH `json:"water_l_h"`  // from the supply
	Stock  units.LPerH `json:"stock_l_h"`  // from the tank
	Branch units.LPerH `json:"branch_l_h"` // through the injector, as the convention counts it: mixture or water
	Bypass units.LPerH `json:"bypass_l_h"` // water through the loop valve
	// Field is the ratio in the block, in the injector's convention.
	Field units.Ratio `json:"field_ratio"`
	// FieldInTotal is the same as stock in the total of the mixture.
	FieldInTotal units.Ratio `json:"field_ratio_in_total"`
}

// Split parts a block flow. The branch takes BranchFlow (the rated flow where
// none is given) or, where the block takes less, all of it.
func (i Injector) Split(total units.LPerH) Split {
	r := float64(i.Ratio)
	whole := total // all the flow in the convention's sense, without a bypass
	if i.Convention == StockPerWater {
		whole = units.LPerH(float64(total) / (1 + r))
	}
	wanted := i.BranchFlow
	if !(wanted > 0) {
		wanted = i.RatedFlow
	}
	s := Split{Total: total, Branch: min(whole, wanted)}
	s.Stock = s.Branch.Scale(i.Ratio)
	s.Water = s.Total - s.Stock
	through := s.Branch // water through the injector
	if i.Convention != StockPerWater {
		through -= s.Stock
	}
	s.Bypass = max(0, s.Water-through)
	s.FieldInTotal = s.Stock.Of(s.Total)
	s.Field = i.Convention.FromTotal(s.FieldInTotal)
	return s
}

// RatioFromVolumes is the ratio of a collecting check: the volume collected
// and the stock drawn for it, as stock in total.
func RatioFromVolumes(collected, stock units.Litre) (units.Ratio, error) {
	if !(stock > 0) || !(collected > stock) || !units.Finite(collected) {
		return 0, fmt.Errorf("cannot tell the ratio: %.3f L of stock in %.3f L collected; collect more, and read both again", stock, collected)
	}
	return units.Ratio(stock / collected), nil
}

// RatioFromEC is the ratio by EC against a jar mixed by hand at nominal with
// the same water and stock: r = nominal·(line − water)/(jar − water). It fails
// where the jar is not clearly above the water.
func RatioFromEC(nominal units.Ratio, water, jar, line units.USPerCm) (units.Ratio, error) {
	if !units.Finite(water) || !units.Finite(line) || !(water >= 0) || !(jar-water >= 100) {
		return 0, fmt.Errorf("cannot tell the ratio by EC: the jar (%.0f µS/cm) must be at least 100 µS/cm above the water (%.0f)", jar, water)
	}
	return nominal * units.Ratio((line-water)/(jar-water)), nil
}

// RatioVerdict grades a measured ratio.
type RatioVerdict uint8

// The grades. Above 5 % off: have it serviced (University of Georgia B1237).
// 10 %, 25 %, a fifth and one and a half of nominal: common practice, no
// source.
const (
	RatioUnknown RatioVerdict = iota
	RatioGood
	RatioService    // more than 5 % off
	RatioWarn       // more than 10 % off
	RatioAlarm      // more than 25 % off
	RatioNotDrawing // less than 20 % of nominal: air leak, empty tank
	RatioFar        // more than 150 % of nominal: stop
)

var ratioVerdictNames = [...]string{"unknown", "good", "service", "warn", "alarm", "not drawing", "far too high"}

func (v RatioVerdict) String() string { return nameOf(ratioVerdictNames[:], v) }

// MarshalText writes the words.
func (v RatioVerdict) MarshalText() ([]byte, error) { return []byte(v.String()), nil }

// JudgeRatio grades a measured ratio against the nominal one.
func JudgeRatio(measured, nominal units.Ratio) RatioVerdict {
	if !(nominal > 0) || !units.Finite(measured) || measured < 0 {
		return RatioUnknown
	}
	k := float64(measured / nominal)
	off := math.Abs(k - 1)
	switch {
	case k < 0.20:
		return RatioNotDrawing
	case k > 1.50:
		return RatioFar
	case off > 0.25:
		return RatioAlarm
	case off > 0.10:
		return RatioWarn
	case off > 0.05:
		return RatioService
	}
	return RatioGood
}
