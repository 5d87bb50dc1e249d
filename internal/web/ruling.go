package web

import (
	"context"
	"net/http"

	"boxd/internal/say"
	"boxd/internal/setup"
)

// Ruling is the configuration in force.
type Ruling struct {
	Path, Text string // without secrets
	// Again ends operation and begins the guide anew with its answers; nil: the file
	// is not the guide's.
	Again func(ctx context.Context) error
}

// rulingModel is the page that says which file rules.
type rulingModel struct {
	frame
	Path, Text, Refused string
	Again               bool
	More                more
}

func (s visit) rulingPage(w http.ResponseWriter, _ *http.Request) {
	s.writeRuling(w, http.StatusOK, "")
}

func (s visit) writeRuling(w http.ResponseWriter, code int, refused string) {
	r := s.opts.Ruling
	writePage(w, code, s.pages().ruling, rulingModel{s.frame("ruling"), r.Path, r.Text, refused, r.Again != nil, more{setup.ExampleFeed(s.core.View().Zone), setup.ExampleZone()}})
}

// setUpAgain takes the box out of operation, back to the guide. While a run is under
// way nobody is left without the box's advice.
func (s visit) setUpAgain(w http.ResponseWriter, r *http.Request) {
	err := say.Refuse("This file was written by hand: change it by hand, and start boxd anew.")
	switch again := s.opts.Ruling.Again; {
	case again == nil:
	case s.core.View().Run != "":
		err = say.Refuse("A run is under way: end it first.")
	default:
		err = again(r.Context())
	}
	if err != nil {
		s.writeRuling(w, http.StatusConflict, s.why(err))
		return
	}
	w.Header().Set("Connection", "close")
	http.Redirect(w, r, "/setup", http.StatusSeeOther)
}
