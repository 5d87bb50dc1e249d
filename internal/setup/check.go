package setup

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"slices"
	"strings"

	"boxd/config"
	"boxd/internal/hydraulics"
	"boxd/internal/report"
	"boxd/internal/say"
)

// Fault is one thing that keeps a draft from being a configuration.
type Fault struct {
	Step         Step
	Field        string // it is about; empty: the whole step
	Line, Column int    // in the text; 0: what is missing has no place
	Text         say.Text
}

// Result is a draft as understood.
type Result struct {
	Text     string // the whole configuration
	Faults   []Fault
	Warnings []string
	Zone     *Facts         // what hydraulics makes of the zone; nil: it can't be worked out yet
	Config   *config.Config // nil while there are faults
}

// Facts are what a zone comes to at its design pressure.
type Facts struct {
	FlowLpm, FlushL, FlushMin       float64 // FlushMin: at that flow, without a margin
	FarMin                          float64 // from the box to the last emitter of all
	HeaderKPa, WorstKPa, BestKPa    float64 // header's inlet; emitter at the lowest and the highest pressure
	UniformityPct, FlowVariationPct float64
	Emitters                        int
}

// Sum tells one text from another: SHA-256, hexadecimal.
func (r Result) Sum() string { return Sum([]byte(r.Text)) }

// Sum is the SHA-256 of a text, hexadecimal.
func Sum(text []byte) string {
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:])
}

// Check reads a draft as the daemon would read the file. Name is the file's, for
// messages. All faults come at once, each with its step and field.
func (d *Draft) Check(name string) Result {
	r := Result{Text: d.YAML()}
	for _, s := range Steps() {
		for _, f := range d.Fields(s) {
			if f.Must && d.said(f.Name) == "" {
				r.Faults = append(r.Faults, Fault{Step: s, Field: f.Name, Text: say.T("This is still to be said.")})
			}
		}
	}
	cfg, err := config.Parse(name, []byte(r.Text))
	var checked *report.Checked
	if err == nil {
		checked, err = report.Check(cfg)
	}
	var found config.Faults
	switch {
	case errors.As(err, &found):
		for _, f := range found {
			r.add(d.place(f))
		}
	case err != nil:
		r.Faults = append(r.Faults, Fault{Step: RunStep, Text: say.Verbatim(err.Error())})
	default:
		r.Warnings = checked.Warnings
	}
	if len(r.Faults) == 0 {
		r.Config = cfg
	}
	if checked != nil {
		r.Zone = factsOf(checked.Zones[0].Summary)
	} else {
		r.Zone = d.facts()
	}
	return r
}

// add keeps a fault, unless its field has one, or it is of a whole part of which an
// answer is missing: what follows from another need not be told.
func (r *Result) add(f Fault) {
	if slices.ContainsFunc(r.Faults, func(o Fault) bool {
		return f.Field != "" && o.Field == f.Field || f.Field == "" && o.Step == f.Step && o.Line == 0
	}) {
		return
	}
	r.Faults = append(r.Faults, f)
}

// place finds the field that a fault of the text is about.
func (d *Draft) place(f config.Fault) Fault {
	text := f.Problem
	if f.Hint != "" {
		text += "; " + f.Hint
	}
	out := Fault{Step: stepOf(f.Path), Line: f.Line, Column: f.Column, Text: say.Verbatim(text)}
	name := d.nameOf(f.Path)
	if slices.ContainsFunc(d.Fields(out.Step), func(x Field) bool { return x.Name == name }) {
		out.Field = name
	} else { // the person has to be told what it is about
		out.Text = say.Verbatim(strings.TrimSpace(f.Path + " " + text))
	}
	return out
}

// stepOf is the step that asks for what stands at a path.
func stepOf(path string) Step {
	top, _, _ := strings.Cut(path, ".")
	top, _, _ = strings.Cut(top, "[")
	switch top {
	case "box":
		return NameStep
	case "sensors", "board":
		if strings.HasSuffix(path, ".calibrated") {
			return CalibrateStep
		}
		return ChannelStep
	case "backflow":
		return BackflowStep
	case "injector":
		return InjectorStep
	case "zones", "line_end_probe":
		return ZoneStep
	case "alerts", "mqtt":
		return TellStep
	}
	return RunStep
}

// nameOf is the name of the field at a path of the text.
func (d *Draft) nameOf(path string) string {
	if at, ok := strings.CutPrefix(path, "zones[0].laterals.lengths"); ok && (at == "" || at[0] == '[') {
		return zone + "laterals.length"
	}
	for n, at := range d.fitted() {
		if rest, ok := strings.CutPrefix(path, "sensors["+itoa(n)+"]"); ok {
			return fieldOf(at, cmp.Or(strings.TrimPrefix(rest, "."), "channel"))
		}
	}
	for at, i := range d.Instruments {
		if rest, ok := strings.CutPrefix(path, i.Of); ok && i.ofBoard() {
			return fieldOf(at, cmp.Or(strings.TrimPrefix(rest, "."), "channel"))
		}
	}
	return path
}

// facts are those of the zone alone, whatever else is still to be said; nil: it
// can't be solved.
func (d *Draft) facts() *Facts {
	w := new(writer)
	alone := &Draft{Values: d.Values}
	alone.writeZone(w)
	cfg, err := config.Parse("zone", []byte(w.String()))
	if err != nil {
		return nil
	}
	m, err := cfg.Model(&cfg.Zones[0])
	if err != nil {
		return nil
	}
	return factsOf(m.Summary())
}

func factsOf(s hydraulics.Summary) *Facts {
	flow := s.TotalFlow.LPerMin()
	f := &Facts{
		FlowLpm: flow, FlushL: float64(s.FlushVolume), FarMin: s.TravelFar.Minutes(),
		HeaderKPa: float64(s.HeaderInlet), WorstKPa: float64(s.MinEmitter), BestKPa: float64(s.MaxEmitter),
		UniformityPct: s.EmissionUniformity.Percent(), FlowVariationPct: s.FlowVariation.Percent(), Emitters: s.Emitters,
	}
	if flow > 0 {
		f.FlushMin = f.FlushL / flow
	}
	return f
}

// Of are the faults of a step.
func (r Result) Of(s Step) (out []Fault) {
	for _, f := range r.Faults {
		if f.Step == s {
			out = append(out, f)
		}
	}
	return out
}

// Done reports whether a step is answered and nothing is wrong with it.
func (d *Draft) Done(s Step, r Result) bool { return slices.Contains(d.Kept, s) && len(r.Of(s)) == 0 }

// At is the step to go on with: the first that isn't done.
func (d *Draft) At(r Result) Step {
	for _, s := range Steps() {
		if !d.Done(s, r) {
			return s
		}
	}
	return RunStep
}
