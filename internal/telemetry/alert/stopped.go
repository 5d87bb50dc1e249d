package alert

import (
	"strconv"
	"time"
)

// Stopped is the note that the core has been silent since then: nothing the box
// says counts any more. why may be empty.
func (s Style) Stopped(box string, since time.Time, why string) Note {
	text := "Do not rely on the box: its core has stopped. Look at the valves yourself."
	if why != "" {
		text += " " + oneLine(why)
	}
	return Note{
		ID:    box + "-stopped-" + strconv.FormatInt(since.UnixNano(), 10),
		Title: cut(box+": STOPPED", maxTitle), Text: cut(text, maxText), Link: s.Page, Priority: Critical,
	}
}

// Resumed is the note that takes back Stopped.
func (s Style) Resumed(box string, since time.Time) Note {
	return Note{
		ID:    box + "-resumed-" + strconv.FormatInt(since.UnixNano(), 10),
		Title: cut(box+": works again", maxTitle), Text: "The core works again. What the water did meanwhile was not seen: look at the page.", Link: s.Page, Priority: High,
	}
}
