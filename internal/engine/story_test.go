package engine_test

// Story files: a person, a box and its planting, told in commands; the core's
// answers stand under each. The hand (do) and the word (say, confirm) are apart.
// go test ./internal/engine -run Stories -rewrite writes the answers anew: read
// the difference before it is kept.

import (
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/engine/enginetest"
	"boxd/internal/hydraulics"
	"boxd/internal/safety"
	"boxd/internal/sensors"
	"boxd/internal/simbox"
	"boxd/internal/units"
)

var rewrite = flag.Bool("rewrite", false, "write the stories' answers anew")

func TestStories(t *testing.T) {
	files, err := filepath.Glob("testdata/story/*.txt")
	check(t, err)
	var all told
	played := 0
	for _, f := range files {
		t.Run(strings.TrimSuffix(filepath.Base(f), ".txt"), func(t *testing.T) {
			want, err := os.ReadFile(f)
			check(t, err)
			all.next()
			got := tell(t, string(want), &all)
			played++
			if *rewrite {
				check(t, os.WriteFile(f, []byte(got), 0o644))
				return
			}
			if got != string(want) {
				t.Errorf("the story goes otherwise:\n%s", difference(string(want), got))
			}
		})
	}
	if played == len(files) { // not where one story is asked for
		all.complete(t)
	}
}

// TestAlarmsInTheirSteps: in all stories no alarm comes in a step that its
// definition, and so the manual, doesn't name.
func TestAlarmsInTheirSteps(t *testing.T) {
	files, err := filepath.Glob("testdata/story/*.txt")
	check(t, err)
	steps := map[string][]string{}
	for _, d := range safety.Definitions() {
		steps[d.ID] = d.Steps
	}
	came := map[string]bool{}
	for _, f := range files {
		text, err := os.ReadFile(f)
		check(t, err)
		step := "ready"
		for _, line := range strings.Split(string(text), "\n") {
			w := strings.Fields(line)
			if len(w) < 4 || w[0] == ">" {
				continue
			}
			switch {
			case w[1] == "step:":
				step = w[2]
			case w[1] == "alarm:" && w[3] == "raised":
				came[w[2]] = true
				if !slices.Contains(steps[w[2]], step) {
					t.Errorf("%s: %s came in %s", f, w[2], step)
				}
			}
		}
	}
	for id := range steps {
		if !came[id] {
			t.Errorf("no story raises %s", id)
		}
	}
}

// difference is the first lines that differ.
func difference(want, got string) string {
	w, g := strings.Split(want, "\n"), strings.Split(got, "\n")
	for i := range min(len(w), len(g)) {
		if w[i] != g[i] {
			return fmt.Sprintf("line %d\n- %s\n+ %s", i+1, w[i], g[i])
		}
	}
	return fmt.Sprintf("%d lines, want %d", len(g), len(w))
}

// tell plays a story and returns it with the core's answers.
func tell(t *testing.T, text string, seen *told) string {
	t.Helper()
	s := storyteller{zone: enginetest.Zone(), seen: seen}
	var out strings.Builder
	for n, line := range strings.Split(strings.TrimRight(text, "\n"), "\n") {
		switch {
		case strings.HasPrefix(line, "> "):
			answer, err := s.do(strings.Fields(line[2:]))
			if err != nil {
				t.Fatalf("line %d: %v", n+1, err)
			}
			s.since += answer
			fmt.Fprintf(&out, "%s\n%s", line, answer)
		case line == "" || line[0] == '#':
			fmt.Fprintln(&out, line)
		}
	}
	if s.rig != nil {
		seen.listen(s.rig)
	}
	return out.String()
}

type storyteller struct {
	zone  *hydraulics.Model
	rig   *enginetest.Rig
	since string // what was said since the last expect
	seen  *told
}

// do is one command. Words after by and note belong to them.
func (s *storyteller) do(words []string) (string, error) {
	name, args := words[0], words[1:]
	if name == "box" {
		return "", s.box(args)
	}
	if s.rig == nil {
		return "", fmt.Errorf("a story starts with: box")
	}
	s.seen.happens(s.rig, name, args)
	if name == "expect" || name == "expect-not" {
		return "", s.expect(strings.Join(args, " "), name == "expect")
	}
	if act, ok := s.word(name, args); ok {
		return write(s.rig.Turn(act...)), nil
	}
	if s.surroundings(name, args) {
		return "", nil
	}
	if ok, err := s.plant(name, args); ok || err != nil {
		return "", err
	}
	switch name {
	case "beat":
		d, err := time.ParseDuration(args[0])
		s.rig.Beat = d
		return "", err
	case "frost":
		return s.frost(), nil
	case "advance":
		d, err := time.ParseDuration(args[0])
		return write(s.rig.Advance(d)), err
	case "until", "obey-until":
		return s.until(args[0], args[1], name == "obey-until")
	case "show":
		return s.show(), nil
	case "valve":
		return s.valve(), nil
	case "rate":
		return "", s.rate(args[0])
	case "away":
		return "", s.away(args)
	}
	return "", fmt.Errorf("unknown command %q", name)
}

// expect looks for words in what was said since the last expect, and in what the
// screen shows now; expect-not wants them absent.
func (s *storyteller) expect(words string, there bool) error {
	text := s.since + s.show()
	s.since = ""
	if strings.Contains(text, words) != there {
		return fmt.Errorf("expected %q to be there: %v; there is\n%s", words, there, text)
	}
	return nil
}

// rate sets how often samples come, in Hz. Slower than the beat of the core,
// turns go by without any.
func (s *storyteller) rate(hertz string) error {
	f, err := strconv.ParseFloat(hertz, 64)
	if err != nil || f <= 0 {
		return fmt.Errorf("no rate: %q", hertz)
	}
	if f < 1 {
		s.rig.Every = int(1/f + 0.5)
		return nil
	}
	s.rig.Beat = time.Duration(float64(time.Second) / f)
	return nil
}

// away stops the core for a time, in which hands may do things.
func (s *storyteller) away(args []string) error {
	d, err := time.ParseDuration(args[0])
	if err != nil {
		return err
	}
	var hand []box.Deed
	for _, w := range args[1:] {
		deed, ok := box.DeedByWord(w)
		if !ok {
			return fmt.Errorf("unknown deed %q", w)
		}
		hand = append(hand, deed)
	}
	s.rig.Away(d, hand...)
	return nil
}

func (s *storyteller) box(args []string) error {
	cfg := enginetest.Config(s.zone)
	for _, a := range args {
		switch a {
		case "observe":
			cfg.Observe = true
		case "papers=none":
			cfg.Backflow = safety.Backflow{}
		case "papers=overdue":
			cfg.Backflow.NextDue = enginetest.Monday().AddDate(0, 0, -2)
		case "no-end-probe":
			cfg.Probe.Present = false
		case "outside-probe":
			cfg.Box = enginetest.OutsideProbe
		case "overridable":
			cfg.Limits.Overridable = []string{"header-pressure-low"}
		case "ec-limit":
			cfg.Limits.ECLimit = 2500
		case "us":
			cfg.Units = units.US
		case "no-clock":
		case "small-injector": // it bears less than its branch carries where it starts
			cfg.Injector.RatedFlow = 40
		case "full-size":
			cfg.Zone = fullSize()
		default:
			return fmt.Errorf("unknown kind of box %q", a)
		}
	}
	s.rig = enginetest.New(cfg, 1, true)
	s.rig.Dark = slices.Contains(args, "no-clock")
	if !cfg.Probe.Present {
		s.rig.Plant.Drop(box.EndEC)
	}
	return nil
}

// word makes what a person says.
func (s *storyteller) word(name string, args []string) ([]box.Action, bool) {
	var a box.Action
	if i := slices.Index(args, "note"); i >= 0 {
		a.Note, args = strings.Join(args[i+1:], " "), args[:i]
	}
	if i := slices.Index(args, "for"); i >= 0 {
		a.For, _ = time.ParseDuration(args[i+1])
		args = slices.Delete(args, i, i+2)
	}
	if i := slices.Index(args, "by"); i >= 0 {
		a.By, args = strings.Join(args[i+1:], " "), args[:i]
	}
	switch name {
	case "say":
		a.Kind = box.Report
		a.Deed, _ = box.DeedByWord(args[0])
	case "confirm":
		a = s.rig.Confirm(a.By)
		if len(args) > 0 {
			a.Advice, _ = strconv.ParseUint(strings.TrimPrefix(args[0], "#"), 10, 64)
		}
	case "obey":
		return s.rig.Obey(a.By), true
	case "forecast": // a low, °C, in so many hours
		a.Kind = box.Post
		low, _ := strconv.ParseFloat(args[0], 64)
		in, _ := time.ParseDuration(args[1])
		a.Forecast = box.Forecast{Low: units.Celsius(low), At: s.rig.Wall.Add(in)}
	case "mumble":
	case "ack", "reset", "override", "shelve", "unshelve", "take-out", "put-back":
		a.Alarm = args[0]
		a.Kind = map[string]box.ActionKind{"ack": box.Acknowledge, "reset": box.Reset, "override": box.Override, "shelve": box.Shelve,
			"unshelve": box.Unshelve, "take-out": box.TakeOut, "put-back": box.PutBack}[name]
		if len(args) > 1 {
			a.For, _ = time.ParseDuration(args[1])
		}
	default:
		return nil, false
	}
	return []box.Action{a}, true
}

// surroundings is what befalls archive, link and clock.
func (s *storyteller) surroundings(name string, args []string) bool {
	fare := box.Surrounding{Health: box.Well}
	if len(args) > 1 {
		to := map[string]box.Far{"broker": box.Broker, "database": box.Database, "both": box.BrokerAndDatabase}[args[0]]
		fare = box.Surrounding{Health: box.Failing, Why: strings.Join(args[1:], " "), To: to}
	}
	switch name {
	case "archive":
		s.rig.Archive = fare
	case "link":
		s.rig.Link = fare
	case "clock":
		d, _ := time.ParseDuration(args[0])
		s.rig.Wall = s.rig.Wall.Add(d)
	default:
		return false
	}
	return true
}

// plant is what happens without a word.
func (s *storyteller) plant(name string, args []string) (bool, error) {
	p, last := s.rig.Plant, 0.0
	if len(args) > 0 {
		last, _ = strconv.ParseFloat(args[len(args)-1], 64)
	}
	switch name {
	case "do":
		d, ok := box.DeedByWord(args[0])
		if !ok {
			return true, fmt.Errorf("unknown deed %q", args[0])
		}
		p.Do(d)
	case "drop", "stick", "heal", "fail", "force", "set":
		c, err := channel(args[0])
		map[string]func(){
			"drop": func() { p.Drop(c) }, "stick": func() { p.Stick(c) }, "heal": func() { p.Heal(c) },
			"fail": func() { p.Fail(c, "no answer on the bus") }, "force": func() { p.Force(c, last) }, "set": func() { p.Force(c, last) },
		}[name]()
		return true, err
	case "loop": // a current, mA, of a gauge of 0 to 690 kPa
		c, err := channel(args[0])
		p.Send(sensors.FromLoop(c, last, sensors.Span{High: 690}))
		return true, err
	case "sag":
		p.Sag(units.KPa(last))
	case "recover":
		p.Recover()
	case "outside":
		p.SetOutside(units.Celsius(last))
	case "burst":
		p.Burst(units.LPerH(last))
	case "filter":
		p.SetFilter(last)
	case "drain":
		p.Drain()
	case "restart":
		s.rig.Restart()
	case "drift":
		p.DriftEnd(units.USPerCm(last))
	case "turn": // the loop valve, to a place from 0 shut to 1 open, in a time
		return true, turn(p, args)
	case "creep":
		p.Creep(units.KPa(last))
	case "stock":
		p.SetStock(units.Litre(last))
	default:
		return false, nil
	}
	return true, nil
}

func turn(p *simbox.Plant, args []string) error {
	if len(args) != 2 {
		return fmt.Errorf("turn takes a place and a time")
	}
	to, err := strconv.ParseFloat(args[0], 64)
	over, err2 := time.ParseDuration(args[1])
	p.Turn(to, over)
	return errors.Join(err, err2)
}

// marks are what the view shows of an alarm besides its state.
func marks(a engine.AlarmView) (s string) {
	if a.Cause != "" {
		s += " under " + a.Cause
	}
	if a.FirstOut {
		s += " first"
	}
	if a.Chattering {
		s += " chattering"
	}
	if a.ShelvedUntilT != nil {
		s += fmt.Sprintf(" until %.0f", *a.ShelvedUntilT)
	}
	if a.AsideBy != "" {
		s += " by " + a.AsideBy + ": " + a.AsideWhy
	}
	return s
}

func channel(tag string) (box.Channel, error) {
	for c := box.UnknownChannel + 1; c < box.NumChannels; c++ {
		if c.Info().Tag == tag {
			return c, nil
		}
	}
	return 0, fmt.Errorf("unknown channel %q", tag)
}

// until lets time pass until a milestone, a step or an alarm of this name, or
// an advice that asks for this deed.
func (s *storyteller) until(what, limit string, obey bool) (string, error) {
	d, err := time.ParseDuration(limit)
	if err != nil {
		return "", err
	}
	var out []engine.Event
	for ; d > 0; d -= s.rig.Beat {
		var act []box.Action
		if obey {
			act = s.rig.Obey("Kim")
		}
		events := s.rig.Turn(act...)
		out = append(out, events...)
		for _, e := range events {
			if what == "filling" && s.rig.Core.View().Progress.Flowing || e.Name == what || e.ID == what || e.Deed == what && e.Kind == engine.AdviceEvent || e.Step == what {
				return write(out), nil
			}
		}
	}
	return "", fmt.Errorf("no %s within %s; so far:\n%s", what, limit, write(out))
}

func write(events []engine.Event) string {
	var b strings.Builder
	for i := range events {
		fmt.Fprintln(&b, enginetest.Line(&events[i]))
	}
	return b.String()
}

// frost is what the view says of freezing, and the truth.
func (s *storyteller) frost() string {
	f, t := s.rig.Core.View().Freeze, s.rig.Plant.Truth()
	var b strings.Builder
	fmt.Fprintf(&b, "       %s: likely %s h, cautious %s h, tau %s h (%s); outside %s °C, forecast %s °C\n", f.Body, enginetest.Number(f.Hours),
		enginetest.Number(f.HoursLow), enginetest.Number(f.TauH), f.Ground, enginetest.Number(f.OutsideC), enginetest.Number(f.ForecastLowC))
	if f.Advice != "" {
		fmt.Fprintf(&b, "       advice: %s\n", f.Advice)
	}
	fmt.Fprintf(&b, "       in truth: outside %.1f °C, box %.1f °C, water %.1f °C, smallest volume %.1f °C\n", t.Outside, t.BoxAir, t.Water, t.Small)
	return b.String()
}

// valve is what the valve's page says.
func (s *storyteller) valve() string {
	l := s.rig.Core.View().Loop
	n := enginetest.Number
	var b strings.Builder
	fmt.Fprintf(&b, "       valve: %s kPa of %s to %s, branch %s L/min, header %s kPa; moved %d, moving %v; %q, enough %v\n", n(l.DiffKPa), n(l.DiffLowKPa),
		n(l.DiffHighKPa), n(l.BranchLpm), n(l.HeaderKPa), l.Moves, l.Moving, l.Direction, l.Enough)
	for _, w := range []string{l.HowFar, l.Cannot, l.WayOut, l.Binding, l.Basis} {
		if w != "" {
			fmt.Fprintf(&b, "         %s\n", w)
		}
	}
	return b.String()
}

// show is the part of the view a person looks at.
func (s *storyteller) show() string {
	v := s.rig.Core.View()
	var b strings.Builder
	fmt.Fprintf(&b, "       step %s, run %q, observing %v\n", v.Step, v.Run, v.Observe)
	if a := v.Advice; a != nil {
		fmt.Fprintf(&b, "       advice #%d %s, verifying %v | %s\n", a.Number, a.Deed, a.Verifying, a.Text)
		for _, w := range a.Why {
			fmt.Fprintf(&b, "         because %s\n", w)
		}
	}
	for _, h := range v.Holds {
		fmt.Fprintf(&b, "       hold on %s: %s\n", h.On, h.Reason)
	}
	for _, o := range v.Overrides {
		fmt.Fprintf(&b, "       overridden %s on %s by %s: %s\n", o.ID, o.On, o.By, o.Why)
	}
	for _, a := range v.Alarms {
		fmt.Fprintf(&b, "       alarm %s %s (%s)%s\n", a.ID, a.State, a.Priority, marks(a))
	}
	for _, a := range v.Aside {
		fmt.Fprintf(&b, "       aside %s %s (%s)%s\n", a.ID, a.State, a.Priority, marks(a))
	}
	for _, c := range v.Channels {
		if c.Quality != "good" && c.Tag != "TT-902" {
			fmt.Fprintf(&b, "       %s %s %s %s %s\n", c.Tag, enginetest.Number(c.Value), c.Quality, c.Cause, c.Why)
		}
	}
	if c := v.Contents; c != nil {
		fmt.Fprintf(&b, "       in the lines: %s Left: %s L, delivered %s %%, flushed %v\n", c.Text, enginetest.Number(c.LeftL), enginetest.Number(c.DeliveredPct), c.Flushed)
	}
	p := v.Progress
	fmt.Fprintf(&b, "       flow %s of %s L/min, last emitter %s %%, minutes left %s, end probe %s\n", enginetest.Number(p.FlowLpm),
		enginetest.Number(p.ExpectedLpm), enginetest.Number(p.LastEmitterPct), enginetest.Number(p.MinutesLeft), p.EndWitness)
	return b.String()
}
