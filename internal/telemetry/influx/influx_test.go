// The writer is tried with a server on the loopback that speaks the write API:
// what it took is read back by a line protocol reader of the test's own. Real servers
// are tried in internal/daemon.
package influx

import (
	"compress/gzip"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// bucket is the server: what was written last of each series and time counts.
type bucket struct {
	rows   map[string]string // measurement, tags and time: fields
	calls  int
	answer func(lines []string) (status int, body string) // nil: takes all
}

func (b *bucket) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	b.calls++
	z, err := gzip.NewReader(r.Body)
	if err != nil || r.URL.Path != "/api/v2/write" || r.URL.Query().Get("precision") != "ns" || r.URL.Query().Get("bucket") != "boxd" || r.Header.Get("Authorization") != "Token hunter2" {
		http.Error(w, fmt.Sprintf("not a write: %v %s %s", err, r.URL, r.Header), http.StatusTeapot)
		return
	}
	text, _ := io.ReadAll(z)
	lines := strings.Split(strings.TrimSpace(string(text)), "\n")
	if b.answer != nil {
		if status, body := b.answer(lines); status != http.StatusNoContent {
			w.Header().Set("Content-Type", "application/json")
			w.WriteHeader(status)
			_, _ = io.WriteString(w, body)
			return
		}
	}
	for _, l := range lines {
		series, fields, at := parse(l)
		b.rows[series+" "+at] = fields
	}
	w.WriteHeader(http.StatusNoContent)
}

// parse reads one line: parts end at a space that is neither escaped nor within
// quotes (InfluxDB line protocol reference, "Special characters").
func parse(line string) (series, fields, at string) {
	var parts []string
	start, quoted := 0, false
	for i := 0; i < len(line); i++ {
		switch {
		case line[i] == '\\':
			i++
		case line[i] == '"' && len(parts) == 1:
			quoted = !quoted
		case line[i] == ' ' && !quoted:
			parts, start = append(parts, line[start:i]), i+1
		}
	}
	if len(parts) != 2 {
		return line, "", "not a line"
	}
	return parts[0], parts[1], line[start:]
}

func writer(t *testing.T, url string) *Writer {
	t.Helper()
	t.Setenv("BOXD_TEST_TOKEN", "hunter2")
	w, err := New(Config{URL: url, Org: "station", Bucket: "boxd", TokenEnv: "BOXD_TEST_TOKEN", Timeout: 5 * time.Second}, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	return w
}

func points(n int) []Point {
	out := make([]Point, n)
	for i := range out {
		out[i] = Point{"boxd_event", map[string]string{"box": "north box"}, map[string]any{"seq": int64(i + 1), "text": `6 "psi", low`}, int64(1e18) + int64(i)}
	}
	return out
}

func serve(t *testing.T, answer func([]string) (int, string)) (*bucket, *Writer) {
	b := &bucket{rows: map[string]string{}, answer: answer}
	s := httptest.NewServer(b)
	t.Cleanup(s.Close)
	return b, writer(t, s.URL)
}

func TestWrite(t *testing.T) {
	b, w := serve(t, nil)
	for range 2 { // sent again they are the same rows
		if refused, err := w.Write(t.Context(), points(2500)); err != nil || len(refused) != 0 {
			t.Fatal(refused, err)
		}
	}
	if len(b.rows) != 2500 || b.calls != 6 {
		t.Errorf("%d rows by %d calls", len(b.rows), b.calls)
	}
	if got := b.rows[`boxd_event,box=north\ box 1000000000000000001`]; got != `seq=2i,text="6 \"psi\", low"` {
		t.Errorf("fields %s", got)
	}
	if l := w.Link(); !l.Up || l.Err != nil {
		t.Errorf("link %+v", l)
	}
}

// What a server answers, and what a person is told to do.
func TestTrouble(t *testing.T) {
	for _, c := range []struct {
		status     int
		body, hint string
	}{
		{401, `{"code":"unauthorized","message":"unauthorized access"}`, "influx.token_file"},
		{401, "", "influx.token_file"},
		{403, "", `bucket "boxd"`},
		{404, `{"code":"not found","message":"bucket \"boxd\" not found"}`, "influx.bucket"},
		{500, `{"code":"internal error","message":"retention policy not found: hunter2"}`, "retention policy"},
		{503, "", "tried again"},
	} {
		b, w := serve(t, func([]string) (int, string) { return c.status, c.body })
		_, err := w.Write(t.Context(), points(3))
		if err == nil || !strings.Contains(err.Error(), c.hint) || strings.Contains(err.Error(), "hunter2") || w.Link().Err == nil {
			t.Errorf("%d: %v", c.status, err)
		}
		if b.calls != 1 {
			t.Errorf("%d: %d calls", c.status, b.calls)
		}
	}
}

func TestTooLarge(t *testing.T) {
	b, w := serve(t, func(lines []string) (int, string) {
		if len(lines) > 100 {
			return 413, `{"code":"request too large","message":"over the limit"}`
		}
		return 204, ""
	})
	if refused, err := w.Write(t.Context(), points(1000)); err != nil || len(refused) != 0 || len(b.rows) != 1000 {
		t.Errorf("%d rows, %v, %v", len(b.rows), refused, err)
	}
}

// One point of a wrong type is found; the others are written.
func TestRefused(t *testing.T) {
	b, w := serve(t, func(lines []string) (int, string) {
		for _, l := range lines {
			if strings.Contains(l, "seq=77i") {
				return 400, `{"code":"invalid","message":"field type conflict"}`
			}
		}
		return 204, ""
	})
	refused, err := w.Write(t.Context(), points(300))
	if err != nil || len(refused) != 1 || len(b.rows) != 299 || !strings.Contains(refused[0].Line, "seq=77i") || !strings.Contains(refused[0].Why, "type conflict") {
		t.Errorf("%d rows, %v, %v", len(b.rows), refused, err)
	}
	if l := w.Link(); l.Err == nil || !strings.Contains(l.Err.Error(), "type conflict") {
		t.Errorf("link %+v", l)
	}
}

func TestNobodyThere(t *testing.T) {
	s := httptest.NewServer(nil)
	s.Close()
	if _, err := writer(t, s.URL).Write(t.Context(), points(1)); err == nil || !strings.Contains(err.Error(), "influx.url") {
		t.Errorf("got %v", err)
	}
	hold := make(chan struct{})
	slow := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { <-hold }))
	defer slow.Close()
	defer close(hold)
	w := writer(t, slow.URL)
	w.cfg.Timeout = 20 * time.Millisecond
	if _, err := w.Write(t.Context(), points(1)); err == nil || !strings.Contains(err.Error(), "influx.url") {
		t.Errorf("hanging: %v", err)
	}
}

func TestCertificate(t *testing.T) {
	b := &bucket{rows: map[string]string{}}
	s := httptest.NewUnstartedServer(b)
	s.Config.ErrorLog = slog.NewLogLogger(slog.DiscardHandler, slog.LevelInfo)
	s.StartTLS()
	defer s.Close()
	w := writer(t, s.URL)
	if _, err := w.Write(t.Context(), points(1)); err == nil || !strings.Contains(err.Error(), "influx.ca_file") {
		t.Errorf("unknown signer: %v", err)
	}
	w.cfg.CAFile = filepath.Join(t.TempDir(), "ca.pem")
	if err := os.WriteFile(w.cfg.CAFile, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: s.Certificate().Raw}), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := w.Write(t.Context(), points(1)); err != nil {
		t.Error(err)
	}
	w.cfg.URL = strings.Replace(s.URL, "127.0.0.1", "localhost", 1)
	_, err := w.Write(t.Context(), points(1))
	if x := s.Certificate().VerifyHostname("localhost"); x != nil && (err == nil || !strings.Contains(err.Error(), "another name")) {
		t.Errorf("another name: %v (%T)", err, x509.HostnameError{})
	}
}

func TestToken(t *testing.T) {
	dir := t.TempDir()
	empty, long := filepath.Join(dir, "empty"), filepath.Join(dir, "long")
	for file, text := range map[string]string{empty: "\n", long: strings.Repeat("x", 5000)} {
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for _, c := range []Config{{TokenFile: empty}, {TokenFile: long}, {TokenFile: filepath.Join(dir, "none")}, {TokenEnv: "BOXD_TEST_UNSET"}, {CAFile: empty}} {
		if _, err := New(c, slog.New(slog.DiscardHandler)); err == nil || !strings.Contains(err.Error(), "cannot") {
			t.Errorf("%+v: %v", c, err)
		}
	}
}
