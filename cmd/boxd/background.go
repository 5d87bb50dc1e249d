package main

import (
	"cmp"
	"fmt"
	"time"

	"boxd/config"
	"boxd/internal/journal"
)

// kept is the configuration that was in force in a run.
func kept(r journal.Run) (*config.Config, error) {
	return config.Parse("the configuration kept with run "+r.ID, []byte(r.Config))
}

// background is what a run's page says beyond what the archive can tell. A
// configuration that this version can't read says nothing.
func background(r journal.Run) journal.Background {
	cfg, err := kept(r)
	if err != nil {
		return journal.Background{}
	}
	inj := cfg.Injector
	facts := [][2]string{
		{"Injector", fmt.Sprintf("ratio %.4g %%, %s", 100*float64(inj.Ratio), inj.Convention)},
		{"Feed planned", cmp.Or(cfg.Plan.Feed, "none")},
	}
	if cfg.Probe.Zone == r.Zone {
		facts = append(facts, [2]string{"Probe at the line end", "yes, lag " + cfg.Probe.Lag.String()})
	} else {
		facts = append(facts, [2]string{"Probe at the line end", "none: the flush is judged by volume"})
	}
	return journal.Background{Zone: cfg.Box.Timezone, Groups: []journal.Group{
		{Title: "Set-up", Facts: facts},
		{Title: "Backflow protection as its owner declared it", Facts: papers(cfg)},
		{Title: "Calibration", Facts: calibrated(cfg)},
	}}
}

func papers(cfg *config.Config) [][2]string {
	b := cfg.Backflow
	if !b.Declared {
		return [][2]string{{"Device", "none declared"}}
	}
	return [][2]string{{"Device", b.Device}, {"Place", cmp.Or(b.Place, "not said")}, {"Last test", date(b.LastTest)}, {"Next due", date(b.NextDue)}, {"Tester", cmp.Or(b.Tester, "not said")}}
}

// calibrated is what the configuration says of when each channel was calibrated.
func calibrated(cfg *config.Config) [][2]string {
	var facts [][2]string
	for _, s := range cfg.Sensors {
		facts = append(facts, [2]string{s.Channel.Info().Tag + " " + s.Channel.Info().Name, date(s.Calibrated)})
	}
	if facts == nil {
		return [][2]string{{"All channels", "nothing is said of when they were calibrated"}}
	}
	return facts
}

func date(t time.Time) string {
	if t.IsZero() {
		return "not said"
	}
	return t.Format(time.DateOnly)
}
