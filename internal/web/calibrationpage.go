package web

import (
	"context"
	"encoding/json"
	"net/http"
	"strconv"
	"strings"
	"time"

	"boxd/internal/access"
	"boxd/internal/box"
	"boxd/internal/calibration"
	"boxd/internal/say"
)

// calibrationModel is the page that leads through a calibration.
type calibrationModel struct {
	frame
	Column, Tag, Name, Kind string
	Back                    string
	Care, Do                []string
	Live                    liveLine
	InForce, Due            string
	Kept                    bool
	Refused                 string
	Counts, Filling, Full   bool
	FillingSays             string
	Raw                     bool
	Points                  []pointLine
	Form                    map[string]string
	By                      string // typed, where nobody signs in
	NotYet, Found, Trust    string // what the points come to
	Correction              string
}

// calibrationPages are the same in the guide and at work.
func (s *server) calibrationPages(page func(string, access.Role, func(visit, http.ResponseWriter, *http.Request))) {
	page("GET /calibration/{channel}", access.Administer, visit.calibrationPage)
	page("POST /calibration/{channel}", access.Administer, visit.calibrationTake)
	page("GET /calibration/{channel}/now", access.Administer, visit.calibrationNow)
}

// channelOf is the channel that a calibration's page is of, with its instrument.
func (s visit) channelOf(w http.ResponseWriter, r *http.Request) (box.Channel, instrument, bool) {
	c, ok := box.ChannelByColumn(r.PathValue("channel"))
	if !ok || s.opts.Calibrate == nil || calibration.KindOf(c) == calibration.Unmeasured {
		http.NotFound(w, r)
		return c, instrument{}, false
	}
	i, ok := s.instrument(c)
	if !ok {
		http.NotFound(w, r)
	}
	return c, i, ok
}

func (s visit) calibrationPage(w http.ResponseWriter, r *http.Request) {
	c, _, ok := s.channelOf(w, r)
	if !ok {
		return
	}
	j := s.desk.job(s.who.Name, c)
	j.mu.Lock()
	defer j.mu.Unlock()
	s.writeCalibration(w, http.StatusOK, c, j, "", r.URL.Query().Has("kept"))
}

// calibrationNow is what the instrument gives now, for the page to show.
func (s visit) calibrationNow(w http.ResponseWriter, r *http.Request) {
	if c, i, ok := s.channelOf(w, r); ok {
		writeJSON(w, []liveLine{s.readingNow(c, i)})
	}
}

func (s visit) readingNow(c box.Channel, i instrument) liveLine {
	l := liveLine{ID: "now", Name: s.show.word(c.Info().Name), Quality: box.Good.String(), Value: s.show.exact(i.value, c.Info().Unit)}
	if i.counts {
		l.Wire = s.show.say("%s counted in all", s.show.exact(i.litres, "L"))
	}
	if i.why != "" {
		l.Value, l.Why, l.Quality = s.show.unknown(), i.why, box.Bad.String()
	}
	return l
}

// calibrationTake takes the next thing a person did. What was typed stays, whatever
// comes of it.
func (s visit) calibrationTake(w http.ResponseWriter, r *http.Request) {
	c, _, ok := s.channelOf(w, r)
	if !ok {
		return
	}
	r.Body = http.MaxBytesReader(w, r.Body, bodyLimit)
	if r.ParseForm() != nil {
		http.Error(w, s.show.say("cannot tell what is meant; load the page again"), http.StatusBadRequest)
		return
	}
	j := s.desk.job(s.who.Name, c)
	j.mu.Lock()
	defer j.mu.Unlock()
	for _, name := range typed() {
		if r.PostForm.Has(name) {
			j.form[name] = clipped(r.PostForm.Get(name))
		}
	}
	ctx, cancel := context.WithTimeout(r.Context(), calibrationWait)
	defer cancel()
	end, err := s.calibrationDo(ctx, j, c, r.PostForm.Get("do"))
	if err != nil {
		s.writeCalibration(w, http.StatusConflict, c, j, s.why(err), false)
		return
	}
	http.Redirect(w, r, "/calibration/"+c.Info().Column+end, http.StatusSeeOther)
}

// calibrationWait bounds a post: an instrument is looked at for five seconds.
const calibrationWait = 20 * time.Second

// typed are the fields of the page's forms.
func typed() []string {
	return []string{"gauge", "at25", "celsius", "table", "seconds", "meter", "water", "by", "standard", "lot", "limit", "days", "note"}
}

// clipped is what was typed, within the bounds of a request.
func clipped(text string) string {
	text = strings.ReplaceAll(text, "\r\n", "\n")
	return text[:min(len(text), bodyLimit)]
}

func (s visit) calibrationDo(ctx context.Context, j *job, c box.Channel, do string) (end string, err error) {
	word, n, _ := strings.Cut(do, ":")
	switch word {
	case "vented", "point":
		return "#points", s.measure(ctx, j, c, word == "vented")
	case "fill", "full":
		return "#next", s.fill(j, c, word == "full")
	case "drop":
		at, err := strconv.Atoi(n)
		if err == nil && at >= 0 {
			j.drop(at)
		}
		return "#points", nil
	case "anew":
		j.forget()
		return "", nil
	case "keep":
		return "?kept", s.keepCalibration(j, c)
	}
	return "", say.Refuse("cannot tell what is meant; load the page again")
}

// keepCalibration has the record kept. It counts even when the sender hangs up.
func (s visit) keepCalibration(j *job, c box.Channel) error {
	if err := s.detail(j, calibration.KindOf(c)); err != nil {
		return err
	}
	if err := s.betweenRuns(); err != nil {
		return err
	}
	points, err := json.Marshal(j.request)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(context.Background(), submitWait)
	defer cancel()
	if _, err := s.opts.Calibrate(ctx, points, s.who.Name); err != nil {
		return err
	}
	j.forget()
	return nil
}

// betweenRuns refuses while a run is under way: its baselines were measured through the
// correction of before, and the end of a flush is judged against them.
func (s visit) betweenRuns() error {
	if s.workshop == nil && s.core.View().Run != "" {
		return say.Refuse("A run is under way, judged by the readings as they are: end it, then keep the calibration. What was measured stays here.")
	}
	return nil
}

func (s visit) writeCalibration(w http.ResponseWriter, code int, c box.Channel, j *job, refused string, kept bool) {
	i, _ := s.instrument(c)
	kind, d := calibration.KindOf(c), s.show
	lesson := kind.Teach()
	m := calibrationModel{
		frame: s.frame("calibration"), Column: c.Info().Column, Tag: c.Info().Tag, Name: d.word(c.Info().Name), Kind: string(kind), Back: "/box",
		Care: d.voice.Each(lesson.Care), Do: d.voice.Each(lesson.Do), Live: s.readingNow(c, i), Kept: kept, Refused: refused,
		Counts: i.counts, Raw: i.raw, Form: j.form, By: j.form["by"],
	}
	if s.workshop != nil {
		m.Back = "/setup/calibrate"
	}
	if f := j.filling; f != nil {
		m.Filling, m.Full = f.seconds == 0, f.seconds > 0
		m.FillingSays = d.say("%s in %s", d.exact(f.litres, "L"), d.seconds(f.seconds))
		if m.Filling {
			m.FillingSays = d.say("filling for %s", d.seconds(time.Since(f.began).Seconds()))
		}
	}
	list, err := s.inForce()
	if err != nil {
		m.Refused = s.why(err)
	}
	for n := range list {
		if r := &list[n]; r.Channel == m.Column {
			m.InForce = d.voice.Say(say.T("%s by %s: %v; next due %s", r.Wall.Format(time.DateOnly), r.By, r.Said(), r.Next.Format(time.DateOnly)))
		}
	}
	s.putFound(&m, j, calibration.InForce(list, m.Column))
	writePage(w, code, s.pages().calibration, m)
}

// putFound says what the points so far come to.
func (s visit) putFound(m *calibrationModel, j *job, before calibration.Correction) {
	r := j.request
	m.Points = s.pointLines(&r, &calibration.Record{})
	if len(m.Points) == 0 {
		return
	}
	r.By = "?" // said at the end
	rec, err := calibration.Make(r, before, time.Now())
	if err != nil {
		m.NotYet = s.why(err)
		return
	}
	m.Points, m.Found = s.pointLines(&r, &rec), s.show.voice.Say(rec.Said())
	m.Trust = "±\u00a0" + s.show.exact(rec.Expanded, rec.Unit)
	if rec.Relative() {
		m.Trust = "±\u00a0" + digits(100*rec.Expanded, 2) + "\u00a0%"
	} else if rec.Unit == "°C" && s.show.us {
		m.Trust = "±\u00a0" + digits(1.8*rec.Expanded, 2) + "\u00a0°F"
	}
	m.Correction = s.show.say("reading × %s %s, before × %s %s", digits(rec.After.Gain, 4), s.show.differ(rec.After.Offset, rec.Unit), digits(rec.Before.Gain, 4), s.show.differ(rec.Before.Offset, rec.Unit))
}
