// What the manual says of commands is held against the commands: the page of all is
// made of what they say themselves, and every call that a page shows uses flags that
// are there.
package main

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

var rewrite = flag.Bool("rewrite", false, "write the manual's commands anew")

// helpOf is what a command says of its flags.
func helpOf(t *testing.T, c command) string {
	t.Helper()
	var said bytes.Buffer
	_ = c.run(&app{ctx: t.Context(), in: strings.NewReader(""), out: &said, err: &said}, []string{"-h"}) // bad usage is no fault here
	_, flags, _ := strings.Cut(said.String(), "\n")
	return flags
}

// TestManualsCommands: go test ./cmd/boxd -run Manual -rewrite writes them anew.
func TestManualsCommands(t *testing.T) {
	const file, begin, end = "../../docs/commands.md", "<!-- commands: made by cmd/boxd, TestManualsCommands -->\n", "<!-- end of commands -->"
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	before, rest, ok := strings.Cut(string(data), begin)
	shown, after, closed := strings.Cut(rest, end)
	if !ok || !closed {
		t.Fatal("the manual has no place for the commands")
	}
	var b strings.Builder
	for _, c := range commands() {
		fmt.Fprintf(&b, "\n## boxd %s\n\n%s.\n\n```text\nboxd %s\n", c.name, strings.ToUpper(c.about[:1])+c.about[1:], strings.TrimSpace(c.name+" "+c.args))
		if flags := helpOf(t, c); flags != "" {
			b.WriteString("\n" + strings.ReplaceAll(flags, "\t", "    "))
		}
		b.WriteString("```\n")
	}
	want := b.String() + "\n"
	switch {
	case shown == want:
	case !*rewrite:
		t.Fatal("the manual's commands are not those of boxd: go test ./cmd/boxd -run Manual -rewrite mends it")
	default:
		if err := os.WriteFile(file, []byte(before+begin+want+end+after), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// calls are the calls of boxd in a page's blocks of code.
func calls(page string) (out [][]string) {
	for _, block := range regexp.MustCompile("(?ms)^ *```sh\n(.*?)^ *```|((?:^    .*\n)+)").FindAllStringSubmatch(page, -1) {
		for line := range strings.Lines(block[1] + block[2]) {
			line, _, _ = strings.Cut(line, " #")
			for part := range strings.SplitSeq(line, "&&") {
				call := strings.TrimPrefix(strings.TrimSpace(part), "go run ./cmd/")
				if words := strings.Fields(call); len(words) > 1 && words[0] == "boxd" {
					out = append(out, words[1:])
				}
			}
		}
	}
	return out
}

func TestTheManualsCallsAreUnderstood(t *testing.T) {
	pages, err := filepath.Glob("../../docs/*.md")
	if err != nil || len(pages) < 20 {
		t.Fatal(err, len(pages))
	}
	n := 0
	for _, file := range append(pages, "../../README.md", "../../hw/README.md") {
		b, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if filepath.Base(file) == "commands.md" { // made of them
			continue
		}
		for _, words := range calls(string(b)) {
			n++
			if why := misunderstood(t, words); why != "" {
				t.Errorf("%s: boxd %s: %s", filepath.Base(file), strings.Join(words, " "), why)
			}
		}
	}
	if n < 30 {
		t.Errorf("only %d calls were found", n)
	}
	for _, bad := range []string{"dance", "check -confg x", "runs -data", "show -data d RUN TWICE"} {
		if misunderstood(t, strings.Fields(bad)) == "" {
			t.Errorf("boxd %s passes for understood", bad)
		}
	}
}

// misunderstood says what is wrong with a call, going by what the command says of
// its flags: "-name VALUE" or "-name" alone.
func misunderstood(t *testing.T, words []string) string {
	t.Helper()
	i := slices.IndexFunc(commands(), func(c command) bool { return c.name == words[0] })
	if i < 0 {
		return "no such command"
	}
	c := commands()[i]
	takes := map[string]bool{}
	for _, m := range regexp.MustCompile(`(?m)^  -([\w-]+)( \S+)?`).FindAllStringSubmatch(helpOf(t, c), -1) {
		takes[m[1]] = m[2] != ""
	}
	plain := 0
	for k := 1; k < len(words); k++ {
		name, isFlag := strings.CutPrefix(words[k], "-")
		value, known := takes[name]
		switch {
		case !isFlag:
			plain++
		case !known:
			return "no flag " + words[k]
		case value && k+1 == len(words):
			return words[k] + " takes a value"
		case value:
			k++
		}
	}
	if plain > 1 {
		return "too many words"
	}
	return ""
}

// The points of the manual's file are taken.
func TestTheManualsPoints(t *testing.T) {
	b, err := os.ReadFile("../../docs/calibrate.md")
	if err != nil {
		t.Fatal(err)
	}
	found := regexp.MustCompile("(?s)```json\n(.*?)```").FindAllSubmatch(b, -1)
	if len(found) == 0 {
		t.Fatal("the manual shows no points")
	}
	for _, m := range found {
		if _, err := decodeRequest(bytes.NewReader(m[1]), "calibrate.md"); err != nil {
			t.Error(err)
		}
	}
}
