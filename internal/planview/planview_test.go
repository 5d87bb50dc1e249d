package planview

// The page's words and pictures are checked against a dose worked by hand,
// against the zone's own summary and against the slug that follows fertilizer
// live: three ways that don't pass through this package.

import (
	"context"
	"encoding/json"
	"errors"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"boxd/config"
	"boxd/internal/hydraulics"
	"boxd/internal/say"
	"boxd/internal/units"
	"boxd/internal/web"
)

func parse(t *testing.T, text string) *config.Config {
	t.Helper()
	c, err := config.Parse("box.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func voice(system string) say.Voice {
	u, _ := units.SystemByName(system)
	return say.Voice{Units: u}
}

func planOf(t *testing.T, p *Planner, zone, feed, system string) web.PlanView {
	t.Helper()
	v, err := p.Plan(context.Background(), zone, feed, voice(system))
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// number reads the first number of a text.
func number(t *testing.T, text string) float64 {
	t.Helper()
	text = strings.TrimPrefix(strings.TrimPrefix(text, "+"), "about\u00a0")
	v, err := strconv.ParseFloat(strings.FieldsFunc(text, func(r rune) bool { return r == '\u00a0' || r == ' ' })[0], 64)
	if err != nil {
		t.Fatalf("%q does not begin with a number", text)
	}
	return v
}

func value(t *testing.T, facts []web.PlanFact, name string) string {
	t.Helper()
	for _, f := range facts {
		if f.Name == name {
			return f.Value
		}
	}
	t.Fatalf("no fact %q in %v", name, facts)
	return ""
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s is %g, want %g ± %g", what, got, want, within)
	}
}

// worked is four beds of 200 ft at 5 ft whose tape takes 0.45 gal/min per
// 100 ft: 3.60 gal/min for the zone (at no friction to speak of: wide bores).
const worked = `
box: {name: b, units: metric}
zones:
  - name: east
    inlet: 10 psi
    lead: {length: 2 ft, inside_diameter: 60 mm}
    header: {beds: 4, bed_spacing: 5 ft, first_tee: 1 ft, inside_diameter: 60 mm}
    laterals: {length: 200 ft, lead_in: 1 ft, emitter_spacing: 1 ft, inside_diameter: 30 mm}
    emitters: {flow: 0.27 gal/h, at: 10 psi, exponent: 0.5}
injector: {ratio: 2 %, convention: stock-in-total, rated_flow: 20 L/min}
supply: {ec: 0.3 mS/cm}
feeds:
  - name: weekly
    zone: east
    target: {nutrient: N, rate: 3.5 lb/ac/week, events_per_week: 1, area: bed-length, guide_spacing: 5 ft}
    products: [{product: calcium-nitrate}]
    tanks: [{name: A, volume: 20 L, strength: 75 g/L}]
`

// Bed-foot arithmetic of the Mid-Atlantic guide and UF/IFAS SL303, ratio of
// University of Maryland FS-1121: 145.78 g of N, 940.5 g of product, 12.54 L of
// stock, 627.0 L through the box in 46.0 min at 3.60 gal/min, line of 1.5 g/L
// with 232.5 mg/L N and 1.74 mS/cm of rise. Worked by hand to 0.2 %; what is
// shown is rounded more coarsely.
func TestWorkedDose(t *testing.T) {
	v := planOf(t, New(parse(t, worked)), "east", "weekly", "metric")
	near(t, "N", number(t, value(t, v.Wanted, "wanted")), 145.78, 0.5)
	a := v.Tanks[0]
	near(t, "product", number(t, a.Weigh[0].Value), 940.5, 2)
	near(t, "stock", number(t, value(t, a.Facts, "make up to")), 12.54, 0.05)
	near(t, "line", number(t, value(t, a.Facts, "in the line")), 1.5, 0.005)
	near(t, "EC rise", number(t, value(t, a.Facts, "line EC")), 1.74, 0.01)
	near(t, "block flow", number(t, value(t, v.Dial.Facts, "block flow")), 3.60*units.LitrePerUSGallon, 0.03)
	near(t, "field ratio", number(t, value(t, v.Dial.Facts, "field ratio")), 2, 0)
	near(t, "through the injector", v.Dial.Through, 1, 1e-9)
	inject := v.Stages[1]
	near(t, "injection, min", inject.Minutes, 46.0, 0.1)
	near(t, "water injected into", number(t, inject.Pass), 627.0, 1.3)
	most := 0.0
	for _, p := range v.EC.Box {
		most = max(most, p.Value)
	}
	near(t, "line EC drawn", most, 0.3+1.74, 0.01)
	for _, f := range a.Facts {
		if f.Name == "in the line" && !strings.HasPrefix(f.Aside, "N\u00a0232") && !strings.HasPrefix(f.Aside, "N\u00a0233") {
			t.Errorf("the line holds %q", f.Aside)
		}
	}
	us := planOf(t, New(parse(t, worked)), "east", "weekly", "us")
	near(t, "product, lb", number(t, us.Tanks[0].Weigh[0].Value), 2.0735, 0.006)
	near(t, "water, gal", number(t, us.Stages[1].Pass), 165.6, 0.4)
	near(t, "flow, gal/min", number(t, value(t, us.Dial.Facts, "block flow")), 3.60, 0.01)
}

// The rows, the travel times and the volumes are those of the solved zone.
func TestRowsAreTheZones(t *testing.T) {
	cfg := parse(t, string(config.Default()))
	v := planOf(t, New(cfg), "", "", "metric")
	n, err := hydraulics.NewNetwork(cfg.Zones[0].Zone)
	if err != nil {
		t.Fatal(err)
	}
	sol, err := n.SolveInlet()
	if err != nil {
		t.Fatal(err)
	}
	mean := float64(sol.MeanFlow())
	if len(v.Rows.Rows) != len(sol.Rows) {
		t.Fatalf("%d rows, want %d", len(v.Rows.Rows), len(sol.Rows))
	}
	for i, r := range v.Rows.Rows {
		first := sol.Rows[i].First
		near(t, "first emitter", r.OffPct[0], 100*(float64(sol.Flow[first])/mean-1), 1e-6)
		last := first + sol.Rows[i].Emitters - 1
		near(t, "last emitter", r.OffPct[len(r.OffPct)-1], 100*(float64(sol.Flow[last])/mean-1), 1e-6)
	}
	near(t, "EU", number(t, value(t, v.Rows.Facts, "emission uniformity EU")), 100*float64(min(sol.Flow[len(sol.Flow)-1], sol.Flow[0]))/mean, 0.06)
	near(t, "q_var", number(t, value(t, v.Rows.Facts, "flow variation q_var")), hydraulics.FlowVariation(sol.Flow).Percent(), 0.051)
	near(t, "DU", number(t, value(t, v.Rows.Facts, "distribution uniformity DU")), hydraulics.LowerQuarterDU(sol.Flow).Percent(), 0.051)
	near(t, "flush volume", number(t, value(t, v.Travel, "to flush")), float64(sol.FlushVolume), 0.051)
	far, _ := sol.Travel(sol.FarVolume)
	if got, want := value(t, v.Travel, "to the far row's end"), strings.ReplaceAll(units.Elapsed(far), " ", "\u00a0"); got != want {
		t.Errorf("far end after %s, want %s", got, want)
	}
}

// The line end's curve is what the live slug would find there, fed by the box's.
func TestLineEndFollowsTheSlug(t *testing.T) {
	cfg := parse(t, string(config.Default()))
	v := planOf(t, New(cfg), "", "", "us")
	m, err := cfg.Model(&cfg.Zones[0])
	if err != nil {
		t.Fatal(err)
	}
	far := m.Emitters()[0]
	for _, e := range m.Emitters() {
		if e.Volume > far.Volume {
			far = e
		}
	}
	slug, const15 := hydraulics.NewSlug(m), 15*time.Second
	seen := 0
	for at := time.Duration(0); at < time.Duration(v.Minutes*float64(time.Minute)); at += const15 {
		slug.Pass(m.Summary().TotalFlow.Over(const15), sample(v.EC.Box, (at+const15/2).Minutes()))
		now := (at + const15).Minutes()
		if closeToStep(v.EC.End, now, 0.5) {
			continue
		}
		seen++
		near(t, "line end at minute "+strconv.FormatFloat(now, 'f', 2, 64), sample(v.EC.End, now), slug.Strength(far), 0.02)
	}
	if seen < 200 {
		t.Errorf("only %d moments compared", seen)
	}
}

// sample reads a stepped curve.
func sample(c []web.PlanPoint, minute float64) float64 {
	v := 0.0
	for _, p := range c {
		if p.Minute <= minute {
			v = p.Value
		}
	}
	return v
}

func closeToStep(c []web.PlanPoint, minute, within float64) bool {
	for _, p := range c {
		if math.Abs(p.Minute-minute) < within {
			return true
		}
	}
	return false
}

func TestBypassIsShown(t *testing.T) {
	v := planOf(t, New(parse(t, string(config.Default()))), "tunnel", "weekly-nitrogen", "us")
	// 360 of 585 L/h at 2 %: 1.23 % in the block.
	near(t, "through", v.Dial.Through, 360.0/585, 0.01)
	near(t, "field ratio", number(t, value(t, v.Dial.Facts, "field ratio")), 1.23, 0.006)
	if len(v.DialNotes) != 1 || !strings.Contains(v.DialNotes[0].Text, "0.99 of 2.58 gal/min go round") {
		t.Errorf("the bypass reads %+v", v.DialNotes)
	}
	// 180 m is 590.6 ft, 274.3 m² is 2953 ft².
	if text := v.Means[0].Text; !strings.Contains(text, "590.6 ft × 5.0 ft = 2953 ft²") {
		t.Errorf("the convention in US units reads %q", text)
	}
	m := planOf(t, New(parse(t, string(config.Default()))), "", "", "metric")
	if text := m.Means[0].Text; !strings.Contains(text, "180.0 m × 1.524 m = 274.3 m²") {
		t.Errorf("the convention in metric units reads %q", text)
	}
}

// TestPlanInSpanish: of what the plan says, nothing that the message file
// translates is left in English.
func TestPlanInSpanish(t *testing.T) {
	b, err := os.ReadFile("../web/messages/es.json")
	if err != nil {
		t.Fatal(err)
	}
	spanish := say.Voice{Units: units.US}
	if err := json.Unmarshal(b, &spanish.Messages); err != nil {
		t.Fatal(err)
	}
	p := New(parse(t, string(config.Default())))
	v, err := p.Plan(context.Background(), "", "", spanish)
	if err != nil {
		t.Fatal(err)
	}
	english := planOf(t, p, "", "", "us")
	if a, b := len(left(t, english, spanish.Messages)), len(left(t, v, spanish.Messages)); a < 30 || b > 0 {
		t.Errorf("%d sentences of the English plan are found, of the Spanish one %q", a, left(t, v, spanish.Messages))
	}
	if !strings.HasPrefix(v.Wanted[0].Aside, "en este evento") || !strings.Contains(v.Means[0].Text, "590.6 ft × 5.0 ft = 2953 ft²") {
		t.Errorf("the plan reads %q, %q", v.Wanted[0].Aside, v.Means[0].Text)
	}
}

// left are the texts of a plan that begin as an English form of the message file
// does, up to its first quantity.
func left(t *testing.T, v web.PlanView, m say.Messages) []string {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for english, there := range m {
		start, _, _ := strings.Cut(english, "%")
		quoted, err := json.Marshal(start)
		if err != nil {
			t.Fatal(err)
		}
		if len(start) > 7 && !strings.HasPrefix(there, start) && strings.Contains(string(b), ":"+strings.TrimSuffix(string(quoted), `"`)) {
			out = append(out, english)
		}
	}
	return out
}

const twoTanks = `
  - name: pair
    target: {nutrient: N, rate: 5 kg/ha/event, area: bed-length, guide_spacing: 1.5 m}
    products: [{product: calcium-nitrate, tank: A, parts: 1}, {product: potassium-sulfate, tank: B, parts: 1}]
    tanks: [{name: A, strength: 75 g/L}, {name: B, strength: 50 g/L}]
`

// Two tanks come one after the other with clear water between: the line end
// sees both, each as long after as the flush volume takes.
func TestTwoTanks(t *testing.T) {
	v := planOf(t, New(parse(t, worked+twoTanks)), "east", "pair", "metric")
	var names []string
	for _, s := range v.Stages {
		names = append(names, s.Name+s.Tank)
	}
	if got := strings.Join(names, " "); got != "fill injectA clearA injectB flush" {
		t.Fatalf("stages %s", got)
	}
	rises := func(c []web.PlanPoint) (out []float64) {
		for i := 1; i < len(c); i++ {
			if c[i].Value > c[i-1].Value {
				out = append(out, c[i].Minute)
			}
		}
		return out
	}
	atBox, atEnd := rises(v.EC.Box), rises(v.EC.End)
	if len(atBox) != 2 || len(atEnd) != 2 {
		t.Fatalf("rises at the box %v, at the end %v", atBox, atEnd)
	}
	near(t, "second rise", atEnd[1]-atBox[1], v.Stages[4].Minutes, 1e-6)
	if last := v.EC.End[len(v.EC.End)-1]; last.Minute < v.Minutes || last.Value != v.EC.Box[0].Value {
		t.Errorf("the line end closes with %+v", last)
	}
}

const plain = `
  - name: plain
    target: {nutrient: N, rate: 5 kg/ha/event, area: bed-length, guide_spacing: 1.5 m}
    products: [{product: {name: plain, form: solid, analysis: {n: 20 %}}}]
    tanks: [{name: A, strength: 50 g/L}]
`

// A product whose EC nobody knows is drawn as concentration, and says so.
func TestUnknownEC(t *testing.T) {
	v := planOf(t, New(parse(t, worked+plain)), "east", "plain", "metric")
	if v.EC.Unit != "g/L" || value(t, v.Tanks[0].Facts, "line EC") != "unknown" || !strings.Contains(strings.Join(v.EC.Says, " "), "EC can't be told") {
		t.Errorf("unknown EC is drawn as %q: %v", v.EC.Unit, v.EC.Says)
	}
	near(t, "line", sample(v.EC.Box, v.Stages[0].Minutes+1), 1, 0.001) // 50 g/L at 2 %
}

// No strength is said, and none can be told: the solubility is not known.
const endless = `
  - name: endless
    target: {nutrient: N, rate: 5 kg/ha/event, area: bed-length, guide_spacing: 1.5 m}
    products: [{product: {name: plain, form: solid, analysis: {n: 20 %}}}]
`

func TestFaults(t *testing.T) {
	p := New(parse(t, worked+endless))
	for _, c := range []struct {
		zone, feed string
		missing    bool
		says       string
	}{
		{"north", "weekly", true, `cannot find zone "north"`},
		{"east", "daily", true, `cannot find feed "daily"`},
		{"east", "endless", false, `feeds[1].`},
	} {
		_, err := p.Plan(context.Background(), c.zone, c.feed, voice("us"))
		var f *web.PlanFault
		if !errors.As(err, &f) || f.Missing != c.missing || !strings.Contains(f.Lines[0], c.says) {
			t.Errorf("%s, %s: %v", c.zone, c.feed, err)
		}
	}
	two := parse(t, strings.Replace(worked, "injector:", strings.Replace(worked[strings.Index(worked, "  - name: east"):strings.Index(worked, "injector:")], "east", "west", 1)+"injector:", 1))
	_, err := New(two).Plan(context.Background(), "west", "weekly", voice("us"))
	if err == nil || !strings.Contains(err.Error(), "Feed weekly is for zone east, not west") {
		t.Errorf("a feed for another zone: %v", err)
	}
	gone, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := New(two).Plan(gone, "east", "weekly", voice("us")); !errors.Is(err, context.Canceled) {
		t.Errorf("a reader who is gone is solved for: %v", err)
	}
}

// A long row of narrow tape on a weak inlet is judged by the summary's own
// numbers; the embedded tunnel draws no remark.
func TestUnevenRowsAreRemarked(t *testing.T) {
	long := strings.NewReplacer("inside_diameter: 30 mm", "inside_diameter: 13 mm", "length: 200 ft", "length: 500 ft", "length: 2 ft", "length: 300 ft", "60 mm", "18 mm").Replace(worked)
	v := planOf(t, New(parse(t, long)), "", "", "us")
	if q := number(t, value(t, v.Rows.Facts, "flow variation q_var")); q < 20 {
		t.Fatalf("the row is not uneven enough for the test: %g %%", q)
	}
	if len(v.RowNotes) != 2 || !strings.Contains(v.RowNotes[0].Text, "over the 20 %") || !strings.Contains(v.RowNotes[1].Text, "outside its window, 8.0 psi to 12.0 psi") {
		t.Errorf("notes %+v", v.RowNotes)
	}
	if v := planOf(t, New(parse(t, string(config.Default()))), "", "", "us"); len(v.RowNotes) != 0 {
		t.Errorf("the even zone is remarked: %+v", v.RowNotes)
	}
}

// A supply that is too weak is a stop; it stands before lesser notes, and the
// page's summary of stops has it.
func TestStopsComeFirst(t *testing.T) {
	weak := strings.NewReplacer("supply: {", "supply: {flow: 5 L/min, ", "rated_flow: 20 L/min", "rated_flow: 6 L/min").Replace(worked)
	v := planOf(t, New(parse(t, weak)), "", "", "metric")
	if len(v.DialNotes) != 2 || v.DialNotes[0].Severity != "stop" || len(v.Stops()) != 1 || v.Stops()[0] != v.DialNotes[0] {
		t.Errorf("notes %+v, stops %+v", v.DialNotes, v.Stops())
	}
}

// A zone is solved once, and no more than maxSolved are kept.
func TestSolvedZonesAreKeptAndBounded(t *testing.T) {
	p := New(parse(t, worked))
	z := p.cfg.Zones[0]
	first, err := p.model(context.Background(), &z)
	if err != nil {
		t.Fatal(err)
	}
	if again, _ := p.model(context.Background(), &z); again != first {
		t.Error("the zone was solved twice")
	}
	for i := range 2 * maxSolved {
		z.Name = strconv.Itoa(i)
		if _, err := p.model(context.Background(), &z); err != nil {
			t.Fatal(err)
		}
	}
	if len(p.solved) != maxSolved || len(p.order) != maxSolved {
		t.Errorf("%d zones are kept, want %d", len(p.solved), maxSolved)
	}
}
