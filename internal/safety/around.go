package safety

import (
	"time"

	"boxd/internal/alarm"
	"boxd/internal/box"
	"boxd/internal/say"
)

// aroundDefinitions are the alarms about what is around the water: the archive,
// the link, the clock. Their delays are common practice, no source.
func aroundDefinitions() []alarm.Definition {
	return []alarm.Definition{
		{ID: "archive-failing", Priority: alarm.High, Respond: time.Hour, Steps: everywhere(),
			Cause:       say.T("the card is full, worn out or write-protected, or the archive is damaged"),
			Consequence: say.T("what happens now is lost if the box loses power"),
			Do:          say.T("Free space on the card or replace it. A word that can't be kept is refused.")},
		{ID: "link-down", Priority: alarm.Low, OnDelay: 2 * time.Minute, OffDelay: 30 * time.Second, Respond: 24 * time.Hour, Steps: everywhere(),
			Cause:       say.T("the network or the server is off, or the password was changed"),
			Consequence: say.T("the station sees nothing new from this box"),
			Do:          say.T("Check the network and the server. What happens is kept and sent once the link is back.")},
		{ID: "clock-jump", Priority: alarm.Low, Respond: 24 * time.Hour, Steps: everywhere(),
			Cause:       say.T("the clock was set, by hand or by the network, or its battery is empty"),
			Consequence: say.T("dates in the record before and after it don't fit together"),
			Do:          say.T("Compare the clock with a watch. If it jumps at each start, replace the clock's battery.")},
	}
}

// ClockJump is how far the clock may be set between two turns without a word.
const ClockJump = 2 * time.Minute

func failing(s box.Surrounding) (active, judged bool) {
	return s.Health == box.Failing, s.Health != box.HealthUnknown
}

// linkText says which link is down.
func linkText(l box.Surrounding) say.Text {
	switch l.To {
	case box.Broker:
		return say.T("No link to the broker: %s.", l.Why)
	case box.Database:
		return say.T("The link to the station's database fails: %s.", l.Why)
	case box.BrokerAndDatabase:
		return say.T("No link to the broker, nor to the station's database: %s.", l.Why)
	case box.FarUnknown:
	}
	return say.T("No link to the station: %s.", l.Why)
}

// clockText says how the clock was set. While nobody looked it alone counted, unless
// it ran backwards.
func clockText(step, unseen time.Duration) say.Text {
	switch passed := step + unseen; {
	case unseen > 0 && passed < 0:
		return say.T("While nobody looked, the clock was set back by at least %v.", -passed)
	case unseen > 0:
		return say.T("The box was off, or its clock was set: by the clock %v passed, %v are counted.", passed, unseen)
	case step < 0:
		return say.T("The clock was set back by %v.", -step)
	}
	return say.T("The clock was set ahead by %v.", step)
}

// seenAround is seen for them.
func (g *Guard) seenAround(id string) say.Text {
	a := &g.around
	switch id {
	case "archive-failing":
		return say.T("The archive needs care: %s.", a.Archive.Why)
	case "link-down":
		return linkText(a.Link)
	case "clock-jump":
		return clockText(a.ClockStep, a.Unseen)
	}
	return say.Text{Format: id}
}
