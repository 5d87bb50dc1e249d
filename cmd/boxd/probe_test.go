package main

import (
	"os"
	"path/filepath"
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
	}, nil)
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

// TestDraftByProfile: what a shipped profile has and the board shows stands in the
// draft, the rest is a comment; drafts of all of them pass the check, also when
// nothing at all was found.
func TestDraftByProfile(t *testing.T) {
	f := hwio.Finds{
		Buses:        []hwio.FoundBus{{Path: "/dev/i2c-1", Answers: []hwio.FoundDevice{{Address: 0x48, Converter: true}, {Address: 0x64}}}},
		Chips:        []hwio.FoundChip{{Path: "/dev/gpiochip0", Lines: []hwio.FoundLine{{Name: "GPIO17"}, {Name: "GPIO27", Used: true}, {Name: "GPIO23"}}}},
		Thermometers: []hwio.FoundThermometer{{ID: "28-0123456789ab"}},
	}
	files, err := filepath.Glob("../../hw/profiles/*.yaml")
	if err != nil || len(files) < 4 {
		t.Fatalf("%q, %v", files, err)
	}
	for _, file := range files {
		p, err := readProfile(file)
		if err != nil {
			t.Fatal(err)
		}
		for _, found := range []hwio.Finds{f, {}} {
			text := draftOf(found, &p)
			c, err := config.Parse("draft.yaml", []byte(text))
			if err != nil {
				t.Fatalf("%s: %v\n%s", file, err, text)
			}
			if !strings.HasSuffix(file, "/header-40.yaml") || len(found.Buses) == 0 {
				continue
			}
			// By hand: four inputs at 0x48, the probe at 0x64, the meter at GPIO17; the
			// button's line is free, the supply's converter isn't there.
			if len(c.Sensors) != 6 || c.Board.Button == nil || c.Board.Supply != nil || !strings.Contains(text, "#  - {channel: header_kpa") ||
				!strings.Contains(text, "NOT FOUND: nothing answers at 0x49 of /dev/i2c-1") || !strings.Contains(text, "# input, used") || !strings.Contains(text, "address: 28-0123456789ab") {
				t.Errorf("%d sensors:\n%s", len(c.Sensors), text)
			}
		}
	}
	for _, text := range []string{"profile: {name: x}\n", "sensors:\n  - {channel: nothing}\n", "sensors:\n- {channel: water_c, driver: ds18b20, address: 28-0123456789ab}\n"} {
		path := filepath.Join(t.TempDir(), "p.yaml")
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := readProfile(path); err == nil {
			t.Errorf("%q is taken for a profile", text)
		}
	}
}
