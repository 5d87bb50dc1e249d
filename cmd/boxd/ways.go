package main

import (
	"boxd/internal/box"
	"boxd/internal/calibration"
)

// point puts what was measured into a request.
type point func(*calibration.Request)

// way is one kind of calibration as a person is led through it.
type way struct {
	kind  calibration.Kind
	limit string  // the unit of a standard's limit of error
	per   float64 // of that unit in the request's
	ask   func(g *guide, channel string) point
}

func ways() map[string]way {
	return map[string]way{
		"flow":        {calibration.FlowKind, "L", 1, (*guide).bucket},
		"pressure":    {calibration.PressureKind, "kPa", 1, (*guide).compared},
		"ec":          {calibration.ECKind, "%", 0.01, (*guide).solution},
		"temperature": {calibration.TemperatureKind, "°C", 1, (*guide).ice},
		"injector":    {calibration.RatioKind, "% of the stock drawn or of a rise in EC", 0.01, (*guide).injected},
	}
}

func (g *guide) bucket(channel string) point {
	b, per := calibration.Bucket{}, 0.0
	if g.live == nil || !g.watched(channel, &b) {
		b.Seconds = g.number("seconds it took:")
		v, unit := g.measured("what the meter counted, as 11475 pulses or 25.5 L, or the mean flow boxd showed, as 19.1 L/min:", "pulses", "L", "L/min")
		switch unit {
		case "pulses":
			b.Pulses, per = v, g.number("pulses per litre in the configuration:")
		case "L":
			b.Meter = v
		default:
			b.Flow = v
		}
	}
	v, unit := g.measured("the water in the bucket, as 25 L by its mark or 24.9 kg without the bucket:", "L", "kg")
	if unit == "kg" {
		b.Kilograms, b.Celsius = v, g.number("its temperature, °C:")
	} else {
		b.Litres = v
	}
	return func(r *calibration.Request) {
		if r.Flow == nil {
			r.Flow = &calibration.Flow{}
		}
		r.Flow.PerLitre = max(per, r.Flow.PerLitre)
		r.Flow.Buckets = append(r.Flow.Buckets, b)
	}
}

// watched takes time and litres of a bucket, or its mean flow, from what the box
// shows. False: the person has to say them.
func (g *guide) watched(channel string, b *calibration.Bucket) bool {
	_, counts, err := g.live.counted(channel)
	if err != nil {
		g.tell("%v\n", err)
		return false
	}
	begins, ends := "Enter when the water begins to run into the bucket:", "Enter when the bucket is taken away:"
	if counts {
		begins, ends = "shut the water off, put the bucket below, Enter, then open:", "shut the water off when the bucket is full, wait until the meter stands still, Enter:"
	}
	g.line(begins)
	began := g.now()
	before, _, err := g.live.counted(channel)
	flow, n := 0.0, 0.0
	g.lineWhile(ends, func() {
		v, e := g.live.shown(channel)
		if e != nil {
			err = e
		}
		flow, n = flow+v, n+1
	})
	b.Seconds = g.now().Sub(began).Seconds()
	after, _, e := g.live.counted(channel)
	if err == nil {
		err = e
	}
	switch {
	case err != nil:
		g.tell("%v\nThe bucket can't be taken from what the box shows.\n", err)
		return false
	case counts:
		b.Meter = after - before
		g.tell("%.0f s, %.2f L by the meter\n", b.Seconds, b.Meter)
	case n > 0:
		b.Flow = flow / n
		g.tell("%.0f s, mean flow %.4g L/min\n", b.Seconds, b.Flow)
	}
	return true
}

func (g *guide) compared(channel string) point {
	c := calibration.Compared{Reference: g.number("gauge, kPa (0: vented):"), Reading: g.reading("kPa", channel)}
	return func(r *calibration.Request) {
		if r.Pressure == nil {
			r.Pressure = &calibration.Pressure{}
		}
		r.Pressure.Points = append(r.Pressure.Points, c)
	}
}

func (g *guide) solution(channel string) point {
	by := calibration.Compensation(g.choice("who brings the reading to 25 °C", string(calibration.Nobody), string(calibration.Boxd), string(calibration.Probe)))
	s := calibration.Solution{At25: g.number("EC on the bottle at 25 °C, µS/cm:"), Table: g.table()}
	s.Celsius, s.Reading = g.number("temperature of the standard, °C:"), g.reading("µS/cm", channel)
	if by == calibration.Boxd {
		g.tell("the water temperature that boxd compensates with\n")
		water := g.reading("°C", box.WaterTemp.Info().Column)
		s.Water = &water
	}
	return func(r *calibration.Request) {
		if r.EC == nil {
			r.EC = &calibration.EC{}
		}
		r.EC.By = by
		r.EC.Points = append(r.EC.Points, s)
	}
}

// table is the bottle's own, if it has one.
func (g *guide) table() (rows []calibration.Row) {
	for g.err == nil {
		text := g.line("a row of the bottle's table, °C and µS/cm, as 20 1278 (Enter: no more):")
		if text == "" {
			return rows
		}
		row, err := calibration.RowOf(text)
		if err != nil {
			g.tell("%v\n", err)
			continue
		}
		rows = append(rows, row)
	}
	return rows
}

func (g *guide) ice(channel string) point {
	v := g.reading("°C", channel)
	return func(r *calibration.Request) {
		if r.Temperature == nil {
			r.Temperature = &calibration.Temperature{}
		}
		r.Temperature.Readings = append(r.Temperature.Readings, v)
	}
}

func (g *guide) injected(string) point {
	q := calibration.Ratio{Dialled: g.number("dialled, % of stock in the total:") / 100}
	if g.choice("measured by", "volume", "ec") == "volume" {
		q.Stock, q.Total = g.number("stock drawn, L:"), g.number("mixture that left the injector, L:")
	} else {
		q.WaterEC, q.MixEC = g.number("EC of the water, µS/cm:"), g.number("EC of the mixture that left the injector, µS/cm:")
		q.HandEC, q.HandRatio = g.number("EC of the mixture by hand, µS/cm:"), g.number("stock in the mixture by hand, % of the total:")/100
	}
	return func(r *calibration.Request) { r.Ratio = &q }
}
