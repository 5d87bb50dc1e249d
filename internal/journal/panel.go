package journal

import (
	"context"
	"fmt"
	"html/template"
	"math"
	"strconv"
	"strings"

	"boxd/internal/box"
	"boxd/internal/say"
	"boxd/internal/units"
)

// The page draws its trace in panels of one unit each. The lines of a panel
// differ by dashes as well as by shade, so that a black and white print reads.
const (
	panelWidth, panelHeight                        = 900.0, 240.0 // SVG units
	marginLeft, marginRight, marginTop, marginFoot = 52.0, 12.0, 18.0, 26.0
	buckets                                        = 600 // points across; each keeps its lowest and highest value
)

type panelView struct {
	SVG     template.HTML
	Caption string
}

type panelPlan struct {
	title    say.Text
	channels []box.Channel
}

func panelPlans() []panelPlan {
	return []panelPlan{
		{say.T("Pressure"), []box.Channel{box.SupplyPressure, box.HeaderPressure, box.InjectorInPressure, box.InjectorOutPressure}},
		{say.T("Flow"), []box.Channel{box.MainFlow, box.InjectorFlow, box.StockDraw}},
		{say.T("EC at 25 °C"), []box.Channel{box.BoxEC, box.EndEC}},
		{say.T("Temperature"), []box.Channel{box.WaterTemp, box.BoxAirTemp, box.OutsideAirTemp}},
	}
}

// bucket holds the values of one channel in one stretch of time, so that a
// drawing of any length of run keeps its peaks.
type bucket struct {
	low, high   float64
	first, last float64
	n           int
}

func (b *bucket) add(v float64) {
	if b.n == 0 {
		b.first, b.low, b.high = v, v, v
	}
	b.low, b.high, b.last = min(b.low, v), max(b.high, v), v
	b.n++
}

// curves are all channels' buckets and the time they span, in seconds.
type curves struct {
	span    float64
	buckets int
	marks   []markView
	points  [box.NumChannels][]bucket
	seen    [box.NumChannels]bool
}

// instrumentView is what a channel brought in the run.
type instrumentView struct {
	box.Info
	Wire      string // its unit on the wire
	N, Faults int
	Low, High float64
}

// count notes what a row brought of each channel.
func count(list *[box.NumChannels]instrumentView, f *frame) {
	for _, s := range f.Samples {
		if s.Channel >= box.NumChannels {
			continue
		}
		i := &list[s.Channel]
		if s.Fault != "" || !units.Finite(s.Value) {
			i.Faults++
			continue
		}
		if i.N++; i.N == 1 {
			i.Low, i.High = s.Value, s.Value
		}
		i.Low, i.High = min(i.Low, s.Value), max(i.High, s.Value)
	}
}

// panels reads the run twice: for its span and its instruments, then for its
// values.
func (x *story) panels(ctx context.Context, marks []markView) ([]panelView, []instrumentView, error) {
	c := curves{buckets: buckets, marks: marks}
	var all [box.NumChannels]instrumentView
	for f, err := range x.frames(ctx) {
		if err != nil {
			return nil, nil, err
		}
		c.span = f.T
		count(&all, f)
	}
	var instruments []instrumentView
	for ch := range all {
		if i := all[ch]; i.N+i.Faults > 0 {
			i.Info, i.Wire = box.Channel(ch).Info(), box.Channel(ch).Info().Unit
			instruments = append(instruments, i)
		}
	}
	if c.span <= 0 {
		return nil, instruments, nil
	}
	for f, err := range x.frames(ctx) {
		if err != nil {
			return nil, nil, err
		}
		c.add(f)
	}
	var views []panelView
	for _, plan := range panelPlans() {
		if v, ok := x.panel(&c, plan); ok {
			views = append(views, v)
		}
	}
	return views, instruments, nil
}

func (c *curves) add(f *frame) {
	i := min(int(f.T/c.span*float64(c.buckets)), c.buckets-1)
	values, has := f.values()
	for ch := range values {
		if !has[ch] {
			continue
		}
		if c.points[ch] == nil {
			c.points[ch] = make([]bucket, c.buckets)
		}
		c.seen[ch] = true
		c.points[ch][i].add(values[ch])
	}
}

// scale maps values to the height of a panel, between round marks.
type scale struct{ low, high, step float64 }

// newScale finds marks of 1, 2 or 5 times a power of ten, about four of them.
func newScale(low, high float64) scale {
	low = min(low, 0) // pressures, flows and EC are judged from zero
	if high <= low {
		high = low + 1
	}
	rough := (high - low) / 4
	step := math.Pow(10, math.Floor(math.Log10(rough)))
	for _, k := range []float64{5, 2} {
		if step*k <= rough {
			step *= k
			break
		}
	}
	return scale{math.Floor(low/step) * step, math.Ceil(high/step) * step, step}
}

func (s scale) y(v float64) float64 {
	return marginTop + (panelHeight-marginTop-marginFoot)*(1-(v-s.low)/(s.high-s.low))
}

func (c *curves) x(t float64) float64 {
	return marginLeft + (panelWidth-marginLeft-marginRight)*t/c.span
}

// panel draws one unit's channels; false when none of them was measured.
func (x *story) panel(c *curves, plan panelPlan) (panelView, bool) {
	low, high := math.Inf(1), math.Inf(-1)
	in, title := x.in(plan.channels[0].Info().Unit), x.say(plan.title.Format)
	for _, ch := range plan.channels {
		for _, b := range c.points[ch] {
			if b.n > 0 {
				low, high = min(low, b.low), max(high, b.high)
			}
		}
	}
	if low > high || math.IsInf(high-low, 0) {
		return panelView{}, false
	}
	s := newScale(float64(low*in.factor)+in.offset, float64(high*in.factor)+in.offset)
	var b strings.Builder
	fmt.Fprintf(&b, `<svg viewBox="0 0 %g %g" role="img" aria-label="%s, %s">`, panelWidth, panelHeight, template.HTMLEscapeString(title), in.unit)
	c.grid(&b, s)
	c.upright(&b)
	dashes, shades := []string{"", "7 3", "2 2", "9 3 2 3"}, []string{"#000", "#06c", "#a30", "#555"}
	strokes := []say.Text{say.T("solid"), say.T("dashed"), say.T("dotted"), say.T("dash-dot")}
	var legend []string
	for i, ch := range plan.channels {
		if !c.seen[ch] {
			continue
		}
		fmt.Fprintf(&b, `<path fill="none" stroke="%s" stroke-width="1.4" stroke-dasharray="%s" d="%s"/>`, shades[i], dashes[i], c.path(ch, s, in))
		legend = append(legend, x.say(ch.Info().Name)+" ("+x.say(strokes[i].Format)+")")
	}
	b.WriteString(`</svg>`)
	// Everything in the drawing is a number or a text of ours, escaped.
	return panelView{template.HTML(b.String()), fmt.Sprintf("%s, %s: %s. ", title, in.unit, strings.Join(legend, ", ")) + x.say("Upright lines: the milestones by their numbers.")}, true
}

// grid draws the marks of both axes.
func (c *curves) grid(b *strings.Builder, s scale) {
	for i := range int(math.Round((s.high-s.low)/s.step)) + 1 {
		v := s.low + float64(i)*s.step
		fmt.Fprintf(b, `<line x1="%g" x2="%g" y1="%.1f" y2="%.1f" stroke="#ddd"/><text x="%g" y="%.1f" text-anchor="end">%s</text>`,
			marginLeft, panelWidth-marginRight, s.y(v), s.y(v), marginLeft-6, s.y(v)+4, strconv.FormatFloat(v, 'g', 6, 64))
	}
	for i := range 5 {
		t := c.span * float64(i) / 4
		anchor := "middle"
		if i == 4 {
			anchor = "end"
		}
		fmt.Fprintf(b, `<text x="%.1f" y="%g" text-anchor="%s">%s</text>`, c.x(t), panelHeight-8, anchor, clockText(t))
	}
}

// upright draws a line at each milestone with its number. Numbers that would
// stand on each other go down a row.
func (c *curves) upright(b *strings.Builder) {
	last, row := math.Inf(-1), 0.0
	for _, m := range c.marks {
		if m.T < 0 || m.T > c.span {
			continue
		}
		x := c.x(m.T)
		if row++; x-last > 14 {
			row = 0
		}
		last = x
		fmt.Fprintf(b, `<line x1="%.1f" x2="%.1f" y1="%g" y2="%g" stroke="#555" stroke-dasharray="1 3"/><text x="%.1f" y="%g" text-anchor="end">%d</text>`,
			x, x, marginTop, panelHeight-marginFoot, x-2, marginTop+10+12*row, m.N)
	}
}

// path draws a channel. Where nothing was measured for longer than a bucket or
// two the line is broken, not bridged.
func (c *curves) path(ch box.Channel, s scale, in shown) string {
	y := func(v float64) float64 { return s.y(float64(v*in.factor) + in.offset) }
	var b strings.Builder
	gap := c.usualGap(ch)
	last := -1 << 30
	for i, p := range c.points[ch] {
		if p.n == 0 {
			continue
		}
		x := c.x((float64(i) + 0.5) * c.span / buckets)
		pen := "L"
		if i-last > gap {
			pen = "M"
		}
		last = i
		fmt.Fprintf(&b, "%s%.1f %.1f", pen, x, y(p.first))
		if p.low < p.high {
			fmt.Fprintf(&b, "V%.1fV%.1fV%.1f", y(p.low), y(p.high), y(p.last))
		}
	}
	return b.String()
}

// usualGap is how many buckets apart the samples of a channel lie at most
// without a hole: twice their mean distance, and two at least.
func (c *curves) usualGap(ch box.Channel) int {
	filled := 0
	for _, p := range c.points[ch] {
		if p.n > 0 {
			filled++
		}
	}
	return max(2, 2*buckets/max(filled, 1))
}
