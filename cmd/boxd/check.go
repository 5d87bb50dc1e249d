package main

import (
	"boxd/config"
	"boxd/internal/report"
)

func runCheck(a *app, args []string) error {
	f := a.flags("check")
	path := f.String("config", "", "configuration `FILE`")
	asJSON := f.Bool("json", false, "print one JSON object")
	if err := a.parse(f, args, 0); err != nil {
		return err
	}
	if *path == "" {
		return a.usage(f, "-config is needed")
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
	return c.WriteText(a.out)
}
