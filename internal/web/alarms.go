package web

import (
	"crypto/rand"
	"net/http"
	"time"

	"boxd/internal/engine"
)

// pastAlarms is how many changes the page lists.
const pastAlarms = 200

// alarmsModel is the page of alarms.
type alarmsModel struct {
	frame
	AlarmsNow
	ActID, By  string
	StaleSec   float64
	Past       []pastLine
	NoArchive  bool
	PastFailed string
}

// AlarmsNow is what changes with each view. It is exported for embedding only.
type AlarmsNow struct {
	Stopped    bool
	StoppedWhy string
	Heard      string
	Offer      may
	Standing   []alarmLine // those that follow from another stand behind it
	Aside      []asideLine
	Rates      []fact
	Flood      bool
}

type asideLine struct {
	alarmLine
	Until string // when it comes back by itself; empty: a person puts it back
}

type pastLine struct{ When, WhenISO, ID, Word, Priority, Mark, Text, By, Run string }

func (s visit) alarmsPage(w http.ResponseWriter, r *http.Request) {
	m := alarmsModel{
		frame: s.frame("alarms"), AlarmsNow: s.alarmsNow(s.core.View().In(s.show.voice)),
		ActID: rand.Text(), By: s.name(""), StaleSec: staleAfter.Seconds(),
	}
	h, ok := s.arch.(Historian)
	if !ok {
		m.NoArchive = true
		writePage(w, http.StatusOK, s.pages().alarms, m)
		return
	}
	past, err := h.Alarms(r.Context(), pastAlarms)
	if err != nil {
		m.PastFailed = err.Error()
	}
	for _, p := range past {
		at := s.local(p.When)
		m.Past = append(m.Past, pastLine{
			When: at.Format("2006-01-02 15:04:05"), WhenISO: at.Format(time.RFC3339), ID: p.ID, Word: s.show.word(p.Word), Priority: s.show.word(p.Priority),
			Mark: alarmMark(p.Priority), Text: p.Text, By: p.By, Run: p.Run,
		})
	}
	writePage(w, http.StatusOK, s.pages().alarms, m)
}

// local is a time in the station's zone.
func (s visit) local(t time.Time) time.Time {
	if s.opts.About.Zone != nil {
		return t.In(s.opts.About.Zone)
	}
	return t.UTC()
}

func (s visit) alarmsNow(v engine.View) AlarmsNow {
	l := s.live(v)
	n := AlarmsNow{Stopped: l.Stopped, StoppedWhy: l.StoppedWhy, Heard: l.Heard, Offer: s.may(), Flood: v.AlarmRates.Flood}
	n.Standing = underCauses(l.Alarms)
	for _, a := range v.Aside {
		line := asideLine{alarmLine: s.alarmLine(v, a)}
		if a.ShelvedUntilT != nil {
			line.Until = s.show.minutes(max(0, *a.ShelvedUntilT-v.T) / 60)
		}
		n.Aside = append(n.Aside, line)
	}
	r, d := v.AlarmRates, s.show
	n.Rates = []fact{
		{d.say("in the last ten minutes"), digits(float64(r.LastTenMinutes), 0), d.say("more than ten are a flood: nobody can follow")},
		{d.say("in the last hour"), digits(float64(r.LastHour), 0), ""},
		{d.say("in the last day"), digits(float64(r.LastDay), 0), d.say("%s h of it watched", digits(r.ObservedH, 1))},
		{d.say("time in flood"), digits(r.FloodPct, 1) + "\u00a0%", ""},
	}
	return n
}

// underCauses puts each alarm that follows from another right after it.
func underCauses(all []alarmLine) []alarmLine {
	var out []alarmLine
	for _, a := range all {
		if a.Cause != "" && stands(all, a.Cause) {
			continue
		}
		out = append(out, a)
		for _, b := range all {
			if b.Cause == a.ID {
				out = append(out, b)
			}
		}
	}
	return out
}

func stands(all []alarmLine, id string) bool {
	for _, a := range all {
		if a.ID == id && a.Cause == "" {
			return true
		}
	}
	return false
}
