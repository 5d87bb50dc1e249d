package web

import (
	"context"
	"fmt"
	"math"
	"sync"
	"sync/atomic"
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/say"
)

// fakeCore is a core of script: it shows the view it was last given and keeps
// what it was told.
type fakeCore struct {
	mu      sync.Mutex
	view    engine.View
	trace   []Point
	actions []box.Action
	subs    map[chan engine.View]bool
	answer  func(box.Action) Answer
	age     func() time.Duration
	ended   chan struct{} // one token for each unsubscription, when set
	hands   atomic.Int32  // who want each beat
}

func newFakeCore(v engine.View) *fakeCore {
	return &fakeCore{view: v, subs: map[chan engine.View]bool{}, age: func() time.Duration { return 0 },
		answer: func(box.Action) Answer { return Answer{Accepted: true} }}
}

func (f *fakeCore) View() engine.View {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.view
}

func (f *fakeCore) Age() time.Duration {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.age()
}

func (f *fakeCore) setAge(d time.Duration) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.age = func() time.Duration { return d }
}

func (f *fakeCore) Trace() []Point {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.trace
}

func (f *fakeCore) Submit(_ context.Context, a box.Action) Answer {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.actions = append(f.actions, a)
	return f.answer(a)
}

func (f *fakeCore) said() []box.Action {
	f.mu.Lock()
	defer f.mu.Unlock()
	return append([]box.Action(nil), f.actions...)
}

func (f *fakeCore) Subscribe() (<-chan engine.View, func()) {
	f.mu.Lock()
	defer f.mu.Unlock()
	ch := make(chan engine.View, 4)
	f.subs[ch] = true
	return ch, func() {
		f.mu.Lock()
		defer f.mu.Unlock()
		f.drop(ch)
		if f.ended != nil {
			f.ended <- struct{}{}
		}
	}
}

// Hasten counts those who want each beat.
func (f *fakeCore) Hasten() func() {
	f.hands.Add(1)
	return func() { f.hands.Add(-1) }
}

// drop ends a subscription; the caller has the lock.
func (f *fakeCore) drop(ch chan engine.View) {
	if f.subs[ch] {
		delete(f.subs, ch)
		close(ch)
	}
}

// publish changes the view and tells the watchers; one who is too slow is dropped.
func (f *fakeCore) publish(change func(*engine.View)) {
	f.mu.Lock()
	defer f.mu.Unlock()
	change(&f.view)
	f.view.Seq++
	f.view.T++
	f.trace = append(f.trace, PointOf(f.view))
	for ch := range f.subs {
		select {
		case ch <- f.view:
		default:
			f.drop(ch)
		}
	}
}

func num(v float64) *float64 { return &v }

func channels(good bool) []engine.ChannelView {
	values := map[box.Channel]float64{
		box.SupplyPressure: 310, box.FilterOutPressure: 303, box.InjectorInPressure: 298, box.InjectorOutPressure: 258,
		box.HeaderPressure: 68.95, box.MainFlow: 9.8, box.InjectorFlow: 5.1, box.StockDraw: 0.1,
		box.BoxEC: 1450, box.EndEC: 660, box.WaterTemp: 18.5, box.BoxAirTemp: 21,
	}
	var out []engine.ChannelView
	for c := box.UnknownChannel + 1; c < box.NumChannels; c++ {
		i := c.Info()
		cv := engine.ChannelView{Column: i.Column, Tag: i.Tag, Name: i.Name, Unit: i.Unit, Quality: "unknown"}
		if v, ok := values[c]; ok && good {
			cv.Value, cv.Quality = num(v), "good"
		}
		out = append(out, cv)
	}
	return out
}

// aDose is what a view or a kept run says of a dose.
func aDose() *engine.DoseView {
	d := &engine.DoseView{
		Verdict: "all agree", Nutrients: &engine.GramsView{N: 19.21, K2O: 65.03}, DuePct: num(106.7),
		Best:      engine.WeighingView{Known: true, StockL: num(1.45), ProductG: num(147.8), ProductStdG: num(2.66)},
		Delivered: engine.DeliveredView{Known: true, Pct: num(92.9), Nutrients: &engine.GramsView{N: 17.85, K2O: 60.4}, ProductG: num(137.3), ProductStdG: num(2.5)},
		StopNow:   &engine.StopView{Undelivered: num(7.1)},
	}
	d.Said.Text = say.T("The weighings agree within their uncertainty.")
	d.StopNow.Said.Text = say.T("Stop now and the last %d %% of rows %d to %d get %d %% less.", 12, 1, 6, 40)
	return d
}

// viewAt is a view as it would look in a step.
func viewAt(step string) engine.View {
	v := engine.View{
		Seq: 10, T: 1200, Box: "north-box", Zone: "east", Run: "run-0007", RunT: num(1200), Step: step, StepWhy: "the readings agree",
		Channels: channels(true),
		Progress: engine.Progress{
			VolumeL: 196, LineVolumeL: 33, FlowLpm: num(9.8), ExpectedLpm: num(9.9), HeaderTargetKPa: 68.95, HeaderLowKPa: 55,
			HeaderHighKPa: 83, InjectorDiffKPa: num(40), InjectorStartKPa: 34, FilterDiffKPa: num(7), Flowing: true, MarginPct: 12,
		},
		Advice: &engine.AdviceView{Number: 17, Deed: "injector_on", Text: "Open both valves at the injector.",
			Why: []string{"the lines are full", "backflow protection was tested in April"}, Button: "Both are open", Valve: "injector"},
	}
	if step == "flush" || step == "inject" {
		p := &v.Progress
		p.BaselineUSCm, p.RiseUSCm, p.ReturnBandUSCm = num(640), num(810), num(50)
		p.InjectedMin, p.PlannedMin = num(14), num(20)
		p.FieldRatioPct, p.BranchRatioPct = num(1.04), num(2)
		p.StockL = engine.Weighings{Drawn: num(1.4), ByEC: num(1.5)}
		v.Dose = aDose()
		p.LastEmitterPct, p.DeliveredPct, p.MinutesLeft = num(22), num(99.97), num(31)
		p.MinutesSpread, p.TailMinutes = num(0.4), num(5.2)
		p.FlushNeededL, p.FlushPassedL = num(64), num(21)
		for r := 1; r <= 6; r++ {
			p.Rows = append(p.Rows, engine.RowView{Row: r, Fertilized: 1 - 0.05*float64(r), Clean: max(0, 0.5-0.08*float64(r))})
		}
	}
	return v
}

// pastTrace is twenty minutes of plausible history up to second 1200.
func pastTrace() []Point {
	var out []Point
	for t := 0.0; t < 1200; t += 2 {
		rise := 810 / (1 + math.Exp(-(t-420)/12)) * (1 - 0.9/(1+math.Exp(-(t-1000)/20)))
		end := 810 / (1 + math.Exp(-(t-800)/40))
		out = append(out, Point{T: t, Header: num(68.9 + math.Sin(t/40)), InjIn: num(298 + 2*math.Sin(t/25)),
			InjOut: num(258 + math.Cos(t/31)), MainFlow: num(9.8 + 0.1*math.Sin(t/17)), BoxEC: num(640 + rise), EndEC: num(640 + end)})
	}
	return out
}

func standingAlarm() engine.AlarmView {
	return engine.AlarmView{ID: "supply-pressure-low", State: "unacknowledged", Priority: "critical",
		Text: "The supply is below line pressure.", Do: "Close the injector valves, then see to the supply.", SinceT: 1140}
}

type fakeArchive struct {
	rows []RunRow
	err  error
}

func (f fakeArchive) Runs(context.Context) ([]RunRow, error) { return f.rows, f.err }

func someRuns() []RunRow {
	start := time.Date(2026, 4, 3, 7, 5, 0, 0, time.UTC)
	var rows []RunRow
	for i, flush := range []string{"done", "incomplete", "unknown"} {
		rows = append(rows, RunRow{ID: fmt.Sprintf("run-%04d", 7-i), Zone: "east", Start: start.AddDate(0, 0, -i),
			End: start.AddDate(0, 0, -i).Add(52 * time.Minute), Flush: flush, VolumeL: num(410.5)})
	}
	rows[0].Dose = aDose()
	rows[2].End, rows[2].VolumeL = time.Time{}, nil
	return rows
}
