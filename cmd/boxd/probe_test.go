package main

import (
	"strings"
	"testing"

	"boxd/config"
	"boxd/internal/sensors/hwio"
)

// TestDraft: a draft is a configuration as it is, and when a person has filled it
// in; where a word was forgotten, it is refused.
func TestDraft(t *testing.T) {
	text := draftOf(hwio.Finds{
		Buses: []hwio.FoundBus{{Path: "/dev/i2c-1", Answers: []hwio.FoundDevice{
			{Address: 0x48, Converter: true}, {Address: 0x64}, {Address: 0x68, Driver: "rtc-x"}}}},
		Chips:        []hwio.FoundChip{{Path: "/dev/gpiochip0", Lines: []hwio.FoundLine{{Name: "GPIO17"}, {Name: "GPIO4", Used: true}}}},
		Thermometers: []hwio.FoundThermometer{{ID: "28-0123456789ab", Trouble: "no answer"}},
		Ports:        []hwio.FoundPort{{Path: "/dev/ttyUSB0", Driver: "ftdi_sio"}},
	})
	if c, err := config.Parse("draft.yaml", []byte(text)); err != nil || len(c.Sensors) != 0 {
		t.Fatal(err)
	}
	filled := strings.NewReplacer("# sensors:", "sensors:", "#   - {", "  - {").Replace(text)
	if _, err := config.Parse("draft.yaml", []byte(filled)); err == nil {
		t.Error("what isn't filled in passes")
	}
	for _, c := range []string{"supply_kpa", "filter_out_kpa", "injector_in_kpa", "injector_out_kpa", "ec_box_us_cm", "water_c", "main_flow_lpm", "header_kpa"} {
		filled = strings.Replace(filled, "channel: CHANNEL", "channel: "+c, 1)
	}
	filled = strings.NewReplacer("SHUNT", "150 ohm", "LOW", "0 psi", "HIGH", "100 psi", "line: LINE", "line: GPIO17", "PULSES", "450", ": FLOW", ": 60 L/min",
		": UNIT", ": 1", "REGISTER", "0", "one: ONE", "one: 0.1 kPa").Replace(filled)
	c, err := config.Parse("draft.yaml", []byte(filled))
	if err != nil {
		t.Fatalf("%v\n%s", err, filled)
	}
	if len(c.Sensors) != 8 {
		t.Errorf("%d sensors, want 8", len(c.Sensors))
	}
}
