package main

import (
	"context"
	"errors"
	"time"

	"boxd/internal/say"
	"boxd/internal/setup"
	"boxd/internal/telemetry"
	"boxd/internal/telemetry/alert"
	"boxd/internal/telemetry/mqtt"
	"boxd/internal/units"
	"boxd/internal/web"
)

// alertTargets are where a draft's alerts go; none where nothing was said.
func alertTargets(d *setup.Draft) ([]*alert.Target, error) {
	address := d.Secret(setup.AlertAddress)
	if address == "" {
		return nil, nil
	}
	s, err := alert.New(alert.Config{Where: "alerts[0]", URLs: []telemetry.Secret{telemetry.Secret(address)}})
	if err != nil {
		return nil, err
	}
	return s.Targets(), nil
}

// brokerOf is a publisher to a draft's own broker; nil where it has none.
func brokerOf(d *setup.Draft) (*mqtt.Publisher, error) {
	if said, _ := d.Answer(setup.BrokerSaid); said != setup.OwnBroker {
		return nil, nil
	}
	box, _ := d.Answer("box.name")
	url, _ := d.Answer(setup.BrokerURL)
	user, _ := d.Answer(setup.BrokerUser)
	return mqtt.New(mqtt.Config{Box: box, URL: url, User: user, Password: telemetry.Secret(d.Secret(setup.BrokerPassword))}, nil)
}

// checkTelling adds what the senders would refuse at the start.
func checkTelling(d *setup.Draft, r setup.Result) setup.Result {
	fail := func(field string, err error) {
		if err != nil {
			r.Fail(setup.Fault{Step: setup.TellStep, Field: field, Text: say.Verbatim(err.Error())})
		}
	}
	_, err := alertTargets(d)
	fail(setup.AlertAddress, err)
	if url, _ := d.Answer(setup.BrokerURL); url != "" { // else it is asked for
		_, err = brokerOf(d)
		fail(setup.BrokerURL, err)
	}
	return r
}

// Try is of web.Workshop.
func (w *workshop) Try(ctx context.Context, t web.Trial) error {
	d := w.Draft()
	switch t {
	case web.TryAlert:
		return tryAlert(ctx, d)
	case web.TryBroker:
		p, err := brokerOf(d)
		if err == nil && p == nil {
			err = say.Refuse("No broker of your own is named: there is nothing to try.")
		}
		if err == nil {
			err = p.Try(ctx)
		}
		return err
	case web.UnknownTrial:
	}
	return nil
}

// tryAlert sends a test to the address, in its language.
func tryAlert(ctx context.Context, d *setup.Draft) error {
	list, err := alertTargets(d)
	if err == nil && len(list) == 0 {
		err = say.Refuse("No address for alerts is kept: write one first.")
	}
	box, _ := d.Answer("box.name")
	lang, _ := d.Answer(setup.AlertLanguage)
	system, _ := d.System()
	to, _ := web.ReaderIn(lang, system) // not said: English
	faults := []error{err}
	for _, t := range list {
		faults = append(faults, t.Send(ctx, alert.Style{US: system == units.US, Messages: to.Voice.Messages}.Test(box, time.Now())))
	}
	return errors.Join(faults...)
}
