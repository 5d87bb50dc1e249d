package main

import (
	"cmp"
	"fmt"
	"time"

	"boxd/config"
	"boxd/internal/box"
	"boxd/internal/calibration"
	"boxd/internal/journal"
	"boxd/internal/say"
	"boxd/internal/web"
)

// kept is the configuration that was in force in a run.
func kept(r journal.Run) (*config.Config, error) {
	return config.Parse("the configuration kept with run "+r.ID, []byte(r.Config))
}

// teller says what a run's page says beyond what the archive can tell.
type teller struct{ to web.Reader }

func (t teller) say(format string, args ...any) string {
	return t.to.Voice.Say(say.Text{Format: format, Args: args})
}

// background is what a run's page says of its configuration. One that this version
// can't read says nothing.
func (t teller) background(acc *journal.Account) journal.Background {
	r := acc.Run
	back := journal.Background{Voice: t.to.Voice, Lang: t.to.Lang}
	cfg, err := kept(r)
	if err != nil {
		return back
	}
	probe := t.say("none: the flush is judged by volume")
	if cfg.Probe.Zone == r.Zone {
		probe = t.say("yes, its lag is %v", cfg.Probe.Lag)
	}
	inj := cfg.Injector
	back.Zone = cfg.Box.Timezone
	back.Groups = []journal.Group{
		{Title: t.say("Set-up"), Facts: [][2]string{
			{t.say("Injector"), fmt.Sprintf("%.4g %%, %s", 100*float64(inj.Ratio), inj.Convention)},
			{t.say("Feed planned"), cmp.Or(cfg.Plan.Feed, t.say("none"))},
			{t.say("Probe at the line end"), probe}}},
		{Title: t.say("Backflow protection as its owner declared it"), Facts: t.papers(cfg)},
		{Title: t.say("Calibration"), Facts: t.calibrated(cfg, acc)},
	}
	return back
}

func (t teller) papers(cfg *config.Config) [][2]string {
	b, unsaid := cfg.Backflow, t.say("not stated")
	if !b.Declared {
		return [][2]string{{t.say("device"), t.say("none declared")}}
	}
	return [][2]string{{t.say("device"), b.Device}, {t.say("place"), cmp.Or(b.Place, unsaid)}, {t.say("last test"), cmp.Or(date(b.LastTest), unsaid)},
		{t.say("next due"), cmp.Or(date(b.NextDue), unsaid)}, {t.say("tester"), cmp.Or(b.Tester, unsaid)}}
}

// calibrated is when each channel was calibrated: by the record in force at the
// run's start, else by the configuration.
func (t teller) calibrated(cfg *config.Config, acc *journal.Account) [][2]string {
	var facts [][2]string
	recorded := map[string]bool{}
	for i := range acc.Calibrations {
		r := &acc.Calibrations[i]
		recorded[r.Channel] = true
		facts = append(facts, [2]string{t.channel(r.Channel), t.record(r, acc.Run.Start)})
	}
	for _, s := range cfg.Sensors {
		if column := s.Channel.Info().Column; !recorded[column] {
			facts = append(facts, [2]string{t.channel(column), cmp.Or(date(s.Calibrated), t.say("not stated"))})
		}
	}
	if facts == nil {
		return [][2]string{{t.say("all channels"), t.say("nothing is stated of when they were calibrated")}}
	}
	return facts
}

// channel is the tag and name of a column's channel, or the injector.
func (t teller) channel(column string) string {
	c, ok := box.ChannelByColumn(column)
	if !ok {
		return t.say("Injector")
	}
	return c.Info().Tag + " " + t.say(c.Info().Name)
}

// record is one calibration as of start.
func (t teller) record(r *calibration.Record, start time.Time) string {
	text := t.say("%s by %s, against %s: %v; next due %s", date(r.Wall), r.By, cmp.Or(r.Standard.Name, t.say("not stated")), r.Said(), date(r.Next))
	if r.Overdue(start) {
		text += " ▲ " + t.say("overdue since %s", date(r.Next))
	}
	return text
}

// date is a day, empty where it is not known.
func date(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Format(time.DateOnly)
}
