package alert

import (
	"strconv"
	"time"
)

// Stopped is the note that the core has been silent since then: nothing the box
// says counts any more. why may be empty.
func (s Style) Stopped(box string, since time.Time, why string) Note {
	text := s.say("Do not rely on the box: its core has stopped. Look at the valves yourself.")
	if why != "" {
		text += " " + oneLine(why)
	}
	return Note{
		ID:    box + "-stopped-" + strconv.FormatInt(since.UnixNano(), 10),
		Title: cut(box+": "+s.say("STOPPED"), maxTitle), Text: cut(text, maxText), Link: s.Page, Priority: Critical,
	}
}

// Resumed is the note that takes back Stopped.
func (s Style) Resumed(box string, since time.Time) Note {
	return Note{
		ID:    box + "-resumed-" + strconv.FormatInt(since.UnixNano(), 10),
		Title: cut(box+": "+s.say("works again"), maxTitle), Text: cut(s.say("The core works again. What the water did meanwhile was not seen: look at the page."), maxText), Link: s.Page, Priority: High,
	}
}

// Test is the note that tries a target.
func (s Style) Test(box string, at time.Time) Note {
	return Note{ID: "test-" + at.UTC().Format(time.RFC3339), Title: cut(box+": "+s.say("test"), maxTitle),
		Text: cut(s.say("1 test message, nothing is wrong: alerts of this box reach you."), maxText), Link: s.Page, Priority: Low}
}

// Unsaved marks the title of a note of what the archive could not take.
func (s Style) Unsaved(title string) string { return title + " (" + s.say("not saved") + ")" }
