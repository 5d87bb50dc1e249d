package main

import (
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"time"

	"boxd/internal/say"
	"boxd/internal/season"
	"boxd/internal/units"
)

func runSeason(a *app, args []string) error {
	f := a.flags("season")
	data := f.String("data", defaultData, "`DIR` of the archive")
	zone := f.String("zone", "", "`NAME` of the zone; default: the only one")
	from := f.String("from", "", "first `DATE`; default: a year before the last run")
	to := f.String("to", "", "last `DATE`; default: the last run")
	in := f.String("units", "", "`SYSTEM`: us or metric; default: metric")
	asJSON := f.Bool("json", false, "print one JSON object")
	if err := a.parse(f, args, 0); err != nil {
		return err
	}
	begin, err1 := dayNamed(*from)
	end, err2 := dayNamed(*to)
	system, ok := units.SystemByName(cmp.Or(*in, "metric"))
	if err1 != nil || err2 != nil || !ok {
		return a.usage(f, "-from %q -to %q -units %q: dates are like 2026-05-04, units us or metric", *from, *to, *in)
	}
	if !end.IsZero() {
		end = end.AddDate(0, 0, 1) // the day named is part of it
	}
	j, err := openArchive(*data)
	if err != nil {
		return err
	}
	defer j.Close()
	zones, err := j.Zones(a.ctx)
	if err != nil {
		return err
	}
	if *zone == "" && len(zones) == 1 {
		*zone = zones[0]
	}
	if *zone == "" {
		return fmt.Errorf("cannot compare the runs of %d zones together: name one with -zone (%q)", len(zones), zones)
	}
	s, err := archive{j}.Season(a.ctx, *zone, begin, end)
	if err != nil {
		return err
	}
	if *asJSON {
		return json.NewEncoder(a.out).Encode(s)
	}
	return printSeason(a.out, s, say.Voice{Units: system})
}

func dayNamed(text string) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	return time.Parse(time.DateOnly, text)
}

// printSeason writes the season for a person.
func printSeason(w io.Writer, s *season.Season, v say.Voice) error {
	if s.Runs == 0 {
		_, err := fmt.Fprintf(w, "no runs of %s in that time\n", s.Zone)
		return err
	}
	fmt.Fprintf(w, "%d runs of %s, %s to %s\n", s.Runs, s.Zone, s.From.Format(time.DateOnly), s.Until.Format(time.DateOnly))
	for i := range s.Series {
		x := &s.Series[i]
		fmt.Fprintf(w, "\n%s (%d runs, %d unknown)\n", v.Say(x.Title), len(x.Points), x.Unknown)
		for _, t := range x.Said {
			fmt.Fprintf(w, "  %s\n", v.Say(t))
		}
	}
	n := &s.Nutrients
	fmt.Fprintf(w, "\nnutrients out: N %.0f g, P2O5 %.0f g, K2O %.0f g in %d runs; of %d more unknown\n", n.Out.N, n.Out.P2O5, n.Out.K2O, n.Runs, n.Unknown)
	if n.Due != nil {
		fmt.Fprintf(w, "  due by the plan: N %.0f g, P2O5 %.0f g, K2O %.0f g. %s\n", n.Due.N, n.Due.P2O5, n.Due.K2O, v.Say(n.Said))
	}
	_, err := fmt.Fprintf(w, "\nalarms: %d in %.1f h watched. %s\n", s.Alarms.Announced, s.Alarms.ObservedH, v.Say(s.Alarms.Said))
	return err
}
