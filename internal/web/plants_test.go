package web

import (
	"strings"
	"testing"

	"boxd/internal/engine"
)

func TestWhatEachPlantHasHad(t *testing.T) {
	v := viewAt("flush")
	v.Dose = aDose()
	v.Dose.PerPlant = &engine.PerPlantView{Of: "plant", Emitters: 1, Rows: []engine.RowDoseView{
		{From: 1, To: 4, Points: []engine.PlantDoseView{{AtM: 0.3, Pct: 99.97, N: num(212.4)}, {AtM: 30, Pct: 50, N: num(106)}}},
		{From: 5, To: 5, Points: []engine.PlantDoseView{{AtM: 0.3, Pct: 100}, {AtM: 20, Pct: 0}}},
	}}
	body := get(t, New(newFakeCore(v), nil, Options{}), "/").Body.String()
	// Cut off, not rounded: what is still on its way is never called all.
	for _, part := range []string{"rows 1 to 4: first plant 99\u00a0%, 212 mg N, last plant 50\u00a0%, 106 mg N", "row 5: first plant 100\u00a0%, last plant 0\u00a0%", `30V15.0h`} {
		has(t, body, part)
	}
	v.Dose.PerPlant = nil // as after a burst
	if strings.Contains(get(t, New(newFakeCore(v), nil, Options{}), "/").Body.String(), "What each plant has had</h2>") {
		t.Error("an account that can't be known is drawn")
	}
}
