package engine

import (
	"slices"
	"time"

	"boxd/internal/box"
	"boxd/internal/say"
)

// View is the whole state to show, made for people and for the wire: every
// number's unit is in its name. A null number is unknown: it is shown as
// unknown and never replaced.
type View struct {
	Seq     uint64    `json:"seq"`
	T       float64   `json:"t"`    // core seconds
	Wall    time.Time `json:"time"` // label
	Box     string    `json:"box"`
	Zone    string    `json:"zone"`
	Run     string    `json:"run"` // id of the run under way, empty between runs
	RunT    *float64  `json:"run_s"`
	Step    string    `json:"step"`
	StepWhy string    `json:"step_why"`
	Observe bool      `json:"observe"` // readings only count; no confirmation asked

	Advice    *AdviceView       `json:"advice"`
	Holds     []HoldView        `json:"holds"`
	Overrides []OverrideRecord  `json:"overrides"` // holds lifted in this run
	Alarms    []AlarmView       `json:"alarms"`
	Channels  []ChannelView     `json:"channels"`
	Progress  Progress          `json:"progress"`
	Loop      LoopView          `json:"loop"`
	Freeze    FreezeView        `json:"freeze"`
	Estimates []EstimateView    `json:"estimates"`
	Dose      *DoseView         `json:"dose"` // null: nothing was injected in this run
	Past      []MilestoneRecord `json:"milestones"`
	Cautions  []string          `json:"cautions"`
	Contents  *ContentsView     `json:"contents"` // fertilizer of earlier runs in the lines
	Learned   []LearnedView     `json:"learned"`

	Aside      []AlarmView `json:"alarms_aside"` // shelved, suppressed by design, out of service
	AlarmRates AlarmRates  `json:"alarm_rates"`

	Board []BoardView `json:"board,omitempty"` // of the board itself; whoever runs the core puts it in

	Said ViewSaid `json:"-"`
}

// BoardView is something of the board under boxd, or what a meter has counted.
type BoardView struct {
	Name  string   `json:"name"` // with its unit
	Unit  string   `json:"unit"`
	Value *float64 `json:"value"`
	Why   string   `json:"why"` // what is wrong; empty: nothing

	Said say.Text `json:"-"`
}

// BoardViews are vitals as they are shown.
func BoardViews(vitals []box.Vital) []BoardView {
	out := make([]BoardView, len(vitals))
	for i, v := range vitals {
		out[i] = BoardView{Name: v.Name, Unit: v.Unit, Why: v.Why, Said: say.Text{Format: v.Why}}
		if v.Known {
			out[i].Value = &v.Value
		}
	}
	return out
}

// The Said fields are the sentences of a view before they were put into the
// box's own language and units; In says them anew.
type (
	// ViewSaid are the view's own sentences.
	ViewSaid struct {
		StepWhy  say.Text
		Cautions []say.Text
	}
	// AdviceSaid are an advice's sentences.
	AdviceSaid struct {
		Text, Button say.Text
		Why          []say.Text
	}
	// HoldSaid are a hold's sentences.
	HoldSaid struct{ Reason, WayOut say.Text }
	// AlarmSaid are an alarm's sentences.
	AlarmSaid struct{ Text, Do, Consequence, LikelyCause say.Text }
	// ChannelSaid are a channel's sentences.
	ChannelSaid struct{ Why say.Text }
	// FreezeSaid are a freeze view's sentences.
	FreezeSaid struct{ Advice, Why say.Text }
	// ProgressSaid are the witnesses' words.
	ProgressSaid struct{ EndWitness, VolumeWitness, Dispute say.Text }
)

// In is the view as it is said to a reader. The view itself stays as it is.
func (v View) In(voice say.Voice) View {
	reword(&v.StepWhy, voice, v.Said.StepWhy)
	rewordAll(&v.Cautions, voice, v.Said.Cautions)
	if v.Advice != nil {
		a := *v.Advice
		a.put(voice)
		v.Advice = &a
	}
	v.Holds, v.Alarms, v.Aside, v.Channels = slices.Clone(v.Holds), slices.Clone(v.Alarms), slices.Clone(v.Aside), slices.Clone(v.Channels)
	for i := range v.Holds {
		v.Holds[i].put(voice)
	}
	for i := range v.Alarms {
		v.Alarms[i].put(voice)
	}
	for i := range v.Aside {
		v.Aside[i].put(voice)
	}
	for i := range v.Channels {
		v.Channels[i].put(voice)
	}
	v.Board = slices.Clone(v.Board)
	for i := range v.Board {
		reword(&v.Board[i].Why, voice, v.Board[i].Said)
	}
	v.Progress.put(voice)
	v.Loop.put(voice)
	v.Freeze.put(voice)
	v.Dose = v.Dose.In(voice)
	if v.Contents != nil {
		c := *v.Contents
		c.Text = voice.Say(c.Said)
		v.Contents = &c
	}
	return v
}

// reword says a sentence anew. A text that was made outside the core, and so has
// no sentence behind it, stays as it is.
func reword(to *string, v say.Voice, t say.Text) {
	if !t.Empty() {
		*to = v.Say(t)
	}
}

func rewordAll(to *[]string, v say.Voice, ts []say.Text) {
	if ts != nil {
		*to = v.Each(ts)
	}
}

func (a *AdviceView) put(v say.Voice) {
	reword(&a.Text, v, a.Said.Text)
	reword(&a.Button, v, a.Said.Button)
	rewordAll(&a.Why, v, a.Said.Why)
}

func (h *HoldView) put(v say.Voice) {
	reword(&h.Reason, v, h.Said.Reason)
	reword(&h.WayOut, v, h.Said.WayOut)
}

func (a *AlarmView) put(v say.Voice) {
	reword(&a.Text, v, a.Said.Text)
	reword(&a.Do, v, a.Said.Do)
	reword(&a.Consequence, v, a.Said.Consequence)
	reword(&a.LikelyCause, v, a.Said.LikelyCause)
}

func (c *ChannelView) put(v say.Voice) { reword(&c.Why, v, c.Said.Why) }

func (p *Progress) put(v say.Voice) {
	reword(&p.EndWitness, v, p.Said.EndWitness)
	reword(&p.VolumeWitness, v, p.Said.VolumeWitness)
	reword(&p.Dispute, v, p.Said.Dispute)
}

// AdviceView is the one next thing.
type AdviceView struct {
	Number    uint64   `json:"number"` // goes back with the confirmation
	Deed      string   `json:"deed"`   // what the confirmation says was done; empty: nothing to do but wait
	Text      string   `json:"text"`
	Why       []string `json:"why"`
	Button    string   `json:"button"`    // the words on the confirm button, empty when nothing is to confirm
	Verifying bool     `json:"verifying"` // confirmed; waiting for the readings to agree
	Valve     string   `json:"valve"`     // the part in question: supply, filter, injector, loop, header, ""
	Minutes   *float64 `json:"minutes_left"`

	Said AdviceSaid `json:"-"`
}

// HoldView is advice withheld, with its reason.
type HoldView struct {
	On     string `json:"on"`
	ID     string `json:"id"`
	Reason string `json:"reason"`
	WayOut string `json:"way_out"`
	// Overridable: a named person may lift it for this run, with a reason.
	Overridable bool `json:"overridable"`

	Said HoldSaid `json:"-"`
}

// AlarmView is one alarm that stands or is set aside.
type AlarmView struct {
	ID       string  `json:"id"`
	State    string  `json:"state"` // the ISA-18.2 state
	Priority string  `json:"priority"`
	Text     string  `json:"text"`
	Do       string  `json:"do"`
	SinceT   float64 `json:"since_t"`
	Latched  bool    `json:"latched"`
	Acked    bool    `json:"acknowledged"`

	Cause         string   `json:"cause,omitempty"`        // the id of the alarm it follows from: shown under that one, no news of its own; that one may still be on its way, or just be over, and then not be in the list
	LikelyCause   string   `json:"likely_cause,omitempty"` // what commonly brings it about
	Consequence   string   `json:"consequence,omitempty"`  // what comes of it if nobody acts
	RespondMin    float64  `json:"respond_min,omitempty"`  // time to respond, minutes
	FirstOut      bool     `json:"first_out"`              // the first of a burst
	Chattering    bool     `json:"chattering"`
	Active        bool     `json:"active"`      // its condition stands, whatever its state
	Silenceable   bool     `json:"silenceable"` // may be shelved or taken out of service
	ShelvedUntilT *float64 `json:"shelved_until_t,omitempty"`
	AsideBy       string   `json:"aside_by,omitempty"`
	AsideWhy      string   `json:"aside_why,omitempty"`

	Said AlarmSaid `json:"-"`
}

// AlarmRates are how often the box calls, of alarms that were announced.
type AlarmRates struct {
	LastTenMinutes int     `json:"last_10_min"`
	LastHour       int     `json:"last_hour"`
	LastDay        int     `json:"last_day"`
	PerHour        float64 `json:"per_hour"` // mean over what was observed of the last day
	Flood          bool    `json:"flood"`
	FloodPct       float64 `json:"flood_pct"`  // of the time observed
	ObservedH      float64 `json:"observed_h"` // of the last day
}

// ChannelView is one channel's reading. Value is in Unit, the unit of the trace column.
type ChannelView struct {
	Column  string   `json:"column"`
	Tag     string   `json:"tag"`
	Name    string   `json:"name"`
	Unit    string   `json:"unit"`
	Value   *float64 `json:"value"`
	Raw     *float64 `json:"raw"` // as the newest sample gave it, before any judgement; null: none
	Quality string   `json:"quality"`
	Cause   string   `json:"cause,omitempty"`
	Why     string   `json:"why,omitempty"`
	AgeS    float64  `json:"age_s"`

	Said ChannelSaid `json:"-"`
}

// Progress are the estimates behind the advice.
type Progress struct {
	VolumeL          float64   `json:"volume_l"`          // through the box in this run
	LineVolumeL      float64   `json:"line_volume_l"`     // what lead, header and laterals hold
	FilledPct        *float64  `json:"filled_pct"`        // of the line volume while filling
	FlowLpm          *float64  `json:"flow_lpm"`          // main flow, smoothed
	ExpectedLpm      *float64  `json:"expected_flow_lpm"` // what the zone takes at the measured pressure
	HeaderTargetKPa  float64   `json:"header_target_kpa"`
	HeaderLowKPa     float64   `json:"header_low_kpa"`
	HeaderHighKPa    float64   `json:"header_high_kpa"`
	InjectorDiffKPa  *float64  `json:"injector_diff_kpa"`
	InjectorStartKPa float64   `json:"injector_start_kpa"`
	FilterDiffKPa    *float64  `json:"filter_diff_kpa"`
	FieldRatioPct    *float64  `json:"field_ratio_pct"`
	BranchRatioPct   *float64  `json:"branch_ratio_pct"`
	BaselineUSCm     *float64  `json:"baseline_us_cm"`
	RiseUSCm         *float64  `json:"rise_us_cm"`
	ReturnBandUSCm   *float64  `json:"return_band_us_cm"` // EC within baseline ± this counts as clean
	InjectedMin      *float64  `json:"injected_min"`
	PlannedMin       *float64  `json:"planned_min"`
	StockL           Weighings `json:"stock_l"`
	CleanAtBox       bool      `json:"clean_at_box"`
	FlushNeededL     *float64  `json:"flush_needed_l"` // since clean at the box, margin included
	FlushPassedL     *float64  `json:"flush_passed_l"`
	MinutesLeft      *float64  `json:"minutes_left"`
	MinutesSpread    *float64  `json:"minutes_spread"` // ± of minutes_left in the flush, of meter and geometry
	TailMinutes      *float64  `json:"tail_minutes"`   // a thin rest in laminar tape ends can take this much longer
	FrontAtEndT      *float64  `json:"front_at_end_t"` // core seconds: the first fertilizer at the last emitter, foreseen
	CleanAtEndT      *float64  `json:"clean_at_end_t"` // and the clean water behind it, margin included
	MarginPct        float64   `json:"margin_pct"`
	LastEmitterPct   *float64  `json:"last_emitter_pct"` // of its share, delivered so far
	DeliveredPct     *float64  `json:"delivered_pct"`    // of all injected, delivered so far
	Rows             []RowView `json:"rows"`
	EndWitness       string    `json:"end_witness"`               // what the end probe says, in words
	VolumeWitness    string    `json:"volume_witness"`            // what the volume says, in words
	Dispute          string    `json:"witness_dispute,omitempty"` // how the two disagree, in words
	FreezeHours      *float64  `json:"freeze_hours"`
	Flowing          bool      `json:"flowing"`
	FlowRatioPct     *float64  `json:"flow_ratio_pct"` // measured against expected

	Said ProgressSaid `json:"-"`
}

// FreezeView is when the first body of water comes to 0 °C. With known, hours
// that are null mean: not within a day.
type FreezeView struct {
	Known        bool     `json:"known"`
	Hours        *float64 `json:"hours"`     // likely
	HoursLow     *float64 `json:"hours_low"` // cautious: alarms go by it
	Body         string   `json:"body"`      // water, filter-bowl, injector, backflow-device; empty: none within a day
	Ground       string   `json:"ground"`    // fitted, remembered, assumed, straight line
	TauH         *float64 `json:"tau_h"`     // of the air in the box toward the air outside
	TauLowH      *float64 `json:"tau_low_h"`
	TauHighH     *float64 `json:"tau_high_h"`
	OutsideC     *float64 `json:"outside_c"`
	ForecastLowC *float64 `json:"forecast_low_c"`
	Advice       string   `json:"advice"` // empty: nothing to do
	Why          string   `json:"why"`

	Said FreezeSaid `json:"-"`
}

func (f *FreezeView) put(v say.Voice) {
	reword(&f.Advice, v, f.Said.Advice)
	reword(&f.Why, v, f.Said.Why)
}

// RowView is one lateral for the picture: how far along it the clean water (and
// the fertilizer before it) has come, as fractions of its length.
type RowView struct {
	Row        int     `json:"row"`
	Fertilized float64 `json:"front"`
	Clean      float64 `json:"clean"`
}
