package daemon

import (
	"context"
	"encoding/json"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/units"
)

// forecastKey is where the archive keeps the forecast that was last taken.
const forecastKey = "forecast"

// kept is that forecast, and who posted it.
type kept struct {
	By       string
	Forecast box.Forecast
}

// recallForecast has the forecast of the night told to the core again, in its
// first turn. One whose hour is over is left.
func (d *Daemon) recallForecast(ctx context.Context) error {
	text, ok, err := d.o.Journal.State(ctx, forecastKey)
	if err != nil || !ok {
		return err
	}
	var k kept
	if err := json.Unmarshal(text, &k); err != nil {
		d.o.Log.Error("cannot read the forecast that was kept; post it again", "error", err)
		return nil
	}
	if k.Forecast.At.After(d.o.Start) {
		d.again = []box.Action{{Kind: box.Post, ID: "forecast-again", By: k.By, Forecast: k.Forecast}}
	}
	return nil
}

// keepForecast adds a forecast that was just taken to the state to save.
func (d *Daemon) keepForecast(state map[string][]byte, events []engine.Event) map[string][]byte {
	for i := range events {
		e := &events[i]
		if e.Kind != engine.ForecastEvent {
			continue
		}
		text, err := json.Marshal(kept{e.By, box.Forecast{Low: units.Celsius(e.Forecast.LowC), At: e.Forecast.At}})
		if err != nil {
			d.o.Log.Error("cannot save the forecast", "error", err)
			continue
		}
		if state == nil {
			state = map[string][]byte{}
		}
		state[forecastKey] = text
	}
	return state
}
