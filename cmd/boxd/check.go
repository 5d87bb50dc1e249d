package main

import (
	"flag"

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
	cfg, err := a.load(f, *path, *in)
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

// load reads the configuration a printing command was called with.
func (a *app) load(f *flag.FlagSet, path, in string) (*config.Config, error) {
	switch {
	case path == "":
		return nil, a.usage(f, "-config is needed")
	case !goodUnits(in):
		return nil, a.usage(f, "-units %q is none of us, metric, both", in)
	}
	return config.Load(path)
}
