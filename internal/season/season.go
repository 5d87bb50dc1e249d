package season

import (
	"math"
	"time"

	"boxd/internal/engine"
	"boxd/internal/say"
	"boxd/internal/units"
)

// Run is one run of a zone.
type Run struct {
	ID    string
	Start time.Time
	Sum   Summary
}

// Summary is what a season needs of a run's summary; the rest is not decoded.
type Summary struct {
	StockL  engine.Weighings     `json:"stock_l"`
	Learned []engine.LearnedView `json:"learned"`
	Figures *engine.Figures      `json:"figures"`
	Dose    *Dose                `json:"dose"`
}

// Dose is what went past the box, and what the plan wanted.
type Dose struct {
	Nutrients *engine.GramsView `json:"nutrients_g"`
	Due       *engine.GramsView `json:"due_g"`
}

// Point is what one run showed.
type Point struct {
	Run   string    `json:"run"`
	At    time.Time `json:"time"`
	Value float64   `json:"value"`
}

// Change is a change of level between two runs.
type Change struct {
	From     string  `json:"from_run"` // the first run after it
	Earliest string  `json:"earliest_run"`
	Latest   string  `json:"latest_run"` // the first run after it lies in between, with 90 %
	Size     float64 `json:"size"`
	Chance   float64 `json:"chance"` // how often chance alone shows one as clear
}

// Series is one quantity over the runs.
type Series struct {
	Name    string     `json:"name"`
	Title   say.Text   `json:"title"`
	Unit    string     `json:"unit"`
	Points  []Point    `json:"points"`
	Unknown int        `json:"unknown"` // runs that did not show it
	Level   *float64   `json:"level"`   // median; null: not enough runs
	Spread  *float64   `json:"spread"`  // robust standard deviation
	Changes []Change   `json:"changes"`
	Drift   *float64   `json:"drift_30d"` // steady change in 30 days; null: none to tell
	Chance  *float64   `json:"drift_chance"`
	Said    []say.Text `json:"said"`
}

// Season is a zone's runs compared.
type Season struct {
	Zone      string    `json:"zone"`
	Runs      int       `json:"runs"`
	From      time.Time `json:"from"` // first run
	Until     time.Time `json:"until"`
	Series    []Series  `json:"series"`
	Nutrients Nutrients `json:"nutrients"`
	Alarms    Alarms    `json:"alarms"`
}

// MostRuns bounds what is compared: the newest of them.
const MostRuns = 366

// kind is one quantity and how it is had.
type kind struct {
	name, unit string
	title      say.Text
	of         func(*Summary) *float64
	matters    float64 // a smaller change is not told (common practice, no source)
	look       func(more, sudden bool) say.Text
}

func kinds(byStock bool) []kind {
	return []kind{
		{"flow", "%", say.T("flow at equal pressure, of what the emitters should take"), flowOf, 2, lookFlow},
		{"filter", "kPa", say.T("clean filter's difference at the design flow"), learned("clean_filter_kpa"), 1, lookFilter},
		{"ratio", "%", say.T("injector ratio achieved, of what is dialled"), ratioBy(byStock), 3, lookRatio},
		{"flush", "L", say.T("water until the line end ran clean"), learned("flush_volume_l"), 1, lookFlush},
		{"flush_counted", "L", say.T("water until the flush was called done"), figure(func(f *engine.Figures) *float64 { return f.FlushDoneL }), 1, lookFlush},
		{"freeze", "h", say.T("least time to freezing foreseen since the run before"), figure(func(f *engine.Figures) *float64 { return f.Watch.LeastFreezeH }), math.Inf(1), nil},
	}
}

func learned(name string) func(*Summary) *float64 {
	return func(s *Summary) *float64 {
		for _, l := range s.Learned {
			if l.Name == name {
				return l.Now
			}
		}
		return nil
	}
}

func figure(of func(*engine.Figures) *float64) func(*Summary) *float64 {
	return func(s *Summary) *float64 {
		if s.Figures == nil {
			return nil
		}
		return of(s.Figures)
	}
}

func flowOf(s *Summary) *float64 {
	q := learned("steady_flow_l_h")(s)
	if q == nil || s.Figures == nil || !(s.Figures.ExpectedFlowLH > 0) {
		return nil
	}
	v := 100 * *q / s.Figures.ExpectedFlowLH
	return &v
}

// ratioBy is the stock that went in over what the dial's ratio of the branch's
// flow makes, by the stock meter or else by EC: not both in one series, whose
// errors would pass for a change.
func ratioBy(stock bool) func(*Summary) *float64 {
	return func(s *Summary) *float64 {
		in, nominal := s.StockL.ByEC, s.StockL.ByRatio
		if stock {
			in = s.StockL.Drawn
		}
		if in == nil || nominal == nil || !(*nominal > 0.05) {
			return nil
		}
		v := 100 * *in / *nominal
		return &v
	}
}

// Make compares runs of one zone, the oldest first.
func Make(zone string, runs []Run) *Season {
	runs = runs[max(0, len(runs)-MostRuns):]
	s := &Season{Zone: zone, Runs: len(runs), Series: []Series{}}
	if len(runs) > 0 {
		s.From, s.Until = runs[0].Start, runs[len(runs)-1].Start
	}
	drawn, byEC := 0, 0
	for i := range runs {
		w := &runs[i].Sum.StockL
		if w.Drawn != nil {
			drawn++
		}
		if w.ByEC != nil {
			byEC++
		}
	}
	for _, k := range kinds(drawn > 0 && drawn >= byEC/2) {
		s.Series = append(s.Series, k.series(runs))
	}
	s.Nutrients, s.Alarms = nutrients(runs), alarms(runs)
	return s
}

func (k *kind) series(runs []Run) Series {
	s := Series{Name: k.name, Title: k.title, Unit: k.unit, Points: []Point{}, Changes: []Change{}, Said: []say.Text{}}
	var t, x []float64
	for i := range runs {
		r := &runs[i]
		v := k.of(&r.Sum)
		if v == nil || !units.Finite(*v) {
			s.Unknown++
			continue
		}
		s.Points = append(s.Points, Point{r.ID, r.Start, *v})
		t, x = append(t, r.Start.Sub(runs[0].Start).Hours()/24), append(x, *v)
	}
	if k.look == nil {
		return s
	}
	if len(x) < LeastRuns {
		s.Said = append(s.Said, say.T("Not enough runs to tell: %d of at least %d.", len(x), LeastRuns))
		return s
	}
	middle, spread := level(x)
	s.Level, s.Spread = &middle, &spread
	s.Said = append(s.Said, say.T("Usually %v; runs differ by ± %v.", k.amount(middle), k.amount(spread)))
	k.changes(&s, t, x)
	return s
}

// changes tells the steps and the steady drift.
func (k *kind) changes(s *Series, t, x []float64) {
	found := steps(t, x)
	for _, c := range found {
		if math.Abs(c.size) < k.matters {
			continue
		}
		p := func(i int) Point { return s.Points[i] }
		s.Changes = append(s.Changes, Change{p(c.at).Run, p(c.low).Run, p(c.high).Run, c.size, c.p})
		s.Said = append(s.Said, k.sudden(c.size, p(c.at).At), k.look(c.size > 0, true),
			say.T("The first run after it is one from %v to %v (90 %%). %v", p(c.low).At, p(c.high).At, sure(c.p)))
	}
	b, p := slope(t, x, found)
	if whole := b * (t[len(t)-1] - t[0]); p <= alpha && math.Abs(whole) >= k.matters {
		month := 30 * b
		s.Drift, s.Chance = &month, &p
		s.Said = append(s.Said, k.steady(month), k.look(b > 0, false), sure(p))
	}
	if len(s.Changes) == 0 && s.Drift == nil {
		s.Said = append(s.Said, say.T("No change to be told from chance."))
	}
}

func (k *kind) sudden(size float64, at time.Time) say.Text {
	if size > 0 {
		return say.T("From the run of %v on it is %v more than before.", at, k.amount(size))
	}
	return say.T("From the run of %v on it is %v less than before.", at, k.amount(-size))
}

func (k *kind) steady(month float64) say.Text {
	if month > 0 {
		return say.T("It rises steadily, by %v in 30 days.", k.amount(month))
	}
	return say.T("It falls steadily, by %v in 30 days.", k.amount(-month))
}

// amount is a value of the series as a quantity.
func (k *kind) amount(v float64) any {
	switch k.unit {
	case "%":
		return units.Ratio(v / 100)
	case "kPa":
		return units.KPa(v)
	}
	return units.Litre(v)
}

// sure is the confidence in words and number.
func sure(p float64) say.Text {
	n := int(math.Round(1 / p))
	if p <= 0.002 {
		return say.T("This is very clear: chance alone shows as much about once in %d orders of these runs, or less often.", n)
	}
	return say.T("This is clear: chance alone shows as much about once in %d orders of these runs.", n)
}
