package engine

import (
	"encoding/json"
	"time"

	"boxd/internal/say"
)

// Event is something worth keeping: it is committed to the journal before
// anybody is shown it. Kind says which of the other fields count; the JSON form
// is that of the replay output.
type Event struct {
	T    float64   `json:"t"` // seconds since the core started: trace seconds in a replay
	Kind EventKind `json:"kind"`
	Wall time.Time `json:"-"` // a label, never a timer

	Step string `json:"step,omitempty"` // step
	Name string `json:"name,omitempty"` // milestone

	ID       string `json:"id,omitempty"`       // alarm id
	State    string `json:"state,omitempty"`    // alarm: raised, cleared, acknowledged, latched, shelved, unshelved, suppressed, out-of-service, in-service
	Priority string `json:"priority,omitempty"` // alarm: critical, high, low
	Cause    string `json:"cause,omitempty"`    // alarm: the id of the alarm it follows from; it is then no news of its own

	UntilT *float64 `json:"until_t,omitempty"` // alarm shelved: until when

	Number uint64 `json:"number,omitempty"` // advice number
	Deed   string `json:"deed,omitempty"`   // action, advice: the trace word
	By     string `json:"by,omitempty"`     // action, refusal: the person
	Action string `json:"action,omitempty"` // action, refusal: the sender's action id

	On     string   `json:"on,omitempty"`     // hold: the step it holds
	Reason string   `json:"reason,omitempty"` // hold, refusal
	Text   string   `json:"text,omitempty"`   // alarm, advice, note
	Why    Reasons  `json:"why,omitempty"`    // step (one), advice (several)
	Sum    *Summary `json:"-"`                // summary

	Forecast *ForecastRecord `json:"forecast,omitempty"` // forecast

	// Said are Text, Reason and Why before they were put into the box's own
	// language and units.
	Said Said `json:"-"`
}

// Said are sentences for a reader to have in a voice of his own.
type Said struct {
	Text, Reason say.Text
	Why          []say.Text
}

// ForecastRecord is a forecast that was taken: the low outside and its hour.
type ForecastRecord struct {
	LowC float64   `json:"low_c"`
	At   time.Time `json:"at"`
}

// EventKind is the "kind" of the replay output.
type EventKind string

const (
	StepEvent      EventKind = "step"
	MilestoneEvent EventKind = "milestone"
	AlarmEvent     EventKind = "alarm"
	AdviceEvent    EventKind = "advice"
	HoldEvent      EventKind = "hold"
	ReleaseEvent   EventKind = "release" // a hold ended
	ActionEvent    EventKind = "action"  // a person's word was taken
	RefusalEvent   EventKind = "refusal" // a person's word was refused, with the reason
	NoteEvent      EventKind = "note"    // a finding worth keeping
	RunEvent       EventKind = "run"     // State is started or ended
	SummaryEvent   EventKind = "summary"
	ForecastEvent  EventKind = "forecast" // a forecast of the night's low was taken
	OverrideEvent  EventKind = "override" // a hold was lifted for this run, by whom and why
)

// Reasons is one sentence or several: a step says one, an advice lists its own.
type Reasons []string

// MarshalJSON writes Line.
func (e Event) MarshalJSON() ([]byte, error) { return json.Marshal(e.Line()) }

// Line is the event as one line of the replay output shows it: a step's why is a
// string, an advice's a list, a summary's numbers stand beside t.
func (e *Event) Line() any {
	type plain Event
	switch {
	case e.Kind == StepEvent && len(e.Why) == 1:
		return &struct {
			*plain
			Why string `json:"why"`
		}{(*plain)(e), e.Why[0]}
	case e.Kind == SummaryEvent && e.Sum != nil:
		return &struct {
			T    float64   `json:"t"`
			Kind EventKind `json:"kind"`
			*Summary
		}{e.T, e.Kind, e.Sum}
	}
	return (*plain)(e)
}

// Weighings are three independent measures of the stock that went out, litres.
// One that can't be had is null.
type Weighings struct {
	Drawn   *float64 `json:"drawn"`
	ByEC    *float64 `json:"by_ec"`
	ByRatio *float64 `json:"by_ratio"`
}

// Summary closes a run.
type Summary struct {
	Across
	VolumeL              float64           `json:"volume_l"`
	StockL               Weighings         `json:"stock_l"`
	Flush                string            `json:"flush"` // done, incomplete, unknown
	UndeliveredPct       *float64          `json:"undelivered_pct"`
	LastEmitterDelivered *float64          `json:"last_emitter_delivered_pct"`
	BaselineUSCm         *float64          `json:"baseline_us_cm"`
	RiseUSCm             *float64          `json:"rise_us_cm"`
	FlushWitness         string            `json:"flush_witness,omitempty"`
	Witnesses            *Witnesses        `json:"witnesses,omitempty"`
	UnseenS              float64           `json:"unseen_s,omitempty"` // time of the run that nobody saw
	Observed             bool              `json:"observed"`           // the person's word was not asked, or a hold was passed over
	Milestones           []MilestoneRecord `json:"milestones"`
	Notes                []string          `json:"notes,omitempty"`
	Dose                 *DoseView         `json:"dose,omitempty"` // null: nothing was injected
	Overrides            []OverrideRecord  `json:"overrides,omitempty"`
	Figures              *Figures          `json:"figures,omitempty"`
}

// OverrideRecord is a hold that was lifted in a run, by whom and why.
type OverrideRecord struct {
	ID  string  `json:"id"`
	On  string  `json:"on"`
	By  string  `json:"by"`
	Why string  `json:"why"`
	T   float64 `json:"t"` // core seconds
}

// MilestoneRecord is when a milestone was reached, in core seconds.
type MilestoneRecord struct {
	Name string  `json:"name"`
	T    float64 `json:"t"`
}
