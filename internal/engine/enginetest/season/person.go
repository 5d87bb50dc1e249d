package season

import (
	"math/rand/v2"

	"boxd/internal/box"
	"boxd/internal/engine"
)

// person follows the advice on the screen: mostly soon, at times late or twice,
// and as a hazard without doing it, not at all, or too early.
type person struct {
	r       *rand.Rand
	here    bool
	number  uint64
	deed    box.Deed
	due     float64 // when the advice is followed; 0: it is
	again   float64 // when the same word is said once more; 0: not
	late    box.Deed
	lateDue float64 // when the hand follows the word
	acks    []ack

	closes, lies bool
	away         float64 // until then
	tries        float64 // next try to reset a latched alarm
}

type ack struct {
	id string
	at float64
}

// hear takes an event of the core.
func (p *person) hear(e *engine.Event, t float64) {
	switch e.Kind {
	case engine.AdviceEvent:
		p.number, p.deed, p.again = e.Number, box.UnknownDeed, 0
		if d, ok := box.DeedByWord(e.Deed); ok {
			p.deed = d
		}
		p.due = t + p.reaction()
	case engine.AlarmEvent:
		if e.State == "raised" && p.r.Float64() < 0.8 {
			p.acks = append(p.acks, ack{e.ID, t + 10 + 60*p.r.Float64()})
		}
	case engine.StepEvent, engine.MilestoneEvent, engine.HoldEvent, engine.ReleaseEvent, engine.ActionEvent, engine.RefusalEvent, engine.NoteEvent, engine.RunEvent, engine.SummaryEvent:
	}
}

func (p *person) reaction() float64 {
	if p.r.Float64() < 0.06 {
		return 120 + 300*p.r.Float64()
	}
	return 3 + 12*p.r.ExpFloat64()
}

// looksAway for two minutes: who stays at the box would often be quicker than
// the alarm.
func (p *person) looksAway(t float64) { p.away = max(p.away, t+120) }

// comes begins a visit.
func (p *person) comes(t float64) { p.here, p.due = true, t+p.reaction() }

// turn is what the person does and says at t.
func (p *person) turn(s *Season, t float64) (words []box.Action) {
	if p.lateDue > 0 && t >= p.lateDue {
		s.plant.do(p.late)
		p.lateDue = 0
	}
	if !p.here || t < p.away {
		return nil
	}
	if p.closes {
		p.closes = false
		p.looksAway(t)
		s.plant.do(box.MainClosed)
		return append(words, box.Action{Kind: box.Report, Deed: box.MainClosed, By: "Kim"})
	}
	if p.due > 0 && t >= p.due && p.deed != box.UnknownDeed {
		p.due = 0
		words = append(words, p.follow(s, t))
	}
	if p.again > 0 && t >= p.again {
		p.again = 0
		words = append(words, box.Action{Kind: box.Confirm, Advice: p.number, By: "Kim"})
	}
	return append(words, p.answer(s, t)...)
}

// follow does what is asked and says so.
func (p *person) follow(s *Season, t float64) box.Action {
	if p.r.Float64() < 0.1 {
		p.again = t + 1 + float64(p.r.IntN(3))
	}
	if p.lies && p.deed != box.RunStart {
		p.lies = false
		p.late, p.lateDue = p.deed, t+100+100*p.r.Float64()
	} else {
		s.plant.do(p.deed)
	}
	return box.Action{Kind: box.Confirm, Advice: p.number, By: "Kim"}
}

// answer acknowledges alarms, and resets what latches once it may go.
func (p *person) answer(s *Season, t float64) (words []box.Action) {
	kept := p.acks[:0]
	for _, a := range p.acks {
		if t < a.at {
			kept = append(kept, a)
			continue
		}
		words = append(words, box.Action{Kind: box.Acknowledge, Alarm: a.id, By: "Kim"})
	}
	p.acks = kept
	if t < p.tries || !s.alarms["backflow-sign"] || s.plant.supply.sagged {
		return words
	}
	p.tries = t + 60
	return append(words, box.Action{Kind: box.Acknowledge, Alarm: "backflow-sign", By: "Kim"},
		box.Action{Kind: box.Reset, Alarm: "backflow-sign", By: "Kim", Note: "device inspected"})
}
