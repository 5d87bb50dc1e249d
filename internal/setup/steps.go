package setup

import (
	"fmt"
	"slices"

	"boxd/internal/say"
)

// Step is one step of the guide.
type Step uint8

// The steps, in their order.
const (
	UnknownStep Step = iota
	NameStep
	BoardStep
	ChannelStep
	CalibrateStep
	BackflowStep
	InjectorStep
	ZoneStep
	TellStep
	RunStep
)

// Steps are all steps in their order.
func Steps() []Step {
	return []Step{NameStep, BoardStep, ChannelStep, CalibrateStep, BackflowStep, InjectorStep, ZoneStep, TellStep, RunStep}
}

// String is the step's word in the page's address.
func (s Step) String() string {
	switch s {
	case NameStep:
		return "name"
	case BoardStep:
		return "board"
	case ChannelStep:
		return "channels"
	case CalibrateStep:
		return "calibrate"
	case BackflowStep:
		return "backflow"
	case InjectorStep:
		return "injector"
	case ZoneStep:
		return "zone"
	case TellStep:
		return "tell"
	case RunStep:
		return "run"
	case UnknownStep:
	}
	return "unknown"
}

// MarshalText writes the word.
func (s Step) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads the word.
func (s *Step) UnmarshalText(b []byte) error {
	v, ok := StepByName(string(b))
	if !ok {
		return fmt.Errorf("there is no step %q", b)
	}
	*s = v
	return nil
}

// StepByName finds a step by its word.
func StepByName(word string) (Step, bool) {
	for _, s := range Steps() {
		if s.String() == word {
			return s, true
		}
	}
	return UnknownStep, false
}

// Next is the step after this one; the last is followed by itself.
func (s Step) Next() Step {
	all := Steps()
	return all[min(slices.Index(all, s)+1, len(all)-1)]
}

// Title is what the step is called.
func (s Step) Title() say.Text {
	switch s {
	case NameStep:
		return say.T("The box")
	case BoardStep:
		return say.T("The board")
	case ChannelStep:
		return say.T("Channels")
	case CalibrateStep:
		return say.T("Calibration")
	case BackflowStep:
		return say.T("Backflow protection")
	case InjectorStep:
		return say.T("Injector")
	case ZoneStep:
		return say.T("Zone")
	case TellStep:
		return say.T("Phone and broker")
	case RunStep:
		return say.T("Begin")
	case UnknownStep:
	}
	return say.Text{}
}

// About says what the step is for.
func (s Step) About() []say.Text {
	switch s {
	case NameStep:
		return []say.Text{say.T("Give the box a name and say how its numbers are to be written. Nothing is measured and nothing is advised until the last step is done."),
			say.T("The language of the pages is chosen at their foot, by each person.")}
	case BoardStep:
		return []say.Text{say.T("Choose the kind of board by what it has for wires. It says which instrument is read where; you change that in the next step.")}
	case ChannelStep:
		return []say.Text{
			say.T("Say of each input what it measures, or that nothing is fitted there. What an instrument's label says must come from your instrument."),
			say.T("Press, turn, warm and wet one instrument at a time, and see that the right channel moves. Inputs are read, nothing is driven.")}
	case CalibrateStep:
		return []say.Text{
			say.T("Measure each instrument against a standard, now or later from the box page: gauges open to the air and at one known pressure, EC probes in a bottle or two, flow meters with a bucket, thermometers in ice."),
			say.T("Where an instrument has a certificate, its date may stand instead. What is left out is taken as the label says.")}
	case BackflowStep:
		return []say.Text{
			say.T("Injecting into a line connected to drinking water without an approved and currently tested device is dangerous and in most places unlawful."),
			say.T("Which device is needed, the local code and the water supplier decide; whether it holds, a licensed tester. This box only repeats what you declare, and advises no injecting without it.")}
	case InjectorStep:
		return []say.Text{say.T("What is dialled and what the injector's label says. The two ways of saying a ratio differ by a part in fifty at 1:50: read the label.")}
	case ZoneStep:
		return []say.Text{say.T("A zone is what the box feeds at a time. Measure rather than guess: when the flush is done follows from these sizes. Every quantity bears its unit, such as ft, m, psi, kPa, gal/h, L/h.")}
	case TellStep:
		return []say.Text{
			say.T("The box can tell a phone, a mailbox or a chat when the flush is done or something is wrong, and publish to an MQTT broker. Both may be left empty now and said later."),
			say.T("An address for alerts is a URL of its service, and secret: once it will do it is kept in a file of its own, and never shown again.")}
	case RunStep:
		return []say.Text{say.T("This is the whole configuration. When it is written, the box goes into operation; the previous one is kept beside it. It may be changed by hand later: then this guide only shows it.")}
	case UnknownStep:
	}
	return nil
}
