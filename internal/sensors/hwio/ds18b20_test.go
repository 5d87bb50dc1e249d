package hwio

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"boxd/internal/box"
	"boxd/internal/sensors"
)

// What w1_therm writes (kernel documentation, w1/slaves/w1_therm), and what it
// was seen to write in trouble on Linux 6.1: nothing for a missing thermometer,
// zeros with a sound check sum for a wire held low.
const (
	thermGood  = "72 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n72 01 4b 46 7f ff 0e 10 57 t=23125\n"
	thermCRC   = "72 01 4b 46 7f ff 0e 10 56 : crc=57 NO\n72 01 4b 46 7f ff 0e 10 57 t=23125\n"
	thermZeros = "00 00 00 00 00 00 00 00 00 : crc=00 YES\n00 00 00 00 00 00 00 00 00 t=0\n"
	thermPower = "50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n50 05 4b 46 7f ff 0c 10 1c t=85000\n" // data sheet, power-on value
)

// TestThermometers reads two on one wire, one of them in every trouble.
func TestThermometers(t *testing.T) {
	for name, c := range map[string]struct {
		files []string // at the tries of a reading, 100 ms apart; "-": no file
		value float64
		want  string
	}{
		"good":            {[]string{thermGood}, 23.125, ""},
		"cut short once":  {[]string{"", thermGood}, 23.125, ""},
		"cut short twice": {[]string{"", "\n", thermGood}, 23.125, ""},
		"power-on once":   {[]string{thermPower, thermGood}, 23.125, ""},
		"unplugged":       {[]string{""}, 0, "no thermometer answers"},
		"gone":            {[]string{"-"}, 0, "the kernel finds no thermometer"},
		"check sum":       {[]string{thermCRC}, 0, "garbled"},
		"held low":        {[]string{thermZeros}, 0, "all zeros"},
		"short of power":  {[]string{thermPower}, 85, "exactly 85"},
		"other driver":    {[]string{"23125\n"}, 0, "not understood"},
	} {
		t.Run(name, func(t *testing.T) {
			root := t.TempDir()
			put := func(id, text string) {
				dir := filepath.Join(root, "sys/bus/w1/devices", id)
				if text == "-" {
					if err := os.RemoveAll(dir); err != nil {
						t.Fatal(err)
					}
					return
				}
				if err := os.MkdirAll(dir, 0o755); err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(filepath.Join(dir, "w1_slave"), []byte(text), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			synctest.Test(t, func(t *testing.T) {
				put("28-000000000001", c.files[0])
				put("28-000000000002", thermGood)
				s, err := open([]sensors.Wiring{
					{Channel: box.WaterTemp, Every: 5 * time.Second, Driver: sensors.DS18B20{ID: "28-000000000001"}},
					{Channel: box.BoxAirTemp, Every: 5 * time.Second, Driver: sensors.DS18B20{ID: "28-000000000002"}},
				}, nil, openers{root: root})
				if err != nil {
					t.Fatal(err)
				}
				defer s.Close()
				time.Sleep(50 * time.Millisecond)
				for _, text := range c.files[1:] {
					put("28-000000000001", text)
					time.Sleep(100 * time.Millisecond)
				}
				time.Sleep(time.Second)
				got := newest(t, s)
				if len(got) != 2 || got[1].Fault != "" || got[1].Value != 23.125 {
					t.Fatalf("%+v: the other one is disturbed", got)
				}
				if w := got[0]; w.Channel != box.WaterTemp || math.Abs(w.Value-c.value) > 1e-9 || !strings.Contains(w.Fault, c.want) || (w.Fault == "") != (c.want == "") {
					t.Errorf("%+v, want %g %q", w, c.value, c.want)
				}
			})
		})
	}
}
