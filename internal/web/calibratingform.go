package web

import (
	"cmp"
	"crypto/rand"
	"strconv"
	"strings"

	"boxd/internal/box"
	"boxd/internal/calibration"
	"boxd/internal/say"
	"boxd/internal/units"
)

func newID() string { return rand.Text() }

// measured is a point as it was typed, with the instrument's reading.
type measured struct {
	kind      calibration.Kind
	reference float64
	solution  calibration.Solution
	by        calibration.Compensation
	bucket    calibration.Bucket
	reading   float64
}

// pointOf reads what was typed of a point.
func (s visit) pointOf(j *job, c box.Channel, vented bool) (p measured, err error) {
	p.kind = calibration.KindOf(c)
	switch p.kind {
	case calibration.PressureKind:
		if vented {
			return p, nil
		}
		gauge, err := units.ParseKPa(j.form["gauge"])
		if err != nil {
			return p, say.Refuse("%q is no pressure: write it with its unit, such as 30 psi or 207 kPa", j.form["gauge"])
		}
		p.reference = float64(gauge)
	case calibration.ECKind:
		err = s.readSolution(j, c, &p)
	case calibration.FlowKind:
		err = readBucket(j, &p.bucket)
	case calibration.TemperatureKind, calibration.RatioKind, calibration.Unmeasured:
	}
	return p, err
}

// readSolution reads what the bottle says, and how warm it is.
func (s visit) readSolution(j *job, c box.Channel, p *measured) error {
	at25, err := units.ParseUSPerCm(j.form["at25"])
	if err != nil {
		return say.Refuse("%q is no conductivity: write it with its unit, such as 1413 µS/cm or 2.77 mS/cm", j.form["at25"])
	}
	celsius, err := units.ParseCelsius(j.form["celsius"])
	if err != nil {
		return say.Refuse("%q is no temperature: write it with its unit, such as 77 °F or 25 °C", j.form["celsius"])
	}
	p.solution = calibration.Solution{At25: float64(at25), Celsius: float64(celsius)}
	for line := range strings.Lines(j.form["table"]) {
		if strings.TrimSpace(line) == "" {
			continue
		}
		row, err := calibration.RowOf(strings.TrimSpace(line))
		if err != nil {
			return err
		}
		p.solution.Table = append(p.solution.Table, row)
	}
	probe, _ := s.instrument(c)
	p.by = calibration.Probe
	if probe.raw {
		p.by = calibration.Boxd
		water, ok := s.instrument(box.WaterTemp)
		if !ok || water.why != "" {
			return say.Refuse("No reading of the water's temperature to be relied on, and boxd brings this probe to 25 °C by it: %s. Put that right first.", water.why)
		}
		p.solution.Water = &water.value
	}
	return nil
}

// readBucket reads the water of a bucket, its time and what the meter counted.
func readBucket(j *job, b *calibration.Bucket) error {
	if f := j.filling; f != nil && f.seconds > 0 {
		b.Seconds, b.Meter = f.seconds, f.litres
	} else {
		t, err := units.ParseDuration(j.form["seconds"])
		if err != nil {
			return say.Refuse("%q is no time: write it with its unit, such as 75 s", j.form["seconds"])
		}
		v, err := units.ParseLitre(j.form["meter"])
		if err != nil {
			return say.Refuse("%q is no volume: write it with its unit, such as 6 gal or 22.7 L", j.form["meter"])
		}
		b.Seconds, b.Meter = t.Seconds(), float64(v)
	}
	water := j.form["water"]
	if litres, err := units.ParseLitre(water); err == nil {
		b.Litres = float64(litres)
		return nil
	}
	mass, err := units.ParseGram(water)
	if err != nil {
		return say.Refuse("%q is neither a volume nor a weight: write it with its unit, such as 6 gal, 22.7 L, 50 lb or 22.7 kg", water)
	}
	celsius, err := units.ParseCelsius(j.form["celsius"])
	if err != nil {
		return say.Refuse("Weighed water needs its temperature, such as 60 °F or 15 °C.")
	}
	b.Kilograms, b.Celsius = float64(mass)/1000, float64(celsius)
	return nil
}

// into puts the point into a request.
func (p measured) into(r *calibration.Request) {
	switch p.kind {
	case calibration.PressureKind:
		if r.Pressure == nil {
			r.Pressure = &calibration.Pressure{}
		}
		r.Pressure.Points = append(r.Pressure.Points, calibration.Compared{Reference: p.reference, Reading: p.reading})
	case calibration.ECKind:
		if r.EC == nil {
			r.EC = &calibration.EC{}
		}
		p.solution.Reading, r.EC.By = p.reading, p.by
		r.EC.Points = append(r.EC.Points, p.solution)
	case calibration.FlowKind:
		if r.Flow == nil {
			r.Flow = &calibration.Flow{}
		}
		r.Flow.Buckets = append(r.Flow.Buckets, p.bucket)
	case calibration.TemperatureKind:
		if r.Temperature == nil {
			r.Temperature = &calibration.Temperature{}
		}
		r.Temperature.Readings = append(r.Temperature.Readings, p.reading)
	case calibration.RatioKind, calibration.Unmeasured:
	}
}

// detail puts what goes into the record beside the points.
func (s visit) detail(j *job, kind calibration.Kind) error {
	r, f := &j.request, j.form
	r.By = s.name(f["by"])
	r.Standard = calibration.Standard{Name: f["standard"], Lot: f["lot"]}
	r.Note, r.Days = f["note"], 0
	if text := f["days"]; text != "" {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 {
			return say.Refuse("%q is no number of days: write one such as 30", text)
		}
		r.Days = n
	}
	if text := f["limit"]; text != "" {
		v, err := limitOf(kind, text)
		if err != nil {
			return say.Refuse("%q is no limit of error: write it with its unit, such as 1 psi, 2 %% or 0.05 gal", text)
		}
		r.Standard.Limit = v
	}
	return nil
}

// limitOf reads a standard's limit of error in the request's unit.
func limitOf(kind calibration.Kind, text string) (float64, error) {
	switch kind {
	case calibration.PressureKind:
		v, err := units.ParseKPa(text)
		return float64(v), err
	case calibration.FlowKind:
		v, err := units.ParseLitre(text)
		return float64(v), err
	case calibration.TemperatureKind: // a difference: 1 °F are 5/9 °C
		v, err := units.ParseCelsius(text)
		zero, _ := units.ParseCelsius("0 " + strings.TrimLeft(text, "0123456789.+- "))
		return float64(v - zero), err
	case calibration.ECKind, calibration.RatioKind, calibration.Unmeasured:
	}
	v, err := units.ParseRatio(text)
	return float64(v), err
}

// exact writes a reading with the digits that a calibration turns on.
func (d display) exact(v float64, unit string) string {
	switch {
	case unit == "kPa" && d.us:
		return digits(v/units.KPaPerPsi, 2) + "\u00a0psi"
	case unit == "kPa":
		return digits(v, 1) + "\u00a0kPa"
	case unit == "L" && d.us:
		return digits(v/units.LitrePerUSGallon, 2) + "\u00a0gal"
	case unit == "L":
		return digits(v, 2) + "\u00a0L"
	case unit == "°C" && d.us:
		return digits(v*1.8+32, 1) + "\u00a0°F"
	case unit == "°C":
		return digits(v, 2) + "\u00a0°C"
	case unit == "µS/cm":
		return digits(v, 0) + "\u00a0µS/cm"
	}
	return d.in(&v, unit)
}

// differ writes a difference, with its sign.
func (d display) differ(v float64, unit string) string {
	if unit == "°C" && d.us { // no zero to shift
		return sign(v) + digits(v*1.8, 2) + "\u00a0°F"
	}
	return sign(v) + d.exact(v, unit)
}

func sign(v float64) string {
	if v > 0 {
		return "+"
	}
	return ""
}

// pointLine is a point as the page shows it.
type pointLine struct {
	N                                 int // from 0
	Reference, Reading, Before, After string
}

// pointLines are the points so far, with their errors where they make a record.
func (s visit) pointLines(r *calibration.Request, rec *calibration.Record) (out []pointLine) {
	d := s.show
	add := func(reference, reading string) {
		out = append(out, pointLine{N: len(out), Reference: reference, Reading: reading})
	}
	switch {
	case r.Pressure != nil:
		for _, p := range r.Pressure.Points {
			add(d.exact(p.Reference, "kPa"), d.exact(p.Reading, "kPa"))
		}
	case r.EC != nil:
		for _, p := range r.EC.Points {
			add(d.say("%s at 25 °C, now at %s", d.exact(p.At25, "µS/cm"), d.exact(p.Celsius, "°C")), d.exact(p.Reading, "µS/cm"))
		}
	case r.Flow != nil:
		for _, b := range r.Flow.Buckets {
			water := d.exact(b.Litres, "L")
			if b.Kilograms > 0 {
				water = d.voice.Say(say.T("%v at %v", units.Gram(1000*b.Kilograms), units.Celsius(b.Celsius)))
			}
			add(water, d.say("%s in %s", d.exact(b.Meter, "L"), d.seconds(b.Seconds)))
		}
	case r.Temperature != nil:
		for _, v := range r.Temperature.Readings {
			add(d.exact(0, "°C"), d.exact(v, "°C"))
		}
	}
	unit := cmp.Or(map[bool]string{true: "L"}[rec.Kind == calibration.FlowKind], rec.Unit)
	for i := range min(len(out), len(rec.Points)) {
		out[i].Before, out[i].After = d.differ(rec.Points[i].Before, unit), d.differ(rec.Points[i].After, unit)
	}
	return out
}
