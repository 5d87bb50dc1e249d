package config

import (
	"fmt"

	"gopkg.in/yaml.v3"

	"boxd/internal/dosing"
	"boxd/internal/hydraulics"
	"boxd/internal/safety"
	"boxd/internal/units"
)

// The header window of drip tape: 8 to 12 psi, 10 nominal (common practice, no
// source). Another inlet pressure scales it.
const (
	windowLow    units.KPa = 55
	windowTarget units.KPa = 68.95
	windowHigh   units.KPa = 83
)

// smooth is the roughness of plastic pipe and tape.
const smooth units.MM = 0.0015

// maxZones bounds the list.
const maxZones = 200

func (d *decoder) zones(s section, c *Config) {
	list := s.list("zones")
	if s.has("zones") && len(list) == 0 && d.sound("zones") {
		d.at("zones", "has no entry", "describe at least one zone")
	}
	if len(list) > maxZones {
		d.at("zones", fmt.Sprintf("has %d entries", len(list)), fmt.Sprintf("boxd takes at most %d; split the file", maxZones))
		return
	}
	first := map[string]string{}
	for i, e := range list {
		path := index("zones", i)
		z := d.zone(e, path)
		if other, twice := first[z.Name]; twice && z.Name != "" {
			d.at(path+".name", fmt.Sprintf("%q is taken by %s (line %d)", z.Name, other, d.line(other+".name")), "give each zone a name of its own")
		}
		first[z.Name] = path
		c.Zones = append(c.Zones, z)
	}
}

func (d *decoder) zone(n *yaml.Node, path string) Zone {
	s := d.section(n, path, "name", "water", "inlet", "regulator", "lead", "header", "laterals", "emitters", "header_window", "formula")
	z := Zone{path: path}
	z.Water = 20
	before := len(d.faults)
	s.need("name", "east")
	s.text("name", &z.Name)
	read(s, "water", &z.Water, units.ParseCelsius)
	read(s, "inlet", &z.Inlet, units.ParseKPa)
	word(s, "formula", &z.Formula, formula, formulas()...)
	d.regulator(s, &z.Zone)
	d.pipe(s, &z.Lead)
	d.header(s, &z.Header)
	d.laterals(s, &z.Laterals)
	d.emitters(s, &z.Emitters)
	d.window(s, &z)
	if z.Inlet == 0 && !s.has("inlet") {
		z.Inlet = z.Window.Target
	}
	if s.known && len(d.faults) == before {
		d.checkZone(z.Zone, path)
	} else if s.known {
		d.checkRead(z.Zone, path)
	}
	return z
}

// checkZone lets hydraulics find what is wrong with the zone.
func (d *decoder) checkZone(z hydraulics.Zone, path string) {
	for _, f := range z.Validate() {
		at := path + "." + f.Field
		d.at(at, f.Problem, "plausible: "+f.Plausible)
	}
}

// checkRead does so for a zone some of whose values could not be read: only of
// values that the file gives and that are sound.
func (d *decoder) checkRead(z hydraulics.Zone, path string) {
	for _, f := range z.Validate() {
		if at := path + "." + f.Field; d.written(at) && d.sound(at) {
			d.at(at, f.Problem, "plausible: "+f.Plausible)
		}
	}
}

func formulas() []string {
	var out []string
	for f := hydraulics.DarcyWeisbach; f <= hydraulics.HazenWilliams150; f++ {
		out = append(out, f.String())
	}
	return out
}

func formula(text string) (hydraulics.Formula, bool) {
	for f := hydraulics.DarcyWeisbach; f <= hydraulics.HazenWilliams150; f++ {
		if f.String() == text {
			return f, true
		}
	}
	return 0, false
}

// regulator describes what feeds the box outlet, where the supply may be too
// weak to hold the inlet pressure.
func (d *decoder) regulator(s section, z *hydraulics.Zone) {
	if !s.has("regulator") {
		return
	}
	g := s.sub("regulator", "supply", "setpoint", "length", "inside_diameter", "roughness", "minor_loss")
	r := &hydraulics.Regulator{Setpoint: windowTarget, Roughness: smooth}
	g.need("supply", "250 kPa")
	g.need("inside_diameter", "25 mm")
	read(g, "supply", &r.Supply, units.ParseKPa)
	read(g, "setpoint", &r.Setpoint, units.ParseKPa)
	read(g, "length", &r.PipeLen, units.ParseMetre)
	read(g, "inside_diameter", &r.PipeBore, units.ParseMM)
	read(g, "roughness", &r.Roughness, units.ParseMM)
	g.number("minor_loss", &r.MinorLoss)
	z.Regulator = r
	if !s.has("inlet") {
		z.Inlet = r.Setpoint
		return
	}
	if g.has("setpoint") && z.Inlet != r.Setpoint {
		d.at(s.at("inlet"), fmt.Sprintf("(%.6g kPa) must be %s (%.6g kPa, line %d)", float64(z.Inlet), g.at("setpoint"), float64(r.Setpoint), d.line(g.at("setpoint"))), "leave one of them out")
	}
	r.Setpoint = z.Inlet
}

func (d *decoder) pipe(s section, p *hydraulics.Pipe) {
	s.need("lead", "{length: 8 m, inside_diameter: 28 mm}")
	g := s.sub("lead", "length", "inside_diameter", "roughness", "slope")
	p.Roughness = smooth
	g.need("length", "8 m")
	g.need("inside_diameter", "28 mm")
	read(g, "length", &p.Length, units.ParseMetre)
	read(g, "inside_diameter", &p.Bore, units.ParseMM)
	read(g, "roughness", &p.Roughness, units.ParseMM)
	read(g, "slope", &p.Slope, units.ParseRatio)
}

func feedWord(text string) (hydraulics.Feed, bool) {
	for _, f := range []hydraulics.Feed{hydraulics.FeedEnd, hydraulics.FeedCentre} {
		if f.String() == text {
			return f, true
		}
	}
	return hydraulics.FeedUnknown, false
}

func (d *decoder) header(s section, h *hydraulics.Header) {
	s.need("header", "{beds: 6, bed_spacing: 1.25 m, first_tee: 0.6 m, inside_diameter: 28 mm}")
	g := s.sub("header", "feed", "beds", "bed_spacing", "first_tee", "tapes_per_bed", "tape_gap", "inside_diameter", "roughness", "slope")
	*h = hydraulics.Header{Feed: hydraulics.FeedEnd, TapesPerBed: 1, Roughness: smooth}
	g.need("beds", "6")
	g.need("first_tee", "0.6 m")
	g.need("inside_diameter", "28 mm")
	word(g, "feed", &h.Feed, feedWord, "end", "centre")
	g.whole("beds", &h.Beds)
	read(g, "bed_spacing", &h.BedSpacing, units.ParseMetre)
	read(g, "first_tee", &h.FirstTee, units.ParseMetre)
	g.whole("tapes_per_bed", &h.TapesPerBed)
	read(g, "tape_gap", &h.TapeGap, units.ParseMetre)
	read(g, "inside_diameter", &h.Bore, units.ParseMM)
	read(g, "roughness", &h.Roughness, units.ParseMM)
	read(g, "slope", &h.Slope, units.ParseRatio)
	if h.Beds > 1 {
		g.need("bed_spacing", "1.25 m")
	}
	if h.TapesPerBed > 1 {
		g.need("tape_gap", "0.3 m")
	}
}

func (d *decoder) laterals(s section, l *hydraulics.Laterals) {
	s.need("laterals", "{length: 30 m, lead_in: 0.3 m, emitter_spacing: 0.3 m, inside_diameter: 15.9 mm}")
	g := s.sub("laterals", "length", "lengths", "lead_in", "emitter_spacing", "inside_diameter", "roughness", "slope", "connector_loss")
	l.Roughness = smooth
	g.need("lead_in", "0.3 m")
	g.need("emitter_spacing", "0.3 m")
	g.need("inside_diameter", "15.9 mm")
	d.lengths(g, l)
	read(g, "lead_in", &l.LeadIn, units.ParseMetre)
	read(g, "emitter_spacing", &l.EmitterSpacing, units.ParseMetre)
	read(g, "inside_diameter", &l.Bore, units.ParseMM)
	read(g, "roughness", &l.Roughness, units.ParseMM)
	read(g, "slope", &l.Slope, units.ParseRatio)
	g.number("connector_loss", &l.ConnectorLoss)
}

// lengths reads length, for all beds, or lengths, one per bed.
func (d *decoder) lengths(g section, l *hydraulics.Laterals) {
	if g.has("length") && g.has("lengths") {
		d.at(g.at("lengths"), fmt.Sprintf("stands beside laterals.length (line %d)", d.line(g.at("length"))), "keep one of them")
		return
	}
	if !g.has("lengths") {
		g.need("length", "30 m")
		l.Lengths = []units.Metre{0}
		read(g, "length", &l.Lengths[0], units.ParseMetre)
		return
	}
	for i, e := range g.list("lengths") {
		path := index(g.at("lengths"), i)
		l.Lengths = append(l.Lengths, 0)
		if n, ok := d.scalar(e, path); ok {
			readNode(d, n, path, &l.Lengths[i], units.ParseMetre)
		}
	}
}

func (d *decoder) emitters(s section, e *hydraulics.Emitters) {
	s.need("emitters", "{flow: 0.98 L/h, at: 68.95 kPa, exponent: 0.5}")
	g := s.sub("emitters", "flow", "at", "exponent", "cv")
	e.Exponent = 0.5
	g.need("flow", "0.98 L/h")
	g.need("at", "68.95 kPa")
	read(g, "flow", &e.Flow, units.ParseLPerH)
	read(g, "at", &e.At, units.ParseKPa)
	g.number("exponent", &e.Exponent)
	g.number("cv", &e.CV)
}

// window reads the header's window. What it doesn't say follows the target, and
// that the inlet.
func (d *decoder) window(s section, z *Zone) {
	g := s.sub("header_window", "low", "target", "high")
	w := Window{Target: windowTarget}
	if z.Inlet > 0 {
		w.Target = z.Inlet
	}
	read(g, "target", &w.Target, units.ParseKPa)
	w.Low, w.High = w.Target*(windowLow/windowTarget), w.Target*(windowHigh/windowTarget)
	read(g, "low", &w.Low, units.ParseKPa)
	read(g, "high", &w.High, units.ParseKPa)
	z.Window = w
	if !g.known {
		return
	}
	within(d, g.at("target"), w.Target, 1, 1600, "kPa", "68.95 kPa (10 psi)")
	within(d, g.at("low"), w.Low, 0, 1600, "kPa", "55 kPa (8 psi)")
	within(d, g.at("high"), w.High, 1, 1600, "kPa", "83 kPa (12 psi)")
	below(d, g.at("low"), w.Low, g.at("target"), w.Target, "kPa")
	below(d, g.at("target"), w.Target, g.at("high"), w.High, "kPa")
}

// warn lists what the owner should know of a file without faults.
func (c *Config) warn(d *decoder) {
	say := func(format string, args ...any) { c.Warnings = append(c.Warnings, fmt.Sprintf(format, args...)) }
	b := c.Backflow
	switch {
	case !b.Declared:
		say("backflow protection is not declared: advice to inject is withheld until backflow: names the device and its test")
	case b.LastTest.IsZero() || b.NextDue.IsZero():
		say("backflow.last_test and backflow.next_due are not both said: advice to inject is withheld without them")
	}
	if b.Supply == safety.PublicSupply && b.Required == "" {
		say("backflow.supply is public, and backflow.required does not name the class of device it demands: advice to inject is withheld until it does; the water supplier and local code say which")
	}
	if c.Probe.Zone == "" {
		say("no line_end_probe: the end of the flush is told by volume alone")
	}
	if !d.written("injector.ratio") {
		say("injector.ratio is not said: taken as 2 %%, stock in total")
	} else if !d.written("injector.convention") {
		say("injector.convention is not said: 1:n is taken as stock in total (1 part in n)")
	}
	for i := range c.Zones {
		c.warnZone(&c.Zones[i], say)
	}
	c.warnFeeds(say)
	c.warnSensors(say)
}

func (c *Config) warnZone(z *Zone, say func(string, ...any)) {
	w := z.Window
	if z.Inlet < w.Low || z.Inlet > w.High {
		say("zone %s: the inlet, %.4g kPa, is outside its header window, %.4g to %.4g kPa", z.Name, float64(z.Inlet), float64(w.Low), float64(w.High))
	}
}

// warnFeeds tells of a feed that EC can't weigh.
func (c *Config) warnFeeds(say func(string, ...any)) {
	for _, f := range c.Feeds {
		urea := false
		for _, p := range f.Products {
			urea = urea || p.Product.Analysis.UreaN > 0
			for _, salt := range p.Product.Salts {
				urea = urea || salt.Salt == dosing.Urea
			}
		}
		if urea {
			say("feed %s holds urea: EC can't see it", f.Name)
		}
	}
}
