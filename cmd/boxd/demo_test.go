package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"boxd/internal/engine"
	"boxd/internal/journal"
)

// patience bounds every wait here: a loaded machine of two cores is slow.
const patience = 2 * time.Minute

// process is boxd as its own process, the real binary.
type process struct {
	cmd  *exec.Cmd
	done chan error

	mu  sync.Mutex // its output is read while it comes
	out []string
	new chan struct{}
}

func startBoxd(t *testing.T, args ...string) *process {
	t.Helper()
	return startProcess(t, exec.Command("boxd", args...))
}

func startProcess(t *testing.T, cmd *exec.Cmd) *process {
	t.Helper()
	p := &process{cmd: cmd, done: make(chan error, 1), new: make(chan struct{}, 1)}
	r, w := io.Pipe()
	p.cmd.Stdout, p.cmd.Stderr = w, w
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	read := make(chan struct{})
	go func() {
		defer close(read)
		for s := bufio.NewScanner(r); s.Scan(); {
			p.mu.Lock()
			p.out = append(p.out, s.Text())
			p.mu.Unlock()
			select {
			case p.new <- struct{}{}:
			default:
			}
		}
	}()
	go func() {
		err := p.cmd.Wait()
		_ = w.Close()
		<-read
		p.done <- err
	}()
	t.Cleanup(func() {
		_ = p.cmd.Process.Kill()
		if t.Failed() {
			t.Logf("%s said:\n%s", strings.Join(cmd.Args, " "), p.said())
		}
	})
	return p
}

func (p *process) said() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return strings.Join(p.out, "\n")
}

// await gives the first group of a line that comes.
func (p *process) await(t *testing.T, pattern string) string {
	t.Helper()
	re := regexp.MustCompile("(?m)" + pattern)
	late := time.After(patience)
	for {
		if m := re.FindStringSubmatch(p.said()); m != nil {
			return m[1]
		}
		select {
		case <-p.new:
		case err := <-p.done:
			t.Fatalf("boxd ended (%v) before it said %s", err, pattern)
		case <-late:
			t.Fatalf("boxd did not say %s", pattern)
		}
	}
}

// end waits for the end, at most limit, and gives the exit code.
func (p *process) end(t *testing.T, limit time.Duration) int {
	t.Helper()
	select {
	case <-p.done:
		return p.cmd.ProcessState.ExitCode()
	case <-time.After(limit):
		t.Fatalf("boxd did not end within %s", limit)
		return 0
	}
}

func (p *process) interrupt(t *testing.T) {
	t.Helper()
	if err := p.cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	// A second is usual, ten the promise; a machine that does much else at once is slower.
	if code := p.end(t, 30*time.Second); code != 0 {
		t.Errorf("an interrupted demo ends with %d", code)
	}
}

func TestDemo(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	p := startBoxd(t, "demo", "-person", "auto", "-speed", "300", "-listen", "127.0.0.1:0", "-data", dir)
	heard := listen(t, p.await(t, `^MQTT +(tcp://\S+)`))
	page := p.await(t, `^page +(http://\S+)`)
	if page == "http://127.0.0.1:0/" {
		t.Errorf("the page's address is %s", page)
	}
	heard.await(t, "boxd/north-box/status", false, `"status":"online"`)
	heard.await(t, "boxd/north-box/state", false, `"step":"flush"`)
	late := listen(t, p.await(t, `^MQTT +(tcp://\S+)`)) // gets what the broker kept
	late.await(t, "boxd/north-box/status", true, `"status":"online"`)
	late.await(t, "boxd/north-box/state", true, `"step":"[a-z]+"`)
	late.await(t, "boxd/north-box/channel/main_flow_lpm", true, `"value":[0-9.]+`)
	heard.await(t, "boxd/north-box/event", false, `"name":"flush_done"`)
	if _, err := endedRun(dir, patience); err != nil {
		t.Fatal(err)
	}
	p.interrupt(t)
	heard.await(t, "boxd/north-box/status", false, `"status":"(offline|stopped)"`)
	checkEnded(t, dir, 1)
}

// checkEnded says that the archive holds n ended runs, the newest flushed.
func checkEnded(t *testing.T, dir string, n int) []engine.Event {
	t.Helper()
	j, err := journal.OpenExisting(archiveFile(dir))
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	runs, err := j.Runs(t.Context())
	if err != nil || len(runs) != n || !runs[0].Ended {
		t.Fatalf("%d runs, %d wanted, the newest ended: %+v %v", len(runs), n, runs, err)
	}
	var s engine.Summary
	if err := json.Unmarshal(runs[0].Summary, &s); err != nil || s.Flush != "done" {
		t.Errorf("the summary is %s, the flush done is wanted (%v)", runs[0].Summary, err)
	}
	list, err := j.Events(t.Context(), runs[0].ID)
	if err != nil {
		t.Fatal(err)
	}
	var out []engine.Event
	for i := range list {
		e, err := list[i].Event()
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, e)
	}
	return out
}

// ear is a subscriber that remembers the newest of every topic.
type ear struct {
	mu   sync.Mutex // messages come from the client's goroutine
	got  []paho.Message
	more chan struct{}
}

func listen(t *testing.T, url string) *ear {
	t.Helper()
	e := &ear{more: make(chan struct{}, 1)}
	c := paho.NewClient(paho.NewClientOptions().AddBroker(url).SetClientID(fmt.Sprintf("test-%d", time.Now().UnixNano())).SetAutoReconnect(false))
	for _, tok := range []func() paho.Token{c.Connect, func() paho.Token {
		return c.Subscribe("boxd/#", 1, func(_ paho.Client, m paho.Message) { e.hear(m) })
	}} {
		if k := tok(); !k.WaitTimeout(patience) || k.Error() != nil {
			t.Fatalf("cannot listen at %s: %v", url, k.Error())
		}
	}
	t.Cleanup(func() { c.Disconnect(100) })
	return e
}

func (e *ear) hear(m paho.Message) {
	e.mu.Lock()
	e.got = append(e.got, m)
	e.mu.Unlock()
	select {
	case e.more <- struct{}{}:
	default:
	}
}

// await waits for a message of topic that matches; retained says that it has to
// be one the broker kept.
func (e *ear) await(t *testing.T, topic string, retained bool, pattern string) {
	t.Helper()
	re := regexp.MustCompile(pattern)
	late := time.After(patience)
	for {
		if e.has(topic, retained, re) {
			return
		}
		select {
		case <-e.more:
		case <-late:
			t.Fatalf("nothing on %s (retained %v) that says %s: %s", topic, retained, pattern, e.last(topic))
		}
	}
}

func (e *ear) has(topic string, retained bool, re *regexp.Regexp) bool {
	e.mu.Lock()
	defer e.mu.Unlock()
	for _, m := range e.got {
		if (m.Topic() == topic || strings.HasPrefix(m.Topic(), topic+"/")) && (!retained || m.Retained()) && re.Match(m.Payload()) {
			return true
		}
	}
	return false
}

func (e *ear) last(topic string) string {
	e.mu.Lock()
	defer e.mu.Unlock()
	out, topics := "", map[string]bool{}
	for _, m := range e.got {
		topics[m.Topic()] = true
		if strings.HasPrefix(m.Topic(), topic) {
			out = string(m.Payload())
		}
	}
	return fmt.Sprint(out, topics)
}

// TestKilledDemoGoesOn takes the process away without a word, as a cut cable
// does, in the middle of injecting.
func TestKilledDemoGoesOn(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	args := []string{"demo", "-person", "auto", "-speed", "300", "-listen", "127.0.0.1:0", "-data", dir}
	p := startBoxd(t, args...)
	heard := listen(t, p.await(t, `^MQTT +(tcp://\S+)`))
	heard.await(t, "boxd/north-box/event", false, `"name":"injection_started"`)
	if err := p.cmd.Process.Signal(syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	if code := p.end(t, patience); code == 0 {
		t.Error("a killed process ended well")
	}
	p = startBoxd(t, args...)
	if _, err := endedRun(dir, patience); err != nil {
		t.Fatal(err)
	}
	p.interrupt(t)
	events := checkEnded(t, dir, 1)
	count := map[string]int{}
	for _, e := range events {
		switch {
		case e.Kind == engine.NoteEvent && strings.Contains(e.Text, "restarted during this run"):
			count["restart"]++
		case e.Kind == engine.MilestoneEvent || e.Kind == engine.RunEvent:
			count[e.Name+e.State]++
		}
	}
	if count["restart"] != 1 || count["lines_full"] != 1 || count["injection_started"] != 1 || count["flush_done"] != 1 || count["secured"] != 1 {
		t.Errorf("the run's story is %v", count)
	}
}

func TestTakenPort(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	taken := ln.Addr().String()

	p := startBoxd(t, "demo", "-listen", taken, "-data", t.TempDir())
	if got := p.await(t, `^(\S+) is taken by another program: the page took another port`); got != taken {
		t.Errorf("%s is said to be taken, not %s", got, taken)
	}
	if page := p.await(t, `^page +http://(\S+)/`); page == taken {
		t.Errorf("the page is on the taken port %s", page)
	}
	p.interrupt(t)

	// The daemon has been told where to be; it does not wander.
	for what, more := range map[string]string{
		"the page's":   "web: {listen: '" + taken + "'}\nmqtt: {broker: none}\n",
		"the broker's": "web: {listen: '127.0.0.1:0'}\nmqtt: {broker: embedded, listen: '" + taken + "'}\n",
	} {
		config := t.TempDir() + "/box.yaml"
		text := strings.Replace(string(demoConfig()), "units: us}", "units: us, data: '"+t.TempDir()+"'}", 1) + more
		if err := os.WriteFile(config, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		p = startBoxd(t, "run", "-config", config, "-samples", "-")
		if code := p.end(t, patience); code != 1 || !strings.Contains(p.said(), taken) {
			t.Errorf("with %s port taken boxd run ends with %d: %s", what, code, p.said())
		}
	}
}

// endedRun waits until the archive in dir holds an ended run.
func endedRun(dir string, limit time.Duration) (journal.Run, error) {
	ctx, cancel := context.WithTimeout(context.Background(), limit)
	defer cancel()
	look := time.NewTicker(100 * time.Millisecond)
	defer look.Stop()
	for {
		run, ok, err := newestRun(ctx, dir)
		if err != nil || ok && run.Ended {
			return run, err
		}
		select {
		case <-ctx.Done():
			return run, fmt.Errorf("no run in %s ended within %s: %+v", dir, limit, run)
		case <-look.C:
		}
	}
}

// newestRun reads beside whoever writes; an archive that isn't there yet is no
// error.
func newestRun(ctx context.Context, dir string) (journal.Run, bool, error) {
	j, err := journal.OpenExisting(archiveFile(dir))
	if errors.Is(err, fs.ErrNotExist) {
		return journal.Run{}, false, nil
	}
	if err != nil {
		return journal.Run{}, false, err
	}
	defer j.Close()
	runs, err := j.Runs(ctx)
	if err != nil || len(runs) == 0 {
		return journal.Run{}, false, err
	}
	return runs[0], true, nil
}
