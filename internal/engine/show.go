package engine

import (
	"time"

	"boxd/internal/box"
	"boxd/internal/estimate"
	"boxd/internal/say"
	"boxd/internal/sequencer"
	"boxd/internal/units"
)

// viewCache keeps the view's costly parts, worked anew once a second.
type viewCache struct {
	rows   []RowView
	whole  *float64
	stock  Weighings
	dose   *DoseView
	at     time.Duration
	filled bool
}

// View is the present state to show. It is a fresh copy: the caller may keep it.
func (g *Engine) View() View {
	v := View{
		Seq: g.turns, T: seconds(g.now), Wall: g.wall, Box: g.cfg.Box, Zone: g.cfg.Zone.Zone().Name, Run: g.run,
		Step: g.seq.Step().String(), StepWhy: g.voice.Say(g.stepAt), Observe: g.seq.Observing(),
		Estimates: []EstimateView{}, Holds: []HoldView{}, Overrides: append([]OverrideRecord{}, g.overrides()...), Alarms: []AlarmView{}, Aside: []AlarmView{}, Past: append([]MilestoneRecord{}, g.marks...),
	}
	v.Said.StepWhy, v.Said.Cautions = g.stepAt, cautionsAt(g.here(), g.cfg.Stock)
	v.Cautions = g.voice.Each(v.Said.Cautions)
	v.Learned = []LearnedView{}
	if g.e == nil {
		return v
	}
	if g.seq.Running() {
		v.RunT = ptr(seconds(g.now - g.runAt))
	}
	g.viewAdvice(&v)
	for _, h := range g.a.Holds {
		hv := HoldView{On: h.On, ID: h.ID, Overridable: h.Overridable}
		hv.Said.Reason, hv.Said.WayOut = h.Reason, h.WayOut
		hv.put(g.voice)
		v.Holds = append(v.Holds, hv)
	}
	g.viewAlarms(&v)
	v.Channels = g.channels()
	v.Progress = g.progress()
	v.Loop = g.loop()
	v.Freeze = g.freeze()
	v.Dose = g.view.dose
	v.Estimates = g.estimates()
	v.Contents, v.Learned = g.contentsNow(), g.learned()
	return v
}

func (g *Engine) viewAdvice(v *View) {
	a := g.seq.Advice()
	if a.Text.Empty() {
		return
	}
	v.Advice = &AdviceView{Number: a.Number, Verifying: g.seq.Verifying(), Valve: a.Valve}
	v.Advice.Said.Text, v.Advice.Said.Button, v.Advice.Said.Why = a.Text, a.Button, append([]say.Text{}, a.Why...)
	v.Advice.put(g.voice)
	if a.Deed != box.UnknownDeed {
		v.Advice.Deed = a.Deed.String()
	}
	v.Advice.Minutes = g.minutesLeft()
}

// minutesLeft is how long the present wait will take, where that can be told.
func (g *Engine) minutesLeft() *float64 {
	e := g.e
	switch g.seq.Step() {
	case sequencer.Pressurise:
		if e.FilledPct.Known && e.Flowing == estimate.Yes && e.Main.Known && e.Filled != estimate.Yes {
			if d, ok := (g.cfg.Zone.LineVolume() - e.Volume).At(e.Main.V); ok {
				return ptr(round(d.Minutes(), 1))
			}
		}
	case sequencer.Inject:
		if _, d, ok := g.est.Left(); ok && !e.EverDrawn && e.Carried.Pending() {
			return ptr(round(d.Minutes(), 1))
		}
		if g.cfg.Plan.Injection > 0 && e.Drawing == estimate.Yes {
			return ptr(round(max(g.cfg.Plan.Injection-e.InjectedFor, 0).Minutes(), 1))
		}
	case sequencer.Flush:
		if _, d, ok := g.est.Left(); ok && !e.Flush.Done {
			return ptr(round(d.Minutes(), 1))
		}
	case sequencer.Ready, sequencer.Secure, sequencer.Unknown:
	}
	return nil
}

func minutesOf(v units.Litre, q units.LPerH) *float64 {
	d, ok := v.At(q)
	if !ok {
		return nil
	}
	return ptr(round(d.Minutes(), 1))
}

func (g *Engine) channels() []ChannelView {
	r := g.r
	out := make([]ChannelView, 0, int(box.NumChannels)-1)
	out = appendChannel(out, box.SupplyPressure, r.Supply, 1, 1)
	out = appendChannel(out, box.FilterOutPressure, r.FilterOut, 1, 1)
	out = appendChannel(out, box.InjectorInPressure, r.InjectorIn, 1, 1)
	out = appendChannel(out, box.InjectorOutPressure, r.InjectorOut, 1, 1)
	out = appendChannel(out, box.HeaderPressure, r.Header, 1, 1)
	out = appendChannel(out, box.MainFlow, r.Main, 60, 3)
	out = appendChannel(out, box.InjectorFlow, r.Branch, 60, 3)
	out = appendChannel(out, box.StockDraw, r.Stock, 60, 4)
	out = appendChannel(out, box.BoxEC, r.BoxEC, 1, 0)
	out = appendChannel(out, box.EndEC, r.EndEC, 1, 0)
	out = appendChannel(out, box.WaterTemp, r.Water, 1, 2)
	out = appendChannel(out, box.BoxAirTemp, r.BoxAir, 1, 1)
	out = appendChannel(out, box.OutsideAirTemp, r.OutsideAir, 1, 1)
	for i := range out {
		if raw, ok := g.cond.Raw(box.SupplyPressure + box.Channel(i)); ok {
			out[i].Raw = ptr(round(raw, 4))
		}
		out[i].put(g.voice)
	}
	return out
}

// appendChannel shows a reading in its trace column's unit: per is how many of
// the inner unit make one of it.
func appendChannel[T ~float64](out []ChannelView, c box.Channel, r box.Reading[T], per float64, digits int) []ChannelView {
	i := c.Info()
	v := ChannelView{Column: i.Column, Tag: i.Tag, Name: i.Name, Unit: i.Unit, Quality: r.Quality.String(), Cause: r.Cause.String(), AgeS: seconds(r.Age)}
	v.Said.Why = r.Why
	if r.Usable() {
		v.Value = ptr(round(float64(r.Value)/per, digits))
	}
	return append(out, v)
}

func (g *Engine) progress() Progress {
	e, l := g.e, g.cfg.Limits
	p := Progress{
		VolumeL: round(float64(e.Volume), 2), LineVolumeL: round(float64(g.cfg.Zone.LineVolume()), 2), FilledPct: optPct(e.FilledPct),
		FlowLpm: optLpm(e.Main), ExpectedLpm: optLpm(e.Expected), FlowRatioPct: optPct(e.FlowRatio),
		HeaderTargetKPa: float64(l.HeaderTarget), HeaderLowKPa: float64(l.HeaderLow), HeaderHighKPa: float64(l.HeaderHigh),
		InjectorDiffKPa: opt(e.InjectorDiff, 1), InjectorStartKPa: float64(g.cfg.Injector.StartsAt), FilterDiffKPa: opt(e.FilterDiff, 1),
		FieldRatioPct: optPct(e.FieldRatio), BranchRatioPct: optPct(e.BranchRatio),
		BaselineUSCm: opt(e.Baseline, 0), RiseUSCm: opt(e.Rise, 0), ReturnBandUSCm: opt(e.Band, 0),
		CleanAtBox: e.CleanAtBox, MarginPct: round(e.Flush.Margin.Percent(), 2),
		Flowing: e.Flowing == estimate.Yes,
	}
	p.Said.EndWitness, p.Said.VolumeWitness, p.Said.Dispute = e.Flush.Probe.Say(), g.est.VolumeWords(), e.Flush.Dispute
	p.put(g.voice)
	if e.Flowing != estimate.Yes {
		p.FilterDiffKPa = nil // with the shutoff valve closed it is the valve's, not the filter's
	}
	if e.EverDrawn {
		p.InjectedMin = ptr(round(e.InjectedFor.Minutes(), 2))
	}
	if g.cfg.Plan.Injection > 0 {
		p.PlannedMin = ptr(g.cfg.Plan.Injection.Minutes())
	}
	if e.CleanAtBox {
		p.FlushNeededL, p.FlushPassedL = ptr(round(float64(e.Flush.Needed), 2)), ptr(round(float64(e.Flush.Passed), 2))
	}
	p.MinutesLeft = g.minutesLeft()
	if p.MinutesLeft != nil && g.seq.Step() == sequencer.Flush {
		p.MinutesSpread, p.TailMinutes = minutesOf(e.Flush.Spread, e.Flush.Rate), minutesOf(e.Flush.Tail, e.Flush.Rate)
	}
	p.FrontAtEndT, p.CleanAtEndT = g.arrivals()
	if g.lost().Empty() {
		p.LastEmitterPct = ptr(round(e.Delivery.LastEmitter.Percent(), 2))
	}
	if f := &e.Freeze; f.Known && f.Early < estimate.FreezeHorizon {
		p.FreezeHours = ptr(round(f.Early.Hours(), 1))
	}
	g.costly(&p)
	return p
}

// freeze is what is known of freezing and what to do about it.
func (g *Engine) freeze() FreezeView {
	f := &g.e.Freeze
	v := FreezeView{Known: f.Known, OutsideC: opt(f.Outside, 1), ForecastLowC: opt(f.Forecast, 1)}
	if f.Known {
		v.Hours, v.HoursLow, v.Body, v.Ground = within(f.Left), within(f.Early), f.Body.String(), f.Ground.String()
		if f.Ground != estimate.StraightLine {
			v.TauH, v.TauLowH, v.TauHighH = ptr(round(f.Air.V.Hours(), 2)), ptr(round(f.Air.Low.Hours(), 2)), ptr(round(f.Air.High.Hours(), 2))
		}
	}
	v.Said.Advice, v.Said.Why = g.guard.Frost()
	v.put(g.voice)
	return v
}

// overrides are the holds lifted in this run.
func (g *Engine) overrides() (out []OverrideRecord) {
	for _, o := range g.guard.Overrides() {
		out = append(out, OverrideRecord{o.Hold.ID, o.Hold.On, o.By, o.Why, seconds(o.At)})
	}
	return out
}

// within is a time in hours, null where it isn't reached within the horizon.
func within(d time.Duration) *float64 {
	if d >= estimate.FreezeHorizon {
		return nil
	}
	return ptr(round(d.Hours(), 2))
}

// costly fills what walks every emitter or searches; once a second is often
// enough.
func (g *Engine) costly(p *Progress) {
	c := &g.view
	if !c.filled || g.now-c.at >= time.Second || g.now < c.at {
		*c = viewCache{filled: true, at: g.now}
		if g.run != "" {
			g.est.Front(func(row int, front, clean float64) {
				c.rows = append(c.rows, RowView{row + 1, round(front, 3), round(clean, 3)})
			})
			g.refreshDose(c)
		}
	}
	p.Rows, p.DeliveredPct, p.StockL = c.rows, c.whole, c.stock
	if p.Rows == nil {
		p.Rows = []RowView{}
	}
}

func (g *Engine) refreshDose(c *viewCache) {
	if !g.e.EverDrawn {
		return
	}
	w, out := g.weigh(), g.est.Whole()
	c.stock, c.dose = stockLitres(&w), g.dose(&w, out, false)
	if c.dose.Delivered.Known {
		c.whole = optPct(out)
	}
}
