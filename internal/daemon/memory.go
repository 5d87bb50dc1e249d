package daemon

import (
	"context"
	"encoding/json"

	"boxd/internal/engine"
)

// memoryKey is where the archive keeps what a zone's runs leave for the next.
// During a run it stays as it was when the run began, so that a run that is taken
// up again starts from what it started from.
func (d *Daemon) memoryKey() string { return "memory." + d.zone() }

func (d *Daemon) zone() string { return d.o.Core.Zone.Zone().Name }

// recall reads it. What can't be read must not pass for clean lines.
func (d *Daemon) recall(ctx context.Context) error {
	text, ok, err := d.o.Journal.State(ctx, d.memoryKey())
	if err != nil || !ok {
		return err
	}
	if err := json.Unmarshal(text, &d.o.Core.Past); err != nil {
		d.o.Log.Error("cannot read what earlier runs left; what stands in the lines is unknown", "error", err)
		d.o.Core.Past = engine.Memory{}.Lost(d.zone(), "")
	}
	return nil
}

// memory is the state to save with a turn, nil when it has not changed.
func (d *Daemon) memory(m *engine.Memory) map[string][]byte {
	if m == nil {
		return nil
	}
	text, err := json.Marshal(m)
	if err != nil {
		d.o.Log.Error("cannot save what this run leaves", "error", err)
		return nil
	}
	return map[string][]byte{d.memoryKey(): text}
}
