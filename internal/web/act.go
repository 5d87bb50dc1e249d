package web

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode"

	"boxd/internal/access"
	"boxd/internal/box"
	"boxd/internal/say"
	"boxd/internal/units"
)

// act takes a person's word. The form's fields: do (what is said, see
// parseDo), by (the person's name), note, minutes (to shelve an alarm for), id (made once for each word, so
// that one word sent twice counts once).
func (s visit) act(w http.ResponseWriter, r *http.Request) { s.take(w, r, actionOf) }

// forecast takes the night's low outside from the station: low, with its unit,
// as in "-3 °C"; at, the hour it is expected, as in 2026-11-26T06:00:00+01:00;
// by; id, as act has it.
func (s visit) forecast(w http.ResponseWriter, r *http.Request) { s.take(w, r, forecastOf) }

// take reads one word of a form and hands it to the core.
func (s visit) take(w http.ResponseWriter, r *http.Request, read func(*http.Request) (box.Action, error)) {
	r.Body = http.MaxBytesReader(w, r.Body, bodyLimit)
	if err := r.ParseForm(); err != nil {
		var big *http.MaxBytesError
		if errors.As(err, &big) {
			s.reply(w, r, http.StatusRequestEntityTooLarge, Answer{Reason: s.show.say("cannot read what was sent: too long")})
			return
		}
		s.reply(w, r, http.StatusBadRequest, Answer{Reason: s.show.say("cannot read what was sent; load the page again")})
		return
	}
	a, err := read(r)
	if err != nil {
		s.reply(w, r, http.StatusBadRequest, Answer{Reason: s.why(err)})
		return
	}
	if need := roleFor(a.Kind); !s.who.Role.May(need) {
		s.reply(w, r, http.StatusForbidden, Answer{Reason: s.show.voice.Say(say.T("You may not do this: it takes somebody who may %v.", need.Say()))})
		return
	}
	if a.By = s.name(a.By); box.IsButton(a.By) {
		s.reply(w, r, http.StatusBadRequest, Answer{Reason: s.why(notTheButton())})
		return
	}
	ans := s.answers.once(a.ID, func() Answer {
		// The word counts even when the sender hangs up before the answer.
		ctx, cancel := context.WithTimeout(context.WithoutCancel(r.Context()), submitWait)
		defer cancel()
		return s.core.Submit(ctx, a)
	})
	if !ans.Said.Empty() {
		ans.Reason = s.show.voice.Say(ans.Said)
	}
	code := http.StatusOK
	if !ans.Accepted {
		code = http.StatusConflict
	}
	s.reply(w, r, code, ans)
}

// reply answers a script with JSON and a plain form with a page.
func (s visit) reply(w http.ResponseWriter, r *http.Request, code int, ans Answer) {
	if wantsJSON(r) {
		w.Header().Set("Content-Type", "application/json")
		w.WriteHeader(code)
		_ = json.NewEncoder(w).Encode(ans) // a broken connection has nobody to tell
		return
	}
	if ans.Accepted {
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return
	}
	if !s.who.Role.May(access.View) || s.core == nil {
		http.Error(w, ans.Reason, code)
		return
	}
	s.writeRunPage(w, code, r.PostFormValue("by"), ans.Reason)
}

func wantsJSON(r *http.Request) bool {
	return strings.Contains(r.Header.Get("Accept"), "application/json")
}

func actionOf(r *http.Request) (box.Action, error) {
	a, err := parseDo(r.PostFormValue("do"))
	if err != nil {
		return box.Action{}, err
	}
	if a.Kind == box.Shelve {
		if a.For, err = minutesGiven(r.PostFormValue("minutes")); err != nil {
			return box.Action{}, err
		}
	}
	return attributed(r, a)
}

// forecastOf reads a posted forecast; the core knows what it can believe.
func forecastOf(r *http.Request) (box.Action, error) {
	low, err := units.ParseCelsius(r.PostFormValue("low"))
	if err != nil {
		return box.Action{}, say.Refuse("cannot take this forecast: low %s", err.Error())
	}
	at, err := time.Parse(time.RFC3339, r.PostFormValue("at"))
	if err != nil {
		return box.Action{}, say.Refuse("cannot take this forecast: at must be the hour of the low with its offset, as in 2026-11-26T06:00:00+01:00")
	}
	return attributed(r, box.Action{Kind: box.Post, Forecast: box.Forecast{Low: low, At: at.UTC()}})
}

// notTheButton refuses a word in the name of the button at the box: the record must
// tell who stood there from who was on a page.
func notTheButton() error {
	return say.Refuse("that is what the button at the box is called in the record: give your own name")
}

// attributed adds who says it, the note and the id.
func attributed(r *http.Request, a box.Action) (box.Action, error) {
	a.By = clean(r.PostFormValue("by"), nameRunes)
	a.Note = clean(r.PostFormValue("note"), noteRunes)
	a.ID = r.PostFormValue("id")
	if len(a.ID) > idLimit {
		return box.Action{}, say.Refuse("cannot take this: its id is too long; load the page again")
	}
	if a.ID == "" {
		a.ID = rand.Text()
	}
	return a, nil
}

// parseDo reads what is said: "confirm:17" (an advice number), "report:stock_in"
// (a deed), "acknowledge:stock-empty", "reset:backflow-sign" (an alarm); of an
// alarm also shelve, unshelve, out-of-service and in-service; of a hold, "override:flow-unknown".
func parseDo(do string) (box.Action, error) {
	word, of, _ := strings.Cut(do, ":")
	switch {
	case word == "confirm":
		n, err := strconv.ParseUint(of, 10, 64)
		if err != nil {
			return box.Action{}, say.Refuse("cannot take this confirmation: it names no advice; load the page again")
		}
		return box.Action{Kind: box.Confirm, Advice: n}, nil
	case word == "report":
		d, ok := box.DeedByWord(of)
		if !ok {
			return box.Action{}, say.Refuse("cannot take this report: the deed isn't known")
		}
		return box.Action{Kind: box.Report, Deed: d}, nil
	}
	if kind := aboutAlarm(word); kind != box.UnknownAction && of != "" && len(of) <= idLimit {
		return box.Action{Kind: kind, Alarm: of}, nil
	}
	return box.Action{}, say.Refuse("cannot tell what is meant; load the page again")
}

// aboutAlarm is what is said of an alarm.
func aboutAlarm(word string) box.ActionKind {
	for _, k := range []box.ActionKind{box.Acknowledge, box.Reset, box.Shelve, box.Unshelve, box.TakeOut, box.PutBack, box.Override} {
		if k.String() == word {
			return k
		}
	}
	return box.UnknownAction
}

// minutesGiven is for how long an alarm is to be shelved; the core knows how
// long it may be.
func minutesGiven(s string) (time.Duration, error) {
	n, err := strconv.ParseUint(strings.TrimSpace(s), 10, 16)
	if err != nil || n == 0 {
		return 0, say.Refuse("cannot shelve this: for how many minutes is not said; give a whole number of minutes")
	}
	return time.Duration(n) * time.Minute, nil
}

// clean keeps printable text of at most n runes.
func clean(s string, n int) string {
	s = strings.Map(func(r rune) rune {
		if r == unicode.ReplacementChar || !unicode.IsPrint(r) {
			return -1
		}
		return r
	}, strings.TrimSpace(s))
	if r := []rune(s); len(r) > n {
		s = string(r[:n])
	}
	return s
}

// answers keeps the newest answers by action id, so that a word sent twice (a
// double touch, a retry on a bad line) is handed to the core once.
type answers struct {
	mu   sync.Mutex // requests come at once
	by   map[string]*answered
	ring [answersKept]string
	next int
}

type answered struct {
	done chan struct{}
	ans  Answer
}

func (k *answers) once(id string, ask func() Answer) Answer {
	k.mu.Lock()
	if old, ok := k.by[id]; ok {
		k.mu.Unlock()
		<-old.done
		return old.ans
	}
	a := &answered{done: make(chan struct{}), ans: Answer{Said: say.T("cannot say: the core gave no answer")}}
	k.keep(id, a)
	k.mu.Unlock()
	defer close(a.done)
	a.ans = ask()
	return a.ans
}

// keep holds the newest answersKept answers; the caller has the lock.
func (k *answers) keep(id string, a *answered) {
	if k.by == nil {
		k.by = make(map[string]*answered, answersKept)
	}
	delete(k.by, k.ring[k.next])
	k.ring[k.next] = id
	k.next = (k.next + 1) % answersKept
	k.by[id] = a
}
