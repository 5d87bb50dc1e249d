package sequencer

import (
	"time"

	"boxd/internal/box"
	"boxd/internal/estimate"
	"boxd/internal/say"
)

// milestones marks what the readings show. Injection ends when the person says
// the loop valve is open or the injector off and no stock moves; in observe
// mode, when no stock has moved for ten seconds.
func (s *Sequencer) milestones() {
	e := s.in.e
	if !s.running {
		return
	}
	// What is taken back is reached anew.
	s.has[CleanAtBox] = s.has[CleanAtBox] && e.CleanAtBox
	s.has[FlushDone] = s.has[FlushDone] && e.Flush.Done
	if e.Filled == estimate.Yes && !s.has[LinesFull] {
		s.reach(LinesFull)
	}
	if e.Pressurised == estimate.Yes && !s.has[Pressurised] {
		s.reach(Pressurised)
	}
	if e.Drawing == estimate.Yes && (!s.has[InjectionStarted] || s.has[InjectionEnded] && s.reached[InjectionEnded] > s.reached[InjectionStarted]) {
		s.reach(InjectionStarted)
		s.has[CleanAtBox], s.has[FlushDone] = false, false
		s.passOver(say.T("stock was drawn"))
	}
	if s.injecting() && e.Drawing == estimate.No && s.ended() {
		s.reach(InjectionEnded)
	}
	if s.has[InjectionEnded] && !s.injecting() && e.CleanAtBox && !s.has[CleanAtBox] {
		s.reach(CleanAtBox)
	}
	// With nothing injected it is the fertilizer of an earlier run that is out.
	carried := e.Carried.Out && !e.EverDrawn
	if (s.has[CleanAtBox] || carried) && e.Flush.Done && !s.has[FlushDone] {
		s.reach(FlushDone)
	}
}

// secured marks the end of the water; it is judged after the step, so that
// nobody is asked to close a valve that has done its work.
func (s *Sequencer) secured() {
	if s.step == Secure && !s.has[Secured] && s.stillFor(5*time.Second) {
		s.reach(Secured)
	}
}

// injecting: started and not ended since.
func (s *Sequencer) injecting() bool {
	return s.has[InjectionStarted] && !(s.has[InjectionEnded] && s.reached[InjectionEnded] >= s.reached[InjectionStarted])
}

func (s *Sequencer) ended() bool {
	began := s.reached[InjectionStarted]
	for _, d := range []box.Deed{box.LoopOpened, box.InjectorOff, box.StockOut} {
		if k := s.said[d]; k.said && k.at >= began && !s.changing() {
			return true
		}
	}
	e := s.in.e
	if s.changing() {
		return false
	}
	dry := s.in.now - e.DrawEnd
	return s.Observing() && dry >= 10*time.Second || e.CleanAtBox
}

// rest notes, every turn, since when no water has moved.
func (s *Sequencer) rest() {
	still := s.in.e.Flowing == estimate.No
	if still && !s.calm.stoppedOn {
		s.calm.stopped = s.in.now
	}
	s.calm.stoppedOn = still
}

// stillFor reports whether no water has moved for d.
func (s *Sequencer) stillFor(d time.Duration) bool {
	return s.calm.stoppedOn && s.in.now-s.calm.stopped >= d
}

// told reports whether the person has said d in this run.
func (s *Sequencer) told(d box.Deed) bool { return s.said[d].said }

// closed: the shutoff valve was said closed, and not open since.
func (s *Sequencer) closed() bool {
	open, closed := &s.said[box.MainOpen], &s.said[box.MainClosed]
	return closed.said && !(open.said && open.at > closed.at)
}

// advance moves on from a step whose end the person has confirmed and the
// readings show.
func (s *Sequencer) advance() {
	e, watch := s.in.e, s.Observing()
	flowing := e.Flowing == estimate.Yes
	switch s.step {
	case Ready:
		opened := (s.told(box.MainOpen) || watch) && flowing
		switch {
		case s.cfg.Observe && flowing:
			s.start(say.T("main flow seen (observing)"))
		case opened && !s.closed():
			s.start(say.T("main flow seen"))
		case s.told(box.RunStart) && s.supplied():
			s.start(say.T("started by %v", name(s.said[box.RunStart].by)))
		}
	case Pressurise:
		if s.has[Pressurised] && e.Pressurised == estimate.Yes && (s.told(box.MainOpen) || watch) {
			s.enter(Inject, say.T("lines full and at pressure"))
		} else if s.closed() && s.stillFor(10*time.Second) {
			s.enter(Secure, say.T("shutoff valve closed before the lines were at pressure"))
		}
	case Inject:
		s.advanceInject(watch)
	case Flush:
		done := s.has[FlushDone]
		switch {
		case s.injecting():
			s.enter(Inject, say.T("stock is drawn again"))
		case (s.closed() || watch) && s.stillFor(10*time.Second) && done:
			s.enter(Secure, say.T("flush done, shutoff valve closed, no flow"))
		case s.closed() && s.stillFor(10*time.Second):
			s.enter(Secure, say.T("shutoff valve closed before the flush was done"))
		}
	case Secure:
		s.advanceSecure()
	case Unknown:
		panic("sequencer: unknown step")
	}
}

func (s *Sequencer) advanceInject(watch bool) {
	started := s.has[InjectionStarted]
	switch {
	case s.cleaned && !started:
		s.cleaned = false
		s.pressurise(say.T("the filter was opened: air came in"))
	case started && !s.injecting() && (s.told(box.LoopOpened) || s.told(box.InjectorOff) || watch || s.has[CleanAtBox]):
		s.enter(Flush, say.T("no stock is drawn any more"))
	case started && !s.injecting() && s.in.e.CleanAtBox:
		s.enter(Flush, say.T("the box runs clean"))
	case s.closed() && s.stillFor(10*time.Second) && started:
		s.reachEnd()
		s.enter(Secure, say.T("shutoff valve closed while injecting"))
	case s.closed() && s.stillFor(10*time.Second):
		s.enter(Secure, say.T("shutoff valve closed before anything was injected"))
	}
}

func (s *Sequencer) reachEnd() {
	if s.injecting() {
		s.reach(InjectionEnded)
	}
}

// advanceSecure ends the run, or goes back when the water runs again with
// fertilizer still in the lines.
func (s *Sequencer) advanceSecure() {
	e := s.in.e
	switch {
	case s.told(box.RunEnd) && s.said[box.RunEnd].at >= s.reached[Secured] && s.has[Secured]:
		s.end()
	case s.cfg.Observe && s.has[Secured] && s.in.now-s.reached[Secured] >= time.Minute:
		s.end()
	case e.Flowing == estimate.Yes && !s.closed() && e.EverDrawn && !e.Flush.Done:
		s.has[Secured] = false
		s.enter(Flush, say.T("water runs again with fertilizer in the lines"))
	case e.Flowing == estimate.Yes && !s.closed():
		s.has[Secured] = false
		s.pressurise(say.T("water runs again"))
	}
}

// pressurise goes back to bringing the lines to pressure.
func (s *Sequencer) pressurise(why say.Text) {
	s.has[LinesFull], s.has[Pressurised] = false, false
	s.enter(Pressurise, why)
}

// supplied: the readings agree with a start when the supply has pressure, or
// when the box has no supply gauge to say.
func (s *Sequencer) supplied() bool {
	e := s.in.e
	return !e.Supply.Known || e.Supply.V >= s.cfg.SupplyLow
}

func (s *Sequencer) start(why say.Text) {
	s.running = true
	s.out.RunStarted = true
	s.passed = false
	s.has = [numMilestones]bool{}
	s.cleaned = false
	s.enter(Pressurise, why)
}

// end closes the run; what was said in it is forgotten.
func (s *Sequencer) end() {
	s.out.RunEnded = true
	s.running = false
	s.said = [box.NumDeeds]saying{}
	s.enter(Ready, say.T("run ended"))
}

func (s *Sequencer) enter(to Step, why say.Text) {
	s.step = to
	s.out.StepChanged, s.out.StepWhy = true, why
	s.waiting = confirmation{}
}
