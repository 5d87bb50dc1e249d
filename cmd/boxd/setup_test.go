// The guide with a logger for a board, by plain forms: its rows are seen live before
// the box is at work, and on the run's page after. A configuration that doesn't start
// brings the guide back with the reason.
package main

import (
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"boxd/internal/telemetry/broker"
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
		// The address goes from one server to the next: a question in between may be lost,
		// and a connection to the one before may not have been heard to end.
		b.http.CloseIdleConnections()
		if r, err := b.http.Get(b.page + path); err == nil {
			text, err := io.ReadAll(r.Body)
			_ = r.Body.Close()
			if err == nil && r.StatusCode == http.StatusOK && strings.Contains(string(text), want) {
				return
			}
		}
		if time.Now().After(late) {
			b.Fatalf("%s never shows %q", path, want)
		}
	}
}

// begin is the guide's last step, with what its page had seen. It does not go on to
// where that leads: the server there comes in this one's place.
func (b browser) begin() {
	b.Helper()
	seen := regexp.MustCompile(`name="seen" value="([0-9a-f]+)"`).FindStringSubmatch(b.get("/setup/run"))
	if seen == nil {
		b.Fatalf("the last step offers no beginning: %s", b.get("/setup/run"))
	}
	stay := *b.http
	stay.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	r, err := stay.PostForm(b.page+"/setup/run", url.Values{"seen": seen[1:]})
	if err != nil {
		b.Fatal(err)
	}
	_ = r.Body.Close()
	if r.StatusCode != http.StatusSeeOther {
		b.Fatalf("the box does not begin: %s", r.Status)
	}
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
	tellSomebody(t, b, state)
	b.begin()
	b.until("/", "42.0\u00a0psi")
	// It is not declared, so injecting is not advised.
	b.until("/", "backflow-protection-missing")
	if text, err := os.ReadFile(filepath.Join(state, "box.yaml")); err != nil || !strings.Contains(string(text), "name: south-box") || !strings.Contains(string(text), "line_end_probe: {zone: tunnel, lag: 25 s}") || strings.Contains(string(text), "secret7") {
		t.Errorf("%v: %s", err, text)
	}
	if said := p.said(); !strings.Contains(said, "alerts     generic") || !strings.Contains(said, "MQTT       tcp://") {
		t.Errorf("nobody is told of anything: %s", said)
	}
	for _, name := range []string{"alert-address", "broker-password"} {
		if info, err := os.Stat(filepath.Join(state, name)); err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v", name, err)
		}
	}
	p.interrupt(t)
}

// tellSomebody has the guide tell a web hook and publish to a broker, each tried first.
func tellSomebody(t *testing.T, b browser, state string) {
	t.Helper()
	notes := make(chan string, 8)
	hook := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		text, _ := io.ReadAll(r.Body)
		notes <- r.URL.Path + " " + string(text)
	}))
	t.Cleanup(hook.Close)
	mq, err := broker.StartWith(broker.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = mq.Close() })
	user, password := mq.Credentials()
	form := map[string]string{"alerts.address": "generic+" + hook.URL + "/hooksecret7?template=json", "alerts[0].language": "es", "mqtt.said": "own",
		"mqtt.broker": "tcp://" + mq.Addr(), "mqtt.user": user, "mqtt.password": string(password), "do": "try-alert"}
	if body := b.post("/setup/tell", form); !strings.Contains(body, `id="tried"`) || strings.Contains(body, "secret7") {
		t.Errorf("trying the alert: %s", body)
	}
	select {
	case note := <-notes:
		if !strings.HasPrefix(note, "/hooksecret7") || !strings.Contains(note, "mensaje de prueba") {
			t.Errorf("the hook got %s", note)
		}
	default:
		t.Error("the hook got nothing")
	}
	form["do"], form["alerts.address"] = "try-broker", ""
	if body := b.post("/setup/tell", form); !strings.Contains(body, `id="tried"`) || strings.Contains(body, string(password)) {
		t.Errorf("trying the broker: %s", body)
	}
	if info, err := os.Stat(filepath.Join(state, answersFile)); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the answers, with secrets in them: %v, %v", info.Mode(), err)
	}
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
