package engine

import (
	"time"

	"boxd/internal/dosing"
	"boxd/internal/estimate"
	"boxd/internal/hydraulics"
	"boxd/internal/safety"
	"boxd/internal/say"
	"boxd/internal/units"
)

// Config is all the core is told beforehand. It is fixed for the core's life.
type Config struct {
	Box      string
	Zone     *hydraulics.Model
	Limits   safety.Limits
	Backflow safety.Backflow
	Injector Injector
	Probe    Probe
	Plan     Plan
	Stock    Stock
	Units    units.System // for sentences only
	Observe  bool         // readings only count; nobody is asked to confirm
	Meter    Meter
	Cooling  Cooling
	Dose     Dose
	Past     Memory // what earlier runs left; the zero one: nothing
	// RunSuffix ends the name of every run. A board whose clock starts anew at the
	// same time at each boot would otherwise name two runs alike.
	RunSuffix string
	// AdviceAfter is the number that all advice is numbered above.
	AdviceAfter uint64
	Replay      bool // a recording is played: runs are named by core time, for its wall time is not theirs
}

// Cooling are the small volumes that freeze first; the zero one is the default.
type Cooling = estimate.Cooling

// SmallVolume is one of them.
type SmallVolume = estimate.Volume

// DefaultCooling is a box's whose owner says nothing of them.
func DefaultCooling() Cooling { return estimate.DefaultCooling() }

// Injector is the water-driven injector in its branch.
type Injector struct {
	Ratio      units.Ratio        // stock in the branch's total flow
	Convention dosing.Convention  // of the dial, for what its flow meter counts
	Meter      dosing.BranchMeter // where the branch's flow meter sits
	RatioError units.Ratio        // of the dial, as a bound; 0: 5 %
	RatedFlow  units.LPerH        // the branch flow it bears; 0: not said
	StartsAt   units.KPa          // pressure difference that starts it
	ECPerGPerL float64            // EC of 1 g/L of the product, µS/cm; 0: not known
	Strength   units.GPerL        // of the stock; 0: not known
}

// PerMetered is the stock in a litre as the branch's meter counts it.
func (i Injector) PerMetered() units.Ratio {
	return i.Convention.PerMetered(i.Convention.FromTotal(i.Ratio), i.Meter)
}

// Probe is the end-of-line EC probe; Zone "" means there is none.
type Probe struct {
	Present bool
	Lag     time.Duration // first-order lag of the probe in its cell
}

// Plan is what the person set out to do.
type Plan struct {
	Injection time.Duration // 0: not said
	Stock     units.Litre   // 0: not said
	Branch    units.LPerH   // branch flow the dose was worked out with; 0: not said
}

// Meter are the errors allowed for when the flush is counted by volume.
type Meter struct {
	FlowError     units.Ratio // of the main flow meter, as a bound
	GeometryError units.Ratio // of the zone's volumes and shares, as a bound
	MaxFlow       units.LPerH // the main meter can show no more; 0: not said
}

// Dose is what turns litres of stock into grams, and the zone's grams into a
// plant's. The zero Dose gives litres only.
type Dose struct {
	Mix           dosing.Mix  // what the stock holds; empty: not known
	Why           say.Text    // why it is not known
	StrengthError units.Ratio // of the stock, as a bound; 0: 1.7 %
	Due           units.Gram  // of all products, in one run; 0: not planned
	Plants        float64     // in the zone; 0: not counted
	PerWeek       float64     // runs a week that the feed asks for; 0: not said
}
