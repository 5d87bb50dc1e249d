//go:build kernel && linux

package kernel

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"syscall"
	"testing"
	"time"

	"boxd/config"
	"boxd/hw/kernel/wiring"
	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/simbox"
)

// plant is a simulated planting that fits the configuration. Its instruments
// have no errors: what is read back has only those of wires, kernel and drivers.
func plant(core engine.Config) *simbox.Plant {
	m := core.Zone
	spec := simbox.Spec{LineVolume: m.LineVolume(), Flow: m.ExpectedFlow, Inlet: m.Zone().Inlet, Water: m.Zone().Water, Quiet: true,
		Injector: simbox.Injector{Ratio: core.Injector.Ratio, Branch: m.ExpectedFlow(m.Zone().Inlet).Scale(0.6),
			StartsAt: core.Injector.StartsAt, Throttle: core.Injector.StartsAt * 1.1}}
	for _, e := range m.Emitters() {
		spec.Paths = append(spec.Paths, simbox.Path{Row: e.Lateral, Share: e.Share, Volume: e.Volume})
	}
	return simbox.New(spec, 1)
}

// person does at the plant what the advice asks for and says so on the page.
type person struct {
	play     *wiring.Play
	lines    *wiring.Lines
	did      uint64        // number of the advice that was last done, in this life of boxd
	injects  time.Duration // how long
	injected time.Time     // since when stock is drawn
	words    int
	seen     time.Time // when the advice that the button is to answer was seen
	pressed  string    // the deed that was confirmed by the button
}

// The button is pressed for the first deed of a run. It bounces, and a wire beside
// it disturbs it; boxd has 3 s for somebody to read the advice, 30 ms for a contact
// to rest, and 40 ms for the least press.
const (
	bounces   = 5 * time.Millisecond
	presses   = 200 * time.Millisecond
	readsFor  = 4 * time.Second
	sawButton = 10 * time.Second
)

// press presses the button at the box, and lets go.
func press(t *testing.T, l *wiring.Lines) {
	t.Helper()
	for _, x := range []struct {
		high bool
		held time.Duration
	}{{true, bounces}, {false, 100 * time.Millisecond}, // a disturbance
		{true, bounces}, {false, bounces}, {true, bounces}, {false, bounces}, {true, presses},
		{false, bounces}, {true, bounces}, {false, 0}} {
		if err := l.Set(wiring.Button, x.high); err != nil {
			t.Fatal(err)
		}
		time.Sleep(x.held)
	}
}

// act answers what the page shows, if it asks for something.
func (p *person) act(t *testing.T, v view) {
	t.Helper()
	a := v.Advice
	if a == nil || a.Deed == "" || a.Verifying {
		return
	}
	deed, ok := box.DeedByWord(a.Deed)
	if !ok {
		t.Fatalf("the advice asks for an unknown deed %q", a.Deed)
	}
	if deed == box.LoopOpened && time.Since(p.injected) < p.injects {
		return
	}
	if p.did != a.Number {
		p.did = a.Number
		p.play.Hand(func(s *simbox.Plant) { s.Do(deed) })
	}
	if deed == box.LoopThrottled && !v.Loop.Enough {
		return
	}
	if p.pressed == "" {
		if p.seen.IsZero() {
			p.seen = time.Now()
		}
		if time.Since(p.seen) > readsFor {
			p.pressed = a.Deed
			press(t, p.lines)
		}
		return
	}
	if p.pressed == a.Deed {
		if time.Since(p.seen) > readsFor+sawButton {
			t.Fatalf("the button was pressed in vain: %q", v.Cautions)
		}
		return
	}
	p.words++
	if taken, why := say(t, fmt.Sprintf("confirm:%d", a.Number), fmt.Sprintf("bench-%d", p.words)); !taken {
		t.Logf("%s was not taken: %s", a.Deed, why)
	}
}

func reached(v view, milestone string) bool {
	for _, m := range v.Milestones {
		if m.Name == milestone {
			return true
		}
	}
	return false
}

const (
	runLimit  = 20 * time.Minute // a run takes less than four
	injection = 40 * time.Second
	killAfter = 20 * time.Second // of injection
	savesOnce = 63 * time.Second // of boxd: the meters' totals have been saved
	awayFor   = 3 * time.Second
)

// A whole run on the real program, all of its instruments on the kernel's buses,
// the valves turned by a person who follows the page. In the middle of injection
// the program is killed and started again. What the archive has of the run is
// held against what the wiring did.
func TestWholeRun(t *testing.T) {
	f := wired(t)
	cfg := must[*config.Config](t)(config.Load(configFile))
	core := must[engine.Config](t)(cfg.Engine(""))
	play := wiring.NewPlay(f, plant(core))
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	failed := make(chan error, 1)
	go func() { failed <- play.Run(ctx) }()

	b := start(t)
	began := time.Now()
	inputs(t, f, "FLOW_MAIN", "FLOW_BRANCH", "FLOW_STOCK", wiring.Button)
	who := &person{play: play, lines: f.Lines, injects: injection}
	id, killed := "", time.Time{}
	fell := fall{before: given(f)}
	var counted []map[string]uint64 // by the meters, a second apart
	for limit := time.Now().Add(runLimit); ; time.Sleep(time.Second) {
		if time.Now().After(limit) {
			_ = b.end(t, syscall.SIGKILL)
			t.Fatalf("the run has not ended after %v:\n%s", runLimit, &b.out)
		}
		if counted = append(counted, given(f)); len(counted) > savedEvery {
			counted = counted[1:]
		}
		v, err := look(t.Context())
		if err != nil {
			_ = b.end(t, syscall.SIGKILL)
			t.Fatalf("%v\n%s", err, &b.out)
		}
		if id != "" && v.Run == "" {
			break
		}
		id = v.Run
		if who.injected.IsZero() && reached(v, "injection_started") {
			who.injected = time.Now()
		}
		if killed.IsZero() && !who.injected.IsZero() && time.Since(who.injected) > killAfter && time.Since(began) > savesOnce {
			_ = b.end(t, syscall.SIGKILL)
			killed = time.Now()
			fell.due, fell.killed, fell.kept = counted[0], given(f), keptTotals(t)
			time.Sleep(max(0, awayFor-time.Since(killed)))
			fell.started = given(f)
			b, who.did = start(t), 0
			fell.back = given(f)
			figure(t, "killed in %s; its page is back %.1f s later", v.Step, time.Since(killed).Seconds()-awayFor.Seconds())
			continue
		}
		who.act(t, v)
	}
	if err := b.end(t, syscall.SIGTERM); err != nil {
		t.Errorf("boxd ended with %v:\n%s", err, &b.out)
	}
	stop()
	if err := <-failed; err != nil {
		t.Fatal(err)
	}
	figure(t, "%s", processor(b.cmd))
	fell.check(t, given(f), keptTotals(t))
	a := export(t, id)
	if got := a.by(box.ByButton); !slices.Equal(got, []string{who.pressed}) {
		t.Errorf("the archive has of the button %q, not %q", got, who.pressed)
	}
	figure(t, "%s was confirmed by the %s, %d other deeds on the page", who.pressed, box.ByButton, len(a.by("bench")))
	compare(t, a, play.Past())
}

// savedEvery is how old the totals may be that the archive has, s: a minute, with a
// few seconds for a busy machine.
const savedEvery = 65

// fall is what the meters had given, by column, before the run, when the archive
// ought to have had it, when boxd was killed, when it was started again, and when its
// page was back; and what the archive had kept.
type fall struct{ before, due, killed, kept, started, back map[string]uint64 }

// check holds the archive's totals at the end against what the meters gave. Those of
// at most a minute before the kill are lost, those while boxd was away are nobody's,
// all others are there.
func (f fall) check(t *testing.T, given, kept map[string]uint64) {
	t.Helper()
	for column, end := range given {
		kill, due := f.killed[column]-f.before[column], f.due[column]-f.before[column]
		if f.kept[column] < due || f.kept[column] > kill {
			t.Errorf("%s: %d pulses kept of %d; %d had been given a minute before", column, f.kept[column], kill, due)
		}
		after := kept[column] - f.kept[column]
		if least, most := end-f.back[column], end-f.started[column]; kept[column] < f.kept[column] || after < least || after > most {
			t.Errorf("%s: the archive's total rose by %d pulses after the kill (%d to %d); the meter gave %d to %d", column, after, f.kept[column], kept[column], least, most)
		}
		figure(t, "%s: %d pulses given when killed, %d kept then, %d of %d at the end", column, kill, f.kept[column], kept[column], end-f.before[column])
	}
}

// allowance is how far a channel may be off, and for how long what it shows may
// be past: an instrument is read at its beat, and a value may have come with the
// end of a conversion.
type allowance struct {
	by   float64
	part bool // by is a part of the value
	past time.Duration
	few  float64 // the part of the samples that may be off further
}

// late is the part of a flow's samples that may be off: one is made of a period or
// two, and the field, whose edges share the machine's only processor with what
// reads them, gives some of them milliseconds late.
const late = 0.05

func allowances() map[box.Channel]allowance {
	quick, slow := 700*time.Millisecond, 2500*time.Millisecond
	return map[box.Channel]allowance{
		box.SupplyPressure:      {by: 1.8, past: quick}, // 0.3 % of 600 kPa
		box.FilterOutPressure:   {by: 1.8, past: quick},
		box.InjectorInPressure:  {by: 1.8, past: quick},
		box.InjectorOutPressure: {by: 1.8, past: quick},
		box.HeaderPressure:      {by: 0.48, past: quick}, // 0.3 % of 160 kPa
		box.MainFlow:            {by: 0.02, part: true, past: 3 * time.Second, few: late},
		box.InjectorFlow:        {by: 0.02, part: true, past: 3 * time.Second, few: late},
		box.StockDraw:           {by: 0.02, part: true, past: 3 * time.Second, few: late},
		box.BoxEC:               {by: 0.01, part: true, past: slow},
		box.EndEC:               {by: 0.01, part: true, past: slow},
		box.WaterTemp:           {by: 0.1, past: 5 * time.Second},
		box.BoxAirTemp:          {by: 0.1, past: 5 * time.Second},
	}
}

// compare holds each archived sample against the truth of its time, and the
// volumes by the flows against those of the plant over the same time.
func compare(t *testing.T, a archived, past []wiring.Moment) {
	t.Helper()
	if !a.Run.Ended || a.Run.Summary.Flush != "done" {
		t.Errorf("the archive has a run that ended %v, flush %q", a.Run.Ended, a.Run.Summary.Flush)
	}
	for _, e := range a.Events {
		if e.Kind == "alarm" {
			t.Errorf("alarm at %.1f s: %s %s: %s", e.T, e.ID, e.State, e.Text)
		}
	}
	h := history{past: past}
	for i, column := range a.Columns {
		c, ok := box.ChannelByColumn(column)
		if !ok {
			continue
		}
		if allow, ok := allowances()[c]; ok {
			h.channel(t, a, i, c, allow)
		}
	}
	for _, x := range []struct {
		c    box.Channel
		what string
	}{{box.MainFlow, "water"}, {box.InjectorFlow, "water through the injector"}, {box.StockDraw, "stock"}} {
		got, want := h.integral(a, x.c)
		off := 100 * (got/want - 1)
		figure(t, "%s %.4g L, truly %.4g L (%+.2f %%)", x.what, got, want, off)
		if !(math.Abs(off) <= 0.5) { // also where nothing was steady
			t.Errorf("%s is off by %.2f %%", x.what, off)
		}
	}
	figure(t, "%.0f s, %d rows; summary: %.2f L, unseen %.0f s", past[len(past)-1].At.Sub(past[0].At).Seconds(), len(a.Rows), a.Run.Summary.VolumeL, a.Run.Summary.UnseenS)
}

// history is the truth over time.
type history struct{ past []wiring.Moment }

// between is the least and the most that a channel's instrument felt.
func (h history) between(c box.Channel, from, to time.Time) (low, high float64, ok bool) {
	first, _ := slices.BinarySearchFunc(h.past, from, func(m wiring.Moment, t time.Time) int { return m.At.Compare(t) })
	for _, m := range h.past[first:] {
		if m.At.After(to) {
			break
		}
		v, _ := wiring.Feels(&m.Truth, c)
		if !ok {
			low, high, ok = v, v, true
		}
		low, high = min(low, v), max(high, v)
	}
	return low, high, ok
}

func (h history) channel(t *testing.T, a archived, column int, c box.Channel, allow allowance) {
	t.Helper()
	n, bad, worst, first := 0, 0, 0.0, ""
	for _, row := range a.Rows {
		v, ok := row[column].(float64)
		if !ok {
			continue
		}
		at := a.at(row)
		low, high, ok := h.between(c, at.Add(-allow.past), at.Add(200*time.Millisecond))
		if !ok {
			continue
		}
		n++
		off := max(0, low-v, v-high)
		limit := allow.by
		if allow.part {
			limit *= high
		}
		worst = max(worst, off)
		if off > limit {
			bad++
			first = cmp.Or(first, fmt.Sprintf("at %.1f s it is %.5g, truly %.5g to %.5g", row[0], v, low, high))
		}
	}
	if n < 100 || float64(bad) > allow.few*float64(n) {
		t.Errorf("%s: %d of %d samples are off; %s", c.Info().Column, bad, n, first)
	}
	figure(t, "%-18s %5d samples, %d beyond, the worst %.3g %s off", c.Info().Column, n, bad, worst, c.Info().Unit)
}

// at is the time of a row.
func (a archived) at(row []any) time.Time {
	s, _ := row[0].(float64)
	return a.Run.Start.Add(time.Duration(s * float64(time.Second)))
}

// Flows are held against the truth where they are steady and seen. When a meter
// stops, it can't be told at once: a flow falls with the time since the last
// pulse, which adds three pulses or so to each stop.
const (
	seenApart = time.Second
	steady    = 0.01 // of the flow
)

// integral is the volume by the archived samples of a flow, and the true one over
// the same spans.
func (h history) integral(a archived, c box.Channel) (got, want float64) {
	column := slices.Index(a.Columns, c.Info().Column)
	var last time.Time
	for _, row := range a.Rows {
		v, ok := row[column].(float64)
		if !ok {
			continue
		}
		at := a.at(row)
		apart := at.Sub(last)
		last = at
		low, high, ok := h.between(c, at.Add(-allowances()[c].past), at.Add(200*time.Millisecond))
		if ok && apart <= seenApart && low > 0 && high-low <= steady*high {
			got += v * apart.Minutes()
			want += (low + high) / 2 * apart.Minutes()
		}
	}
	return got, want
}
