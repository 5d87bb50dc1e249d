//go:build kernel && linux

package kernel

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"

	"boxd/hw/kernel/wiring"
	"boxd/internal/journal"
)

// boxd is the real program, running on testdata/box.yaml.
type boxd struct {
	cmd *exec.Cmd
	out bytes.Buffer // not to be read before it has ended
}

const (
	page       = "http://127.0.0.1:8080"
	configFile = "/testdata/box.yaml"
)

// start starts it and waits for its page.
func start(t *testing.T) *boxd {
	t.Helper()
	return startOn(t, configFile)
}

func startOn(t *testing.T, file string) *boxd {
	t.Helper()
	b := &boxd{cmd: exec.Command("/boxd", "run", "-config", file)}
	b.cmd.Stdout, b.cmd.Stderr = &b.out, &b.out
	if err := wiring.StartPlain(b.cmd); err != nil {
		t.Fatal(err)
	}
	for limit := time.Now().Add(time.Minute); time.Now().Before(limit); time.Sleep(beat) {
		if _, err := look(t.Context()); err == nil {
			return b
		}
	}
	b.end(t, syscall.SIGKILL)
	t.Fatalf("boxd serves no page after a minute:\n%s", &b.out)
	return nil
}

// end ends it, however that goes.
func (b *boxd) end(t *testing.T, by syscall.Signal) error {
	t.Helper()
	if err := b.cmd.Process.Signal(by); err != nil {
		t.Fatal(err)
	}
	return b.cmd.Wait()
}

// view is what a person sees on the page.
type view struct {
	T      float64
	Wall   time.Time `json:"time"`
	Step   string
	Run    string
	Advice *struct {
		Number    uint64
		Deed      string
		Text      string
		Verifying bool
	}
	Loop       struct{ Enough bool }
	Holds      []struct{ On, Reason string }
	Milestones []struct{ Name string }
	Alarms     []alarm
	Cautions   []string
}

type alarm struct{ ID, Text string }

// client spares the machine the work of packing what never leaves it.
func client() *http.Client {
	return &http.Client{Timeout: 20 * time.Second, Transport: &http.Transport{DisableCompression: true, DisableKeepAlives: true}}
}

func look(ctx context.Context) (v view, err error) {
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, page+"/api/view", nil)
	if err != nil {
		return v, err
	}
	a, err := client().Do(r)
	if err != nil {
		return v, err
	}
	defer a.Body.Close()
	if a.StatusCode != http.StatusOK {
		return v, fmt.Errorf("the page answers %s", a.Status)
	}
	return v, json.NewDecoder(a.Body).Decode(&v)
}

// say sends a word as the page's form does and tells whether it was taken.
func say(t *testing.T, word, id string) (taken bool, why string) {
	t.Helper()
	form := url.Values{"do": {word}, "by": {"bench"}, "id": {id}}
	r, err := http.NewRequestWithContext(t.Context(), http.MethodPost, page+"/act", strings.NewReader(form.Encode()))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Accept", "application/json")
	r.Header.Set("Origin", page)
	a, err := client().Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Body.Close()
	text, err := io.ReadAll(a.Body)
	if err != nil {
		t.Fatal(err)
	}
	return a.StatusCode == http.StatusOK, string(text)
}

// archived is a run as boxd export writes it.
type archived struct {
	Run struct {
		ID      string
		Start   time.Time
		Ended   bool
		Summary struct {
			VolumeL float64 `json:"volume_l"`
			Flush   string
			UnseenS float64                  `json:"unseen_s"`
			StockL  struct{ Drawn *float64 } `json:"stock_l"`
		}
	}
	Events []struct {
		T              float64
		Kind, Name, ID string
		State, Text    string
		By, Deed       string
	}
	Columns []string
	Rows    [][]any
}

// export reads a run out of the archive with the real program.
func export(t *testing.T, run string) (a archived) {
	t.Helper()
	if err := json.Unmarshal(boxdSays(t, "export", run, "-format", "json", "-data", "/tmp/boxd"), &a); err != nil {
		t.Fatal(err)
	}
	return a
}

// by are the deeds that were said by somebody, in their order.
func (a archived) by(who string) (deeds []string) {
	for _, e := range a.Events {
		if e.Kind == "action" && e.By == who {
			deeds = append(deeds, e.Deed)
		}
	}
	return deeds
}

// keptTotals are the meters' pulses as the archive has them while no boxd runs. They
// are read in a copy: what a killed boxd left is for the next one to set right.
func keptTotals(t *testing.T) map[string]uint64 {
	t.Helper()
	dir := t.TempDir()
	for _, end := range []string{"", "-wal"} {
		b, err := os.ReadFile("/tmp/boxd/boxd.sqlite" + end)
		if err == nil {
			err = os.WriteFile(dir+"/copy.sqlite"+end, b, 0o600)
		}
		if err != nil && !(end != "" && errors.Is(err, fs.ErrNotExist)) {
			t.Fatal(err)
		}
	}
	j := must[*journal.Journal](t)(journal.Open(dir + "/copy.sqlite"))
	defer j.Close()
	text, _, err := j.State(t.Context(), "meter-totals")
	if err != nil {
		t.Fatal(err)
	}
	kept := map[string]struct {
		Pulses uint64 `json:"pulses"`
	}{}
	if err := json.Unmarshal(text, &kept); err != nil {
		t.Fatalf("%v in %q", err, text)
	}
	out := map[string]uint64{}
	for column, k := range kept {
		out[column] = k.Pulses
	}
	return out
}

// given are the pulses that the meters have given, by column.
func given(f *wiring.Field) map[string]uint64 {
	out := map[string]uint64{}
	for c, m := range f.Meters {
		out[c.Info().Column] = m.Pulses()
	}
	return out
}

// processor is what the machine's processor has done since it was switched on, and a
// program that has ended.
func processor(c *exec.Cmd) string {
	text, err := os.ReadFile("/proc/stat")
	line, _, _ := strings.Cut(string(text), "\n")
	var user, nice, system, idle, wait, irq, soft float64
	if err == nil {
		_, err = fmt.Sscanf(line, "cpu %g %g %g %g %g %g %g", &user, &nice, &system, &idle, &wait, &irq, &soft)
	}
	if err != nil {
		return err.Error()
	}
	var own syscall.Rusage
	_ = syscall.Getrusage(syscall.RUSAGE_SELF, &own) // a figure
	in := func(t syscall.Timeval) float64 { return time.Duration(t.Nano()).Seconds() }
	return fmt.Sprintf("processor: programs %.0f s, kernel %.0f s, interrupts %.0f s, idle %.0f s; field and tests %.1f + %.1f s; boxd's last life %.1f + %.1f s",
		user/100, system/100, (irq+soft)/100, idle/100, in(own.Utime), in(own.Stime), c.ProcessState.UserTime().Seconds(), c.ProcessState.SystemTime().Seconds())
}
