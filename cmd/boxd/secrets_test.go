// A box whose links all carry secrets and all fail: whatever it says, shows,
// publishes or keeps holds none of them.
package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"boxd/internal/telemetry/broker"
)

func TestNoSecretIsTold(t *testing.T) {
	t.Parallel()
	b, err := broker.StartWith(broker.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	dir, notes := t.TempDir(), t.TempDir()
	file := func(name, text string) string {
		path := filepath.Join(notes, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	dead := "127.0.0.1:" + deadPort(t)
	secrets := []string{"mqttsecret7", "influxsecret7", "hooksecret7", "filesecret7"}
	config := file("box.yaml", string(demoConfig())+fmt.Sprintf(`
mqtt: {broker: "tcp://%s", user: box, password_file: %s}
influx: {url: "http://%s", bucket: boxd, token_file: %s}
alerts:
  - {url: "generic+http://%s/hook/hooksecret7?template=json&key=hooksecret7", events: [critical, high, flush_done]}
  - {url_file: %s}
`, b.Addr(), file("mqtt", "mqttsecret7"), dead, file("influx", "influxsecret7"), dead, file("hooks", "generic+http://"+dead+"/filesecret7")))
	p := startBoxd(t, "demo", "-person", "auto", "-speed", "1000", "-listen", "127.0.0.1:0", "-data", dir, "-config", config)
	page := p.await(t, `^page +(http://\S+)`)
	run, err := endedRun(dir, 2*patience)
	if err != nil {
		t.Fatal(err)
	}
	shown := map[string][]byte{}
	for _, path := range []string{"", "api/view", "alarms", "box", "runs", "runs/" + run.ID + ".json", "runs/" + run.ID + ".html"} {
		shown["the page /"+path] = body(t.Context(), page+path)
	}
	p.interrupt(t)
	shown["the terminal"] = []byte(p.said())
	err = filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err == nil && d.Type().IsRegular() {
			shown[d.Name()], err = os.ReadFile(path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(shown["boxd.sqlite"]) == 0 || len(shown["the page /box"]) == 0 || !strings.Contains(p.said(), "alert") {
		t.Fatal("there is nothing to look through")
	}
	for where, text := range shown {
		for _, s := range secrets {
			if bytes.Contains(text, []byte(s)) {
				t.Errorf("%s holds %s", where, s)
			}
		}
	}
}

// deadPort is a port where nobody listens.
func deadPort(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	_, port, _ := net.SplitHostPort(l.Addr().String())
	return port
}

func body(ctx context.Context, from string) []byte {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, from, nil)
	if err != nil {
		return nil
	}
	r, err := http.DefaultClient.Do(req)
	if err != nil {
		return nil
	}
	defer r.Body.Close()
	b, _ := io.ReadAll(r.Body)
	return b
}
