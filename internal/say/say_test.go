package say_test

// A sentence is checked in two languages and two systems of units; the factors
// behind the units are checked where they are defined.

import (
	"testing"
	"time"

	"boxd/internal/say"
	"boxd/internal/units"
)

func TestVoices(t *testing.T) {
	spanish := say.Messages{
		"Supply pressure is %v, below %v.": "La presión es %v; el mínimo es %v.",
		"%v after %v":                      "%[2]v antes de %[1]v",
		"100 % clean":                      "100 % limpia",
	}
	low := say.T("Supply pressure is %v, below %v.", units.KPa(50), units.KPa(70))
	for _, c := range []struct {
		voice say.Voice
		text  say.Text
		want  string
	}{
		{say.Voice{}, low, "Supply pressure is 50.0 kPa, below 70.0 kPa."},
		{say.Voice{Units: units.US}, low, "Supply pressure is 7.3 psi, below 10.2 psi."},
		{say.Voice{Messages: spanish}, low, "La presión es 50.0 kPa; el mínimo es 70.0 kPa."},
		{say.Voice{Messages: spanish}, say.T("%v after %v", say.T("100 % clean"), 90*time.Second), "1 min 30 s antes de 100 % limpia"},
		{say.Voice{Messages: spanish}, say.T("not translated"), "not translated"},
		{say.Voice{}, say.T("%v", say.List{Of: []say.Text{say.T("a"), low}, Sep: "; "}), "a; Supply pressure is 50.0 kPa, below 70.0 kPa."},
		{say.Voice{}, say.T("due on %v, %v", time.Date(2027, 4, 2, 0, 0, 0, 0, time.UTC), units.Ratio(0.02)), "due on 2027-04-02, 2.0 %"},
		{say.Voice{Units: units.US}, say.T("%v at %v, %v", units.Litre(3.785412), units.LPerH(227.12472), units.Celsius(0)), "1.0 gal at 1.00 gal/min, 32.0 °F"},
	} {
		if got := c.voice.Say(c.text); got != c.want {
			t.Errorf("got  %s\nwant %s", got, c.want)
		}
	}
}
