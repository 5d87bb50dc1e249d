package station

// What is known of boxes is held against the manual's page of MQTT: what each
// topic says, and that kept values count only while the status is online. Times are
// given.

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"boxd/internal/telemetry"

	"github.com/gdamore/tcell/v2"
)

func noon() time.Time { return time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC) }

func statusAt(word telemetry.StatusWord, t time.Time) string {
	return string(telemetry.StatusPayload(word, "", "", t))
}

func stateAt(t time.Time, step, run string) string {
	return fmt.Sprintf(`{"seq":1,"time":%q,"zone":"east","run":%q,"step":%q,"advice":"Open the valve."}`, t.Format(time.RFC3339Nano), run, step)
}

func alarmOf(id, state, priority string) string {
	return fmt.Sprintf(`{"id":%q,"state":%q,"priority":%q,"text":"Something."}`, id, state, priority)
}

func TestStanding(t *testing.T) {
	old, ahead := noon().Add(-time.Hour), noon().Add(time.Hour)
	cases := []struct {
		name          string
		status, state string
		kept          bool
		later         time.Duration
		want          Standing
	}{
		{"heard", statusAt(telemetry.Online, noon()), stateAt(noon(), "flush", "r"), false, 0, Live},
		{"heard, its clock years behind", statusAt(telemetry.Online, old), stateAt(noon().AddDate(-3, 0, 0), "flush", "r"), false, 0, Live},
		{"heard, its clock not set", `{"status":"online","online":true}`, `{"time":"","step":"flush"}`, false, 0, Live},
		{"29 s ago", statusAt(telemetry.Online, noon()), stateAt(noon(), "flush", "r"), false, 29 * time.Second, Live},
		{"30 s ago", statusAt(telemetry.Online, noon()), stateAt(noon(), "flush", "r"), false, 30 * time.Second, Silent},
		{"the station's clock set back", statusAt(telemetry.Online, noon()), stateAt(noon(), "flush", "r"), false, -time.Minute, Silent},
		{"offline by its will", statusAt(telemetry.Offline, time.Time{}), stateAt(noon(), "flush", "r"), false, 0, Offline},
		{"stopped", statusAt(telemetry.Stopped, noon()), stateAt(noon(), "flush", "r"), false, 0, Stopped},
		{"starting", statusAt(telemetry.Starting, noon()), "", false, 0, Starting},
		{"no status", "", stateAt(noon(), "flush", "r"), false, 0, Unknown},
		{"a status of another kind", `{"status":"fine","online":true}`, stateAt(noon(), "flush", "r"), false, 0, Unknown},
		{"kept, of just now", statusAt(telemetry.Online, noon().Add(-8*time.Second)), stateAt(noon().Add(-9*time.Second), "flush", "r"), true, 0, Live},
		{"kept, of long ago", statusAt(telemetry.Online, old), stateAt(old, "flush", "r"), true, 0, Silent},
		{"kept, from a clock ahead", statusAt(telemetry.Online, ahead), stateAt(ahead, "flush", "r"), true, 0, Silent},
		{"kept, without a date", `{"status":"online","online":true}`, `{"step":"flush"}`, true, 0, Silent},
	}
	for _, c := range cases {
		f := NewFleet()
		f.Hear("boxd/north/status", []byte(c.status), c.kept, noon())
		f.Hear("boxd/north/state", []byte(c.state), c.kept, noon())
		p := f.Since(0, noon().Add(c.later))
		if len(p.Rows) != 1 || p.Rows[0].Standing != c.want || p.Count[c.want] != 1 || p.Rows[0].Live() != (c.want == Live) {
			t.Errorf("%s: %+v, want %s", c.name, p.Rows, c.want)
		}
	}
}

// Alarms first, by priority, seen ones after; then who is not live, runs under way,
// the rest.
func TestOrder(t *testing.T) {
	f := NewFleet()
	for _, name := range []string{"quiet", "run", "low", "high", "crit", "strange", "aside", "over", "follows", "seen"} {
		run := ""
		if name == "run" {
			run = "r1"
		}
		f.Hear("boxd/"+name+"/status", []byte(statusAt(telemetry.Online, noon())), false, noon())
		f.Hear("boxd/"+name+"/state", []byte(stateAt(noon(), "ready", run)), false, noon())
	}
	f.Hear("boxd/gone/status", []byte(statusAt(telemetry.Offline, noon())), false, noon())
	for _, m := range [][4]string{
		{"low", "a", "acknowledged", "low"}, {"high", "b", "unacknowledged", "low"}, {"high", "a", "returned unacknowledged", "high"},
		{"crit", "a", "latched unacknowledged", "critical"}, {"strange", "a", "something new", "unheard of"}, {"aside", "a", "shelved", "critical"},
		{"over", "a", "unacknowledged", "critical"}, {"over", "a", "normal", ""},
	} {
		f.Hear("boxd/"+m[0]+"/alarm/"+m[1], []byte(alarmOf(m[1], m[2], m[3])), false, noon())
	}
	f.Hear("boxd/follows/alarm/a", []byte(`{"id":"a","state":"unacknowledged","priority":"high","cause":"b"}`), false, noon())
	f.Hear("boxd/seen/alarm/a", []byte(`{"id":"a","state":"acknowledged","priority":"critical","acknowledged":true}`), false, noon())
	p := f.Since(0, noon())
	var got []string
	for _, r := range p.Rows {
		got = append(got, r.Box)
		if r.Box == "high" && (len(r.Alarms) != 2 || r.Alarms[0].Priority != "high") {
			t.Errorf("a box's alarms stand as %+v", r.Alarms)
		}
	}
	if s := strings.Join(got, " "); s != "crit high low strange seen gone run aside follows over quiet" {
		t.Errorf("they stand as %s", s)
	}
	if p.Total != 11 || p.Alarmed != 5 || p.Count[Live] != 10 || p.Count[Offline] != 1 {
		t.Errorf("counted %d, %d with alarms, %v", p.Total, p.Alarmed, p.Count)
	}
}

// Only what shows otherwise than before is told.
func TestSince(t *testing.T) {
	f := NewFleet()
	say := func(now time.Time, step string, alarms ...string) {
		f.Hear("boxd/a/status", []byte(statusAt(telemetry.Online, now)), false, now)
		f.Hear("boxd/a/state", []byte(stateAt(now, step, "")), false, now)
		for _, a := range alarms {
			f.Hear("boxd/a/alarm/x", []byte(a), false, now)
		}
	}
	raised := alarmOf("x", "unacknowledged", "low")
	say(noon(), "ready", raised)
	at := f.Since(0, noon())
	later := noon().Add(10 * time.Second)
	say(later, "ready", raised)
	if p := f.Since(at.Version, later); len(p.Rows) != 0 {
		t.Errorf("what shows as before is told again: %+v", p.Rows)
	}
	say(later, "ready", alarmOf("x", "normal", ""))
	p := f.Since(at.Version, later)
	if len(p.Rows) != 1 || len(p.Rows[0].Alarms) != 0 {
		t.Errorf("the end of an alarm is told as %+v", p.Rows)
	}
	if len(at.Rows[0].Alarms) != 1 {
		t.Error("a row that was handed out has changed")
	}
	silent := f.Since(p.Version, later.Add(SilentAfter))
	if len(silent.Rows) != 1 || silent.Rows[0].Standing != Silent || !silent.Rows[0].Heard.Equal(later) {
		t.Errorf("silence is told as %+v", silent.Rows)
	}
}

// Who empties a kept status takes the box out, whatever else of it is emptied then; one
// that publishes on comes back.
func TestEmptiedStatus(t *testing.T) {
	f := NewFleet()
	for _, name := range []string{"a", "b"} {
		f.Hear("boxd/"+name+"/status", []byte(statusAt(telemetry.Online, noon())), false, noon())
	}
	at := f.Since(0, noon())
	for _, rest := range []string{"status", "state", "alarm/x", "status"} {
		f.Hear("boxd/a/"+rest, nil, false, noon())
	}
	p := f.Since(at.Version, noon())
	if p.Total != 1 || len(p.Rows) != 0 || fmt.Sprint(p.Gone) != "[a]" {
		t.Errorf("told: %+v", p)
	}
	f.Hear("boxd/a/status", []byte(statusAt(telemetry.Offline, noon())), false, noon())
	if p = f.Since(p.Version, noon()); p.Total != 2 || len(p.Rows) != 1 || len(p.Gone) != 0 {
		t.Errorf("it comes back as %+v", p)
	}
	for i := range maxBoxes + 5 {
		name := fmt.Sprintf("boxd/many-%d/status", i)
		f.Hear(name, []byte(statusAt(telemetry.Online, noon())), false, noon())
		f.Hear(name, nil, false, noon())
	}
	if p = f.Since(0, noon()); p.Total != 2 || len(p.Gone) > maxBoxes {
		t.Errorf("%d boxes, %d taken out", p.Total, len(p.Gone))
	}
}

// A box may send a person to a page of the web, and nowhere else.
func TestPageAddress(t *testing.T) {
	for _, x := range []struct{ says, href string }{
		{"https://north.example:8080/", `href="https://north.example:8080/"`},
		{"http://10.0.0.7/?a=1&b=2", `href="http://10.0.0.7/?a=1&amp;b=2"`},
		{`https://h/"onmouseover="alert(1)`, `href="https://h/%22onmouseover=%22alert%281%29"`},
		{"javascript:alert(1)", ""}, {"JavaScript://h/%0aalert(1)", ""}, {"data:text/html,x", ""}, {"//h/", ""}, {"https:///x", ""}, {"https://u:p@h/", ""},
		{"https://h/\u202e", ""}, {"https://h/" + strings.Repeat("a", maxWords), ""}, {"/x", ""},
	} {
		f := NewFleet()
		f.Hear("boxd/a/status", []byte(fmt.Sprintf(`{"status":"online","page":%q}`, x.says)), false, noon())
		r := f.Since(0, noon()).Rows[0]
		var b bytes.Buffer
		pg := &page{o: Options{Zone: time.UTC}}
		if err := parse(nil).ExecuteTemplate(&b, "row", pg.shown(r, noon())); err != nil {
			t.Fatal(err)
		}
		if html := b.String(); strings.Contains(html, "<a ") != (x.href != "") || !strings.Contains(html, x.href) {
			t.Errorf("%s is drawn so: %s", x.says, html)
		}
		checkDrawn(t, r)
	}
}

// Readers of a language share what is drawn, and none gets a row of before.
func TestRowsAreDrawnOnce(t *testing.T) {
	f := NewFleet()
	pg := &page{fleet: f, o: Options{Zone: time.UTC}}
	w := newRows(parse(nil))
	for i, step := range []string{"flush", "flush", "secure"} {
		f.Hear("boxd/a/state", []byte(stateAt(noon(), step, "r")), false, noon())
		list, err := w.draw(pg, f.Since(0, noon()), noon())
		var got []drawn
		if err != nil || json.Unmarshal(list, &got) != nil || len(got) != 1 || got[0].Box != "a" || !strings.Contains(got[0].HTML, step) {
			t.Errorf("%d: %s, %v", i, list, err)
		}
	}
	f.Hear("boxd/a/status", nil, false, noon())
	if list, err := w.draw(pg, f.Since(0, noon()), noon()); string(list) != "[]" || err != nil || len(w.kept) != 0 {
		t.Errorf("kept of a box that is gone: %s, %v", list, w.kept)
	}
}

func BenchmarkHear(b *testing.B) {
	f := NewFleet()
	progress := []byte(`{"time":"2026-05-04T12:00:00Z","filled_pct":100,"flow_lpm":19.6,"injected_min":12,"planned_min":40,"stock_l":{"drawn":1,"by_ec":2},"quality":{"ec_end_us_cm":"bad"}}`)
	b.ReportAllocs()
	for b.Loop() {
		f.Hear("boxd/a/estimate", progress, false, noon())
	}
}

// BenchmarkRead is what one reader more costs while all of 1,000 boxes change.
func BenchmarkRead(b *testing.B) {
	f := NewFleet()
	for i := range 1000 {
		f.Hear(fmt.Sprintf("boxd/box-%d/state", i), []byte(stateAt(noon(), "flush", "r")), false, noon())
	}
	pg := &page{fleet: f, o: Options{Zone: time.UTC}}
	w := newRows(parse(nil))
	for b.Loop() {
		if _, err := w.draw(pg, f.Since(0, noon()), noon()); err != nil {
			b.Fatal(err)
		}
	}
}

func TestHostile(t *testing.T) {
	f := NewFleet()
	for _, m := range [][2]string{
		{"boxd/a\u202eb/state", "{}"}, {"boxd/a\x1b[2J/state", "{}"}, {"boxd//state", "{}"}, {"boxd/a", "{}"}, {"other/a/state", "{}"}, {"", ""},
		{"boxd/" + strings.Repeat("a", maxName+1) + "/state", "{}"}, {"boxd/a/state", `{"step":"` + strings.Repeat("a", maxPayload) + `"}`},
	} {
		f.Hear(m[0], []byte(m[1]), false, noon())
	}
	if p := f.Since(0, noon()); p.Total != 0 {
		t.Errorf("taken: %+v", p.Rows)
	}
	for _, m := range [][2]string{
		{"status", "{"}, {"status", "[]"}, {"status", `{"status":7}`}, {"state", `{"step":{}}`}, {"state", "\xff\xfe"}, {"state", `{"time":3}`},
		{"alarm/x", `{"id":"x","state":[]}`}, {"alarm/x", "17"}, {"alarm/x", `{"state":"unacknowledged"}`}, {"estimate", `{"filled_pct":"many"}`},
	} {
		f.Hear("boxd/a/"+m[0], []byte(m[1]), false, noon())
	}
	if p := f.Since(0, noon()); len(p.Rows) > 0 && (p.Rows[0].Standing != Unknown || !p.Rows[0].Heard.IsZero() || p.Alarmed > 0) {
		t.Errorf("what can't be read has said %+v", p.Rows)
	}
	f.Hear("boxd/<b>x/state", []byte(`{"step":"<script>alert(1)</script>%d`+strings.Repeat("x", 500)+`","zone":"\u0000\u001b[31m\u202e"}`), false, noon())
	for i := range maxAlarms + 5 {
		f.Hear("boxd/<b>x/alarm/x", []byte(alarmOf(fmt.Sprint("<i>", i), "unacknowledged", `"><script>`)), false, noon())
	}
	p := f.Since(0, noon())
	r := p.Rows[0]
	if len(r.Alarms) != maxAlarms || r.Zone != "[31m" || len(r.Step) > maxWords+3 {
		t.Errorf("%d alarms, zone %q, step of %d", len(r.Alarms), r.Zone, len(r.Step))
	}
	checkDrawn(t, r)
	for i := range maxBoxes + 5 {
		f.Hear(fmt.Sprintf("boxd/many-%d/state", i), []byte("{}"), false, noon())
	}
	if p := f.Since(0, noon()); p.Total != maxBoxes || !p.Refused {
		t.Errorf("no bound: %d boxes, refused %v", p.Total, p.Refused)
	}
}

// checkDrawn draws a row on a page and a terminal: it is one row, in which nothing of
// the box's is a tag.
func checkDrawn(t *testing.T, r Row) {
	t.Helper()
	pg := &page{o: Options{Zone: time.UTC}}
	var b bytes.Buffer
	if err := parse(nil).ExecuteTemplate(&b, "row", pg.shown(r, noon())); err != nil {
		t.Fatal(err)
	}
	if html := b.String(); strings.Count(html, "<tr") != 1 || strings.Contains(html, "<script") || strings.Contains(html, "<b>") || strings.Contains(html, "<i>") {
		t.Errorf("drawn: %s", html)
	}
	if strings.ContainsFunc(text(r), hidden) {
		t.Errorf("on a terminal: %q", text(r))
	}
}

func FuzzHear(f *testing.F) {
	f.Add("boxd/a/state", []byte(stateAt(noon(), "flush", "r")), true)
	f.Add("boxd/a/status", []byte(statusAt(telemetry.Stopped, noon())), true)
	f.Add("boxd/a/alarm/x", []byte(alarmOf("x", "unacknowledged", "high")), false)
	f.Add("boxd/a/estimate", []byte(`{"filled_pct":1e308}`), false)
	f.Add("boxd/<b>/alarm/\u202e", []byte(`{"id":"</tr><script>","state":"?"}`), false)
	f.Fuzz(func(t *testing.T, topic string, payload []byte, kept bool) {
		fl := NewFleet()
		fl.Hear("boxd/a/state", []byte(stateAt(noon(), "flush", "r")), true, noon())
		fl.Hear(topic, payload, kept, noon())
		for _, r := range fl.Since(0, noon()).Rows {
			checkDrawn(t, r)
			if r.Live() && (r.Heard.IsZero() || r.Percent > 100) {
				t.Errorf("live: %+v", r)
			}
		}
	})
}

// The terminal shows what is not live dimmed, and survives any size and filter.
func TestDraw(t *testing.T) {
	f := NewFleet()
	f.Link("")
	f.Hear("boxd/a/status", []byte(statusAt(telemetry.Online, noon())), false, noon())
	f.Hear("boxd/a/state", []byte(stateAt(noon(), "flush", "r")), false, noon())
	for _, later := range []time.Duration{0, time.Minute} {
		for _, size := range [][2]int{{1, 1}, {20, 2}, {120, 10}} {
			s := tcell.NewSimulationScreen("UTF-8")
			if err := s.Init(); err != nil {
				t.Fatal(err)
			}
			s.SetSize(size[0], size[1])
			for _, filter := range []string{"", "none such"} {
				draw(s, f.Since(0, noon().Add(later)), &looking{filter: filter, top: 7})
			}
			draw(s, f.Since(0, noon().Add(later)), &looking{})
			cells, w, _ := s.GetContents()
			if w == 120 {
				_, _, attr := cells[w].Style.Decompose()
				if dim := attr&tcell.AttrDim != 0; dim != (later > 0) {
					t.Errorf("after %s: dimmed %v", later, dim)
				}
			}
			s.Fini()
		}
	}
}
