package engine_test

// What the stories must have told between them: every interruption in every step
// where it can come, and every refusal that the sources know.

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"boxd/internal/engine"
	"boxd/internal/engine/enginetest"
	"boxd/internal/hydraulics"
	"boxd/internal/units"
)

// told is what happened in stories.
type told struct {
	scenes   map[string]bool // "supply lost in flush"
	refusals map[string]bool // formats
	steps    map[string]bool
	expects  int
	last     string // step before the shutoff valve was closed
	read     int    // events of the rig looked at
}

// happens notes a command and the step it comes in.
func (s *told) happens(r *enginetest.Rig, name string, args []string) {
	if s.scenes == nil {
		s.scenes, s.refusals, s.steps = map[string]bool{}, map[string]bool{}, map[string]bool{}
	}
	s.listen(r)
	v := r.Core.View()
	at := v.Step
	if at == "inject" && slices.ContainsFunc(v.Estimates, func(e engine.EstimateView) bool { return e.Name == "drawing" && e.Word == "yes" }) {
		at = "injecting"
	}
	if at != "secure" {
		s.last = at
	}
	what := name
	if name == "do" {
		what = args[0]
	}
	switch what {
	case "sag":
		if kpa, _ := strconv.ParseFloat(args[0], 64); kpa < 10 {
			s.scenes["supply lost in "+at] = true
		}
	case "main_closed":
		s.scenes["valve closed in "+at] = true
	case "loop_opened", "injector_off":
		s.scenes["injector stopped in "+at] = true
	case "stock_out":
		s.scenes["tank changed in "+at] = true
	case "filter_cleaned":
		s.scenes["filter cleaned in "+s.last] = true
	case "away":
		s.scenes["restart in "+at] = true
	case "expect", "expect-not":
		s.expects++
	}
}

// listen takes in what the core has said since.
func (s *told) listen(r *enginetest.Rig) {
	if s.read > len(r.Said) {
		s.read = 0 // another box
	}
	for _, e := range r.Said[s.read:] {
		switch e.Kind {
		case engine.RefusalEvent:
			s.refusals[e.Said.Reason.Format] = true
		case engine.StepEvent:
			s.steps[e.Step] = true
		}
	}
	s.read = len(r.Said)
}

// next is another story.
func (s *told) next() { s.read, s.last = 0, "" }

// complete checks that nothing is left untold.
func (s *told) complete(t *testing.T) {
	t.Helper()
	for _, step := range []string{"ready", "pressurise", "inject", "flush", "secure"} {
		if !s.steps[step] {
			t.Errorf("no story comes to the step %s", step)
		}
	}
	for what, where := range map[string]string{
		"supply lost":      "pressurise inject injecting flush",
		"valve closed":     "pressurise inject injecting flush",
		"filter cleaned":   "pressurise inject injecting flush",
		"restart":          "pressurise inject injecting flush secure",
		"injector stopped": "injecting",
		"tank changed":     "injecting",
	} {
		for _, at := range strings.Fields(where) {
			if !s.scenes[what+" in "+at] {
				t.Errorf("no story tells of this: %s in %s", what, at)
			}
		}
	}
	known := refusals(t)
	for format, where := range known {
		if !s.refusals[format] {
			t.Errorf("%s: no story is refused with %q", where, format)
		}
	}
	if len(known) < 10 || s.expects < 20 {
		t.Errorf("only %d refusals found in the sources, %d expectations in the stories: this test looks in the wrong place", len(known), s.expects)
	}
}

// refusals are the formats of say.Refuse in the sources that answer a person,
// with their places.
func refusals(t *testing.T) map[string]string {
	t.Helper()
	out := map[string]string{}
	for _, dir := range []string{".", "../sequencer", "../safety", "../alarm"} {
		files, err := filepath.Glob(filepath.Join(dir, "*.go"))
		check(t, err)
		for _, f := range files {
			if strings.HasSuffix(f, "_test.go") {
				continue
			}
			fset := token.NewFileSet()
			file, err := parser.ParseFile(fset, f, nil, 0)
			check(t, err)
			ast.Inspect(file, func(n ast.Node) bool {
				call, ok := n.(*ast.CallExpr)
				if !ok || len(call.Args) == 0 {
					return true
				}
				sel, ok := call.Fun.(*ast.SelectorExpr)
				if !ok || sel.Sel.Name != "Refuse" {
					return true
				}
				if lit, ok := call.Args[0].(*ast.BasicLit); ok {
					format, err := strconv.Unquote(lit.Value)
					check(t, err)
					out[format] = fset.Position(call.Pos()).String()
				}
				return true
			})
		}
	}
	return out
}

// fullSize is a block as growers have them: six beds of ninety metres.
func fullSize() *hydraulics.Model {
	m, err := hydraulics.NewModel(hydraulics.Zone{
		Name: "six-beds", Water: 18, Inlet: 68.95, Lead: hydraulics.Pipe{Length: 12, Bore: 40.8, Roughness: 0.0015},
		Header:   hydraulics.Header{Feed: hydraulics.FeedCentre, Beds: 6, BedSpacing: 1.5, FirstTee: 0.75, TapesPerBed: 1, Bore: 40.8, Roughness: 0.0015},
		Laterals: hydraulics.Laterals{Lengths: []units.Metre{90}, LeadIn: 0.3, EmitterSpacing: 0.3, Bore: 15.9, Roughness: 0.0015},
		Emitters: hydraulics.Emitters{Flow: 0.5, At: 68.95, Exponent: 0.5},
	})
	if err != nil {
		panic(err)
	}
	return m
}
