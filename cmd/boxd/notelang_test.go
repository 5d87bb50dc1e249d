package main

import (
	"strings"
	"testing"

	"boxd/config"
	"boxd/internal/engine"
	"boxd/internal/safety"
	"boxd/internal/say"
	"boxd/internal/web"
)

// TestNotesInEachLanguage: every alarm has a name in every language, and what stands is
// told in the target's own, whatever language the box keeps its events in.
func TestNotesInEachLanguage(t *testing.T) {
	all := config.Languages()
	if len(web.Languages()) != len(all)-1 {
		t.Fatalf("the pages speak %d languages besides, alerts %v", len(web.Languages()), all)
	}
	cfg := &config.Config{}
	for _, lang := range all[1:] {
		own, english := style(cfg, lang), style(cfg, all[0])
		if own.Messages == nil {
			t.Fatalf("no messages in %s", lang)
		}
		for _, d := range safety.Definitions() {
			e := engine.Event{Kind: engine.AlarmEvent, ID: d.ID, State: "raised", Priority: "high", Text: "in the box's language"}
			text := say.T("flush done")
			v := &engine.View{Alarms: []engine.AlarmView{{ID: d.ID, Active: true, Text: e.Text, Said: engine.AlarmSaid{Text: text, Do: d.Do}}}}
			n, _ := own.FromEvent("north", e, v)
			other, _ := english.FromEvent("north", e, v)
			if n.Title == other.Title || !strings.HasPrefix(n.Text, say.Voice{Messages: own.Messages}.Say(text)) {
				t.Errorf("%s in %s: %q, %q", d.ID, lang, n.Title, n.Text)
			}
			// What stands no more is told as it was kept.
			if n, _ := own.FromEvent("north", e, &engine.View{}); !strings.Contains(n.Text, e.Text) {
				t.Errorf("%s past: %q", d.ID, n.Text)
			}
		}
	}
}
