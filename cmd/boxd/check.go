package main

import (
	"boxd/config"
	"boxd/internal/report"
	"boxd/internal/units"
)

func runCheck(a *app, args []string) error {
	f := a.flags("check")
	path := f.String("config", "", "configuration `FILE`")
	asJSON := f.Bool("json", false, "print one JSON object, always metric")
	in := f.String("units", "", unitsHelp)
	if err := a.parse(f, args, 0); err != nil {
		return err
	}
	if *path == "" {
		return a.usage(f, "-config is needed")
	}
	if !goodUnits(*in) {
		return a.usage(f, "-units %q is none of us, metric, both", *in)
	}
	cfg, err := config.Load(*path)
	if err != nil {
		return err
	}
	c, err := report.Check(cfg)
	if err != nil {
		return err
	}
	if *asJSON {
		return c.WriteJSON(a.out)
	}
	return inUnits(a.out, *in, c.System, func(u units.System) error {
		shown := *c
		shown.System = u
		return shown.WriteText(a.out)
	})
}
