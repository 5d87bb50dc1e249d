package season

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"boxd/internal/engine"
	"boxd/internal/say"
)

// Grams are masses of nutrients, g.
type Grams struct {
	N    float64 `json:"n"`
	P2O5 float64 `json:"p2o5"`
	K2O  float64 `json:"k2o"`
}

func (g *Grams) add(v *engine.GramsView, times float64) {
	g.N += float64(v.N * times)
	g.P2O5 += float64(v.P2O5 * times)
	g.K2O += float64(v.K2O * times)
}

// Nutrients are what went out past the box to date.
type Nutrients struct {
	Out     Grams    `json:"out_g"`
	Runs    int      `json:"runs"`    // that are in Out
	Unknown int      `json:"unknown"` // that injected, but whose grams can't be told
	Due     *Grams   `json:"due_g"`   // by the plan up to the last run; null: no plan says it
	Events  int      `json:"events"`  // that the plan asked for by then
	Plants  *float64 `json:"plants"`
	Said    say.Text `json:"said"`
}

// nutrients adds the runs up. A plan has a rate and no first day, so it is
// counted from the first run that followed one.
func nutrients(runs []Run) Nutrients {
	var n Nutrients
	var last *Run
	var each Grams // of one event, by time
	weeks, events := 0.0, 0.0
	for i := range runs {
		r := &runs[i]
		f, d := r.Sum.Figures, r.Sum.Dose
		if f != nil && f.Plants != nil {
			n.Plants = f.Plants
		}
		if d == nil {
			continue
		}
		if d.Nutrients == nil {
			n.Unknown++
		} else {
			n.Out.add(d.Nutrients, 1)
			n.Runs++
		}
		if d.Due == nil || f == nil || f.RunsPerWeek == nil {
			continue
		}
		if last != nil {
			w := r.Start.Sub(last.Start).Hours() / (7 * 24)
			weeks += w
			events += w * *last.Sum.Figures.RunsPerWeek
			each.add(last.Sum.Dose.Due, w)
		}
		last = r
	}
	if last != nil {
		n.plan(last, each, weeks, events)
	}
	return n
}

// plan is what was due: the first event, and one for each interval that has
// passed; half a day late is on its day.
func (n *Nutrients) plan(last *Run, each Grams, weeks, events float64) {
	n.Events = 1 + int(events+*last.Sum.Figures.RunsPerWeek/14)
	one := Grams{last.Sum.Dose.Due.N, last.Sum.Dose.Due.P2O5, last.Sum.Dose.Due.K2O}
	if weeks > 0 {
		one = Grams{each.N / weeks, each.P2O5 / weeks, each.K2O / weeks}
	}
	k := float64(n.Events)
	n.Due = &Grams{one.N * k, one.P2O5 * k, one.K2O * k}
	n.Said = say.T("The plan names a rate and no first day: it is counted from the first run of the period that followed it, to the last, %d in all.", n.Events)
}

// Alarms are how often the box called.
type Alarms struct {
	Announced int      `json:"announced"`
	ObservedH float64  `json:"observed_h"`
	FloodPct  float64  `json:"flood_pct"`
	PerDay    *float64 `json:"per_day"` // null: not a day was observed
	Most      []Caller `json:"most"`
	Said      say.Text `json:"said"`
}

// Caller is an alarm and how often it called.
type Caller struct {
	ID    string `json:"id"`
	Count int    `json:"count"`
}

// Benchmarks of EEMUA 191 for the mean of an operator's alarms, a day (from
// memory): one in ten minutes is very likely acceptable, one in five manageable,
// one in two likely over-demanding.
const (
	acceptable    = 24 * 6
	manageable    = 24 * 12
	overDemanding = 24 * 30
)

func alarms(runs []Run) Alarms {
	a, count, flood := Alarms{Most: []Caller{}}, map[string]int{}, 0.0
	for i := range runs {
		f := runs[i].Sum.Figures
		if f == nil {
			continue
		}
		a.ObservedH += f.Watch.ObservedH
		flood += f.Watch.FloodH
		for id, n := range f.Watch.Alarms {
			count[id] += n
			a.Announced += n
		}
	}
	for _, id := range slices.Sorted(maps.Keys(count)) {
		a.Most = append(a.Most, Caller{id, count[id]})
	}
	slices.SortStableFunc(a.Most, func(x, y Caller) int { return cmp.Compare(y.Count, x.Count) })
	day := (24 * time.Hour).Hours()
	if a.ObservedH < day {
		a.Said = say.T("Less than a day was watched: no rate can be told.")
		return a
	}
	rate := float64(a.Announced) / (a.ObservedH / day)
	a.PerDay, a.FloodPct = &rate, 100*flood/a.ObservedH
	a.Said = benchmark(rate)
	return a
}

func benchmark(perDay float64) say.Text {
	switch {
	case perDay < acceptable:
		return say.T("By EEMUA 191, whose figures are for a person in a control room: very likely acceptable (fewer than %d a day).", acceptable)
	case perDay < manageable:
		return say.T("By EEMUA 191, whose figures are for a person in a control room: manageable (fewer than %d a day).", manageable)
	case perDay < overDemanding:
		return say.T("By EEMUA 191, whose figures are for a person in a control room: likely too demanding (%d a day or more).", manageable)
	}
	return say.T("By EEMUA 191, whose figures are for a person in a control room: very likely unacceptable (%d a day or more).", overDemanding)
}
