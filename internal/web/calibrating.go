package web

import (
	"context"
	"encoding/json"
	"slices"
	"sync"
	"time"

	"boxd/internal/box"
	"boxd/internal/calibration"
	"boxd/internal/say"
)

// desk keeps what is being measured against a standard, of each person and channel,
// until its result is kept or it is begun anew: what was measured with wet hands is
// not to be lost by a page that is loaded again.
type desk struct {
	mu   sync.Mutex
	jobs map[string]*job
	old  []string // keys, the oldest first
}

// job is one calibration under way. Its lock is held for a whole post.
type job struct {
	mu      sync.Mutex
	request calibration.Request
	form    map[string]string // what was typed last
	filling *filling
}

// filling is a bucket at a meter that counts.
type filling struct {
	began   time.Time
	before  float64 // litres
	watch   uint64  // as of instrument
	seconds float64
	litres  float64 // by the meter; with seconds, once it has ended
}

// maxJobs bounds what is kept; the oldest goes.
const maxJobs = 64

func (d *desk) job(who string, c box.Channel) *job {
	d.mu.Lock()
	defer d.mu.Unlock()
	key := who + "\x00" + c.Info().Column
	if j := d.jobs[key]; j != nil {
		return j
	}
	if len(d.old) >= maxJobs {
		delete(d.jobs, d.old[0])
		d.old = d.old[1:]
	}
	if d.jobs == nil {
		d.jobs = map[string]*job{}
	}
	j := &job{form: map[string]string{}}
	d.jobs[key], d.old = j, append(d.old, key)
	return j
}

// forget begins anew; the lock is held.
func (j *job) forget() {
	j.request, j.form, j.filling = calibration.Request{}, map[string]string{}, nil
}

// instrument is what one gives now.
type instrument struct {
	value  float64
	why    string  // it can't be relied on; empty: it can
	litres float64 // counted in all, where it counts
	counts bool
	watch  uint64 // another number: it began to count anew
	raw    bool   // EC that boxd brings to 25 °C
}

// instrument is what the channel's instrument gives; false where there is none.
func (s visit) instrument(c box.Channel) (instrument, bool) {
	if s.workshop == nil {
		return s.shownInstrument(c)
	}
	for _, x := range s.workshop.Look() {
		if x.At < 0 || x.Wiring.Channel != c {
			continue
		}
		i := instrument{value: x.Sample.Value, litres: x.Counted, counts: x.Counts, watch: x.Watch, raw: x.Wiring.Raw}
		if l := s.liveLine(x); l.Quality != box.Good.String() {
			i.why = l.Why
		}
		return i, true
	}
	return instrument{}, false
}

// shownInstrument is what the running core shows of it: good readings alone count.
func (s visit) shownInstrument(c box.Channel) (instrument, bool) {
	v := s.core.View().In(s.show.voice)
	if _, ok := s.opts.About.Sources[c.Info().Column]; !ok {
		return instrument{}, false
	}
	i := instrument{raw: s.opts.About.Raw[c.Info().Column], why: s.show.unknown()}
	for _, x := range v.Channels {
		if x.Column != c.Info().Column {
			continue
		}
		switch {
		case stopped(v, s.age(v)):
			i.why = s.show.say("stopped: do not rely on this")
		case x.Value != nil && x.Quality == box.Good.String():
			i.value, i.why = *x.Value, ""
		default:
			if why := s.whyReading(x); why != "" {
				i.why = why
			}
		}
	}
	name := calibration.TotalOf(c)
	for _, b := range v.Board {
		if b.Name == name && b.Value != nil {
			i.litres, i.counts = *b.Value, true
		}
	}
	return i, true
}

// rest is the mean of what an instrument gives over some seconds.
func (s visit) rest(ctx context.Context, c box.Channel) (float64, error) {
	var seen calibration.Rest
	for n := range calibration.RestLooks {
		if n > 0 {
			select {
			case <-ctx.Done():
				return 0, ctx.Err()
			case <-time.After(s.apart):
			}
		}
		i, ok := s.instrument(c)
		if !ok || i.why != "" {
			return 0, say.Refuse("No reading to be relied on: %s. Put that right first.", i.why)
		}
		seen.Add(i.value)
	}
	mean, _ := seen.Mean()
	return mean, nil
}

// inForce are the records that correct now.
func (s visit) inForce() ([]calibration.Record, error) {
	text, err := s.opts.Calibrations()
	if err != nil {
		return nil, err
	}
	var list []calibration.Record
	err = json.Unmarshal(text, &list)
	return list, err
}

// measure takes the next point of a calibration, typed into f, from the instrument.
func (s visit) measure(ctx context.Context, j *job, c box.Channel, vented bool) error {
	p, err := s.pointOf(j, c, vented)
	if err != nil {
		return err
	}
	if calibration.KindOf(c) != calibration.FlowKind {
		if p.reading, err = s.rest(ctx, c); err != nil {
			return err
		}
	}
	r := &j.request
	if r.ID == "" {
		list, err := s.inForce()
		if err != nil {
			return err
		}
		before := calibration.InForce(list, c.Info().Column)
		*r = calibration.Request{ID: newID(), Channel: c.Info().Column, Corrected: s.workshop == nil, Seen: &before}
	}
	p.into(r)
	j.filling = nil
	for _, f := range []string{"gauge", "at25", "table", "water", "seconds", "meter"} {
		delete(j.form, f)
	}
	return nil
}

// drop takes a point out again.
func (j *job) drop(n int) {
	r := &j.request
	switch {
	case r.Pressure != nil && n < len(r.Pressure.Points):
		r.Pressure.Points = slices.Delete(r.Pressure.Points, n, n+1)
	case r.EC != nil && n < len(r.EC.Points):
		r.EC.Points = slices.Delete(r.EC.Points, n, n+1)
	case r.Flow != nil && n < len(r.Flow.Buckets):
		r.Flow.Buckets = slices.Delete(r.Flow.Buckets, n, n+1)
	case r.Temperature != nil && n < len(r.Temperature.Readings):
		r.Temperature.Readings = slices.Delete(r.Temperature.Readings, n, n+1)
	}
}

// fill begins a bucket, or ends it.
func (s visit) fill(j *job, c box.Channel, ends bool) error {
	i, ok := s.instrument(c)
	if !ok || i.why != "" || !i.counts {
		return say.Refuse("No reading to be relied on: %s. Put that right first.", i.why)
	}
	now := time.Now()
	if !ends {
		j.filling = &filling{began: now, before: i.litres, watch: i.watch}
		return nil
	}
	f := j.filling
	if f == nil {
		return say.Refuse("No bucket is being filled: begin one.")
	}
	if f.watch != i.watch || i.litres < f.before {
		j.filling = nil
		return say.Refuse("The meter was not watched all the time: fill another bucket, and leave this page open meanwhile.")
	}
	f.seconds, f.litres = now.Sub(f.began).Seconds(), i.litres-f.before
	return nil
}
