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
	"boxd/internal/sensors/hwio"
)

// runCalibrate keeps a calibration, or lists them. The points come in a file, as
// a calibration.Request in JSON, or are asked for on the terminal.
func runCalibrate(a *app, args []string) error {
	f := a.flags("calibrate")
	data := f.String("data", defaultData, "`DIR` of the archive")
	from := f.String("points", "", "`FILE` of the points, JSON; - is standard input")
	by := f.String("by", "", "`NAME` of who did it")
	channel := f.String("channel", "", "`COLUMN` of the channel that is calibrated")
	word, err := a.parseRun(f, args)
	if err != nil {
		return err
	}
	switch {
	case word == "list" && *from == "":
		return listCalibrations(a, *data)
	case word == "" && *from != "":
		return calibrate(a, *data, *from, *by)
	}
	w, ok := ways()[word]
	if word == "injector" {
		*channel = calibration.Injector
	}
	if !ok || *from != "" {
		return a.usage(f, "give list, or -points FILE, or one of flow, pressure, ec, temperature, injector")
	}
	if _, known := box.ChannelByColumn(*channel); !known && *channel != calibration.Injector {
		return a.usage(f, "name the channel's trace column, as -channel main_flow_lpm")
	}
	return guided(a, w, calibration.Request{Channel: *channel, By: *by}, *data)
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
		return r, fmt.Errorf("cannot read the points in %s: %w; the README shows a file", path, err)
	}
	return r, nil
}

// taker keeps calibrations while boxd runs: the samples are corrected by them
// from then on. An account's name counts before the one in the request.
func (s *service) taker(j *journal.Journal) func(context.Context, []byte, string) (string, error) {
	return func(ctx context.Context, points []byte, by string) (string, error) {
		r, err := decodeRequest(bytes.NewReader(points), "the request")
		if err != nil {
			return "", err
		}
		r.By = cmp.Or(by, r.By)
		r.ID = cmp.Or(r.ID, rand.Text())
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

// calibrate works the points of a file out and keeps the record.
func calibrate(a *app, data, from, by string) error {
	r, err := readRequest(from)
	if err != nil {
		return err
	}
	if by != "" {
		r.By = by
	}
	if r.ID == "" {
		r.ID = rand.Text()
	}
	return keep(a, data, r)
}

// keep keeps the record of a request. The archive is locked, so that no running
// boxd goes on with the correction of before.
func keep(a *app, data string, r calibration.Request) error {
	if _, err := os.Stat(archiveFile(data)); err != nil {
		return fmt.Errorf("there is no archive in %s; name its folder with -data", data)
	}
	unlock, err := lock(data)
	if err != nil {
		return err
	}
	defer unlock()
	j, err := openArchive(data)
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
