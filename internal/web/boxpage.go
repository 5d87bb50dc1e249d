package web

import (
	"crypto/rand"
	"net/http"
	"strconv"
	"strings"
	"time"

	"boxd/internal/engine"
	"boxd/internal/say"
)

// boxModel is the page of the box itself.
type boxModel struct {
	frame
	BoxNow
	ActID    string
	StaleSec float64
	Ruled    bool // the visitor may see which configuration rules
}

// BoxNow is what changes with each view. It is exported for embedding only.
type BoxNow struct {
	Stopped    bool
	StoppedWhy string
	Heard      string
	Channels   []channelLine
	Buses      []busLine
	Estimates  []estimateLine
	Papers     []fact
	Board      []fact
	Freeze     []fact
	FreezeSays []string
	Software   []fact
}

// channelLine is one channel: as it came from its source, and as judged.
type channelLine struct {
	readingLine
	Raw, Age, Source, Calibrated, Overdue string
	Measure                               bool // the visitor may calibrate it here
}

// busLine is how a bus keeps its beat.
type busLine struct{ Name, Readings, Missed, Faults, MeanLate, MostLate, MostLong string }

type estimateLine struct{ Name, Value, Spread, Age, Quality string }

func (s visit) boxPage(w http.ResponseWriter, _ *http.Request) {
	writePage(w, http.StatusOK, s.pages().boxPage, boxModel{
		frame: s.frame("box"), BoxNow: s.boxNow(s.core.View().In(s.show.voice)), ActID: rand.Text(), StaleSec: staleAfter.Seconds(),
		Ruled: s.opts.Ruling != nil && s.may().Administer,
	})
}

func (s visit) boxNow(v engine.View) BoxNow {
	l := s.live(v)
	return BoxNow{
		Stopped: l.Stopped, StoppedWhy: l.StoppedWhy, Heard: l.Heard, Channels: s.channelLines(v, l.Readings), Buses: s.busLines(), Estimates: s.estimateLines(v),
		Papers: s.papers(), Board: s.boardFacts(v), Freeze: s.freezeFacts(v), FreezeSays: freezeSays(v), Software: s.software(v),
	}
}

func (s visit) channelLines(v engine.View, readings []readingLine) []channelLine {
	lines := make([]channelLine, 0, len(readings))
	var calibrated map[string]Calibrated
	if s.opts.About.Calibrated != nil {
		calibrated = s.opts.About.Calibrated()
	}
	for i, r := range readings {
		c := v.Channels[i]
		line := channelLine{readingLine: r, Raw: s.show.unknown(), Age: s.show.seconds(c.AgeS), Source: s.opts.About.Sources[c.Column], Calibrated: s.show.voice.Say(calibrated[c.Column].Text),
			Measure: s.opts.Calibrate != nil && s.may().Administer && s.opts.About.Sources[c.Column] != ""}
		if due := calibrated[c.Column].Due; !due.IsZero() && time.Now().After(due) {
			line.Overdue = s.show.say("overdue since %s", due.Format(time.DateOnly))
		}
		if c.Raw != nil {
			line.Raw = digits(*c.Raw, 3) + "\u00a0" + c.Unit
		}
		lines = append(lines, line)
	}
	return lines
}

func (s visit) busLines() []busLine {
	if s.opts.About.Buses == nil {
		return nil
	}
	var lines []busLine
	count := func(n uint64) string { return strconv.FormatUint(n, 10) }
	ms := func(d time.Duration) string { return digits(float64(d)/float64(time.Millisecond), 1) + "\u00a0ms" }
	for _, b := range s.opts.About.Buses() {
		lines = append(lines, busLine{b.Name, count(b.Readings), count(b.Missed), count(b.Faults), ms(b.MeanLate), ms(b.MostLate), ms(b.MostLong)})
	}
	return lines
}

func (s visit) estimateLines(v engine.View) []estimateLine {
	lines := make([]estimateLine, 0, len(v.Estimates))
	for _, e := range v.Estimates {
		line := estimateLine{Name: s.show.word(estimateName(e)), Value: s.estimate(e), Age: s.show.seconds(e.AgeS), Quality: e.Quality}
		if e.Value != nil && e.Sigma != nil {
			line.Spread = "±" + s.show.in(e.Sigma, e.Unit)
		}
		lines = append(lines, line)
	}
	return lines
}

// estimateName is the name without the unit, which stands with the value.
func estimateName(e engine.EstimateView) string {
	name := e.Name
	for _, unit := range []string{"_kpa", "_lpm", "_us_cm", "_pct", "_l", "_c"} {
		name = strings.TrimSuffix(name, unit)
	}
	return strings.ReplaceAll(name, "_", " ")
}

func (s visit) estimate(e engine.EstimateView) string {
	if e.Word != "" {
		return s.show.say(e.Word)
	}
	return s.show.in(e.Value, e.Unit)
}

func (s visit) papers() []fact {
	a, d := s.opts.About, s.show
	if a.Device == "" {
		return []fact{{d.say("device"), d.say("none declared"), d.say("local codes and a licensed tester decide what is needed")}}
	}
	return []fact{
		{d.say("device"), a.Device, d.say("as its owner declared; no sensor proves that it works")},
		{d.say("place"), d.word(a.Place), ""},
		{d.say("last test"), d.word(a.LastTest), ""},
		{d.say("next due"), d.word(a.NextDue), ""},
		{d.say("tester"), d.word(a.Tester), ""},
	}
}

// boardFacts are the board's own readings and what its meters have counted.
func (s visit) boardFacts(v engine.View) []fact {
	d := s.show
	var facts []fact
	for _, b := range v.Board {
		f := fact{d.vital(b.Name), d.in(b.Value, b.Unit), b.Why}
		switch {
		case b.Unit == "L":
			f.Value = d.volume(b.Value)
		case b.Unit == "" && b.Value != nil: // a count
			f.Value = digits(*b.Value, 0)
		}
		facts = append(facts, f)
	}
	return facts
}

// vital is what a reading of the board is called.
func (d display) vital(name string) string {
	switch name {
	case "board_c":
		return d.say("temperature of the board")
	case "board_supply_v":
		return d.say("supply of the board")
	case "button":
		return d.say("button at the box")
	case "main_flow_total_l":
		return d.say("counted by the main flow meter")
	case "injector_flow_total_l":
		return d.say("counted by the injector's flow meter")
	case "given_up_total":
		return d.say("messages that receivers lost")
	case "stock_draw_total_l":
		return d.say("counted by the stock meter")
	}
	return name
}

func (s visit) freezeFacts(v engine.View) []fact {
	f, d := v.Freeze, s.show
	if !f.Known {
		return []fact{{d.say("to freezing"), d.unknown(), ""}}
	}
	return []fact{
		{d.say("to freezing, at the soonest"), d.written(f.HoursLow, 1, 1, "h"), d.word(f.Body)},
		{d.say("air outside"), d.temperature(f.OutsideC), ""},
		{d.say("lowest forecast"), d.temperature(f.ForecastLowC), ""},
		{d.say("cooling time constant"), d.written(f.TauH, 1, 1, "h"), ""},
	}
}

func freezeSays(v engine.View) []string {
	var out []string
	for _, t := range []string{v.Freeze.Advice, v.Freeze.Why} {
		if t != "" {
			out = append(out, t)
		}
	}
	return out
}

func (s visit) software(v engine.View) []fact {
	d := s.show
	clock := d.unknown()
	if !v.Wall.IsZero() {
		clock = s.local(v.Wall).Format("2006-01-02 15:04 MST")
	}
	facts := []fact{
		{d.say("boxd"), s.opts.Version, ""},
		{d.say("the box's clock"), clock, s.clockAside(clockWent(s.opts.About.Started, time.Now()))},
		{d.say("core's turns"), digits(float64(v.Seq), 0), ""},
		{d.say("last heard"), d.seconds(s.age(v).Seconds()), ""},
	}
	if !s.opts.About.Started.IsZero() {
		ran := time.Since(s.opts.About.Started)
		facts = append(facts, fact{d.say("running since"), s.local(time.Now().Add(-ran)).Format("2006-01-02 15:04"), d.seconds(ran.Seconds())})
	}
	return facts
}

// clockSet is how far a clock goes by itself, as the core's alarm has it.
const clockSet = 2 * time.Minute

// clockWent is by how much the clock was set from then to now, both of which carry
// Go's monotonic time; 0 where then is not known.
func clockWent(then, now time.Time) time.Duration {
	if then.IsZero() {
		return 0
	}
	return now.Round(0).Sub(then.Round(0)) - now.Sub(then)
}

func (s visit) clockAside(by time.Duration) string {
	switch {
	case by > clockSet:
		return s.show.voice.Say(say.T("set ahead by %v since boxd started; a label: nothing is timed by it", by))
	case by < -clockSet:
		return s.show.voice.Say(say.T("set back by %v since boxd started; a label: nothing is timed by it", -by))
	}
	return s.show.say("a label: nothing is timed by it")
}
