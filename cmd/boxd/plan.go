package main

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"

	"boxd/config"
	"boxd/internal/dosing"
	"boxd/internal/say"
	"boxd/internal/units"
)

func runPlan(a *app, args []string) error {
	f := a.flags("plan")
	path := f.String("config", "", "configuration `FILE`")
	zone := f.String("zone", "", "zone `NAME`; default: the only one")
	feed := f.String("feed", "", "feed `NAME`; default: the only one")
	asJSON := f.Bool("json", false, "print one JSON object, always metric")
	in := f.String("units", "", unitsHelp)
	if err := a.parse(f, args, 0); err != nil {
		return err
	}
	cfg, err := a.load(f, *path, *in)
	if err != nil {
		return err
	}
	p, err := makePlan(cfg, *zone, *feed)
	if err != nil {
		return err
	}
	if *asJSON {
		return json.NewEncoder(a.out).Encode(p)
	}
	return inUnits(a.out, *in, cfg.Box.Units, func(u units.System) error { return writePlan(a.out, p, u) })
}

func makePlan(cfg *config.Config, zone, feed string) (dosing.Plan, error) {
	z, err := cfg.Zone(zone)
	if err != nil {
		return dosing.Plan{}, err
	}
	fd, err := cfg.Feed(feed)
	if err != nil {
		return dosing.Plan{}, err
	}
	if fd.Zone != "" && fd.Zone != z.Name {
		return dosing.Plan{}, fmt.Errorf("%s: feed %s is for zone %s, not %s; name another feed with -feed", cfg.Name, fd.Name, fd.Zone, z.Name)
	}
	m, err := cfg.Model(z)
	if err != nil {
		return dosing.Plan{}, err
	}
	return cfg.DosePlan(fd, m)
}

func writePlan(w io.Writer, p dosing.Plan, u units.System) error {
	var b strings.Builder
	fmt.Fprintf(&b, "Plan for zone %s, feed %s\n\n", p.Zone, p.Feed)
	fmt.Fprintf(&b, "wanted    %s of %s (%s)\n", u.Mass(p.Wanted.Mass), p.Wanted.Nutrient, p.Wanted.Rate)
	for _, t := range p.Tanks {
		writeTank(&b, t, u)
	}
	fmt.Fprintf(&b, "\ndial      %s\n", p.Injector.DialText)
	for _, s := range p.Stages {
		fmt.Fprintf(&b, "%-9s %s", s.Name, units.Elapsed(s.For.Duration()))
		fmt.Fprintf(&b, ", %s past the box\n", u.Volume(s.Pass))
	}
	fmt.Fprintf(&b, "in all    %s, %s of water\n", units.Elapsed(p.Total.Duration()), u.Volume(p.Applied))
	voice := say.Voice{Units: u}
	section(&b, "taken to mean", voice.Each(p.Conventions))
	var warn, caution []string
	for _, x := range p.Warnings {
		warn = append(warn, x.Severity.String()+": "+voice.Say(x.Text))
	}
	for _, x := range p.Cautions {
		caution = append(caution, voice.Say(x.Text))
	}
	section(&b, "warnings", warn)
	section(&b, "cautions", caution)
	_, err := io.WriteString(w, b.String())
	return err
}

func writeTank(b *strings.Builder, t dosing.TankPlan, u units.System) {
	fmt.Fprintf(b, "\ntank %s\n", t.Name)
	for _, x := range t.Weigh {
		fmt.Fprintf(b, "weigh     %s of %s\n", u.Mass(x.Mass), x.Product)
	}
	fmt.Fprintf(b, "dissolve  in about %s, make up to %s (%s; %s)\n", u.Volume(t.Dissolve), u.Volume(t.Stock), u.Concentration(t.Strength), say.Voice{Units: u}.Say(t.StrengthFrom))
	if t.ECKnown {
		fmt.Fprintf(b, "line EC   rises by %s to %s\n", u.Conductivity(t.ECRise), u.Conductivity(t.LineEC))
	} else {
		fmt.Fprintf(b, "line EC   unknown: %s\n", t.ECWhy)
	}
}

func section(b *strings.Builder, title string, lines []string) {
	if len(lines) == 0 {
		return
	}
	fmt.Fprintf(b, "\n%s\n", title)
	for _, l := range lines {
		fmt.Fprintf(b, "  - %s\n", l)
	}
}
