// Package box holds the nouns every other package shares: the channels of the
// box, raw samples, readings with their quality, and what a person tells the
// box. It does no work and knows no technology.
package box

import (
	"strings"
	"time"

	"boxd/internal/say"
	"boxd/internal/units"
)

// Channel names one measured quantity of the box.
type Channel uint8

// The channels, in the order of the trace columns.
const (
	UnknownChannel      Channel = iota
	SupplyPressure              // upstream of the shutoff valve, kPa gauge
	FilterOutPressure           // after the screen filter, kPa gauge
	InjectorInPressure          // at the injector's inlet, kPa gauge
	InjectorOutPressure         // at the injector's outlet, kPa gauge
	HeaderPressure              // box outlet, after the regulator, kPa gauge
	MainFlow                    // all water through the box, L/min on the wire, L/h inside
	InjectorFlow                // the injector's branch, same units
	StockDraw                   // stock solution drawn, same units
	BoxEC                       // at the box outlet, µS/cm at 25 °C
	EndEC                       // at the last emitter of the farthest lateral, µS/cm at 25 °C
	WaterTemp                   // °C
	BoxAirTemp                  // air in the box, °C
	OutsideAirTemp              // °C; a probe or a posted forecast; not in the trace
	NumChannels
)

// Info says what a channel is called and how it is written.
type Info struct {
	Tag    string // ISA-5.1 style
	Column string // the trace column and wire name; the unit is in it
	Name   string // for a person
	Unit   string // the unit of Column
}

var infos = [NumChannels]Info{
	UnknownChannel:      {"?", "", "unknown", ""},
	SupplyPressure:      {"PT-101", "supply_kpa", "supply pressure", "kPa"},
	FilterOutPressure:   {"PT-102", "filter_out_kpa", "pressure after the filter", "kPa"},
	InjectorInPressure:  {"PT-103", "injector_in_kpa", "injector inlet pressure", "kPa"},
	InjectorOutPressure: {"PT-104", "injector_out_kpa", "injector outlet pressure", "kPa"},
	HeaderPressure:      {"PT-201", "header_kpa", "header pressure", "kPa"},
	MainFlow:            {"FT-101", "main_flow_lpm", "main flow", "L/min"},
	InjectorFlow:        {"FT-102", "injector_flow_lpm", "injector branch flow", "L/min"},
	StockDraw:           {"FT-103", "stock_draw_lpm", "stock draw", "L/min"},
	BoxEC:               {"AT-201", "ec_box_us_cm", "EC at the box", "µS/cm"},
	EndEC:               {"AT-301", "ec_end_us_cm", "EC at the line end", "µS/cm"},
	WaterTemp:           {"TT-201", "water_c", "water temperature", "°C"},
	BoxAirTemp:          {"TT-901", "box_air_c", "air in the box", "°C"},
	OutsideAirTemp:      {"TT-902", "outside_air_c", "outside air", "°C"},
}

// Info is the channel's names and unit.
func (c Channel) Info() Info {
	if c >= NumChannels {
		return infos[UnknownChannel]
	}
	return infos[c]
}

func (c Channel) String() string { return c.Info().Tag }

// ChannelByColumn finds a channel by its trace column.
func ChannelByColumn(column string) (Channel, bool) {
	for c := UnknownChannel + 1; c < NumChannels; c++ {
		if infos[c].Column == column {
			return c, true
		}
	}
	return UnknownChannel, false
}

// Sample is one raw value as a source delivered it, in the unit of the
// channel's trace column. A sample with a Fault carries no value, but may keep
// the raw number that the fault speaks of.
type Sample struct {
	Channel Channel
	Value   float64
	// Fault says why the source has no value: "no answer on the bus". Empty
	// when Value counts. Where it has a "%.4g", that is Value, the raw number. A
	// plainly missing sample is simply not there.
	Fault string
	// Cause is the NE 107 class of Fault. Without a Fault it is that of a doubt:
	// Value counts, but the instrument is at the end of what it can measure.
	Cause Cause
}

// Failed is a sample without a value; raw is the number that why speaks of.
func Failed(c Channel, raw float64, why string) Sample {
	return Sample{Channel: c, Value: raw, Fault: why, Cause: Failure}
}

// Quality of a reading. The zero value is QualityUnknown: nothing was heard yet.
type Quality uint8

const (
	QualityUnknown Quality = iota
	Good
	Uncertain
	Bad
)

func (q Quality) String() string {
	switch q {
	case Good:
		return "good"
	case Uncertain:
		return "uncertain"
	case Bad:
		return "bad"
	case QualityUnknown:
	}
	return "unknown"
}

// MarshalText writes the word.
func (q Quality) MarshalText() ([]byte, error) { return []byte(q.String()), nil }

// Cause is why a reading is not good, in the classes of NAMUR NE 107.
type Cause uint8

const (
	NoCause Cause = iota
	Failure
	CheckFunction
	OutOfSpecification
	MaintenanceRequired
)

func (c Cause) String() string {
	switch c {
	case Failure:
		return "failure"
	case CheckFunction:
		return "check function"
	case OutOfSpecification:
		return "out of specification"
	case MaintenanceRequired:
		return "maintenance required"
	case NoCause:
	}
	return ""
}

// MarshalText writes the words.
func (c Cause) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// Reading is one channel's judged value. When Quality is Bad or
// QualityUnknown, Value means nothing and must not be used.
type Reading[T ~float64] struct {
	Value   T
	Quality Quality
	Cause   Cause
	Why     say.Text      // for a person, empty when good
	Age     time.Duration // since the sample behind Value
}

// Usable reports whether Value may be used.
func (r *Reading[T]) Usable() bool { return r.Quality == Good || r.Quality == Uncertain }

// Readings are the box's channels after judgement, each in its own type.
type Readings struct {
	Supply      Reading[units.KPa]
	FilterOut   Reading[units.KPa]
	InjectorIn  Reading[units.KPa]
	InjectorOut Reading[units.KPa]
	Header      Reading[units.KPa]
	Main        Reading[units.LPerH]
	Branch      Reading[units.LPerH]
	Stock       Reading[units.LPerH]
	BoxEC       Reading[units.USPerCm]
	EndEC       Reading[units.USPerCm]
	Water       Reading[units.Celsius]
	BoxAir      Reading[units.Celsius]
	OutsideAir  Reading[units.Celsius]

	// Unseen: before this turn nobody looked, for much longer than turns are apart.
	Unseen bool
	// Contradicting are channels that send sound-looking values which can't be
	// true together with another's.
	Contradicting Channels
}

// Channels is a set of channels, a bit for each.
type Channels uint32

// With is the set with the channel in it.
func (s Channels) With(c Channel) Channels { return s | 1<<c }

// Has reports whether the channel is in the set.
func (s Channels) Has(c Channel) bool { return s&(1<<c) != 0 }

// Deed is something a person did at the box and says so: the event words of
// the trace.
type Deed uint8

const (
	UnknownDeed Deed = iota
	RunStart
	MainOpen
	MainClosed
	InjectorOn
	InjectorOff
	LoopThrottled
	LoopOpened
	FilterCleaned
	StockIn
	StockOut
	RunEnd
	NumDeeds
)

var deedWords = [NumDeeds]string{"unknown", "run_start", "main_open", "main_closed", "injector_on", "injector_off",
	"loop_throttled", "loop_opened", "filter_cleaned", "stock_in", "stock_out", "run_end"}

func (d Deed) String() string {
	if d >= NumDeeds {
		return deedWords[UnknownDeed]
	}
	return deedWords[d]
}

// MarshalText writes the trace word.
func (d Deed) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// DeedByWord finds a deed by its trace word.
func DeedByWord(w string) (Deed, bool) {
	for d := UnknownDeed + 1; d < NumDeeds; d++ {
		if deedWords[d] == w {
			return d, true
		}
	}
	return UnknownDeed, false
}

// ActionKind is what sort of word came from a person.
type ActionKind uint8

const (
	UnknownAction ActionKind = iota
	Confirm                  // "done", in answer to the advice numbered Advice
	Report                   // "I did Deed", unasked (the trace's event words)
	Acknowledge              // alarm Alarm was seen
	Reset                    // latched alarm Alarm may go; Note says what was inspected
	Override                 // hold Alarm is lifted for this run; Note says why
	Post                     // the station posted Forecast
	Shelve                   // set alarm Alarm aside for the time For; Note says why
	Unshelve                 // end that before its time
	TakeOut                  // take alarm Alarm out of service until it is put back; Note says why
	PutBack                  // put it back in service
)

func (k ActionKind) String() string {
	switch k {
	case Confirm:
		return "confirm"
	case Report:
		return "report"
	case Acknowledge:
		return "acknowledge"
	case Reset:
		return "reset"
	case Override:
		return "override"
	case Post:
		return "forecast"
	case Shelve:
		return "shelve"
	case Unshelve:
		return "unshelve"
	case TakeOut:
		return "out-of-service"
	case PutBack:
		return "in-service"
	case UnknownAction:
	}
	return "unknown"
}

// MarshalText writes the word.
func (k ActionKind) MarshalText() ([]byte, error) { return []byte(k.String()), nil }

// Action is a person's word, an input with doubt: the core decides whether it
// counts.
type Action struct {
	ID     string // made by the sender; answers carry it
	Kind   ActionKind
	Advice uint64 // Confirm: the number of the advice that was on the screen
	Deed   Deed   // Report
	Alarm  string // the alarm id, for all kinds about an alarm; Override: the hold id
	By     string // the person's name; empty is "not named"
	Note   string
	For    time.Duration // Shelve
	// Forecast is what Post posts.
	Forecast Forecast
}

// ByButton is who says what the button at the box says: whoever stood there.
const ByButton = "box button"

// IsButton says whether a name would be read as the button's: no person bears it.
func IsButton(name string) bool {
	return strings.EqualFold(strings.Join(strings.Fields(name), " "), ByButton)
}

// Forecast is the lowest temperature outside that is expected of the next
// night, and when.
type Forecast struct {
	Low units.Celsius
	At  time.Time
}

// Health is how something around the core fares: the archive, a link. The zero
// value is HealthUnknown: nobody has said.
type Health uint8

const (
	HealthUnknown Health = iota
	Well
	Failing
)

func (h Health) String() string {
	switch h {
	case Well:
		return "well"
	case Failing:
		return "failing"
	case HealthUnknown:
	}
	return "unknown"
}

// Surrounding is how one of them fares; Why is of a failing one, in the words of
// whatever failed.
type Surrounding struct {
	Health Health
	Why    string
	To     Far // of a link that fails: which one
}

// Far is the other end of a link.
type Far uint8

// FarUnknown is also what older logs say.
const (
	FarUnknown Far = iota
	Broker
	Database
	BrokerAndDatabase
)

func (f Far) String() string {
	switch f {
	case Broker:
		return "broker"
	case Database:
		return "database"
	case BrokerAndDatabase:
		return "broker and database"
	case FarUnknown:
	}
	return "unknown"
}

// Vital is a reading of the board under boxd, or what a meter has counted in
// all: it is no channel, and nothing is reckoned with it.
type Vital struct {
	Name  string // on the wire, with its unit: board_c
	Unit  string
	Value float64
	Known bool
	Why   string // what is wrong, a sentence; empty: nothing
}
