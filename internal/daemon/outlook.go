package daemon

import (
	"context"
	"encoding/json"
	"log/slog"
	"time"

	"boxd/internal/journal"
	"boxd/internal/telemetry"
	"boxd/internal/telemetry/alert"
)

// Outlook tells at dusk of frost in the night, once an evening.
type Outlook struct {
	Journal *journal.Journal
	Hub     *telemetry.Hub
	Style   alert.Style
	Zone    *time.Location
	Dusk    time.Duration // after midnight, local
	Log     *slog.Logger
}

const (
	outlookKey  = "alerts.outlook" // the day it was last told
	lookOutlook = 20 * time.Second
	evening     = 3 * time.Hour // a forecast may come late
)

// Run looks until ctx ends.
func (o Outlook) Run(ctx context.Context) {
	tick := time.NewTicker(lookOutlook)
	defer tick.Stop()
	for {
		if err := o.look(ctx, time.Now()); err != nil && ctx.Err() == nil {
			o.Log.Warn("the night's outlook is waiting", "error", err)
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// look queues the outlook where it is due. That it was told is saved along with
// it, so that a restart tells nothing twice.
func (o Outlook) look(ctx context.Context, now time.Time) error {
	since := alert.OfDay(now, o.Zone) - o.Dusk
	state := o.Hub.Latest()
	if since < 0 || since > evening || state.View == nil || state.Stopped != "" {
		return nil
	}
	text := o.Style.Outlook(state.View)
	if text == "" {
		return nil
	}
	day := now.In(o.Zone).Format(time.DateOnly)
	if told, _, err := o.Journal.State(ctx, outlookKey); err != nil || string(told) == day {
		return err
	}
	payload, err := json.Marshal(text)
	if err != nil {
		return err
	}
	return o.Journal.Commit(ctx, journal.Batch{State: map[string][]byte{outlookKey: []byte(day)},
		Messages: []journal.Message{{Kind: string(alert.OutlookEvent), Wall: now, Payload: payload}}})
}
