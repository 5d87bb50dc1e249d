package main

import (
	"fmt"

	"boxd/internal/watch"
)

func runWatch(a *app, args []string) error {
	f := a.flags("watch")
	o := watch.Options{}
	f.StringVar(&o.URL, "url", "http://127.0.0.1:8080", "`URL` of the box's page")
	f.StringVar(&o.Fingerprint, "fingerprint", "", "`SHA256` of a self-made certificate, as boxd prints it when it starts")
	f.StringVar(&o.Units, "units", "", "us or metric; default: the box's own")
	if err := a.parse(f, args, 0); err != nil {
		return err
	}
	if o.Units != "" && o.Units != "us" && o.Units != "metric" {
		return a.usage(f, "-units takes us or metric")
	}
	if err := watch.Run(a.ctx, o); err != nil {
		return fmt.Errorf("cannot watch: %w", err)
	}
	return nil
}
