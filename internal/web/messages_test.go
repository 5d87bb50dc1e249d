package web

// The message files are held against the sources: every sentence that the core
// or the pages say has a translation with the same quantities in it, and no
// translation is left over. Sentences are found where they are made: say.T,
// say.Refuse, a display's say, a template's t and a script's w, each with a
// constant; words of enumerations are asked of the types.

import (
	"encoding/json"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"boxd/internal/access"
	"boxd/internal/alarm"
	"boxd/internal/box"
	"boxd/internal/dosing"
	"boxd/internal/engine"
	"boxd/internal/estimate"
	"boxd/internal/sequencer"
)

// spoken are the packages whose sentences reach the pages.
func spoken() []string {
	return []string{"access", "alarm", "box", "calibration", "daemon", "dosing", "engine", "estimate", "journal", "planview", "record", "safety", "season", "sensors", "sequencer", "setup", "station", "telemetry/alert", "web", "../cmd/boxd"}
}

// sentences are all sentences in the sources, with one place each.
func sentences(t *testing.T) map[string]string {
	t.Helper()
	found := map[string]string{}
	for _, p := range spoken() {
		err := filepath.WalkDir("../"+p, func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") || strings.Contains(path, "enginetest") {
				return err
			}
			set := token.NewFileSet()
			f, err := parser.ParseFile(set, path, nil, 0)
			if err != nil {
				return err
			}
			ast.Inspect(f, func(n ast.Node) bool {
				if text, at, ok := sentence(n); ok {
					found[text] = set.Position(at).String()
				}
				for _, text := range spokenData(n) {
					found[text] = path
				}
				return true
			})
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	pages, err := filepath.Glob("pages/*.html")
	if err != nil || len(pages) < 5 {
		t.Fatal(err, len(pages))
	}
	pages = append(pages, "../journal/report.html", "../station/pages/station.html")
	inPage := regexp.MustCompile(`\(?\bt "((?:[^"\\]|\\.)*)"`)
	for _, path := range pages {
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range inPage.FindAllStringSubmatch(string(b), -1) {
			text, err := strconv.Unquote(`"` + m[1] + `"`)
			if err != nil {
				t.Fatalf("%s: %s: %v", path, m[1], err)
			}
			found[text] = path
		}
	}
	for _, w := range inScripts() {
		found[w] = "static"
	}
	return found
}

// sentence is the constant in say.T("…"), say.Refuse("…") or x.say("…").
func sentence(n ast.Node) (string, token.Pos, bool) {
	call, ok := n.(*ast.CallExpr)
	if !ok || len(call.Args) == 0 {
		return "", 0, false
	}
	sel, ok := call.Fun.(*ast.SelectorExpr)
	if !ok {
		return "", 0, false
	}
	x, _ := sel.X.(*ast.Ident)
	ours := x != nil && x.Name == "say" && (sel.Sel.Name == "T" || sel.Sel.Name == "Refuse") || sel.Sel.Name == "say"
	text, constant := literal(call.Args[0])
	return text, call.Pos(), ours && constant && strings.ContainsFunc(text, isLetter)
}

func isLetter(r rune) bool { return r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' }

// literal is a constant string, in one piece or glued of several.
func literal(e ast.Expr) (string, bool) {
	switch e := e.(type) {
	case *ast.BasicLit:
		s, err := strconv.Unquote(e.Value)
		return s, err == nil && e.Kind == token.STRING
	case *ast.BinaryExpr:
		a, ok := literal(e.X)
		b, also := literal(e.Y)
		return a + b, ok && also
	case *ast.Ident: // a constant of the same file
		if e.Obj != nil && e.Obj.Kind == ast.Con {
			if spec, ok := e.Obj.Decl.(*ast.ValueSpec); ok {
				for i, n := range spec.Names {
					if n.Name == e.Name && i < len(spec.Values) {
						return literal(spec.Values[i])
					}
				}
			}
		}
	}
	return "", false
}

// spokenData is what a sentence's constant is kept in before it is said: the
// faults of sensors, the pairs that contradict each other, the words of alarms'
// events, the names of estimates.
func spokenData(n ast.Node) []string {
	var out []string
	keep := func(e ast.Expr) {
		if s, ok := literal(e); ok {
			out = append(out, s)
		}
	}
	switch n := n.(type) {
	case *ast.CallExpr:
		f, _ := n.Fun.(*ast.Ident)
		if sel, ok := n.Fun.(*ast.SelectorExpr); ok && sel.Sel.Name == "Failed" && len(n.Args) == 3 {
			keep(n.Args[2])
		}
		if sel, ok := n.Fun.(*ast.SelectorExpr); ok && sel.Sel.Name == "alarmEvent" {
			keep(stateOf(n.Args[0]))
		}
		switch {
		case f == nil:
		case f.Name == "worded" || f.Name == "judged":
			if s, ok := literal(n.Args[0]); ok {
				out = append(out, estimateName(engine.EstimateView{Name: s}))
			}
		case f.Name == "appendValue":
			if s, ok := literal(n.Args[1]); ok {
				out = append(out, estimateName(engine.EstimateView{Name: s}))
			}
		}
	case *ast.CompositeLit:
		if len(n.Elts) == 5 { // a pair: two channels, whether of the branch, two reasons
			if _, ok := n.Elts[0].(*ast.SelectorExpr); ok {
				keep(n.Elts[3])
				keep(n.Elts[4])
			}
		}
	case *ast.FuncDecl:
		if n.Name.Name != "alarmWord" {
			return nil
		}
		ast.Inspect(n.Body, func(n ast.Node) bool {
			if r, ok := n.(*ast.ReturnStmt); ok {
				keep(r.Results[0])
			}
			return true
		})
	}
	return out
}

// stateOf is the State in Event{State: …}.
func stateOf(e ast.Expr) ast.Expr {
	event, ok := e.(*ast.CompositeLit)
	if !ok {
		return e
	}
	for _, e := range event.Elts {
		if kv, ok := e.(*ast.KeyValueExpr); ok && kv.Key.(*ast.Ident).Name == "State" {
			return kv.Value
		}
	}
	return e
}

// verbs are a format's verbs, sorted: a translation may turn them round.
func verbs(format string) []string {
	all := regexp.MustCompile(`%(?:\[\d+\])?([-+# 0]*[\d.]*[a-zA-Z])`).FindAllStringSubmatch(strings.ReplaceAll(format, "%%", ""), -1)
	out := make([]string, 0, len(all))
	for _, m := range all {
		out = append(out, m[1])
	}
	slices.Sort(out)
	return out
}

func TestMessages(t *testing.T) {
	found := sentences(t)
	if len(found) < 300 {
		t.Fatalf("only %d sentences are found", len(found))
	}
	for _, lang := range languages()[1:] {
		b, err := files.ReadFile("messages/" + lang + ".json")
		if err != nil {
			t.Fatal(err)
		}
		var m map[string]string
		if err := json.Unmarshal(b, &m); err != nil {
			t.Fatal(err)
		}
		missing := map[string]string{}
		for text, at := range found {
			there := m[text]
			switch {
			case there == "":
				missing[text] = at
			case !slices.Equal(verbs(text), verbs(there)):
				t.Errorf("%s: %q has other quantities than %q (%s)", lang, there, text, at)
			}
		}
		for _, w := range enumerated() {
			if m[w] == "" {
				missing[w] = "a word"
			}
			found[w] = "a word"
		}
		for text := range m {
			if found[text] == "" {
				t.Errorf("%s: nothing says %q any more", lang, text)
			}
		}
		if len(missing) > 0 {
			out, err := json.MarshalIndent(missing, "", "\t")
			if err != nil {
				t.Fatal(err)
			}
			t.Errorf("%s: %d sentences have no translation:\n%s", lang, len(missing), out)
		}
	}
}

// enumerated are the words of enumerations, which are said as they are called.
func enumerated() []string {
	out := []string{unknown, stepStopped, "done", "incomplete"} // of a run's flush
	out = append(out, "fill", "inject", "clear", "flush")       // the stages of a plan
	for c := box.UnknownChannel + 1; c < box.NumChannels; c++ {
		out = append(out, c.Info().Name)
	}
	for d := box.UnknownDeed + 1; d < box.NumDeeds; d++ {
		out = append(out, strings.ReplaceAll(d.String(), "_", " "))
	}
	for _, d := range (visit{}).deedLines() {
		out = append(out, d.Says)
	}
	for m := sequencer.LinesFull; m <= sequencer.Secured; m++ {
		out = append(out, strings.ReplaceAll(m.String(), "_", " "))
	}
	for _, part := range []string{partSupply, partFilter, partInjector, partLoop, partHeader} {
		_, name := rings(part)
		out = append(out, name)
	}
	for _, words := range [][]string{
		named[box.Quality](), named[box.Cause](), named[alarm.State](), named[alarm.Priority](), named[access.Role](), named[sequencer.Step](),
		named[estimate.Witness](), named[estimate.Tri](), named[estimate.FilterState](), named[estimate.SupplyState](), named[estimate.Water](),
		named[estimate.Body](), named[dosing.Verdict](), named[dosing.Severity](),
	} {
		out = append(out, words...)
	}
	out = slices.DeleteFunc(out, func(s string) bool { return s == "" })
	slices.Sort(out)
	return slices.Compact(out)
}

// named are the names of a type's values, up to where it has no more.
func named[T interface {
	~uint8
	String() string
}]() (out []string) {
	defer func() { _ = recover() }() // a type whose names are an array ends so
	for v := T(1); v < 40; v++ {
		out = append(out, v.String())
	}
	return out
}
