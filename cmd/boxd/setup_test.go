// The guide with a logger for a board, by plain forms: its rows are seen live before
// the box is at work, and on the run's page after. A configuration that doesn't start
// brings the guide back with the reason.
package main

import (
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
)

// browser is a person's browser without scripts.
type browser struct {
	*testing.T
	http *http.Client
	page string
}

func (b browser) send(r *http.Response, err error) string {
	b.Helper()
	if err != nil {
		b.Fatal(err)
	}
	defer r.Body.Close()
	text, err := io.ReadAll(r.Body)
	if err != nil {
		b.Fatal(err)
	}
	if r.StatusCode != http.StatusOK {
		b.Fatalf("%s answers %s: %s", r.Request.URL, r.Status, text)
	}
	return string(text)
}

func (b browser) get(path string) string {
	b.Helper()
	return b.send(b.http.Get(b.page + path))
}

func (b browser) post(path string, form map[string]string) string {
	b.Helper()
	values := url.Values{}
	for k, v := range form {
		values.Set(k, v)
	}
	return b.send(b.http.PostForm(b.page+path, values))
}

// until asks again until a page holds a text.
func (b browser) until(path, want string) {
	b.Helper()
	beat := time.NewTicker(200 * time.Millisecond)
	defer beat.Stop()
	for late := time.Now().Add(patience); ; <-beat.C {
		if strings.Contains(b.get(path), want) {
			return
		}
		if time.Now().After(late) {
			b.Fatalf("%s never shows %q", path, want)
		}
	}
}

// begin is the guide's last step, with what its page had seen.
func (b browser) begin() string {
	b.Helper()
	seen := regexp.MustCompile(`name="seen" value="([0-9a-f]+)"`).FindStringSubmatch(b.get("/setup/run"))
	if seen == nil {
		b.Fatalf("the last step offers no beginning: %s", b.get("/setup/run"))
	}
	return b.post("/setup/run", map[string]string{"seen": seen[1]})
}

// setUpLogger starts boxd on an empty folder with a pipe for a logger, and answers
// all but the last step.
func setUpLogger(t *testing.T, state string, args ...string) (*process, browser) {
	t.Helper()
	cmd := exec.Command("boxd", append([]string{"run", "-state", state, "-listen", "127.0.0.1:0", "-samples", "-"}, args...)...)
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	p := startProcess(t, cmd)
	feed(t, in, "289.58,68.95,17,21") // 42.0 and 10.0 psi (NIST SP 811: 6.894757 kPa each)
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	b := browser{t, &http.Client{Jar: jar, Timeout: patience}, strings.TrimSuffix(p.await(t, `^page +(http://\S+)`), "/")}
	b.post("/begin", map[string]string{"code": p.await(t, `with the code (\S+)`), "name": "Kim", "phrase": phrase})
	b.post("/setup/name", map[string]string{"box.name": "south-box", "box.units": "us"})
	b.post("/setup/board", map[string]string{"board": "logger"})
	b.until("/setup/channels", "42.0\u00a0psi")
	b.post("/setup/channels", nil)
	b.post("/setup/calibrate", nil)
	b.post("/setup/backflow", map[string]string{"backflow.said": "not-yet"})
	b.post("/setup/injector", map[string]string{"injector.ratio": "2 %", "injector.convention": "stock-in-total", "injector.rated_flow": "6 L/min", "injector.starts_at": "5 psi"})
	b.post("/setup/zone", zoneAnswers())
	return p, b
}

func TestALoggersBoxIsSetUp(t *testing.T) {
	t.Parallel()
	state := t.TempDir()
	p, b := setUpLogger(t, state)
	b.begin()
	b.until("/", "42.0\u00a0psi")
	// It is not declared, so injecting is not advised.
	b.until("/", "backflow-protection-missing")
	if text, err := os.ReadFile(filepath.Join(state, "box.yaml")); err != nil || !strings.Contains(string(text), "name: south-box") {
		t.Errorf("%v: %s", err, text)
	}
	p.interrupt(t)
}

func TestWhatDoesNotStartComesBackToTheGuide(t *testing.T) {
	t.Parallel()
	state := t.TempDir()
	p, b := setUpLogger(t, state, "-zone", "another")
	b.begin()
	b.until("/setup/run", `id="trouble"`)
	if s := b.get("/setup/run"); !strings.Contains(s, "cannot find zone") {
		t.Errorf("the guide does not say why: %s", s)
	}
	// Hand-made meanwhile: it is left alone.
	if err := os.WriteFile(filepath.Join(state, "box.yaml"), []byte("zones: []\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	seen := regexp.MustCompile(`name="seen" value="([0-9a-f]+)"`).FindStringSubmatch(b.get("/setup/run"))
	r, err := b.http.PostForm(b.page+"/setup/run", url.Values{"seen": {seen[1]}})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	text, _ := io.ReadAll(r.Body)
	if r.StatusCode != http.StatusConflict || !strings.Contains(string(text), "changed by hand") {
		t.Errorf("a file made by hand: %s", r.Status)
	}
	if got, err := os.ReadFile(filepath.Join(state, "box.yaml")); err != nil || string(got) != "zones: []\n" {
		t.Errorf("it reads %q, %v", got, err)
	}
	p.interrupt(t)
}
