package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"boxd/config"
	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/record"
)

func runReplay(a *app, args []string) error {
	f := a.flags("replay")
	cfgPath := f.String("config", "", "configuration `FILE`")
	tracePath := f.String("trace", "", "recorded trace `FILE` (CSV)")
	person := f.String("person", "trace", "who confirms: trace (its event words) or auto")
	zone := f.String("zone", "", "zone `NAME`; default: the only one")
	asJSON := f.Bool("json", false, "print JSON Lines")
	if err := a.parse(f, args, 0); err != nil {
		return err
	}
	if *cfgPath == "" || *tracePath == "" {
		return a.usage(f, "-config and -trace are needed")
	}
	if *person != "trace" && *person != "auto" {
		return a.usage(f, "-person %s: it is trace or auto", *person)
	}
	cfg, err := config.Load(*cfgPath)
	if err != nil {
		return err
	}
	core, err := cfg.Engine(*zone)
	if err != nil {
		return err
	}
	core.Replay = true
	in, err := os.Open(*tracePath)
	if err != nil {
		return fmt.Errorf("cannot read the trace: %w; check the path", err)
	}
	defer in.Close()
	// The trace has no clock. Papers are judged as of today, by the day, so that
	// the same day's output is the same to the byte.
	today := time.Now().UTC().Truncate(24 * time.Hour)
	tell := func(out io.Writer) error {
		p := printer{out, *asJSON, json.NewEncoder(out)}
		p.enc.SetEscapeHTML(false)
		return replay(engine.New(core), *tracePath, in, *person == "auto", today, p.print)
	}
	if st, err := in.Stat(); err == nil && st.Mode().IsRegular() {
		return sound(a.out, tell)
	}
	// What comes from a pipe is told as it comes, and its faults where they are met.
	out := bufio.NewWriterSize(a.out, 1<<16)
	return errors.Join(tell(out), out.Flush())
}

// mostHeld is as much output as is held back, bytes: that of some thousand runs.
const mostHeld = 64 << 20

// sound holds back what is told of a trace until it has been read to its end: if it
// has faults they come alone.
func sound(out io.Writer, tell func(io.Writer) error) error {
	h := held{out: out, most: mostHeld}
	if err := tell(&h); err != nil {
		return err
	}
	return h.let()
}

// held keeps what is written, up to a bound; what is beyond it lets all go.
type held struct {
	out  io.Writer
	most int
	kept bytes.Buffer
}

func (h *held) Write(p []byte) (int, error) {
	if h.kept.Len()+len(p) > h.most {
		if err := h.let(); err != nil {
			return 0, err
		}
	}
	return h.kept.Write(p)
}

func (h *held) let() error {
	_, err := h.kept.WriteTo(h.out)
	return err
}

// replay runs the core over a trace and hands every event on.
func replay(core *engine.Engine, name string, trace io.Reader, auto bool, day time.Time, tell func(*engine.Event) error) error {
	rd, err := record.NewTraceReader(name, trace)
	if err != nil {
		return err
	}
	var who autoPerson
	in := engine.Input{Wall: day}
	for {
		row, err := rd.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		row.Into(&in, !auto)
		if auto {
			in.Actions = who.act(in.Mono)
		}
		if err := each(core.Step(in), tell); err != nil {
			return err
		}
		if auto {
			who.see(core.View(), in.Mono)
		}
	}
	return each(core.Finish(), tell)
}

func each(out engine.Output, tell func(*engine.Event) error) error {
	for i := range out.Events {
		if err := tell(&out.Events[i]); err != nil {
			return err
		}
	}
	return nil
}

// autoPerson confirms every advice a little after it was given, as somebody
// would who does what is asked.
type autoPerson struct {
	number uint64
	since  time.Duration
	asked  bool
}

const autoDelay = 2 * time.Second

func (p *autoPerson) see(v engine.View, now time.Duration) {
	again := v.Advice != nil && v.Advice.Deed == box.RunStart.String() && len(v.Past) > 0 // one run, not another
	if v.Advice == nil || v.Advice.Deed == "" || v.Advice.Verifying || again {
		p.asked = false
		return
	}
	if !p.asked || v.Advice.Number != p.number {
		p.number, p.since, p.asked = v.Advice.Number, now, true
	}
}

func (p *autoPerson) act(now time.Duration) []box.Action {
	if !p.asked || now-p.since < autoDelay {
		return nil
	}
	p.asked = false
	return []box.Action{{Kind: box.Confirm, Advice: p.number, By: "auto"}}
}

// printer writes events for a program or for a person.
type printer struct {
	w    io.Writer
	json bool
	enc  *json.Encoder
}

func (p printer) print(e *engine.Event) error {
	if p.json {
		return p.enc.Encode(e.Line())
	}
	_, err := fmt.Fprintf(p.w, "%8.1f s  %s\n", e.T, sentence(e))
	return err
}

// sentence says an event in a line.
func sentence(e *engine.Event) string {
	switch e.Kind {
	case engine.StepEvent:
		return fmt.Sprintf("STEP %s: %s", e.Step, first(e.Why))
	case engine.MilestoneEvent:
		return "reached: " + e.Name
	case engine.AlarmEvent:
		return fmt.Sprintf("ALARM %s %s (%s): %s", e.ID, e.State, e.Priority, e.Text)
	case engine.AdviceEvent:
		return "next: " + e.Text
	case engine.HoldEvent:
		return fmt.Sprintf("HOLD on %s: %s", e.On, e.Reason)
	case engine.ReleaseEvent:
		return fmt.Sprintf("hold on %s ended: %s", e.On, e.Reason)
	case engine.ActionEvent:
		return fmt.Sprintf("said: %s %s %s", e.Name, e.Deed, e.ID)
	case engine.RefusalEvent:
		return fmt.Sprintf("refused: %s %s: %s", e.Name, e.Deed, e.Reason)
	case engine.NoteEvent:
		return "note: " + e.Text
	case engine.RunEvent:
		return fmt.Sprintf("run %s %s", e.Name, e.State)
	case engine.OverrideEvent:
		return fmt.Sprintf("hold %s on %s overridden by %s: %s", e.ID, e.On, e.By, e.Reason)
	case engine.ForecastEvent:
		return fmt.Sprintf("forecast: %.1f °C at %s, by %s", e.Forecast.LowC, e.Forecast.At.Format(time.RFC3339), e.By)
	case engine.SummaryEvent:
		return summaryLine(e.Sum)
	}
	return string(e.Kind)
}

func summaryLine(s *engine.Summary) string {
	line := fmt.Sprintf("summary: %.1f L through the box, flush %s", s.VolumeL, s.Flush)
	if s.StockL.Drawn != nil {
		line += fmt.Sprintf(", %.2f L of stock drawn", *s.StockL.Drawn)
	}
	if s.UndeliveredPct != nil {
		line += fmt.Sprintf(", %.1f %% undelivered", *s.UndeliveredPct)
	}
	return line
}

func first(s []string) string {
	if len(s) == 0 {
		return ""
	}
	return s[0]
}
