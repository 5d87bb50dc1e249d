package box

// The nouns are the contract's words: the trace columns and event words are
// written here as the contract spells them, not as the code does.

import (
	"encoding/json"
	"strings"
	"testing"

	"boxd/internal/units"
)

const columns = `supply_kpa filter_out_kpa injector_in_kpa injector_out_kpa header_kpa main_flow_lpm injector_flow_lpm
	stock_draw_lpm ec_box_us_cm ec_end_us_cm water_c box_air_c outside_air_c`

func TestColumns(t *testing.T) {
	names, tags := strings.Fields(columns), map[string]bool{}
	if len(names) != int(NumChannels)-1 {
		t.Fatalf("%d columns for %d channels", len(names), NumChannels-1)
	}
	for i, name := range names {
		c, ok := ChannelByColumn(name)
		if !ok || c != Channel(i+1) || c.Info().Column != name {
			t.Errorf("%s: channel %d, %v", name, c, ok)
		}
		in := c.Info()
		if in.Name == "" || in.Unit == "" || c.String() != in.Tag || tags[in.Tag] {
			t.Errorf("%s: %+v", name, in)
		}
		tags[in.Tag] = true
		unit := map[string]string{"kpa": "kPa", "lpm": "L/min", "cm": "µS/cm", "c": "°C"}[name[strings.LastIndex(name, "_")+1:]]
		if in.Unit != unit {
			t.Errorf("%s is in %s", name, in.Unit)
		}
	}
	for _, name := range []string{"", "time_s", "event", "Supply_kpa"} {
		if c, ok := ChannelByColumn(name); ok || c != UnknownChannel {
			t.Errorf("%q is channel %v", name, c)
		}
	}
	if NumChannels.Info() != UnknownChannel.Info() || Channel(200).String() != "?" {
		t.Error("a channel nobody knows is unknown")
	}
}

const words = `run_start main_open main_closed injector_on injector_off loop_throttled loop_opened filter_cleaned stock_in stock_out run_end`

func TestDeeds(t *testing.T) {
	for i, w := range strings.Fields(words) {
		d, ok := DeedByWord(w)
		if !ok || d != Deed(i+1) || d.String() != w {
			t.Errorf("%s: %v, %v", w, d, ok)
		}
	}
	if n := len(strings.Fields(words)); n != int(NumDeeds)-1 {
		t.Errorf("%d words for %d deeds", n, NumDeeds-1)
	}
	for _, w := range []string{"", "unknown", "MAIN_OPEN", "# remark"} {
		if _, ok := DeedByWord(w); ok {
			t.Errorf("%q is a deed", w)
		}
	}
	if Deed(200).String() != "unknown" {
		t.Error("a deed nobody knows is unknown")
	}
}

// TestWire: what goes on the wire are words, never numbers.
func TestWire(t *testing.T) {
	b, err := json.Marshal([]any{Good, Uncertain, Bad, QualityUnknown, Quality(9), Failure, CheckFunction, OutOfSpecification, MaintenanceRequired, NoCause,
		MainOpen, Confirm, Report, Acknowledge, Reset, UnknownAction})
	want := `["good","uncertain","bad","unknown","unknown","failure","check function","out of specification","maintenance required","",` +
		`"main_open","confirm","report","acknowledge","reset","unknown"]`
	if err != nil || string(b) != want {
		t.Errorf("%s, %v; want %s", b, err, want)
	}
}

// TestUsable: bad and unheard values are not to be used.
func TestUsable(t *testing.T) {
	for q, want := range map[Quality]bool{QualityUnknown: false, Good: true, Uncertain: true, Bad: false} {
		if got := (&Reading[units.KPa]{Value: 1, Quality: q}).Usable(); got != want {
			t.Errorf("%v: usable %v", q, got)
		}
	}
}
