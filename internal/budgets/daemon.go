package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"time"
)

// daemon is a boxd under measure, fed by feed.
type daemon struct {
	cmd     *exec.Cmd
	page    string // its address
	samples io.WriteCloser
	second  atomic.Int64 // of the trace, that is being fed
	fed     chan error
}

// hz is how often each channel is fed.
const hz = 10

// start starts boxd on a folder of its own and feeds it the second of the trace
// that begins at from.
func start(ctx context.Context, boxd, dir string, from int) (*daemon, error) {
	text, err := os.ReadFile(clean + ".yaml")
	if err != nil {
		return nil, err
	}
	config := filepath.Join(dir, "box.yaml")
	all := string(text) + fmt.Sprintf("\nperson: {observe: true}\nbox: {name: budgets, data: %q}\nweb: {listen: \"127.0.0.1:0\", access: open}\nmqtt: {broker: embedded, listen: \"127.0.0.1:0\"}\n", filepath.Join(dir, "archive"))
	if err := os.WriteFile(config, []byte(all), 0o600); err != nil {
		return nil, err
	}
	d := &daemon{cmd: exec.CommandContext(ctx, boxd, "run", "-config", config, "-samples", "-"), fed: make(chan error, 1)}
	d.cmd.Stderr = os.Stderr
	d.cmd.Cancel = func() error { return d.cmd.Process.Signal(syscall.SIGTERM) }
	if d.samples, err = d.cmd.StdinPipe(); err != nil {
		return nil, err
	}
	out, err := d.cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	lines, err := trace(clean)
	if err != nil {
		return nil, err
	}
	d.second.Store(int64(from))
	if err := startAsService(d.cmd); err != nil {
		return nil, err
	}
	go func() { d.fed <- d.feed(lines) }()
	for s := bufio.NewScanner(out); s.Scan(); {
		if f := strings.Fields(s.Text()); len(f) > 1 && f[0] == "page" {
			d.page = f[1]
			go func() { _, _ = io.Copy(io.Discard, out) }()
			return d, nil
		}
	}
	return nil, fmt.Errorf("boxd told no address of its page; its words are above")
}

// stop ends it in order.
func (d *daemon) stop() error {
	if err := d.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		return err
	}
	return d.cmd.Wait()
}

// feed writes the trace's rows, ten for each second: the one that second is at,
// its last digits moved a little, as no instrument stands quite still.
func (d *daemon) feed(lines []string) error {
	if _, err := fmt.Fprintln(d.samples, lines[0]); err != nil {
		return err
	}
	beat := time.NewTicker(time.Second / hz)
	defer beat.Stop()
	for n := 0; ; n++ {
		cells := strings.Split(lines[1+d.second.Load()], ",")
		cells[0] = strconv.FormatFloat(float64(n)/hz, 'f', 1, 64)
		for i := 1; i < len(cells)-1; i++ {
			cells[i] = moved(cells[i], (n*7+i*3)%5-2)
		}
		if _, err := fmt.Fprintln(d.samples, strings.Join(cells, ",")); err != nil {
			return err
		}
		<-beat.C
	}
}

// moved is a number with its last digit moved by so many, but never a flow that
// stands still.
func moved(cell string, by int) string {
	v, err := strconv.ParseFloat(cell, 64)
	if err != nil || v == 0 {
		return cell
	}
	_, after, _ := strings.Cut(cell, ".")
	unit := 1.0
	for range after {
		unit /= 10
	}
	return strconv.FormatFloat(v+float64(by)*unit, 'f', len(after), 64)
}

func whole(text string) int {
	n, _ := strconv.Atoi(text)
	return n
}

// reading waits until the page's interface tells a channel's value.
func (d *daemon) reading(ctx context.Context) error {
	for ctx.Err() == nil {
		if v, err := d.now(); err == nil && len(v.Channels) > 0 && v.Channels[0].Value != nil {
			return nil
		}
		time.Sleep(2 * time.Millisecond)
	}
	return ctx.Err()
}

// view is what is looked at of the page's interface.
type view struct {
	Step     string `json:"step"`
	Channels []struct {
		Value *float64 `json:"value"`
	} `json:"channels"`
}

func (d *daemon) now() (v view, err error) {
	r, err := http.Get(d.page + "api/view")
	if err != nil {
		return v, err
	}
	defer r.Body.Close()
	return v, json.NewDecoder(r.Body).Decode(&v)
}

// look reads the stream as an open page does, until ctx ends.
func (d *daemon) look(ctx context.Context, page string) error {
	q, err := http.NewRequestWithContext(ctx, http.MethodGet, d.page+"events?page="+page, nil)
	if err != nil {
		return err
	}
	r, err := http.DefaultClient.Do(q)
	if err != nil {
		return err
	}
	if r.StatusCode != http.StatusOK {
		_ = r.Body.Close()
		return fmt.Errorf("the stream answered %s", r.Status)
	}
	go func() {
		_, _ = io.Copy(io.Discard, r.Body)
		_ = r.Body.Close()
	}()
	return nil
}
