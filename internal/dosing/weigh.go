package dosing

import (
	"math"

	"boxd/internal/say"
	"boxd/internal/units"
)

// Quantity is a measured value with its standard uncertainty (k = 1), or the
// reason why there is none. The zero value is a measured 0; use Absent.
type Quantity[T ~float64] struct {
	Value  T
	Std    T        // 0: the default for its instrument
	Absent say.Text // why there is no value; empty: there is one
}

// Absent is a quantity that can't be had.
func Absent[T ~float64](why say.Text) Quantity[T] { return Quantity[T]{Absent: why} }

// with is q with a default relative uncertainty where none is given; unreal
// values are absent.
func (q Quantity[T]) with(rel units.Ratio) Quantity[T] {
	switch {
	case !q.Absent.Empty():
		return q
	case !units.Finite(q.Value) || !units.Finite(q.Std) || q.Value < 0 || q.Std < 0:
		return Absent[T](say.T("the reading is no real amount"))
	case q.Std == 0:
		q.Std = T(float64(q.Value) * float64(rel))
	}
	return q
}

// rel is the relative standard uncertainty.
func (q Quantity[T]) rel() float64 {
	if q.Value == 0 {
		return 0
	}
	return float64(q.Std / q.Value)
}

// Default relative standard uncertainties where none is given. Meters: 3 % of
// small pulse meters and EC probes in the field, common practice, no source.
// Ratio: an injector more than 5 % off should be serviced (University of
// Georgia B1237), so ±5 %, rectangular (GUM 4.3.7). Strength: weighing and
// filling to a mark, common practice, no source.
const (
	RelMeter    units.Ratio = 0.03
	RelRatio    units.Ratio = 0.029
	RelStrength units.Ratio = 0.01
)

// stockFloor is the least uncertainty of a stock volume: a mark on a tank or a
// pulse is not read finer.
const stockFloor units.Litre = 0.01

// coverage is k of the comparison: two results agree within twice their
// combined standard uncertainty (GUM, JCGM 100:2008, 6.3.3).
const coverage = 2

// BranchMeter says what the injector-branch meter counts.
type BranchMeter uint8

// What the meter counts.
const (
	// MeterByConvention counts what the injector's convention divides by.
	MeterByConvention BranchMeter = iota
	MeterWater                    // before the injector: water alone
	MeterMixture                  // after it: water and stock
)

// Evidence is what a run left to weigh its dose by.
type Evidence struct {
	Mix         Mix
	Strength    units.GPerL
	StrengthRel units.Ratio // standard; 0: RelStrength

	Drawn Quantity[units.Litre] // stock, by its meter or the tank's marks

	Rise   Quantity[units.USPerCm] // mean EC above baseline, weighted by flow, over Passed
	Passed Quantity[units.Litre]   // through the box while the rise stood

	Branch     Quantity[units.Litre] // through the injector's branch while it drew
	Meter      BranchMeter
	Ratio      units.Ratio
	Convention Convention
	RatioRel   units.Ratio // standard; 0: RelRatio
}

// Method is a way to weigh a dose.
type Method uint8

// The three ways, and the mean of those that agree.
const (
	UnknownMethod Method = iota
	ByDrawn
	ByEC
	ByRatio
	ByMean
)

var methodNames = [...]string{"unknown", "stock drawn", "EC rise", "nominal ratio", "mean of those that agree"}

func (m Method) String() string { return nameOf(methodNames[:], m) }

// says is the method as it stands in a sentence.
func (m Method) says() say.Text {
	switch m {
	case ByDrawn:
		return say.T("stock drawn")
	case ByEC:
		return say.T("EC rise")
	case ByRatio:
		return say.T("nominal ratio")
	case ByMean, UnknownMethod:
	}
	return say.T("the mean of those that agree")
}

// Weighing is the dose by one method. Where Known is false the numbers mean
// nothing and Why says what is missing.
type Weighing struct {
	Method   Method
	Known    bool
	Why      say.Text
	Stock    units.Litre
	StockStd units.Litre // standard, k = 1
	// Massed tells that the strength is known: without it the litres stand and
	// the numbers below mean nothing.
	Massed     bool
	Product    units.Gram
	ProductStd units.Gram // standard, k = 1
	Gives      Nutrients
	// Remark qualifies a known weighing, such as nitrogen that EC can't see.
	Remark say.Text
}

// Pair compares two weighings.
type Pair struct {
	A, B    Method
	Differ  units.Litre // B − A, of stock
	Allowed units.Litre // twice the combined standard uncertainty
	Agree   bool
}

// Verdict is what the weighings together say.
type Verdict uint8

// The verdicts.
const (
	NoVerdict Verdict = iota // fewer than two weighings
	AllAgree
	OneStandsOut // two agree, the third with neither
	Unsettled    // three in a row: the middle agrees with both ends, the ends don't
	NoneAgree
)

var verdictNames = [...]string{"nothing to compare", "all agree", "one stands out", "unsettled", "none agree"}

func (v Verdict) String() string { return nameOf(verdictNames[:], v) }

// Weighings is the dose by all methods, and how they compare.
type Weighings struct {
	All     [3]Weighing // drawn, EC, ratio
	Pairs   []Pair
	Verdict Verdict
	Odd     Method // for OneStandsOut
	// Best is the mean of those that agree, weighted by certainty; not known
	// when two or more disagree without a majority.
	Best Weighing
	Text say.Text
}

// Weigh weighs a dose by every method there is evidence for.
func Weigh(e Evidence) Weighings {
	if e.StrengthRel == 0 {
		e.StrengthRel = RelStrength
	}
	if e.RatioRel == 0 {
		e.RatioRel = RelRatio
	}
	w := Weighings{All: [3]Weighing{e.byDrawn(), e.byEC(), e.byRatio()}, Pairs: []Pair{}}
	w.compare()
	w.settle(e)
	w.Text = w.say()
	return w
}

// fill makes the masses from a stock volume, where the strength is known.
func (e Evidence) fill(w Weighing, massRel float64) Weighing {
	w.Known, w.StockStd = true, max(w.StockStd, stockFloor)
	if !e.massed() {
		return w
	}
	w.Massed = true
	w.Product = e.Strength.Times(w.Stock)
	w.ProductStd = units.Gram(math.Max(float64(w.Product)*massRel, float64(e.Strength.Times(stockFloor))))
	w.Gives = e.Mix.Nutrients(w.Product)
	return w
}

// massed reports whether litres of stock can be turned into grams.
func (e Evidence) massed() bool { return e.Strength > 0 && units.Finite(e.Strength) }

func (e Evidence) byDrawn() Weighing {
	w := Weighing{Method: ByDrawn}
	q := e.Drawn.with(RelMeter)
	if w.Why = q.Absent; !w.Why.Empty() {
		return w
	}
	w.Stock, w.StockStd = q.Value, q.Std
	return e.fill(w, math.Hypot(q.rel(), float64(e.StrengthRel)))
}

func (e Evidence) byEC() Weighing {
	w := Weighing{Method: ByEC}
	rise, passed := e.Rise.with(RelMeter), e.Passed.with(RelMeter)
	why := say.Text{}
	if !e.massed() {
		why = say.T("the stock's strength is not known")
	}
	if w.Why = firstOf(why, rise.Absent, passed.Absent); !w.Why.Empty() {
		return w
	}
	c, ok := e.Mix.ConcFor(rise.Value)
	sees := e.Mix.ECRise(max(c, 0.1))
	if !ok {
		w.Why = firstOf(sees.Why, say.T("the rise is beyond what this feed could make"))
		return w
	}
	rel := math.Hypot(math.Hypot(rise.rel(), passed.rel()), float64(sees.Rel))
	w.Stock = units.Litre(float64(c.Times(passed.Value)) / float64(e.Strength))
	// The mass comes first here, so it is the stock that inherits the
	// strength's uncertainty.
	w.StockStd = units.Litre(float64(w.Stock) * math.Hypot(rel, float64(e.StrengthRel)))
	if sees.UreaN > 0 {
		w.Remark = say.T("%v of the nitrogen is urea: EC can't see it, it is taken to follow the rest", sees.UreaN)
	}
	return e.fill(w, rel)
}

func (e Evidence) byRatio() Weighing {
	w := Weighing{Method: ByRatio}
	q := e.Branch.with(RelMeter)
	why := say.Text{}
	if !(e.Ratio > 0 && e.Ratio < 0.5) {
		why = say.T("the injector's ratio is not known")
	}
	if w.Why = firstOf(why, q.Absent); !w.Why.Empty() {
		return w
	}
	w.Stock = q.Value.Scale(e.Convention.PerMetered(e.Ratio, e.Meter))
	rel := math.Hypot(q.rel(), float64(e.RatioRel))
	w.StockStd = units.Litre(float64(w.Stock) * rel)
	return e.fill(w, math.Hypot(rel, float64(e.StrengthRel)))
}

// PerMetered is the stock that a ratio in this convention puts into a litre as
// the meter in the injector's branch counts it.
func (c Convention) PerMetered(r units.Ratio, m BranchMeter) units.Ratio {
	switch {
	case m == MeterWater && c == StockInTotal:
		return r / (1 - r)
	case m == MeterMixture && c == StockPerWater:
		return r / (1 + r)
	}
	return r
}

// compare makes the pairs, in litres of stock: the strength's uncertainty is
// common to drawn and ratio and must not hide that they differ.
func (w *Weighings) compare() {
	for i := range w.All {
		for j := i + 1; j < len(w.All); j++ {
			a, b := w.All[i], w.All[j]
			if !a.Known || !b.Known {
				continue
			}
			p := Pair{A: a.Method, B: b.Method, Differ: b.Stock - a.Stock,
				Allowed: units.Litre(coverage * math.Hypot(float64(a.StockStd), float64(b.StockStd)))}
			p.Agree = math.Abs(float64(p.Differ)) <= float64(p.Allowed)
			w.Pairs = append(w.Pairs, p)
		}
	}
}

// settle gives the verdict and the best estimate.
func (w *Weighings) settle(e Evidence) {
	agree := 0
	var last Pair
	for _, p := range w.Pairs {
		if p.Agree {
			agree, last = agree+1, p
		}
	}
	in := func(Method) bool { return true }
	switch {
	case len(w.Pairs) == 0:
		w.Verdict = NoVerdict
	case agree == len(w.Pairs):
		w.Verdict = AllAgree
	case agree == 0:
		w.Verdict = NoneAgree
		w.Best.Why = say.T("the weighings disagree and nothing says which is right")
		return
	case agree == 1:
		w.Verdict = OneStandsOut
		w.Odd = ByDrawn + ByEC + ByRatio - last.A - last.B
		in = func(m Method) bool { return m != w.Odd }
	default:
		w.Verdict = Unsettled
	}
	w.Best = w.mean(e, in)
}

// mean is the mean by inverse variance of the known weighings that are in.
func (w *Weighings) mean(e Evidence, in func(Method) bool) Weighing {
	sum, weight := 0.0, 0.0
	for _, x := range w.All {
		if x.Known && in(x.Method) {
			k := 1 / (float64(x.StockStd) * float64(x.StockStd))
			sum += k * float64(x.Stock)
			weight += k
		}
	}
	if weight == 0 {
		return Weighing{Why: say.T("there is no evidence to weigh the dose by")}
	}
	b := Weighing{Method: ByMean, Stock: units.Litre(sum / weight), StockStd: units.Litre(1 / math.Sqrt(weight))}
	rel := 0.0
	if b.Stock > 0 {
		rel = float64(b.StockStd / b.Stock)
	}
	return e.fill(b, math.Hypot(rel, float64(e.StrengthRel)))
}

// say puts the verdict in sentences.
func (w *Weighings) say() say.Text {
	out := []say.Text{w.verdict()}
	for _, x := range w.All {
		if !x.Known {
			out = append(out, say.T("By %v: can't be had, %v.", x.Method.says(), x.Why))
		}
	}
	return say.T("%v", say.List{Of: out, Sep: " "})
}

func (w *Weighings) verdict() say.Text {
	switch w.Verdict {
	case AllAgree:
		return say.T("The weighings agree within their uncertainty.")
	case OneStandsOut:
		return say.T("One stands out, by %v; the other two agree.", w.Odd.says())
	case Unsettled:
		return say.T("The weighings spread more than their uncertainty explains; none clearly stands out.")
	case NoneAgree:
		return say.T("The weighings disagree: check the meters, the suction hose and the stock's strength.")
	case NoVerdict:
	}
	return say.T("There are not two weighings to compare.")
}

func firstOf(texts ...say.Text) say.Text {
	for _, t := range texts {
		if !t.Empty() {
			return t
		}
	}
	return say.Text{}
}
