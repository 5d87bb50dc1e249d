package config

// What the manual says of the file is held against the loader: its example is the
// embedded file, every piece it shows is read without a fault, and no key of the
// file goes unsaid.

import (
	"go/ast"
	"go/parser"
	"go/token"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"gopkg.in/yaml.v3"

	"boxd/internal/box"
	"boxd/internal/safety"
)

func manualPage(t *testing.T, name string) string {
	t.Helper()
	b, err := os.ReadFile("../docs/" + name)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// TestManualsExample: go test ./config -run Manual -rewrite writes it anew.
func TestManualsExample(t *testing.T) {
	const begin, end = "<!-- example: made by config, TestManualsExample -->\n", "<!-- end of example -->"
	before, rest, ok := strings.Cut(manualPage(t, "configuration.md"), begin)
	shown, after, closed := strings.Cut(rest, end)
	if !ok || !closed {
		t.Fatal("the manual has no place for the example")
	}
	want := "\n```yaml\n" + defaultFile + "```\n\n"
	switch {
	case shown == want:
	case !*rewrite:
		t.Fatal("the manual's example is not the embedded file: go test ./config -run Manual -rewrite mends it")
	default:
		if err := os.WriteFile("../docs/configuration.md", []byte(before+begin+want+end+after), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// A piece of a file stands in the embedded one, in place of what that says.
func TestTheManualsPiecesAreRead(t *testing.T) {
	pages, err := filepath.Glob("../docs/*.md")
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, page := range pages {
		for _, m := range regexp.MustCompile("(?s)```yaml\n(.*?)```").FindAllStringSubmatch(manualPage(t, filepath.Base(page)), -1) {
			n++
			piece, whole := map[string]yaml.Node{}, map[string]yaml.Node{}
			if err := yaml.Unmarshal([]byte(m[1]), &piece); err != nil {
				t.Errorf("%s: %v\n%s", page, err, m[1])
				continue
			}
			if _, ok := piece["columns"]; ok {
				if _, err := ParseMapping(page, []byte(m[1])); err != nil {
					t.Error(err)
				}
				continue
			}
			if err := yaml.Unmarshal(Default(), &whole); err != nil {
				t.Fatal(err)
			}
			maps.Copy(whole, piece)
			text, err := yaml.Marshal(whole)
			if err != nil {
				t.Fatal(err)
			}
			if _, err := Parse(page, text); err != nil {
				t.Errorf("%v\n%s", err, m[1])
			}
		}
	}
	if n < 10 {
		t.Errorf("only %d pieces were found", n)
	}
}

// keys are what the sources ask a section for: x.sub("name", keys…) and
// d.section(node, path, keys…).
func keys(t *testing.T) map[string]bool {
	t.Helper()
	found := map[string]bool{}
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") || name == "mapping.go" {
			continue
		}
		f, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(f, func(n ast.Node) bool {
			call, ok := n.(*ast.CallExpr)
			if !ok {
				return true
			}
			sel, ok := call.Fun.(*ast.SelectorExpr)
			if !ok || sel.Sel.Name != "sub" && sel.Sel.Name != "section" {
				return true
			}
			for _, a := range call.Args {
				if lit, ok := a.(*ast.BasicLit); ok && len(lit.Value) > 2 {
					found[strings.Trim(lit.Value, `"`)] = true
				}
			}
			return true
		})
	}
	if len(found) < 100 {
		t.Fatalf("only %d keys are found", len(found))
	}
	return found
}

func TestTheManualNamesEveryKey(t *testing.T) {
	text := manualPage(t, "configuration.md") + manualPage(t, "wire.md")
	for k := range keys(t) {
		if !regexp.MustCompile(`\b` + regexp.QuoteMeta(k) + `\b`).MatchString(text) {
			t.Errorf("the manual (configuration, wire) does not name the key %s", k)
		}
	}
	for c := box.UnknownChannel + 1; c < box.NumChannels; c++ {
		if !strings.Contains(text, "`"+c.Info().Column+"`") {
			t.Errorf("the manual (wire) does not name the channel %s", c.Info().Column)
		}
	}
	holds := manualPage(t, "holds.md")
	for _, id := range append(safety.FixedHolds(), safety.OverridableHolds()...) {
		if !strings.Contains(holds, "| `"+id+"` |") {
			t.Errorf("the manual does not name the hold %s", id)
		}
	}
}
