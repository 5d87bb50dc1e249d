package sequencer

import (
	"boxd/internal/box"
	"boxd/internal/estimate"
	"boxd/internal/say"
)

// adviseThrottle is the valve work. While the numbers and the way change the
// advice stays the same one; only that it can't be done is another.
func (s *Sequencer) adviseThrottle() (string, words) {
	if l := &s.in.e.Loop; l.Known && l.Cannot != estimate.CannotNot {
		return "throttle: " + l.Cannot.String(), func(s *Sequencer) Advice {
			reason, way := LoopCannot(&s.in.e.Loop)
			return wait(say.T("Stop throttling: it can't be reached so. %v.", say.Capital(way)), "loop", append([]say.Text{reason}, s.loopNumbers()...)...)
		}
	}
	return "throttle", func(s *Sequencer) Advice {
		return ask(box.LoopThrottled, say.T("Injector is running"),
			say.T("Throttle the loop valve slowly until the difference across the injector is about %v and the injector runs.", s.cfg.InjectorStart), "loop", s.loopWhy()...)
	}
}

// loopWhy is the way first, then the numbers behind it.
func (s *Sequencer) loopWhy() []say.Text {
	l := &s.in.e.Loop
	if !l.Known {
		return []say.Text{say.T("the difference across the injector can't be read: go by its sound")}
	}
	return append([]say.Text{LoopTurn(l)}, s.loopNumbers()...)
}

func (s *Sequencer) loopNumbers() []say.Text {
	l := &s.in.e.Loop
	why := []say.Text{say.T("difference across the injector is %v; it belongs between %v and %v", l.Diff.V, l.Low, l.High)}
	if l.High <= l.Low {
		why[0] = say.T("difference across the injector is %v; at least %v is needed", l.Diff.V, l.Low)
	}
	if t := LoopBinding(l); !t.Empty() {
		why = append(why, t)
	}
	if t := LoopBasis(l); !t.Empty() {
		why = append(why, t)
	}
	return why
}

// loopDrift is what to do about the loop valve while the injector runs; empty
// while it stands well or is being turned.
func (s *Sequencer) loopDrift() []say.Text {
	l := &s.in.e.Loop
	if !l.Known || l.Moving || l.Way == estimate.Leave || l.Way == estimate.WayUnknown {
		return nil
	}
	return s.loopWhy()
}

// Throttling: the loop valve is to stand throttled, or to be throttled next.
func (s *Sequencer) Throttling() bool {
	if s.step != Inject || s.cfg.Observe || len(s.holds) > 0 && !s.injecting() {
		return false
	}
	opened := s.told(box.LoopOpened) && s.said[box.LoopOpened].at >= s.said[box.LoopThrottled].at && s.has[InjectionStarted]
	return !opened && (s.told(box.InjectorOn) || s.injecting())
}

// LoopTurn is which way and how far to turn the loop valve. How far is told by
// the last movement alone: the valve's turns are nobody's to know.
func LoopTurn(l *estimate.Loop) say.Text {
	switch {
	case !l.Known:
		return say.Text{}
	case l.Enough:
		return say.T("enough: leave the valve there")
	case l.Way == estimate.Leave && l.Cannot == estimate.CannotNot:
		return say.T("nearly there: leave the valve and wait a moment")
	case l.Way == estimate.Leave:
		return say.T("leave the valve there")
	case l.Way == estimate.ShutMore:
		return further(l.Far())
	case l.Way == estimate.OpenMore && l.Last.Shut < 0:
		return openFurther(l.Far())
	case l.Way == estimate.OpenMore:
		return back(l.Far())
	}
	return say.Text{}
}

// further: the last movement may have been the other way; a part of it is told
// all the same.
func further(f estimate.Far) say.Text {
	switch f {
	case estimate.Quarter:
		return say.T("turn it a little further shut: about a quarter of your last turn")
	case estimate.Third:
		return say.T("turn it further shut: about a third of your last turn")
	case estimate.Half:
		return say.T("turn it further shut: about half of your last turn")
	case estimate.TwoThirds:
		return say.T("turn it further shut: about two thirds of your last turn")
	case estimate.Same:
		return say.T("turn it further shut: about as much as your last turn")
	case estimate.HalfAsMuchAgain:
		return say.T("turn it further shut: about one and a half times your last turn")
	case estimate.Twice, estimate.Thrice:
		return say.T("turn it further shut: about twice your last turn")
	case estimate.FarUnknown:
	}
	return say.T("turn the loop valve further shut, a little at a time")
}

func openFurther(f estimate.Far) say.Text {
	switch f {
	case estimate.Quarter, estimate.Third:
		return say.T("open it a little further: about a third of your last turn")
	case estimate.Half, estimate.TwoThirds:
		return say.T("open it further: about half of your last turn")
	case estimate.Same:
		return say.T("open it further: about as much as your last turn")
	case estimate.HalfAsMuchAgain, estimate.Twice:
		return say.T("open it further: about twice your last turn")
	case estimate.Thrice:
		return say.T("open it further: about three times your last turn")
	case estimate.FarUnknown:
	}
	return say.T("open the loop valve a little at a time")
}

func back(f estimate.Far) say.Text {
	switch f {
	case estimate.Quarter:
		return say.T("open it a little: about a quarter of your last turn back")
	case estimate.Third:
		return say.T("open it: about a third of your last turn back")
	case estimate.Half:
		return say.T("open it: about half of your last turn back")
	case estimate.TwoThirds:
		return say.T("open it: about two thirds of your last turn back")
	case estimate.Same, estimate.HalfAsMuchAgain, estimate.Twice, estimate.Thrice:
		return say.T("open it: all of your last turn back")
	case estimate.FarUnknown:
	}
	return say.T("open the loop valve a little at a time")
}

// LoopBinding is what sets the window where it isn't the injector's start and
// the usual room above it.
func LoopBinding(l *estimate.Loop) say.Text {
	switch {
	case l.HighBy == estimate.ByHeader && l.Most.V < l.Low:
		return say.T("the header would fall below %v before the difference comes to %v", l.HeaderLow, l.Low)
	case l.HighBy == estimate.ByHeader:
		return say.T("more than %v would let the header fall below %v", l.High, l.HeaderLow)
	case l.HighBy == estimate.ByRated && l.High <= l.Low:
		return say.T("the branch would go beyond its rated %v before the difference comes to %v", l.Limits.Rated, l.Low)
	case l.HighBy == estimate.ByRated:
		return say.T("more than %v would drive the branch beyond its rated %v", l.High, l.Limits.Rated)
	case l.LowBy == estimate.ByDose || l.HighBy == estimate.ByDose:
		return say.T("the dose was planned with %v through the branch", l.Limits.Needed)
	}
	return say.Text{}
}

// LoopBasis says what is missing for a full judgement; empty when nothing is.
func LoopBasis(l *estimate.Loop) say.Text {
	switch l.By {
	case estimate.LoopByDiff, estimate.LoopByMain:
		if !l.Branch.Known {
			return say.T("the branch flow can't be read: judged by the difference, whether the injector bears it can't be told")
		}
		return say.T("the main flow can't be read: judged by the difference and the branch flow")
	case estimate.LoopByFlows, estimate.LoopUnknown:
	}
	return say.Text{}
}

// LoopCannot is why the window can't be reached and the way out; both are empty
// when nothing stands against it.
func LoopCannot(l *estimate.Loop) (reason, wayOut say.Text) {
	switch l.Cannot {
	case estimate.SupplyTooLow:
		if !l.Most.Known {
			return say.T("the supply is too low: the header falls below %v before the difference comes to %v", l.HeaderLow, l.Low),
				say.T("bring up the supply, clean the filter, or feed fewer rows at a time")
		}
		return say.T("the supply is too low: the header would fall below %v at a difference of %v, and %v are needed", l.HeaderLow, max(l.Most.V, 0), l.Low),
			say.T("bring up the supply, clean the filter, or feed fewer rows at a time")
	case estimate.InjectorSmall:
		if l.Limits.Needed > l.Limits.Rated {
			return say.T("the injector is too small: the dose was planned with %v through the branch, and it bears %v", l.Limits.Needed, l.Limits.Rated),
				say.T("plan with less branch flow and a stronger stock, or take a larger injector")
		}
		return say.T("the injector is too small: its branch carries %v, of a rated %v, at a difference of only %v", l.Branch.V, l.Limits.Rated, l.Diff.V),
			say.T("check its rated flow in the configuration, or take a larger injector")
	case estimate.LoopShut:
		return say.T("the loop valve is shut: all water goes through the branch and makes a difference of only %v", l.Diff.V),
			say.T("the block takes too little water for this injector: feed more rows at a time, or take a smaller injector")
	case estimate.InjectorDead:
		return say.T("the difference is %v and no water goes through the injector's branch", l.Diff.V),
			say.T("open both injector valves; if they are open, look for a clogged or stuck injector")
	case estimate.CannotNot:
	}
	return say.Text{}, say.Text{}
}
