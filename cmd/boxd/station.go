package main

import (
	"context"
	"path/filepath"

	"boxd/internal/box"
	"boxd/internal/daemon"
	"boxd/internal/journal"
	"boxd/internal/telemetry/influx"
	"boxd/internal/telemetry/mqtt"
)

// station starts the writer to the station's database.
func (s *service) station(ctx context.Context, j *journal.Journal) error {
	c := s.cfg.Influx
	if c.URL == "" {
		return nil
	}
	w, err := influx.New(influx.Config{URL: c.URL, Org: c.Org, Bucket: c.Bucket, TokenFile: c.TokenFile, TokenEnv: c.TokenEnv, CAFile: c.CAFile}, s.log)
	if err != nil {
		return err
	}
	out, err := j.Outbox(ctx, "station")
	if err != nil {
		return err
	}
	s.database = w
	s.tell("database   %s   bucket %s", c.URL, c.Bucket)
	src := &daemon.Station{Box: s.core.Box, Keep: out, Journal: j, Refused: filepath.Join(s.data, "refused.lp")}
	s.wg.Go(func() { w.Run(ctx, src) })
	return nil
}

// link is how the links to the broker and to the station's database fare;
// unknown before the first try and where nothing is published.
func (s *service) link() box.Surrounding {
	var broker mqtt.Link
	var database influx.Link
	if s.publisher != nil {
		broker = s.publisher.Link()
	}
	if s.database != nil {
		database = s.database.Link()
	}
	return links(broker, database)
}

func links(broker mqtt.Link, database influx.Link) box.Surrounding {
	cut := !broker.Up && broker.Err != nil
	switch {
	case cut && database.Err != nil:
		return box.Surrounding{Health: box.Failing, Why: broker.Err.Error(), To: box.BrokerAndDatabase}
	case cut:
		return box.Surrounding{Health: box.Failing, Why: broker.Err.Error(), To: box.Broker}
	case database.Err != nil:
		return box.Surrounding{Health: box.Failing, Why: database.Err.Error(), To: box.Database}
	case broker.Up || database.Up:
		return box.Surrounding{Health: box.Well}
	}
	return box.Surrounding{}
}
