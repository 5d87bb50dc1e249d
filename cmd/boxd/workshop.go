package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"boxd/config"
	"boxd/internal/access"
	"boxd/internal/say"
	"boxd/internal/setup"
	"boxd/internal/web"
)

// answersFile is where the guide's answers are kept in the state folder.
const answersFile = "setup.json"

// maxAnswers bounds that file, in bytes.
const maxAnswers = 1 << 20

// setupIdle is how long a box that was in operation waits in the guide for somebody
// to go on, before it goes back to work.
const setupIdle = 30 * time.Minute

// guide serves the guide's pages until a configuration is written, or ctx ends.
func (o *operation) guide(trouble error) error {
	if err := os.MkdirAll(o.state, 0o750); err != nil {
		return fmt.Errorf("cannot set the box up: %w; give another folder with -state", err)
	}
	unlock, err := lock(o.state)
	if err != nil {
		return err
	}
	defer unlock()
	w, err := o.workshop(trouble)
	if err != nil {
		return err
	}
	defer w.bench.close()
	s := o.service(&config.Config{Web: config.Web{Listen: o.listen}}, o.state, o.listen)
	defer func() {
		for _, stop := range slices.Backward(s.stop) {
			stop()
		}
		s.wg.Wait()
	}()
	s.tell("set-up     there is no configuration in force: nothing is measured or advised; open the page and follow the guide")
	err = s.serve(context.WithoutCancel(o.ctx), func(k *access.Keeper) http.Handler {
		opts := web.Options{Box: "boxd", Units: "us", Version: version(), Keeper: k}
		if !w.logger { // its rows are as the logger gives them: it is calibrated itself
			records := &workbook{dir: o.state}
			opts.Calibrate, opts.Calibrations = records.take, records.inForce
		}
		return web.NewSetup(w, opts)
	})
	if err != nil {
		return err
	}
	return w.wait(o.ctx)
}

// workshop is a box in the guide's hands.
type workshop struct {
	dir, file string
	bench     *bench
	logger    bool // rows come from one
	over      chan struct{}

	mu      sync.Mutex // of what follows
	draft   *setup.Draft
	trouble string
	touched time.Time
	begun   bool
	known   string // the answers that result is of, as they are kept
	result  setup.Result
}

func (o *operation) workshop(trouble error) (*workshop, error) {
	w := &workshop{dir: o.state, file: o.own(), bench: &bench{}, logger: o.samples != "", over: make(chan struct{}), touched: time.Now()}
	var err error
	if w.draft, err = readDraft(o.state); err != nil {
		return nil, err
	}
	w.draft.Listen = o.listen
	if w.draft.Dir, err = filepath.Abs(o.state); err != nil {
		return nil, err
	}
	if trouble != nil {
		w.trouble = trouble.Error()
	}
	if w.logger {
		if w.bench.rows, err = o.logger(); err != nil {
			return nil, err
		}
	}
	return w, nil
}

// wait waits for the end of the guide, and feeds systemd's watchdog meanwhile: there
// is no core to do it.
func (w *workshop) wait(ctx context.Context) error {
	over, err := newSupervisor()
	if err != nil {
		return err
	}
	over.ready()
	beat := time.NewTicker(time.Second)
	defer beat.Stop()
	for {
		over.alive()
		select {
		case <-beat.C:
			if w.forsaken() {
				return nil
			}
		case <-w.over:
			return nil
		case <-ctx.Done():
			return nil
		}
	}
}

// forsaken reports whether nobody has gone on for long, at a box that has a
// configuration to go back to.
func (w *workshop) forsaken() bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	if time.Since(w.touched) < setupIdle {
		return false
	}
	_, err := os.Stat(w.file)
	return err == nil
}

// Draft is of web.Workshop.
func (w *workshop) Draft() *setup.Draft {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.touched = time.Now()
	return w.draft.Clone()
}

// Update is of web.Workshop.
func (w *workshop) Update(change func(*setup.Draft) error) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	next := w.draft.Clone()
	if err := change(next); err != nil {
		return err
	}
	return w.keep(next)
}

// keep writes the answers and only then takes them over.
func (w *workshop) keep(next *setup.Draft) error {
	text, err := json.MarshalIndent(next, "", "\t")
	if err == nil {
		err = replaceSecret(filepath.Join(w.dir, answersFile), text)
	}
	if err != nil {
		return fmt.Errorf("cannot keep the answers: %w", err)
	}
	w.draft = next
	return nil
}

// Check is of web.Workshop. Solving a zone takes its time: the last result is kept.
func (w *workshop) Check(d *setup.Draft) setup.Result {
	text, err := json.Marshal(d)
	if err != nil {
		panic("boxd: " + err.Error()) // strings alone
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.known != string(text) {
		w.known, w.result = string(text), checkTelling(d, d.Check(w.file))
	}
	return w.result
}

// Look is of web.Workshop. A page left open asks for ever: that is nobody going on.
func (w *workshop) Look() []setup.Seen {
	w.mu.Lock()
	d := w.draft.Clone()
	w.mu.Unlock()
	return w.bench.look(d)
}

// Trouble is of web.Workshop.
func (w *workshop) Trouble() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.trouble
}

// Begin is of web.Workshop: the answers remember what the file is, then the file is
// written, the one before kept beside it.
func (w *workshop) Begin(r setup.Result) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	before, err := os.ReadFile(w.file)
	switch {
	case w.begun:
		return say.Refuse("The box is going into operation already.")
	case r.Config == nil:
		return say.Refuse("What is marked is still to be put right.")
	case w.draft.Board == setup.ByLogger && !w.logger:
		return say.Refuse("No logger brings readings: start boxd with -samples, or choose a board.")
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("cannot read what is there: %w", err)
	case err == nil && !slices.Contains(w.draft.Written, setup.Sum(before)):
		return say.Refuse("The configuration has been changed by hand: the guide leaves it alone.")
	}
	next := w.draft.Clone()
	next.Written = []string{r.Sum()}
	if before != nil {
		next.Written = append(next.Written, setup.Sum(before))
		if err := replace(w.file+".1", before); err != nil {
			return fmt.Errorf("cannot keep the previous configuration: %w", err)
		}
	}
	if err := w.keep(next); err != nil {
		return err
	}
	for path, text := range next.SecretFiles() {
		if err := replaceSecret(path, []byte(text+"\n")); err != nil {
			return fmt.Errorf("cannot write what the configuration names: %w", err)
		}
	}
	if err := replace(w.file, []byte(r.Text)); err != nil {
		return fmt.Errorf("cannot write the configuration: %w", err)
	}
	w.begun = true
	close(w.over)
	return nil
}

// madeByGuide reports whether a text is as the guide wrote it.
func madeByGuide(dir string, text []byte) bool {
	d, err := readDraft(dir)
	return err == nil && slices.Contains(d.Written, setup.Sum(text))
}

// readDraft reads the answers; none are an empty draft.
func readDraft(dir string) (*setup.Draft, error) {
	d := new(setup.Draft)
	f, err := os.Open(filepath.Join(dir, answersFile))
	if errors.Is(err, fs.ErrNotExist) {
		return d, nil
	}
	if err != nil {
		return nil, fmt.Errorf("cannot read the guide's answers: %w", err)
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, maxAnswers))
	if err == nil {
		err = json.Unmarshal(text, d)
	}
	if err != nil {
		return nil, fmt.Errorf("cannot read the guide's answers: %w; move %s away to begin anew", err, f.Name())
	}
	return d, nil
}

// replace writes a file as a whole: temp, sync, rename, sync the folder.
func replace(path string, text []byte) error { return replaceAs(path, 0o644, text) }

// replaceSecret does so for a file that is nobody else's to read.
func replaceSecret(path string, text []byte) error { return replaceAs(path, 0o600, text) }

func replaceAs(path string, mode fs.FileMode, text []byte) error {
	err := writeFileAs(path, mode, func(w io.Writer) error { _, err := w.Write(text); return err })
	if err != nil {
		return err
	}
	dir, err := os.Open(filepath.Dir(path))
	if err != nil {
		return err
	}
	return errors.Join(dir.Sync(), dir.Close())
}
