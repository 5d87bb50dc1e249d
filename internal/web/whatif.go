package web

import (
	"context"
	"errors"
	"io"
	"net/http"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"boxd/internal/engine"
	"boxd/internal/whatif"
)

// Bounds of a replay asked for on a page. It works half of the time and rests the
// other half, so that the live core has the machine when it wants it.
const (
	whatIfBudget = 3 * time.Minute
	configLimit  = 256 << 10 // bytes of a posted configuration
	restAtMost   = 100 * time.Millisecond
)

// replays keeps the newest replay; one goes at a time.
type replays struct {
	mu   sync.Mutex // requests come at once
	last *replay
}

// replay is one question under way or answered.
type replay struct {
	run    string
	config string
	span   float64      // of the run, seconds; 0: not known
	at     atomic.Int64 // seconds of the run replayed
	over   chan struct{}
	result *whatif.Result // read after over is closed
	err    error
}

// start begins a replay; false when another is under way.
func (k *replays) start(lib Library, p *replay) bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.last != nil && !k.last.done() {
		return false
	}
	p.over = make(chan struct{})
	k.last = p
	go p.play(lib)
	return true
}

// of is the newest replay when it is of that run.
func (k *replays) of(run string) *replay {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.last == nil || k.last.run != run {
		return nil
	}
	return k.last
}

func (p *replay) done() bool {
	select {
	case <-p.over:
		return true
	default:
		return false
	}
}

// play outlives the request that began it, within its bound.
func (p *replay) play(lib Library) {
	defer close(p.over)
	ctx, cancel := context.WithTimeout(context.Background(), whatIfBudget)
	defer cancel()
	last := time.Now()
	p.result, p.err = lib.WhatIf(ctx, p.run, []byte(p.config), func(t float64) error {
		p.at.Store(int64(t))
		rest := time.NewTimer(min(time.Since(last), restAtMost))
		defer rest.Stop()
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-rest.C:
		}
		last = time.Now()
		return nil
	})
}

type whatIfModel struct {
	frame
	ID, Zone, Began string
	Config          string
	Going           bool
	Pct             int
	Failed          []string
	Result          bool
	Facts           []recordFact
	Differ, Alike   []whatIfLine
	Refused         string
}

type whatIfLine struct{ Own, Other, What, Text string }

func (s visit) whatIfPage(w http.ResponseWriter, r *http.Request) {
	s.writeWhatIf(w, r, http.StatusOK, "")
}

func (s visit) writeWhatIf(w http.ResponseWriter, r *http.Request, code int, refused string) {
	lib, ok := s.catalogue()
	id := r.PathValue("file")
	if !ok || !plainID(id) {
		http.NotFound(w, r)
		return
	}
	acc, err := lib.Account(r.Context(), id)
	if err != nil {
		s.noRun(w, err)
		return
	}
	m := whatIfModel{frame: s.frame("runs"), ID: id, Zone: acc.Run.Zone, Began: s.moment(acc.Run.Start), Config: acc.Run.Config, Refused: refused}
	if p := s.replays.of(id); p != nil {
		m.Config = p.config
		m.Going, m.Pct = !p.done(), p.percent()
		if !m.Going {
			s.answered(&m, p)
		}
	}
	writePage(w, code, s.pages().whatIf, m)
}

func (p *replay) percent() int {
	if p.span <= 0 {
		return 0
	}
	return min(100, int(100*float64(p.at.Load())/p.span))
}

// answered writes what came of a replay.
func (s visit) answered(m *whatIfModel, p *replay) {
	switch {
	case errors.Is(p.err, context.DeadlineExceeded):
		m.Failed = []string{s.show.say("The replay took too long and was ended. On a computer, boxd whatif does it.")}
		return
	case p.err != nil:
		m.Failed = strings.Split(p.err.Error(), "\n")
		return
	}
	d, res := s.show, p.result
	m.Result = true
	row := func(name string, get func(*engine.Summary) string) {
		f := recordFact{Name: name, Value: d.unknown(), Other: d.unknown()}
		if res.A != nil {
			f.Value = get(res.A)
		}
		if res.B != nil {
			f.Other = get(res.B)
		}
		m.Facts = append(m.Facts, f)
	}
	row(d.say("Flush"), func(x *engine.Summary) string { return d.word(x.Flush) })
	row(d.say("water through the box"), func(x *engine.Summary) string { return d.volume(&x.VolumeL) })
	row(d.say("stock out, drawn"), func(x *engine.Summary) string { return d.volume(x.StockL.Drawn) })
	row(d.say("stock out, by EC"), func(x *engine.Summary) string { return d.volume(x.StockL.ByEC) })
	row(d.say("stock out, by ratio"), func(x *engine.Summary) string { return d.volume(x.StockL.ByRatio) })
	row(d.say("last emitter has had"), func(x *engine.Summary) string { return d.delivered(x.LastEmitterDelivered) })
	row(d.say("not delivered"), func(x *engine.Summary) string { return d.percent(x.UndeliveredPct) })
	for i := range res.Lines {
		l := &res.Lines[i]
		line := whatIfLine{Own: s.saidAt(l.A), Other: s.saidAt(l.B), What: s.whatLine(l), Text: s.lineText(l)}
		if l.Same() {
			m.Alike = append(m.Alike, line)
		} else {
			m.Differ = append(m.Differ, line)
		}
	}
}

func (s visit) saidAt(x *whatif.Saying) string {
	if x == nil {
		return s.show.say("not said")
	}
	return clock(x.T)
}

// whatLine names a thing that is said.
func (s visit) whatLine(l *whatif.Line) string {
	d, id := s.show, strings.ReplaceAll(l.ID, "_", " ")
	switch l.Kind {
	case engine.StepEvent:
		return d.say("step: %v", d.say(id))
	case engine.MilestoneEvent:
		return d.say(id)
	case engine.AlarmEvent:
		return l.ID + " · " + d.say(l.State)
	case engine.AdviceEvent:
		return d.say("advice")
	case engine.HoldEvent:
		return d.say("hold")
	case engine.ReleaseEvent:
		return d.say("hold ended")
	case engine.NoteEvent:
		return d.say("note")
	case engine.ActionEvent, engine.RefusalEvent, engine.RunEvent, engine.SummaryEvent, engine.ForecastEvent, engine.OverrideEvent:
	}
	return string(l.Kind)
}

func (s visit) lineText(l *whatif.Line) string {
	x := l.B
	if x == nil {
		x = l.A
	}
	if !x.Said.Empty() {
		return s.show.voice.Say(x.Said)
	}
	return x.Text
}

// askWhatIf begins a replay with the configuration posted, as text or as a file.
func (s visit) askWhatIf(w http.ResponseWriter, r *http.Request) {
	lib, ok := s.catalogue()
	id := r.PathValue("file")
	if !ok || !plainID(id) {
		http.NotFound(w, r)
		return
	}
	r.Body = http.MaxBytesReader(w, r.Body, configLimit)
	err := r.ParseForm()
	if err == nil {
		err = r.ParseMultipartForm(configLimit)
	}
	if err != nil && !errors.Is(err, http.ErrNotMultipart) {
		s.writeWhatIf(w, r, http.StatusBadRequest, s.show.say("cannot read what was sent: too long"))
		return
	}
	text := r.PostFormValue("config")
	if f, _, err := r.FormFile("file"); err == nil {
		b, err := io.ReadAll(f)
		_ = f.Close() // it was only read
		if err == nil && len(b) > 0 {
			text = string(b)
		}
	}
	acc, err := lib.Account(r.Context(), id)
	if err != nil {
		s.noRun(w, err)
		return
	}
	if !s.replays.start(lib, &replay{run: id, config: strings.ReplaceAll(text, "\r\n", "\n"), span: acc.Run.EndT - acc.Run.StartT}) {
		s.writeWhatIf(w, r, http.StatusConflict, s.show.say("Another replay is under way: wait until it is over."))
		return
	}
	http.Redirect(w, r, "/runs/"+id+"/whatif", http.StatusSeeOther)
}

// whatIfState is how far the replay of a run is, for the page's script.
func (s visit) whatIfState(w http.ResponseWriter, r *http.Request) {
	p := s.replays.of(r.PathValue("file"))
	if p == nil {
		http.NotFound(w, r)
		return
	}
	writeJSON(w, struct {
		Pct  int  `json:"pct"`
		Done bool `json:"done"`
	}{p.percent(), p.done()})
}
