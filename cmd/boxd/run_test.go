package main

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// runConfig writes the demo's configuration as a station's own: its data in
// dir, free ports, no broker.
func runConfig(t *testing.T, dir string) string {
	t.Helper()
	text := strings.Replace(string(demoConfig()), "units: us}", "units: us, data: '"+filepath.ToSlash(dir)+"'}", 1) +
		"\nweb: {listen: '127.0.0.1:0'}\nmqtt: {broker: none}\n"
	path := filepath.Join(dir, "box.yaml")
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// TestRunFromPipe feeds the daemon as a logger does, a row now and then, reads
// them on the page, and interrupts it while the pipe is silent.
func TestRunFromPipe(t *testing.T) {
	t.Parallel()
	cmd := exec.Command("boxd", "run", "-config", runConfig(t, t.TempDir()), "-samples", "-")
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	p := startProcess(t, cmd)
	page := p.await(t, `^page +(http://\S+)`)
	if _, err := io.WriteString(in, "time_s,supply_kpa,water_c,box_air_c\n"); err != nil {
		t.Fatal(err)
	}
	beat := time.NewTicker(200 * time.Millisecond)
	defer beat.Stop()
	deadline := time.Now().Add(patience)
	for i := 0; ; i++ {
		<-beat.C
		// 289.58 kPa are 42.0 psi (NIST SP 811: 6.894757 kPa each).
		if _, err := fmt.Fprintf(in, "%d,289.58,17,21\n", i); err != nil {
			t.Fatal(err)
		}
		if body := get(t, page); strings.Contains(body, "42.0 psi") {
			break
		}
		if time.Now().After(deadline) {
			t.Fatal("the page never shows what the pipe brought")
		}
	}
	p.interrupt(t)
}

// TestRunWithoutItsBus: a bus that isn't there stops nothing; the box page says of
// the channel why it has no value, and how the bus fares.
func TestRunWithoutItsBus(t *testing.T) {
	t.Parallel()
	config := runConfig(t, t.TempDir())
	f, err := os.OpenFile(config, os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	_, err = f.WriteString("sensors:\n  - {channel: header_kpa, driver: ads1115, bus: /dev/i2c-1022, input: 0, signal: loop, shunt: 150 ohm, low: 0 psi, high: 30 psi}\n")
	if err := errors.Join(err, f.Close()); err != nil {
		t.Fatal(err)
	}
	p := startBoxd(t, "run", "-config", config)
	page := p.await(t, `^page +(http://\S+)`)
	beat := time.NewTicker(200 * time.Millisecond)
	defer beat.Stop()
	deadline := time.Now().Add(patience)
	for {
		if body := get(t, page+"box"); strings.Contains(body, "its bus can&#39;t be opened") && strings.Contains(body, `data-bus="/dev/i2c-1022"`) {
			break
		}
		if time.Now().After(deadline) {
			t.Fatal("the page never says what is wrong")
		}
		<-beat.C
	}
	p.interrupt(t)
}

func get(t *testing.T, url string) string {
	t.Helper()
	client := http.Client{Timeout: patience}
	r, err := client.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err != nil || r.StatusCode != http.StatusOK {
		t.Fatalf("%s answers %s, %v", url, r.Status, err)
	}
	return string(b)
}

// TestSamplesEnd says that a daemon without a source does not live on silently.
func TestSamplesEnd(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ rows, says string }{
		{"time_s,supply_kpa\n0,288\n1,288\n", "the source of samples ended"},
		{"time_s,supply_kpa\n0,288\n1,lots\n", "samples.csv:3:3: "},
		{"time_s,colour\n0,red\n", "samples.csv:1:8: "},
	} {
		dir := t.TempDir()
		samples := filepath.Join(dir, "samples.csv")
		if err := os.WriteFile(samples, []byte(c.rows), 0o644); err != nil {
			t.Fatal(err)
		}
		p := startBoxd(t, "run", "-config", runConfig(t, dir), "-samples", samples)
		if code := p.end(t, patience); code != 1 || !strings.Contains(p.said(), c.says) {
			t.Errorf("after %q boxd ends with %d: %s", c.rows, code, p.said())
		}
	}
}
