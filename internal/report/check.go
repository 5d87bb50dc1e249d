// Package report says what a configuration file was understood as: every zone
// solved, as one JSON object for programs and as text for a person. It computes
// nothing of its own.
//
// In JSON the name bears the unit (L/h, kPa gauge, L, s, per cent). The text is
// in the units the file asks for.
package report

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"boxd/config"
	"boxd/internal/hydraulics"
	"boxd/internal/units"
)

// CheckJSON is the output of a check.
type CheckJSON struct {
	Zones    []ZoneJSON `json:"zones"`
	Warnings []string   `json:"warnings"`
}

// ZoneJSON is one zone at its design pressure. First and last are the first
// emitter of the first lateral and the last emitter of the last one.
type ZoneJSON struct {
	Name               string  `json:"name"`
	TotalFlow          float64 `json:"total_flow_l_h"`
	BoxOutlet          float64 `json:"box_outlet_kpa"`
	HeaderInlet        float64 `json:"header_inlet_kpa"`
	FirstEmitter       float64 `json:"first_emitter_kpa"`
	LastEmitter        float64 `json:"last_emitter_kpa"`
	MinEmitter         float64 `json:"min_emitter_kpa"`
	MaxEmitter         float64 `json:"max_emitter_kpa"`
	EmissionUniformity float64 `json:"emission_uniformity_pct"`
	LowerQuarterDU     float64 `json:"lower_quarter_du_pct"`
	FlowVariation      float64 `json:"flow_variation_pct"`
	LeadVolume         float64 `json:"lead_volume_l"`
	HeaderVolume       float64 `json:"header_volume_l"`
	LateralsVolume     float64 `json:"laterals_volume_l"`
	TravelNear         float64 `json:"travel_to_near_end_s"`
	TravelFar          float64 `json:"travel_to_far_end_s"`
	FlushVolume        float64 `json:"flush_volume_l"`
}

// Checked is a file with its zones solved.
type Checked struct {
	System   units.System
	Box      string
	Zones    []CheckedZone
	Sensors  []config.Sensor
	Board    config.Board
	Warnings []string
}

// CheckedZone is one zone solved.
type CheckedZone struct {
	Zone    config.Zone
	Summary hydraulics.Summary
}

// Check solves every zone of the file. The error is a config.Faults with
// everything that can't work.
func Check(c *config.Config) (*Checked, error) {
	out := &Checked{System: c.Box.Units, Box: c.Box.Name, Sensors: c.Sensors, Board: c.Board, Warnings: append([]string{}, c.Warnings...)}
	var all config.Faults
	for i := range c.Zones {
		z := &c.Zones[i]
		m, err := c.Model(z)
		var faults config.Faults
		switch {
		case errors.As(err, &faults):
			all = append(all, faults...)
			continue
		case err != nil:
			return nil, err
		}
		out.Zones = append(out.Zones, CheckedZone{*z, m.Summary()})
		out.judge(*z, m.Summary())
	}
	if len(all) > 0 {
		return nil, all
	}
	return out, nil
}

// judge adds what a designer would remark. Flow variation: up to 10 % is good
// and over 20 % is not acceptable (Wu and Gitlin 1974, from memory).
func (c *Checked) judge(z config.Zone, s hydraulics.Summary) {
	if v := s.FlowVariation.Percent(); v > 20 {
		c.Warnings = append(c.Warnings, fmt.Sprintf("zone %s: emitter flow varies by %.1f %%, over the 20 %% a design should keep under", z.Name, v))
	}
	if p, w := s.HeaderInlet, z.Window; p < w.Low || p > w.High {
		c.Warnings = append(c.Warnings, fmt.Sprintf("zone %s: the header's inlet is at %.4g kPa, outside its window, %.4g to %.4g kPa", z.Name, float64(p), float64(w.Low), float64(w.High)))
	}
}

// JSON is the form for programs.
func (c *Checked) JSON() CheckJSON {
	out := CheckJSON{Zones: []ZoneJSON{}, Warnings: c.Warnings}
	for _, z := range c.Zones {
		s := z.Summary
		out.Zones = append(out.Zones, ZoneJSON{
			Name: z.Zone.Name, TotalFlow: float64(s.TotalFlow),
			BoxOutlet: float64(s.BoxOutlet), HeaderInlet: float64(s.HeaderInlet),
			FirstEmitter: float64(s.FirstEmitter), LastEmitter: float64(s.LastEmitter),
			MinEmitter: float64(s.MinEmitter), MaxEmitter: float64(s.MaxEmitter),
			EmissionUniformity: s.EmissionUniformity.Percent(), LowerQuarterDU: s.LowerQuarterDU.Percent(),
			FlowVariation: s.FlowVariation.Percent(),
			LeadVolume:    float64(s.LeadVolume), HeaderVolume: float64(s.HeaderVolume), LateralsVolume: float64(s.LateralsVolume),
			TravelNear: s.TravelNear.Seconds(), TravelFar: s.TravelFar.Seconds(), FlushVolume: float64(s.FlushVolume),
		})
	}
	return out
}

// WriteJSON writes the form for programs, as one object.
func (c *Checked) WriteJSON(w io.Writer) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	return enc.Encode(c.JSON())
}

// WriteText writes the form for a person.
func (c *Checked) WriteText(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "box %s\n", c.Box)
	for _, z := range c.Zones {
		c.writeZone(&b, z)
	}
	c.writeSensors(&b)
	c.writeBoard(&b)
	for _, s := range c.Warnings {
		fmt.Fprintf(&b, "\nwarning: %s\n", s)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func (c *Checked) writeZone(w io.Writer, z CheckedZone) {
	u, s := c.System, z.Summary
	fmt.Fprintf(w, "\nzone %s: %s\n", z.Zone.Name, c.planting(z.Zone))
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	row := func(label string, parts ...any) { fmt.Fprintf(t, "  %s\t%s\n", label, fmt.Sprint(parts...)) }
	row("flow through the box", u.Flow(s.TotalFlow))
	row("emitters", s.Emitters, " at ", u.EmitterFlow(z.Zone.Emitters.Flow), " and ", u.Pressure(z.Zone.Emitters.At))
	row("pressure at the box outlet", u.Pressure(s.BoxOutlet))
	row("pressure at the header's inlet", u.Pressure(s.HeaderInlet))
	row("first and last emitter", u.Pressure(s.FirstEmitter), " and ", u.Pressure(s.LastEmitter))
	row("weakest and strongest emitter", u.Pressure(s.MinEmitter), " and ", u.Pressure(s.MaxEmitter))
	row("header window", u.Pressure(z.Zone.Window.Low), " to ", u.Pressure(z.Zone.Window.High), ", aim for ", u.Pressure(z.Zone.Window.Target))
	row("emission uniformity (design)", s.EmissionUniformity.Shown())
	row("lower-quarter uniformity", s.LowerQuarterDU.Shown())
	row("emitter flow variation", s.FlowVariation.Shown())
	row("water in lead, header, laterals", u.Volume(s.LeadVolume), ", ", u.Volume(s.HeaderVolume), ", ", u.Volume(s.LateralsVolume))
	row("travel to the nearest row's end", units.Elapsed(s.TravelNear))
	row("travel to the farthest row's end", units.Elapsed(s.TravelFar))
	row("water that flushes every emitter", u.Volume(s.FlushVolume))
	t.Flush() // to a strings.Builder, which takes everything
}

// writeSensors says how each channel is wired.
func (c *Checked) writeSensors(w io.Writer) {
	if len(c.Sensors) == 0 {
		return
	}
	fmt.Fprint(w, "\nsensors\n")
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, s := range c.Sensors {
		i := s.Channel.Info()
		fmt.Fprintf(t, "  %s\t%s\t%s\tevery %s\n", i.Tag, i.Name, s.Wiring, config.Beat(s.Every))
	}
	t.Flush() // to a strings.Builder, which takes everything
}

// writeBoard says what is read of the board itself. Its temperature is the
// kernel's: boxd probe tells whether there is one.
func (c *Checked) writeBoard(w io.Writer) {
	b := c.Board
	if b.Supply == nil && b.Button == nil && len(c.Sensors) == 0 {
		return
	}
	fmt.Fprint(w, "\nboard\n")
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprint(t, "  temperature\tthe kernel's own, where the board tells it\n")
	supply := "the kernel's own warning, where the board has one"
	if b.Supply != nil {
		supply = fmt.Sprintf("%s, every %s", b.Supply.Wiring, config.Beat(b.Supply.Every))
	}
	if b.Least > 0 {
		supply += fmt.Sprintf(", at least %g V", float64(b.Least))
	}
	fmt.Fprintf(t, "  supply\t%s\n", supply)
	if b.Button != nil {
		closes := "low"
		if b.Button.ActiveHigh {
			closes = "high"
		}
		fmt.Fprintf(t, "  button\t%s, %s while it is pressed\n", b.Button.Line, closes)
	}
	t.Flush() // to a strings.Builder, which takes everything
}

// planting is the zone in a line.
func (c *Checked) planting(z config.Zone) string {
	u, l := c.System, z.Laterals
	short, long := l.Lengths[0], l.Lengths[0]
	for _, x := range l.Lengths {
		short, long = min(short, x), max(long, x)
	}
	length := u.Length(long).String()
	if short != long {
		length = u.Length(short).String() + " to " + length
	}
	return fmt.Sprintf("%d beds of %s, %d tape(s) a bed, header fed at its %s", z.Header.Beds, length, z.Header.TapesPerBed, z.Header.Feed)
}
