// Package safety judges the estimates: which conditions stand that somebody
// must know of, and what advice they withhold. It never imports the sequencer:
// advice depends on safety, not the reverse. It moves nothing and proves
// nothing: a backflow device works when a licensed tester says so.
//
// Pressures are kPa gauge, flows L/h, temperatures °C, EC µS/cm at 25 °C.
package safety

import (
	"time"

	"boxd/internal/alarm"
	"boxd/internal/units"
)

// Limits are the numbers conditions are judged by. Where no source is named
// the default is common practice, no source, and belongs in the config.
type Limits struct {
	HeaderLow, HeaderTarget, HeaderHigh units.KPa     // the zone's header window
	SupplyLow                           units.KPa     // below this with water flowing the supply is too weak
	SupplyCollapse                      units.KPa     // below this with full lines it is gone: a sign of backflow
	BackflowMargin                      units.KPa     // a line above its supply by more than two gauges' errors is a sign
	BackflowEC                          units.USPerCm // EC that rises by more while nothing flows forward is a sign
	InjectorStart                       units.KPa     // difference that starts the injector
	ECLimit                             units.USPerCm // line EC the crop bears; 0: no limit set
	FilterWarn, FilterClean             units.KPa     // rise of the filter difference over its scaled clean value
	FilterTorn                          units.Ratio   // of what it took when clean: less is a torn screen
	FlowHigh, FlowLow                   units.Ratio   // measured ÷ expected − 1, beyond which flow is off
	RatioWarn, RatioAlarm               units.Ratio   // of the injector's ratio, either way
	Ratio                               units.Ratio   // the injector's nominal ratio; 0: not said
	FreezeWater                         units.Celsius // water at or below this is a freeze risk
	FreezeAir                           units.Celsius // box air at or below this is a freeze risk
	FreezeLead                          time.Duration // alarm this long before 0 °C is reached
	Silent                              time.Duration // a channel silent this long is faulty
	SilentTemperature                   time.Duration // a thermometer silent this long is faulty
	Overridable                         []string      // holds that a named person may lift for a run
	Deadband                            Deadbands
	MaxShelving                         time.Duration // the longest an alarm may be shelved; 0: alarm.MaxShelving
}

// Deadbands are by how much a value must have come back behind its limit before
// its condition counts as gone.
type Deadbands struct {
	Pressure units.KPa
	Flow     units.Ratio // of the expected flow
	Ratio    units.Ratio // of the injector's ratio
	EC       units.Ratio // of the limit
}

// DefaultLimits are the defaults. Filter +3/+5 psi over clean: University of
// California, Maintenance of Microirrigation Systems (3–5 psi over clean).
// Freeze: 3 °C water, 0 °C air, 2 h lead: common practice, no source. Ratio
// 10 % and 25 %, flow ±12 %, a torn screen's half, supply and backflow (7 kPa is
// about 1 psi, two gauges' errors; 15 kPa about 2 psi): common practice, no
// source. Deadbands: pressure 2 % and flow 5 % of the operating range, the
// starting points of ISA-18.2 and EEMUA 191 (from memory), taken of the 100 kPa a
// tape's header works in and of the expected flow; ratio and EC: common practice,
// no source.
func DefaultLimits() Limits {
	return Limits{
		HeaderLow: 55, HeaderTarget: 68.95, HeaderHigh: 83,
		SupplyLow: 70, SupplyCollapse: 15, BackflowMargin: 7, BackflowEC: 150,
		InjectorStart: 34, FilterTorn: 0.5,
		FilterWarn: 3 * units.KPaPerPsi, FilterClean: 5 * units.KPaPerPsi,
		FlowHigh: 0.12, FlowLow: 0.12,
		RatioWarn: 0.10, RatioAlarm: 0.25,
		FreezeWater: 3, FreezeAir: 0, FreezeLead: 2 * time.Hour,
		Silent: 30 * time.Second, SilentTemperature: 15 * time.Minute,
		Deadband:    Deadbands{Pressure: 2, Flow: 0.05, Ratio: 0.02, EC: 0.05},
		MaxShelving: alarm.MaxShelving,
	}
}

// Backflow is what the owner declares of the protection against backflow.
// Dates are days; the zero time is "not said".
type Backflow struct {
	Declared bool
	Device   string
	Supply   SupplyKind
	Required string // the class of device that supplier or local code demand
	Place    string
	Tester   string
	LastTest time.Time
	NextDue  time.Time
}

// SupplyKind is whose water it is.
type SupplyKind uint8

// The kinds of supply.
const (
	UnknownSupply SupplyKind = iota
	PublicSupply
	PrivateSupply
)

func (k SupplyKind) String() string {
	switch k {
	case PublicSupply:
		return "public"
	case PrivateSupply:
		return "private"
	case UnknownSupply:
	}
	return "unknown"
}
