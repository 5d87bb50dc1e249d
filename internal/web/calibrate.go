package web

import (
	"context"
	"encoding/json"
	"io"
	"net/http"
)

// calibrations tells who would calibrate (by, empty on an open page) and the
// records in force (in_force).
func (s visit) calibrations(w http.ResponseWriter, r *http.Request) {
	if s.opts.Calibrations == nil {
		http.NotFound(w, r)
		return
	}
	list, err := s.opts.Calibrations()
	if err != nil {
		http.Error(w, s.why(err), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(w).Encode(struct { // a broken connection has nobody to tell
		By      string          `json:"by"`
		InForce json.RawMessage `json:"in_force"`
	}{s.who.Name, list})
}

// calibrate takes the points of a calibration, JSON as boxd calibrate -points has
// it, and answers with JSON: text is what was found.
func (s visit) calibrate(w http.ResponseWriter, r *http.Request) {
	if s.opts.Calibrate == nil {
		http.NotFound(w, r)
		return
	}
	if err := s.betweenRuns(); err != nil {
		http.Error(w, s.why(err), http.StatusConflict)
		return
	}
	points, err := io.ReadAll(http.MaxBytesReader(w, r.Body, bodyLimit))
	if err != nil {
		http.Error(w, s.show.say("cannot read what was sent: too long"), http.StatusRequestEntityTooLarge)
		return
	}
	// It counts even when the sender hangs up before the answer.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(r.Context()), submitWait)
	defer cancel()
	text, err := s.opts.Calibrate(ctx, points, s.who.Name)
	if err != nil {
		http.Error(w, s.why(err), http.StatusConflict)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(w).Encode(map[string]string{"text": text}) // a broken connection has nobody to tell
}
