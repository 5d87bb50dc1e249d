package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"golang.org/x/term"
)

// maxPhraseFile bounds a file that holds a pass phrase, in bytes.
const maxPhraseFile = 1 << 10

// phraseFrom is a pass phrase from a file, or asked for on the terminal without
// showing it. It is no argument of the command, for those are there for all to see.
func phraseFrom(a *app, path string) func() (string, error) {
	if path != "" {
		return func() (string, error) { return phraseIn(path) }
	}
	return func() (string, error) {
		f, ok := a.in.(*os.File)
		if !ok || !term.IsTerminal(int(f.Fd())) {
			return "", errors.New("cannot ask for the pass phrase: there is no terminal; put it into a file and name that with -phrase-file")
		}
		return askPhrase(a, int(f.Fd()))
	}
}

func phraseIn(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", fmt.Errorf("cannot read the pass phrase: %w", err)
	}
	defer func() { _ = f.Close() }()
	text, err := io.ReadAll(io.LimitReader(f, maxPhraseFile))
	if err != nil {
		return "", fmt.Errorf("cannot read the pass phrase: %w", err)
	}
	line, _, _ := strings.Cut(string(text), "\n")
	return strings.TrimRight(line, "\r"), nil
}

// askPhrase leaves the terminal as it was, also when it is broken off.
func askPhrase(a *app, fd int) (string, error) {
	was, err := term.GetState(fd)
	if err != nil {
		return "", fmt.Errorf("cannot ask for the pass phrase: %w", err)
	}
	fmt.Fprint(a.err, "pass phrase: ")
	type typed struct {
		text []byte
		err  error
	}
	done := make(chan typed, 1)
	go func() {
		text, err := term.ReadPassword(fd)
		done <- typed{text, err}
	}()
	select {
	case t := <-done:
		fmt.Fprintln(a.err)
		if t.err != nil {
			return "", fmt.Errorf("cannot ask for the pass phrase: %w", t.err)
		}
		return string(t.text), nil
	case <-a.ctx.Done():
		return "", errors.Join(a.ctx.Err(), term.Restore(fd, was))
	}
}
