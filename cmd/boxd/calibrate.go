package main

import (
	"bytes"
	"cmp"
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"text/tabwriter"
	"time"

	"boxd/internal/box"
	"boxd/internal/calibration"
	"boxd/internal/engine"
	"boxd/internal/journal"
	"boxd/internal/say"
	"boxd/internal/sensors/hwio"
)

// calibrating is a call of boxd calibrate.
type calibrating struct {
	data, url, fingerprint, phraseFile, from, by, channel string
}

// runCalibrate keeps a calibration, or lists them. The points come in a file, as
// a calibration.Request in JSON, or are asked for on the terminal.
func runCalibrate(a *app, args []string) error {
	f, c := a.flags("calibrate"), calibrating{}
	f.StringVar(&c.data, "data", defaultData, "`DIR` of the archive, where boxd doesn't run")
	f.StringVar(&c.url, "url", "", "`URL` of the page of a box that runs: it shows its readings and keeps the record")
	f.StringVar(&c.fingerprint, "fingerprint", "", "`SHA256` of a self-made certificate, as boxd prints it when it starts")
	f.StringVar(&c.phraseFile, "phrase-file", "", "`FILE` of the pass phrase; else it is asked for on the terminal")
	f.StringVar(&c.from, "points", "", "`FILE` of the points, JSON; - is standard input")
	f.StringVar(&c.by, "by", "", "`NAME` of who did it; where the box has accounts, the account's")
	f.StringVar(&c.channel, "channel", "", "`COLUMN` of the channel that is calibrated")
	word, err := a.parseRun(f, args)
	if err != nil {
		return err
	}
	w, guides := ways()[word]
	if word == "injector" {
		c.channel = calibration.Injector
	}
	_, known := box.ChannelByColumn(c.channel)
	switch {
	case word == "list" && c.from == "" && c.url == "":
		return listCalibrations(a, c.data)
	case word == "list" && c.from == "":
		return a.usage(f, "-url doesn't go with list: a box's page and its runs tell of its calibrations")
	case (word == "") != (c.from != "") || word != "" && !guides:
		return a.usage(f, "give list, or -points FILE, or one of flow, pressure, ec, temperature, injector")
	case guides && !known && word != "injector":
		return a.usage(f, "name the channel's trace column, as -channel main_flow_lpm")
	case c.url == "" && (c.fingerprint != "" || c.phraseFile != ""):
		return a.usage(f, "-fingerprint and -phrase-file go with -url")
	}
	return c.run(a, w)
}

// records is where calibrations are kept.
type records interface {
	inForce(channel string) (calibration.Correction, error)
	keep(r calibration.Request) error
}

// run calibrates by a file of points, or by the guide.
func (c calibrating) run(a *app, w way) error {
	var at records = archived{a, c.data}
	var page *boxPage
	if c.url != "" {
		var err error
		if page, err = reachBox(a, c.url, c.fingerprint, c.by, phraseFrom(a, c.phraseFile)); err != nil {
			return err
		}
		defer page.leave()
		at, c.by = page, cmp.Or(page.by, c.by)
	}
	if c.from != "" {
		return calibrate(at, c.from, c.by)
	}
	g := newGuide(a, at)
	g.live = page
	return g.run(w, calibration.Request{Channel: c.channel, By: c.by})
}

// maxRequest bounds a file of points, in bytes.
const maxRequest = 64 << 10

func readRequest(path string) (r calibration.Request, err error) {
	in := io.ReadCloser(os.Stdin)
	if path != "-" {
		if in, err = os.Open(path); err != nil {
			return r, fmt.Errorf("cannot read the points: %w", err)
		}
		defer func() { _ = in.Close() }()
	}
	return decodeRequest(in, path)
}

func decodeRequest(in io.Reader, path string) (r calibration.Request, err error) {
	d := json.NewDecoder(io.LimitReader(in, maxRequest))
	d.DisallowUnknownFields()
	if err := d.Decode(&r); err != nil {
		return r, fmt.Errorf("cannot read the points in %s: %w; the manual (calibrate) shows a file", path, err)
	}
	return r, nil
}

// taker keeps calibrations while boxd runs: the samples are corrected by them
// from then on.
func (s *service) taker(j *journal.Journal) func(context.Context, []byte, string) (string, error) {
	return func(ctx context.Context, points []byte, by string) (string, error) {
		if s.standIn != "" {
			return "", say.Refuse("cannot calibrate: the archive can't be used now, and the record would be lost with the power; mend what the alarm archive-failing says, start boxd anew and calibrate then")
		}
		r, err := requested(points, by)
		if err != nil {
			return "", err
		}
		s.calibrating.Lock()
		defer s.calibrating.Unlock()
		for i := range s.calibrations {
			if s.calibrations[i].ID == r.ID {
				return s.calibrations[i].Text, nil // sent twice
			}
		}
		rec, err := keepCalibration(ctx, j, r)
		if err != nil {
			return "", err
		}
		return rec.Text, s.correct(ctx, j)
	}
}

// requested reads what a page was sent, by a person. An account's name counts before
// the one in the request.
func requested(points []byte, by string) (calibration.Request, error) {
	r, err := decodeRequest(bytes.NewReader(points), "the request")
	if err != nil {
		return r, err
	}
	r.By, r.ID = cmp.Or(by, r.By), cmp.Or(r.ID, rand.Text())
	if box.IsButton(r.By) {
		return r, say.Refuse("cannot calibrate: that is what the button at the box is called in the record; give your own name")
	}
	return r, nil
}

// inUse are the calibrations in force, as JSON.
func (s *service) inUse() ([]byte, error) {
	s.calibrating.Lock()
	defer s.calibrating.Unlock()
	return json.Marshal(append([]calibration.Record{}, s.calibrations...))
}

// calibrate works the points of a file out and keeps the record.
func calibrate(at records, from, by string) error {
	r, err := readRequest(from)
	if err != nil {
		return err
	}
	r.By, r.ID = cmp.Or(by, r.By), cmp.Or(r.ID, rand.Text())
	return at.keep(r)
}

// archived are the calibrations in the archive of a boxd that doesn't run.
type archived struct {
	*app
	data string
}

func (a archived) inForce(channel string) (calibration.Correction, error) {
	j, err := openArchive(a.data)
	if err != nil {
		return calibration.None(), err
	}
	list, err := j.Calibrations(a.ctx, time.Time{})
	return calibration.InForce(list, channel), errors.Join(err, j.Close())
}

// keep keeps the record of a request. The archive is locked, so that no running
// boxd goes on with the correction of before.
func (a archived) keep(r calibration.Request) error {
	if _, err := os.Stat(archiveFile(a.data)); err != nil {
		return fmt.Errorf("there is no archive in %s; name its folder with -data", a.data)
	}
	unlock, err := lock(a.data)
	if err != nil {
		return fmt.Errorf("%w; or calibrate while it runs, with -url and the address of its page", err)
	}
	defer unlock()
	j, err := openArchive(a.data)
	if err != nil {
		return err
	}
	rec, err := keepCalibration(a.ctx, j, r)
	if err = errors.Join(err, j.Close()); err != nil {
		return err
	}
	_, err = fmt.Fprintf(a.out, "%s: %s; next due %s\n", rec.Channel, rec.Text, rec.Next.Format(time.DateOnly))
	return err
}

func keepCalibration(ctx context.Context, j *journal.Journal, r calibration.Request) (calibration.Record, error) {
	was, err := j.Calibrations(ctx, time.Time{})
	if err != nil {
		return calibration.Record{}, err
	}
	now := time.Now().UTC().Round(0)
	rec, err := calibration.Make(r, calibration.InForce(was, r.Channel), now)
	if err != nil {
		return rec, err
	}
	note := engine.Event{Wall: now, Kind: engine.NoteEvent, Text: "calibrated " + rec.Channel + " by " + rec.By + ": " + rec.Text}
	return rec, j.Commit(ctx, journal.Batch{Calibrations: []calibration.Record{rec}, Events: []engine.Event{note}})
}

func listCalibrations(a *app, data string) error {
	j, err := openArchive(data)
	if err != nil {
		return err
	}
	defer j.Close()
	const most = 1000
	list, err := j.EveryCalibration(a.ctx, most)
	if err != nil {
		return err
	}
	if len(list) == 0 {
		_, err = fmt.Fprintln(a.out, "no calibrations yet")
		return err
	}
	t := tabwriter.NewWriter(a.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "date\tchannel\tby\tstandard\tresult\tnext due")
	for i := range list {
		r := &list[i]
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\n", r.Wall.Format(time.DateOnly), r.Channel, r.By, r.Standard.Name, r.Text, r.Next.Format(time.DateOnly))
	}
	return t.Flush()
}

// correct has the instruments' samples corrected as the archive says. What can't
// be read there is worth stopping for: readings off by a known error are worse
// than a box that doesn't start.
func (s *service) correct(ctx context.Context, j *journal.Journal) error {
	src, ok := s.source.(*hwio.Source)
	if !ok {
		return nil
	}
	list, err := j.Calibrations(ctx, time.Time{})
	if err != nil {
		return err
	}
	src.Correct(calibration.Corrections(list))
	s.calibrations = list
	return nil
}
