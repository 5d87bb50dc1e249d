package station

import (
	"cmp"
	"encoding/json"
	"math"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"

	"boxd/internal/say"
	"boxd/internal/telemetry"
)

// Standing is how far what is shown of a box can be relied on.
type Standing uint8

// Only Live vouches for the values beside it.
const (
	Unknown  Standing = iota // its status was never heard
	Live                     // online and heard of late
	Starting                 // connected, no reading yet
	Stopped                  // connected, but its core does not work
	Silent                   // the broker takes it for connected, yet nothing came for SilentAfter
	Offline                  // it left, or its will says that it is gone
)

// Say is the word for it.
func (s Standing) Say() say.Text {
	switch s {
	case Live:
		return say.T("live")
	case Starting:
		return say.T("starting")
	case Stopped:
		return say.T("stopped")
	case Silent:
		return say.T("silent")
	case Offline:
		return say.T("offline")
	case Unknown:
	}
	return say.T("unknown")
}

func (s Standing) String() string { return s.Say().String() }

// SilentAfter is when a box that is online but says nothing is no longer taken
// for live: three of the beats at which it repeats what does not change.
const SilentAfter = 3 * telemetry.Beat

// Bounds of what a broker can make a station keep.
const (
	maxBoxes   = 5000
	maxAlarms  = 64 // of one box
	maxPayload = 64 << 10
	maxWords   = 400 // characters of one text
	maxName    = 120
	clockAhead = 5 * time.Second // a box's clock may be ahead by this much
)

// Alarm is one that is not normal, in the box's own words.
type Alarm struct {
	ID, Priority, State, Text string
	Seen                      bool
}

// rank sorts: what calls for somebody first.
func (a Alarm) rank() int {
	r := 5
	switch a.Priority {
	case "critical":
		r = 1
	case "high":
		r = 2
	case "low":
		r = 4
	}
	if a.Seen {
		return r + 10
	}
	return r
}

// Row is what is shown of a box.
type Row struct {
	Box, Zone, Run, Step, Advice string
	Standing                     Standing
	Why                          string // of the standing, in the box's words
	Alarms                       []Alarm
	Percent                      int       // of the step under way; -1: unknown
	Heard                        time.Time // zero: never
	Page                         string    // http or https address of the box's own page; empty: not known
	version                      uint64    // of the fleet when it came to show so
}

// Live says whether the row's values may be taken for what is so now.
func (r Row) Live() bool { return r.Standing == Live }

func (r Row) rank() int {
	switch {
	case len(r.Alarms) > 0:
		return r.Alarms[0].rank()
	case !r.Live():
		return 30
	case r.Run != "":
		return 40
	}
	return 50
}

// Order puts boxes with alarms first, then those not live, then those with a run
// under way; within, by name.
func Order(a, b Row) int {
	return cmp.Or(cmp.Compare(a.rank(), b.rank()), strings.Compare(a.Box, b.Box))
}

// Fleet is what is known of all boxes.
type Fleet struct {
	mu      sync.Mutex // the broker's messages come in, pages and terminals look
	boxes   map[string]*known
	version uint64            // of the newest change that shows
	link    string            // why the broker can't be reached; empty: it can
	refused int               // boxes beyond maxBoxes
	gone    map[string]uint64 // boxes that were taken out, by the version since; maxBoxes at most
}

// known is a box and all that was heard of it.
type known struct {
	row    Row
	status telemetry.StatusWord
	alarms map[string]Alarm
}

// NewFleet knows no box and no broker yet.
func NewFleet() *Fleet {
	return &Fleet{boxes: map[string]*known{}, gone: map[string]uint64{}, link: notYet}
}

const notYet = "not connected yet"

// Link says how the broker is reached; empty is well.
func (f *Fleet) Link(why string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if why != f.link {
		f.link = why
		f.version++
	}
}

// Hear takes a message in. Whatever is no message of a box is passed over: a
// broker may carry anything.
func (f *Fleet) Hear(topic string, payload []byte, kept bool, now time.Time) {
	level := strings.SplitN(topic, "/", 3)
	if len(level) != 3 || level[0] != "boxd" || len(level[1]) == 0 || len(level[1]) > maxName || strings.ContainsFunc(level[1], hidden) || len(payload) > maxPayload {
		return
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	b, rest := f.boxes[level[1]], level[2]
	switch {
	case rest == "status" && len(payload) == 0:
		f.remove(level[1])
		return
	case b == nil && len(f.boxes) >= maxBoxes:
		f.refused++
		return
	case b == nil:
		b = &known{row: Row{Box: level[1], Percent: -1}, alarms: map[string]Alarm{}}
	}
	before := b.row
	if !b.take(rest, payload, kept, now) {
		return
	}
	f.boxes[level[1]] = b
	delete(f.gone, level[1])
	b.stand(now)
	if !same(before, b.row) {
		f.version++
		b.row.version = f.version
	}
}

// remove takes a box out whose kept status was emptied: who clears the topics of a box
// that is no more means so. One that publishes on comes back.
func (f *Fleet) remove(box string) {
	if f.boxes[box] == nil {
		return
	}
	if len(f.gone) >= maxBoxes {
		clear(f.gone) // a page that missed it shows the box until it is loaded again
	}
	delete(f.boxes, box)
	f.version++
	f.gone[box] = f.version
}

// take reads one message; false: it says nothing here. What the broker kept says
// when its box was there by the box's own date, not by when it reached the station.
func (b *known) take(rest string, payload []byte, kept bool, now time.Time) bool {
	ok, will, date := false, false, ""
	switch {
	case rest == "status":
		date, ok = b.takeStatus(payload)
		will = b.status == telemetry.Offline && date == ""
	case rest == "state":
		date, ok = b.takeState(payload)
	case rest == "estimate":
		date, ok = b.takeProgress(payload)
	case strings.HasPrefix(rest, "alarm/"):
		date, ok = b.takeAlarm(payload)
	}
	made, err := time.Parse(time.RFC3339, date)
	if err != nil {
		made = time.Time{} // a will bears no date, nor what comes from a box whose clock is not set
	}
	switch {
	case !ok || will: // a will is the broker's word, not the box's
	case !kept:
		b.row.Heard = now
	case made.After(b.row.Heard) && !made.After(now.Add(clockAhead)):
		b.row.Heard = made
	}
	return ok
}

// dated is what all messages bear.
type dated struct {
	Time string `json:"time"`
}

func (b *known) takeStatus(payload []byte) (date string, ok bool) {
	var m struct {
		dated
		Status telemetry.StatusWord `json:"status"`
		Why    string               `json:"why"`
		Page   string               `json:"page"`
	}
	if json.Unmarshal(payload, &m) != nil {
		return "", false
	}
	b.status, b.row.Why, b.row.Page = m.Status, short(m.Why), address(m.Page)
	return m.Time, true
}

// address is a page's address if it is one that a person may be sent to.
func address(raw string) string {
	u, err := url.Parse(raw)
	if err != nil || len(raw) > maxWords || u.Scheme != "http" && u.Scheme != "https" || u.Hostname() == "" || u.User != nil || strings.ContainsFunc(raw, hidden) {
		return ""
	}
	return u.String()
}

func (b *known) takeState(payload []byte) (date string, ok bool) {
	var m struct {
		dated
		Zone   string `json:"zone"`
		Run    string `json:"run"`
		Step   string `json:"step"`
		Advice string `json:"advice"`
	}
	if json.Unmarshal(payload, &m) != nil {
		return "", false
	}
	b.row.Zone, b.row.Run, b.row.Advice = short(m.Zone), short(m.Run), short(m.Advice)
	if step := short(m.Step); step != b.row.Step {
		b.row.Step, b.row.Percent = step, -1
	}
	return m.Time, true
}

func (b *known) takeProgress(payload []byte) (date string, ok bool) {
	var m struct {
		dated
		Filled   *float64 `json:"filled_pct"`
		Injected *float64 `json:"injected_min"`
		Planned  *float64 `json:"planned_min"`
		Passed   *float64 `json:"flush_passed_l"`
		Needed   *float64 `json:"flush_needed_l"`
	}
	if json.Unmarshal(payload, &m) != nil {
		return "", false
	}
	b.row.Percent = -1
	switch b.row.Step {
	case "pressurise":
		hundred := 100.0
		b.row.Percent = share(m.Filled, &hundred)
	case "inject":
		b.row.Percent = share(m.Injected, m.Planned)
	case "flush":
		b.row.Percent = share(m.Passed, m.Needed)
	}
	return m.Time, true
}

// share is a part of a whole in per cent, rounded down: nothing is done before
// it is.
func share(part, whole *float64) int {
	if part == nil || whole == nil || *whole <= 0 || *part < 0 {
		return -1
	}
	return int(math.Floor(100 * min(1, *part / *whole)))
}

func (b *known) takeAlarm(payload []byte) (date string, ok bool) {
	var m struct {
		dated
		ID       string `json:"id"`
		State    string `json:"state"`
		Priority string `json:"priority"`
		Text     string `json:"text"`
		Seen     bool   `json:"acknowledged"`
		Cause    string `json:"cause"`
	}
	if json.Unmarshal(payload, &m) != nil || m.ID == "" || len(m.ID) > maxName {
		return "", false
	}
	delete(b.alarms, m.ID)
	// One that follows from another, or is set aside, calls nobody.
	if m.Cause == "" && calls(m.State) && len(b.alarms) < maxAlarms {
		b.alarms[m.ID] = Alarm{short(m.ID), priority(m.Priority), short(m.State), short(m.Text), m.Seen}
	}
	b.row.Alarms = make([]Alarm, 0, len(b.alarms))
	for _, a := range b.alarms {
		b.row.Alarms = append(b.row.Alarms, a)
	}
	slices.SortFunc(b.row.Alarms, func(x, y Alarm) int {
		return cmp.Or(cmp.Compare(x.rank(), y.rank()), strings.Compare(x.ID, y.ID))
	})
	return m.Time, true
}

// priority is one of the three, or unknown.
func priority(name string) string {
	if slices.Contains([]string{"critical", "high", "low"}, name) {
		return name
	}
	return "unknown"
}

// calls says whether an alarm in this ISA-18.2 state asks for somebody. A state
// this station does not know does.
func calls(state string) bool {
	return !slices.Contains([]string{"normal", "shelved", "suppressed by design", "out of service"}, state)
}

// stand judges what the box's values are worth.
func (b *known) stand(now time.Time) {
	switch {
	case b.status == telemetry.Offline:
		b.row.Standing = Offline
	case b.status == "":
		b.row.Standing = Unknown
	case now.Sub(b.row.Heard) >= SilentAfter || b.row.Heard.Sub(now) > clockAhead: // also when the station's clock was set back
		b.row.Standing = Silent
	case b.status == telemetry.Online:
		b.row.Standing = Live
	case b.status == telemetry.Starting:
		b.row.Standing = Starting
	case b.status == telemetry.Stopped:
		b.row.Standing = Stopped
	default:
		b.row.Standing = Unknown
	}
}

// same compares what shows. When a live box was heard does not: it is now.
func same(a, b Row) bool {
	if !a.Live() || !b.Live() {
		if !a.Heard.Truncate(time.Second).Equal(b.Heard.Truncate(time.Second)) {
			return false
		}
	}
	return a.Zone == b.Zone && a.Run == b.Run && a.Step == b.Step && a.Advice == b.Advice && a.Standing == b.Standing &&
		a.Why == b.Why && a.Page == b.Page && a.Percent == b.Percent && slices.Equal(a.Alarms, b.Alarms)
}

// short cuts a text and takes out what is not to be seen, such as controls and
// marks that turn the direction of writing.
func short(s string) string {
	s = strings.Map(func(c rune) rune {
		if hidden(c) {
			return -1
		}
		return c
	}, s)
	if r := []rune(s); len(r) > maxWords {
		return string(r[:maxWords-1]) + "…"
	}
	return s
}

// hidden are characters no name of a box bears (telemetry.TopicLevel).
func hidden(c rune) bool { return !unicode.IsPrint(c) || c == unicode.ReplacementChar }

// Picture is the fleet at a moment.
type Picture struct {
	Rows    []Row    // those changed since the version asked for, in order
	Gone    []string // boxes taken out since
	Version uint64   // ask with it the next time
	Link    string   // why nothing here can be relied on; empty: it can
	Refused bool     // more boxes than a station shows
	Total   int
	Alarmed int // boxes with an alarm
	Count   [Offline + 1]int
}

// Since is what changed after a version; 0 is all.
func (f *Fleet) Since(version uint64, now time.Time) Picture {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, b := range f.boxes {
		was := b.row.Standing
		if b.stand(now); b.row.Standing != was {
			f.version++
			b.row.version = f.version
		}
	}
	p := Picture{Version: f.version, Link: f.link, Refused: f.refused > 0, Total: len(f.boxes)}
	for _, b := range f.boxes {
		p.Count[b.row.Standing]++
		if len(b.row.Alarms) > 0 {
			p.Alarmed++
		}
		if b.row.version > version {
			p.Rows = append(p.Rows, b.row)
		}
	}
	for box, since := range f.gone {
		if since > version {
			p.Gone = append(p.Gone, box)
		}
	}
	slices.Sort(p.Gone)
	slices.SortFunc(p.Rows, Order)
	return p
}
