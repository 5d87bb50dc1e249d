package main

import (
	"errors"
	"testing"

	"boxd/internal/box"
	"boxd/internal/telemetry/influx"
	"boxd/internal/telemetry/mqtt"
)

// TestLinks: what fails is named, and one link that works covers up for no other.
func TestLinks(t *testing.T) {
	cut, wrong := errors.New("cut"), errors.New("wrong")
	for _, x := range []struct {
		broker   mqtt.Link
		database influx.Link
		want     box.Surrounding
	}{
		{mqtt.Link{}, influx.Link{}, box.Surrounding{}},
		{mqtt.Link{Up: true}, influx.Link{}, box.Surrounding{Health: box.Well}},
		{mqtt.Link{}, influx.Link{Up: true}, box.Surrounding{Health: box.Well}},
		{mqtt.Link{Err: cut}, influx.Link{Up: true}, box.Surrounding{Health: box.Failing, Why: "cut", To: box.Broker}},
		{mqtt.Link{Up: true}, influx.Link{Err: wrong}, box.Surrounding{Health: box.Failing, Why: "wrong", To: box.Database}},
		{mqtt.Link{Err: cut}, influx.Link{Err: wrong}, box.Surrounding{Health: box.Failing, Why: "cut", To: box.BrokerAndDatabase}},
	} {
		if got := links(x.broker, x.database); got != x.want {
			t.Errorf("%+v, %+v: %+v, want %+v", x.broker, x.database, got, x.want)
		}
	}
}
