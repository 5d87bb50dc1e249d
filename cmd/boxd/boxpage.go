package main

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"strings"
	"time"

	"boxd/internal/box"
	"boxd/internal/calibration"
	"boxd/internal/engine"
	"boxd/internal/watch"
)

// boxPage is a running box as a program reaches it: by its page, with the rights
// of whoever signs in there.
type boxPage struct {
	ctx  context.Context
	out  io.Writer
	url  string
	http *http.Client
	by   string // whose word it is: the account's name; empty where the page is open

	inUse []calibration.Record // the calibrations in force when it was reached

	apart time.Duration // between two looks at what it shows
}

const (
	pageWait  = 20 * time.Second
	pageReply = 1 << 20 // bytes of one
)

// reachBox reaches a box for somebody who calibrates. The phrase is asked for only
// where the box has accounts.
func reachBox(a *app, address, fingerprint, name string, phrase func() (string, error)) (*boxPage, error) {
	h, err := watch.Client(address, fingerprint)
	if err != nil {
		return nil, err
	}
	h.Timeout = pageWait
	h.Jar, _ = cookiejar.New(nil)                                                                   // it has no error
	h.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse } // nothing is sent elsewhere
	p := &boxPage{ctx: a.ctx, out: a.out, url: strings.TrimRight(address, "/"), http: h, apart: calibration.RestApart}
	if err := p.signIn(name, phrase); err != nil {
		return nil, err
	}
	if err := p.begin(); err != nil {
		p.leave()
		return nil, err
	}
	return p, nil
}

func (p *boxPage) signIn(name string, phrase func() (string, error)) error {
	code, reply, err := p.ask(http.MethodGet, "/sign-in", "", nil)
	switch {
	case err != nil:
		return err
	case code == http.StatusNotFound:
		return nil // the page is open to all who reach it
	case code == http.StatusSeeOther:
		return errors.New("cannot sign in: nobody has an account at this box yet; make the first one on its page")
	case code == http.StatusBadRequest && strings.HasPrefix(p.url, "http:"):
		return fmt.Errorf("cannot reach the box: %s; write https:// in -url", replied(code, reply))
	case code != http.StatusOK:
		return fmt.Errorf("cannot sign in: %s; is this the address of a box's page?", replied(code, reply))
	case name == "":
		return errors.New("cannot sign in: the box has accounts; give the name of yours with -by")
	}
	secret, err := phrase()
	if err != nil {
		return err
	}
	form := url.Values{"name": {name}, "phrase": {secret}}
	code, reply, err = p.ask(http.MethodPost, "/sign-in", "application/x-www-form-urlencoded", []byte(form.Encode()))
	if err == nil && code != http.StatusOK {
		err = fmt.Errorf("cannot sign in: %s", replied(code, reply))
	}
	return err
}

// begin asks what is in force, which only those are told who may calibrate.
func (p *boxPage) begin() error {
	code, reply, err := p.ask(http.MethodGet, "/calibrate", "", nil)
	switch {
	case err != nil:
		return err
	case code == http.StatusNotFound:
		return errors.New("cannot calibrate this box: it reads no instruments of its own, as in a simulation")
	case code != http.StatusOK:
		return fmt.Errorf("cannot calibrate this box: %s", replied(code, reply))
	}
	var got struct {
		By      string               `json:"by"`
		InForce []calibration.Record `json:"in_force"`
	}
	if err := json.Unmarshal(reply, &got); err != nil {
		return fmt.Errorf("cannot read which calibrations are in force: %w; is the box's boxd of this version?", err)
	}
	p.by, p.inUse = box.Plain(got.By), got.InForce
	return nil
}

// leave signs out; a session that stays ends by itself.
func (p *boxPage) leave() { _, _, _ = p.ask(http.MethodPost, "/sign-out", "", nil) }

// ask sends a request as the box's own pages do.
func (p *boxPage) ask(method, path, kind string, body []byte) (int, []byte, error) {
	r, err := http.NewRequestWithContext(p.ctx, method, p.url+path, bytes.NewReader(body))
	if err != nil {
		return 0, nil, err
	}
	r.Header.Set("Accept", "application/json")
	r.Header.Set("Origin", r.URL.Scheme+"://"+r.URL.Host)
	if kind != "" {
		r.Header.Set("Content-Type", kind)
	}
	res, err := p.http.Do(r)
	if err != nil {
		return 0, nil, watch.CannotReach(err)
	}
	defer func() { _ = res.Body.Close() }()
	reply, err := io.ReadAll(io.LimitReader(res.Body, pageReply))
	if err != nil {
		return 0, nil, fmt.Errorf("cannot read the box's answer: %w; try again", err)
	}
	return res.StatusCode, reply, nil
}

// replied is what the box answered, in its own words.
func replied(code int, reply []byte) string {
	var a struct{ Reason string }
	if json.Unmarshal(reply, &a) == nil && a.Reason != "" {
		return box.Plain(a.Reason)
	}
	text, _, _ := strings.Cut(strings.TrimSpace(string(reply)), "\n")
	if strings.HasPrefix(text, "<") || len(text) > 500 {
		text = ""
	}
	return cmp.Or(box.Plain(text), fmt.Sprintf("the box answers %d %s", code, http.StatusText(code)))
}

func (p *boxPage) inForce(channel string) (calibration.Correction, error) {
	return calibration.InForce(p.inUse, channel), nil
}

// keep has the box keep the record. A request sent twice counts once.
func (p *boxPage) keep(r calibration.Request) error {
	points, err := json.Marshal(r)
	if err != nil {
		return err
	}
	code, reply, err := p.ask(http.MethodPost, "/calibrate", "application/json", points)
	if err != nil {
		return err
	}
	var kept struct{ Text string }
	if code != http.StatusOK || json.Unmarshal(reply, &kept) != nil {
		return fmt.Errorf("the box didn't keep it: %s", replied(code, reply))
	}
	_, err = fmt.Fprintf(p.out, "kept at the box, which corrects by it from now on: %s: %s\n", r.Channel, box.Plain(kept.Text))
	return err
}

// view is what the box shows now.
func (p *boxPage) view() (v engine.View, err error) {
	code, reply, err := p.ask(http.MethodGet, "/api/view", "", nil)
	if err == nil && code != http.StatusOK {
		err = errors.New(replied(code, reply))
	}
	if err == nil {
		err = json.Unmarshal(reply, &v)
	}
	switch {
	case err != nil:
		return v, fmt.Errorf("cannot read what the box shows: %w", err)
	case v.Step == "stopped":
		return v, fmt.Errorf("the box has stopped, its readings are not to be relied on: %s", box.Plain(v.StepWhy))
	}
	return v, nil
}

// shown is what a channel shows now, where it can be relied on.
func (p *boxPage) shown(column string) (float64, error) {
	v, err := p.view()
	if err != nil {
		return 0, err
	}
	for _, c := range v.Channels {
		if c.Column != column {
			continue
		}
		if c.Value == nil || c.Quality != "good" {
			return 0, fmt.Errorf("%s is %s: %s; put that right first", column, box.Plain(c.Quality), cmp.Or(box.Plain(c.Why), "nothing has come of it yet"))
		}
		return *c.Value, nil
	}
	return 0, fmt.Errorf("the box shows no %s", column)
}

// rest is the mean of what a channel shows over some seconds, and how far it moved
// meanwhile.
func (p *boxPage) rest(column string) (mean, moved float64, err error) {
	var seen calibration.Rest
	for i := range calibration.RestLooks {
		if i > 0 {
			select {
			case <-p.ctx.Done():
				return 0, 0, p.ctx.Err()
			case <-time.After(p.apart):
			}
		}
		v, err := p.shown(column)
		if err != nil {
			return 0, 0, err
		}
		seen.Add(v)
	}
	mean, moved = seen.Mean()
	return mean, moved, nil
}

// counted is what a meter has counted in all, in litres by its nameplate; false
// where the channel's instrument counts nothing.
func (p *boxPage) counted(column string) (litres float64, ok bool, err error) {
	v, err := p.view()
	if err != nil {
		return 0, false, err
	}
	name := strings.TrimSuffix(column, "_lpm") + "_total_l"
	for _, b := range v.Board {
		if b.Name == name && b.Value != nil {
			return *b.Value, true, nil
		}
	}
	return 0, false, nil
}
