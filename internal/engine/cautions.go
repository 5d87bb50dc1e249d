package engine

import (
	"boxd/internal/box"
	"boxd/internal/dosing"
	"boxd/internal/say"
	"boxd/internal/sequencer"
)

// Cautions are said where the person meets the hazard and nowhere else: whoever
// reads all of them every time reads none. They defer to labels, local codes and
// licensed practice.

// place is where a person meets a hazard.
type place uint8

// The places.
const (
	nowhere   place = iota
	atMixing        // the box is looked over before a run, stock is mixed
	atStock         // the suction hose goes into the tank
	injecting       // stock goes in
	flushing        // fertilizer is still in the lines
	leaving         // the run is closed
	atFilter        // the filter is to be opened
	atDevice        // the backflow device or the shutoff valve is to be looked at
	atWiring        // a sensor is to be looked at
	atHeating       // the box is to be drained or heated
	numPlaces
)

// need is what the products must be for a caution to be said.
type need uint8

// The needs.
const (
	always need = iota
	anyProduct
	acid
	acidOrChlorine
	oxidiser
	unknownProduct
)

// of reports whether stock with these hazards needs it.
func (n need) of(s Stock) bool {
	switch n {
	case always:
		return true
	case anyProduct:
		return s.Known
	case acid:
		return s.StrongAcid
	case acidOrChlorine:
		return s.StrongAcid || s.Chlorine
	case oxidiser:
		return s.Oxidiser
	case unknownProduct:
		return !s.Known
	}
	return true
}

// caution is one sentence or two and where it belongs.
type caution struct {
	at   place
	need need
	text say.Text
}

// cautionTable: acid to water is Alabama Extension ANR-652; labels and somebody
// able to stop, the generic label statements of EPA PR Notice 87-1; re-entry, 40
// CFR 170; the others extension bulletins and safety data sheets, from memory.
func cautionTable() []caution {
	return []caution{
		{atMixing, unknownProduct, say.T("Mixing stock: goggles and gloves, as the product's label and safety data sheet say. Acid goes into water, never water into acid; acid and chlorine never come together.")},
		{atMixing, anyProduct, say.T("Mixing stock: goggles and gloves, as the product's label and safety data sheet say.")},
		{atMixing, acid, say.T("Pour acid into water, never water into acid: face shield, apron, nobody else near.")},
		{atMixing, acidOrChlorine, say.T("Acid and chlorine never come together, in a tank or in the line: poisonous gas.")},
		{atMixing, oxidiser, say.T("Nitrates feed fire: no fuel, sawdust or oil near them.")},
		{atMixing, always, say.T("The label is the law: inject only what is labelled for such a system.")},
		{atStock, always, say.T("Goggles and gloves at the stock tank. From now on nobody drinks or washes with this water.")},
		{injecting, always, say.T("Somebody who knows the box stays at it, able to stop at once. Nobody drinks or washes with this water.")},
		{injecting, acidOrChlorine, say.T("Flush the lines before anything else is injected: acid and chlorine make poisonous gas.")},
		{flushing, always, say.T("Fertilizer is still in the lines: nobody drinks or washes with this water.")},
		{leaving, always, say.T("Close the stock tank against children and animals. Where the label sets a re-entry time, post it and keep to it.")},
		{atFilter, always, say.T("Close the shutoff valve and let the pressure out before the filter is opened.")},
		{atDevice, always, say.T("Whether the backflow device works only a licensed tester can say; local code and the water supplier decide.")},
		{atDevice, always, say.T("If it sits in a pit: test the air first and never go down alone; local rules for confined spaces apply.")},
		{atWiring, always, say.T("Switch the box off before a wire is touched. Its mains side is for an electrician.")},
		{atHeating, always, say.T("A heater is mains electricity in a wet place: an electrician fits it, behind a ground-fault breaker.")},
	}
}

// cautionsAt are those of the places where the person is now.
func cautionsAt(here [numPlaces]bool, s Stock) []say.Text {
	out := []say.Text{}
	for _, c := range cautionTable() {
		if here[c.at] && c.need.of(s) {
			out = append(out, c.text)
		}
	}
	return out
}

// Stock is what the labels of the products in the stock warn of.
type Stock struct {
	Known bool // the products are known; otherwise the hazards say nothing
	dosing.Hazards
}

// here tells where the advice and the standing alarms send the person.
func (g *Engine) here() (at [numPlaces]bool) {
	at[g.whereAdvised()] = true
	for _, a := range g.guard.Panel().Alarms() {
		if p := placeOf(a.Def.ID); p != nowhere && a.State.Stands() {
			at[p] = true
		}
	}
	at[nowhere] = false
	return at
}

// whereAdvised is where the step and its advice send the person.
func (g *Engine) whereAdvised() place {
	deed := g.seq.Asks()
	switch g.seq.Step() {
	case sequencer.Ready:
		return atMixing
	case sequencer.Inject:
		if deed == box.InjectorOn {
			return atStock
		}
		if g.e != nil && g.e.EverDrawn {
			return injecting
		}
	case sequencer.Flush:
		return flushing
	case sequencer.Secure:
		return leaving
	case sequencer.Pressurise, sequencer.Unknown:
	}
	return nowhere
}

// placeOf is where an alarm sends the person.
func placeOf(id string) place {
	switch id {
	case "filter-clogging", "filter-torn":
		return atFilter
	case "backflow-sign", "backflow-protection-missing":
		return atDevice
	case "sensor-fault":
		return atWiring
	case "freeze-risk":
		return atHeating
	}
	return nowhere
}
