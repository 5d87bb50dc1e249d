package engine

import (
	"boxd/internal/estimate"
	"boxd/internal/say"
	"boxd/internal/sequencer"
)

// LoopView is the valve work at a glance. Direction, how far, enough and cannot
// are said in the inject step alone, while the loop valve is to be throttled.
type LoopView struct {
	Known bool `json:"known"` // the difference can be read and water runs

	DiffKPa     *float64 `json:"diff_kpa"` // across the injector: 0.4 s behind at ten samples a second
	DiffLowKPa  *float64 `json:"diff_low_kpa"`
	DiffHighKPa *float64 `json:"diff_high_kpa"`
	DiffAimKPa  *float64 `json:"diff_aim_kpa"`

	BranchLpm       *float64 `json:"branch_lpm"`
	BranchMaxLpm    *float64 `json:"branch_max_lpm"`    // rated; null: not said
	BranchNeededLpm *float64 `json:"branch_needed_lpm"` // as planned; null: not said
	FieldLpm        *float64 `json:"field_lpm"`         // all water to the field
	ExpectedLpm     *float64 `json:"expected_lpm"`      // what the zone takes at the header's pressure
	FieldRatioPct   *float64 `json:"field_ratio_pct"`

	HeaderKPa     *float64 `json:"header_kpa"`
	HeaderLowKPa  float64  `json:"header_low_kpa"`
	HeaderHighKPa float64  `json:"header_high_kpa"`

	Direction string  `json:"direction"` // "shut more", "open a little", "leave"; empty: nothing to say
	Part      float64 `json:"part"`      // of the last movement; 0: can't be told
	HowFar    string  `json:"how_far"`   // direction and part in words
	Enough    bool    `json:"enough"`    // said after three seconds inside, until outside
	Moving    bool    `json:"moving"`    // the valve is being turned, or what it did can't be told yet
	Moves     int     `json:"moves"`     // movements seen in this run
	Cannot    string  `json:"cannot"`    // why the window can't be reached; empty: nothing seen against it
	WayOut    string  `json:"way_out"`
	Binding   string  `json:"binding"` // what sets the window, in words; empty: the injector's start
	Basis     string  `json:"basis"`   // what is missing for a full judgement; empty: nothing
	Open      string  `json:"open"`    // as open as before it was throttled: yes, no, unknown

	Last *LoopMove `json:"last"` // the newest movement; null: none seen

	Said LoopSaid `json:"-"`
}

// LoopMove is what the newest movement of the valve did.
type LoopMove struct {
	DiffKPa   float64  `json:"diff_kpa"`
	HeaderKPa float64  `json:"header_kpa"`
	BranchLpm *float64 `json:"branch_lpm"`
	FieldLpm  *float64 `json:"field_lpm"`
	EndT      float64  `json:"end_t"` // core seconds
}

// LoopSaid are its sentences.
type LoopSaid struct{ HowFar, Cannot, WayOut, Binding, Basis say.Text }

// In is the valve work as it is said to a reader.
func (l LoopView) In(v say.Voice) LoopView {
	l.put(v)
	return l
}

func (l *LoopView) put(v say.Voice) {
	reword(&l.HowFar, v, l.Said.HowFar)
	reword(&l.Cannot, v, l.Said.Cannot)
	reword(&l.WayOut, v, l.Said.WayOut)
	reword(&l.Binding, v, l.Said.Binding)
	reword(&l.Basis, v, l.Said.Basis)
}

func (g *Engine) loop() LoopView {
	e := g.e
	l := &e.Loop
	v := LoopView{Known: l.Known, HeaderKPa: opt(e.Header, 1), HeaderLowKPa: float64(g.cfg.Limits.HeaderLow), HeaderHighKPa: float64(g.cfg.Limits.HeaderHigh),
		FieldLpm: optLpm(e.Main), ExpectedLpm: optLpm(e.Expected), FieldRatioPct: optPct(e.FieldRatio), Open: l.Open.String(), Moves: l.Moves}
	if q := g.cfg.Injector.RatedFlow; q > 0 {
		v.BranchMaxLpm = ptr(round(q.LPerMin(), 3))
	}
	if q := g.cfg.Plan.Branch; q > 0 {
		v.BranchNeededLpm = ptr(round(q.LPerMin(), 3))
	}
	if l.Moves > 0 {
		v.Last = loopMove(&l.Last)
	}
	if !l.Known {
		return v
	}
	v.DiffKPa, v.BranchLpm, v.Moving = opt(l.Diff, 1), optLpm(l.Branch), l.Moving
	v.DiffLowKPa, v.DiffHighKPa, v.DiffAimKPa = ptr(round(float64(l.Low), 1)), ptr(round(float64(l.High), 1)), ptr(round(float64(l.Aim), 1))
	if g.seq.Throttling() {
		g.loopAdvice(&v)
	}
	v.put(g.voice)
	return v
}

func (g *Engine) loopAdvice(v *LoopView) {
	l := &g.e.Loop
	if l.Way != estimate.WayUnknown {
		v.Direction = l.Way.String()
	}
	v.Part, v.Enough = round(float64(l.Far().Part()), 2), l.Enough
	s := &v.Said
	s.HowFar, s.Binding, s.Basis = sequencer.LoopTurn(l), sequencer.LoopBinding(l), sequencer.LoopBasis(l)
	s.Cannot, s.WayOut = sequencer.LoopCannot(l)
}

func loopMove(m *estimate.Movement) *LoopMove {
	out := &LoopMove{DiffKPa: round(float64(m.Diff), 1), HeaderKPa: round(float64(m.Header), 1), EndT: seconds(m.Ended)}
	if m.BranchSeen {
		out.BranchLpm = ptr(round(m.Branch.LPerMin(), 3))
	}
	if m.MainSeen {
		out.FieldLpm = ptr(round(m.Main.LPerMin(), 3))
	}
	return out
}
