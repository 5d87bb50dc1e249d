package telemetry

import (
	"encoding/json"
	"fmt"
	"strconv"

	"boxd/internal/engine"
)

// Live is one live value: retained, the latest only.
type Live struct {
	Topic string
	Key   []byte // what counts as a change: the payload without age, seq and time
	Still bool   // sent on change only, without the beat

	head, age []byte // objects before and after the key
}

// Payload is the message. It is put together when it is sent: most are not.
func (m *Live) Payload() []byte { return splice(m.head, splice(m.Key, m.age)) }

// Shaper writes the live messages of a box's views. It belongs to one goroutine.
type Shaper struct {
	box    string
	alarms []string // the ids of all there are
	topics map[string]string
	rest   map[string][]byte // an alarm at rest, by its id: the same at each view

	head []byte
	out  []Live
	err  error // the first one
}

// NewShaper makes a shaper. alarms are the ids of all alarms there are: one that does
// not stand is written as normal, so that a retained alarm of an earlier life of the
// daemon does not stand for ever.
func NewShaper(box string, alarms []string) *Shaper {
	return &Shaper{box: box, alarms: alarms, topics: map[string]string{}, rest: map[string][]byte{}}
}

// Shape writes the messages of a view. The list is the shaper's until the next.
func (s *Shaper) Shape(v *engine.View) ([]Live, error) {
	s.head, s.out, s.err = headOf(v), s.out[:0], nil
	s.add("state", stateOf(v))
	s.add("estimate", estimates{v.Progress, doubts(v.Estimates)})
	s.add("dose", doseOf(v))
	s.add("advice", struct {
		Advice *engine.AdviceView `json:"advice"`
	}{v.Advice})
	if v.Board != nil {
		s.add("board", struct {
			Readings []engine.BoardView `json:"readings"`
		}{v.Board})
	}
	for i := range v.Channels {
		s.addChannel(&v.Channels[i])
	}
	s.addAlarms(v)
	s.addMeta(v)
	return s.out, s.err
}

// topic is the topic of a rest that comes again with each view.
func (s *Shaper) topic(rest string) string {
	t, ok := s.topics[rest]
	if !ok {
		t = Topic(s.box, rest)
		s.topics[rest] = t
	}
	return t
}

// headOf is seq and time, written by hand: neither needs escaping.
func headOf(v *engine.View) []byte {
	return []byte(`{"seq":` + strconv.FormatUint(v.Seq, 10) + `,"time":"` + stamp(v.Wall) + `"}`)
}

func (s *Shaper) add(rest string, body any) { s.addAs(rest, body, nil, false) }

func (s *Shaper) addAs(rest string, body any, age []byte, still bool) {
	if b, ok := s.json(rest, body); ok {
		s.out = append(s.out, Live{Topic: s.topic(rest), Key: b, Still: still, head: s.head, age: age})
	}
}

func (s *Shaper) json(rest string, body any) ([]byte, bool) {
	b, err := json.Marshal(body)
	if err != nil && s.err == nil {
		s.err = fmt.Errorf("cannot shape %s: %w", s.topic(rest), err)
	}
	return b, err == nil
}

// estimates are the progress, with the quality of each estimate behind it that is
// not good, by the estimate's name.
type estimates struct {
	engine.Progress
	Quality map[string]string `json:"quality"`
}

func doubts(list []engine.EstimateView) map[string]string {
	out := map[string]string{}
	for _, e := range list {
		if e.Quality != good {
			out[e.Name] = e.Quality
		}
	}
	return out
}

type channel struct {
	Value   *num   `json:"value"`
	Unit    string `json:"unit"`
	Quality string `json:"quality"`
	Cause   string `json:"cause"`
}

// addChannel leaves age out of the key: a reading that stays is not a change.
func (s *Shaper) addChannel(c *engine.ChannelView) {
	rest := "channel/" + TopicLevel(c.Column)
	age, ok := s.json(rest, struct {
		Age num `json:"age_s"`
	}{num(c.AgeS)})
	if ok {
		s.addAs(rest, channel{rounded(c.Value), c.Unit, c.Quality, c.Cause}, age, false)
	}
}

func (s *Shaper) addMeta(v *engine.View) {
	type about struct {
		Column string `json:"column"`
		Tag    string `json:"tag"`
		Name   string `json:"name"`
		Unit   string `json:"unit"`
	}
	m := struct {
		Form     int     `json:"form"` // of these messages; rises when a field changes its meaning
		Box      string  `json:"box"`
		Zone     string  `json:"zone"`
		Channels []about `json:"channels"`
	}{Form: 1, Box: v.Box, Zone: v.Zone, Channels: []about{}}
	for _, c := range v.Channels {
		m.Channels = append(m.Channels, about{c.Column, c.Tag, c.Name, c.Unit})
	}
	s.addAs("meta", m, nil, true)
}

// doseOf is the dose without the picture along the rows: that is for pages.
func doseOf(v *engine.View) any {
	if v.Dose == nil {
		return struct {
			Weighings []engine.WeighingView `json:"weighings"`
		}{[]engine.WeighingView{}}
	}
	d := *v.Dose
	d.PerPlant = nil
	return d
}

type state struct {
	Zone     string            `json:"zone"`
	Run      string            `json:"run"`
	Step     string            `json:"step"`
	StepWhy  string            `json:"step_why"`
	Observe  bool              `json:"observe"`
	Advice   string            `json:"advice"`
	Number   uint64            `json:"advice_number"`
	Holds    []engine.HoldView `json:"holds"`
	Alarms   int               `json:"alarms"` // all that are not normal
	Unacked  int               `json:"alarms_unacknowledged"`
	Readings map[string]int    `json:"readings"` // how many are good, uncertain, bad
}

func stateOf(v *engine.View) state {
	s := state{Zone: v.Zone, Run: v.Run, Step: v.Step, StepWhy: v.StepWhy, Observe: v.Observe, Holds: v.Holds,
		Readings: map[string]int{good: 0, uncertain: 0, bad: 0}}
	for _, c := range v.Channels {
		s.Readings[c.Quality]++
	}
	if s.Holds == nil {
		s.Holds = []engine.HoldView{}
	}
	if v.Advice != nil {
		s.Advice, s.Number = v.Advice.Text, v.Advice.Number
	}
	for _, a := range v.Alarms {
		if a.State == normal {
			continue
		}
		s.Alarms++
		if !a.Acked {
			s.Unacked++
		}
	}
	return s
}

// Qualities of a reading as package box says them.
const (
	good      = "good"
	uncertain = "uncertain"
	bad       = "bad"
)

// normal is the ISA-18.2 state of an alarm that is over.
const normal = "normal"

func (s *Shaper) addAlarms(v *engine.View) {
	stands := make(map[string]bool, len(v.Alarms)+len(v.Aside))
	for _, list := range [][]engine.AlarmView{v.Alarms, v.Aside} {
		for i := range list {
			stands[list[i].ID] = true
			s.add("alarm/"+TopicLevel(list[i].ID), &list[i])
		}
	}
	for _, id := range s.alarms {
		if !stands[id] {
			s.addResting(id)
		}
	}
}

func (s *Shaper) addResting(id string) {
	rest := "alarm/" + TopicLevel(id)
	b, ok := s.rest[id]
	if !ok {
		if b, ok = s.json(rest, engine.AlarmView{ID: id, State: normal}); !ok {
			return
		}
		s.rest[id] = b
	}
	s.out = append(s.out, Live{Topic: s.topic(rest), Key: b, head: s.head})
}

// num writes six significant digits: more than any instrument here has, and
// few enough that the last bits of a filter are no change.
type num float64

// MarshalJSON writes the number; infinities and NaN are an error, as for any
// float in JSON.
func (n num) MarshalJSON() ([]byte, error) {
	b := strconv.FormatFloat(float64(n), 'g', 6, 64)
	f, err := strconv.ParseFloat(b, 64)
	if err != nil {
		return nil, err
	}
	return json.Marshal(f)
}

func rounded(v *float64) *num {
	if v == nil {
		return nil
	}
	n := num(*v)
	return &n
}
