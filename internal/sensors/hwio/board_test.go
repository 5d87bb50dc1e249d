package hwio

import (
	"context"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"boxd/internal/box"
	"boxd/internal/sensors"
)

// TestBoard reads files as the kernel writes them (kernel documentation,
// driver-api/thermal/sysfs-api and hwmon/sysfs-interface).
func TestBoard(t *testing.T) {
	root := t.TempDir()
	put := func(name, text string) {
		t.Helper()
		path := filepath.Join(root, "sys/class", name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text+"\n"), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	b := &Board{root: root, Least: 11.5, Source: &Source{}, Button: &Button{}}
	look := func(want ...box.Vital) {
		t.Helper()
		b.look()
		got := b.Vitals()
		for i := range got {
			got[i].Why, _, _ = strings.Cut(got[i].Why, ":")
		}
		if !reflect.DeepEqual(got, want) {
			t.Errorf("%+v, want %+v", got, want)
		}
	}
	look()
	put("thermal/thermal_zone0/type", "battery")
	put("thermal/thermal_zone0/temp", "21000")
	temp := box.Vital{Name: "board_c", Unit: "°C", Value: 21, Known: true}
	look(temp)
	put("thermal/thermal_zone1/type", "cpu-thermal")
	put("thermal/thermal_zone1/temp", "81234")
	temp.Value, temp.Why = 81.234, "the board is so hot that it slows itself down"
	look(temp)
	put("thermal/thermal_zone1/temp", "")
	temp = box.Vital{Name: "board_c", Unit: "°C", Why: "the board doesn't tell its temperature"}
	look(temp)

	put("hwmon/hwmon1/in0_lcrit_alarm", "0")
	supply := box.Vital{Name: "board_supply_v", Unit: "V"}
	look(temp, supply)
	put("hwmon/hwmon1/in0_lcrit_alarm", "1")
	supply.Why = "the supply of the board is too low"
	look(temp, supply)
	put("hwmon/hwmon1/in0_lcrit_alarm", "0")
	b.Source.own([]box.Sample{{Value: 12.6}})
	supply.Value, supply.Known, supply.Why = 12.6, true, ""
	look(temp, supply)
	b.Source.own([]box.Sample{{Value: 11.4}})
	supply.Value, supply.Why = 11.4, "the supply of the board is too low"
	look(temp, supply)
	b.Source.own([]box.Sample{{Fault: "no answer", Value: 3}})
	supply = box.Vital{Name: "board_supply_v", Unit: "V", Value: 3, Why: "no answer"}
	look(temp, supply)

	b.Button.trouble = "stuck"
	p := &pulseMeter{channel: box.MainFlow, Pulses: meter()}
	p.counted.Add(1000)
	b.Source.meters = []*pulseMeter{p}
	look(temp, supply, box.Vital{Name: "button", Why: "stuck"}, box.Vital{Name: "main_flow_total_l", Unit: "L", Value: 2.22, Known: true})
}

// TestSupplyIsNoChannel: the converter's reading of the board's supply is not
// among the samples of the box.
func TestSupplyIsNoChannel(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := new(fakeLine)
		s, err := open([]sensors.Wiring{{Channel: box.MainFlow, Every: 100 * time.Millisecond, Driver: meter()}, {Channel: box.UnknownChannel, Every: 100 * time.Millisecond, Driver: meter()}},
			nil, openers{line: l.open, clock: clock})
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		time.Sleep(2*time.Second + 50*time.Millisecond)
		got, _ := s.Samples(context.Background(), 0, nil)
		for _, x := range got {
			if x.Channel != box.MainFlow {
				t.Errorf("%+v", x)
			}
		}
		if x, ok := s.supply(); !ok || x.Fault != "" || len(got) == 0 {
			t.Errorf("%+v, %t; %d samples", x, ok, len(got))
		}
	})
}
