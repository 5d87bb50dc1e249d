package archtest

// These tests read the sources of the module and check every import against
// one table, and every pure package for what would make it impure. The checks
// are functions over syntax trees, themselves tried on sources known to be bad.

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

const module = "boxd/"

// rule is what a package may import of the module. Short names are below
// internal/; "config" is the package of that name at the top.
type rule struct {
	may  []string
	pure bool // no I/O, goroutine, lock, log or clock; standard library only
	any  bool // may import all of the module
}

func may(pkgs ...string) rule  { return rule{may: pkgs} }
func pure(pkgs ...string) rule { return rule{may: pkgs, pure: true} }

// rules is the package map. A package not in it is a fault: put it in where it
// belongs, and look at which way its arrows point.
func rules() map[string]rule {
	return map[string]rule{
		"units":             pure(),
		"say":               pure("units"),
		"box":               pure("say", "units"),
		"hydraulics":        pure("units"),
		"dosing":            pure("say", "units", "hydraulics"),
		"sensors":           pure("say", "units", "box"),
		"alarm":             pure("say", "units", "box"),
		"calibration":       pure("say", "units", "box", "dosing", "sensors"),
		"estimate":          pure("say", "units", "box", "hydraulics", "dosing"),
		"safety":            pure("say", "units", "box", "estimate", "alarm"),
		"sequencer":         pure("say", "units", "box", "estimate", "safety"),
		"engine":            pure("say", "units", "box", "hydraulics", "dosing", "sensors", "alarm", "estimate", "safety", "sequencer"),
		"whatif":            pure("say", "engine"),
		"season":            pure("say", "units", "engine"),
		"simbox":            pure("units", "box", "sensors"),
		"sensors/hwio":      may("units", "box", "sensors"),
		"record":            may("say", "units", "box", "engine"),
		"journal":           may("say", "units", "box", "alarm", "sequencer", "engine", "record", "calibration"), // the archive keeps the input log in record's form
		"report":            may("units", "hydraulics", "config"),
		"telemetry":         may("say", "units", "box", "alarm", "sequencer", "engine"),
		"telemetry/alert":   may("say", "units", "box", "alarm", "sequencer", "engine", "telemetry"),
		"telemetry/broker":  may("say", "units", "box", "alarm", "sequencer", "engine", "telemetry"),
		"telemetry/dial":    may("telemetry"),
		"telemetry/mqtt":    may("say", "units", "box", "alarm", "sequencer", "engine", "telemetry", "telemetry/dial"),
		"telemetry/influx":  may("say", "units", "box", "alarm", "sequencer", "engine", "telemetry"),
		"access":            may("say"),
		"manual":            may(module+"docs", module+"hw"),
		"access/accesstest": may("access"), // tests only
		"web/webtest":       may(),         // tests only
		"web":               may("manual", "calibration", "season", "access", "say", "units", "box", "alarm", "sequencer", "engine", "telemetry", "journal", "whatif", "setup"),
		"config":            may("say", "units", "box", "hydraulics", "dosing", "sensors", "safety", "sequencer", "engine", "record"),
		"planview":          may("say", "config", "units", "hydraulics", "dosing", "web"), // answers the interface that web declares
		"daemon":            may("say", "config", "units", "box", "engine", "sensors", "record", "journal", "telemetry", "telemetry/alert", "telemetry/broker", "telemetry/mqtt", "telemetry/influx", "web"),
		"watch":             may("say", "units", "engine"),
		"station":           may("say", "telemetry", "telemetry/dial"),
		"setup":             may("say", "units", "box", "hydraulics", "sensors", "config", "report", module+"hw"),
		"engine/enginetest": may("say", "units", "box", "hydraulics", "dosing", "sensors", "alarm", "estimate", "safety", "sequencer", "engine", "simbox", "record"),
		"archtest":          may(),
		"budgets":           may(), // measures the built program from outside
		module + "cmd/boxd": {any: true},

		"engine/enginetest/season": pure("units", "box", "hydraulics", "safety", "engine"), // tests only

		// Files alone: the manual, the boards' profiles.
		module + "docs": may(),
		module + "hw":   may(),

		// The kernel test's machine. Nothing of the product imports these.
		module + "hw/kernel":        may(),
		module + "hw/kernel/guest":  may(module + "hw/kernel/wiring"),
		module + "hw/kernel/image":  may(),
		module + "hw/kernel/wiring": may("box", "simbox"),
	}
}

// homes says which packages alone see a library, by the library's import path.
func homes() map[string][]string {
	return map[string][]string{
		"periph.io/":                             {"sensors/hwio"},
		"github.com/eclipse/paho":                {"telemetry/dial", "telemetry/mqtt", "station"},
		"github.com/influxdata/":                 {"telemetry/influx"},
		"github.com/mochi-mqtt/":                 {"telemetry/broker"},
		"github.com/nicholas-fedor/shoutrrr":     {"telemetry/alert"},
		"modernc.org/sqlite":                     {"journal"},
		"github.com/gdamore/tcell":               {"watch", "station"},
		"github.com/alexedwards/scs":             {"access"},
		"golang.org/x/crypto/":                   {"access", "access/accesstest"},
		"gopkg.in/yaml.v3":                       {"config"},
		"github.com/yuin/goldmark":               {"manual"},
		"github.com/chromedp/":                   {"web/webtest"},
		"github.com/parquet-go/":                 {}, // tests only: it would be a fifth of the program
		"pgregory.net/rapid":                     {}, // tests only
		"github.com/rogpeppe/go-internal/testsc": {},
	}
}

// pureStd is all a pure package takes of the standard library.
func pureStd() []string {
	return []string{"bytes", "cmp", "container/heap", "container/list", "embed", "encoding", "encoding/binary", "encoding/csv", "encoding/json",
		"errors", "fmt", "hash", "hash/crc32", "hash/fnv", "iter", "maps", "math", "math/bits", "math/rand/v2", "slices", "sort",
		"strconv", "strings", "time", "unicode", "unicode/utf8"}
}

// impure is what even these packages hold that is not for a pure one.
func impure() map[string][]string {
	return map[string][]string{
		"time":         {"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTimer", "NewTicker", "Local", "LoadLocation"},
		"fmt":          {"Print", "Printf", "Println", "Scan", "Scanf", "Scanln"},
		"math/rand/v2": {"Float64", "Float32", "Int", "IntN", "Int64", "Int64N", "Int32", "Int32N", "N", "NormFloat64", "ExpFloat64", "Perm", "Shuffle", "Uint32", "Uint64", "UintN", "Uint32N", "Uint64N"},
	}
}

// source is one file and the short name of its package.
type source struct {
	pkg  string
	path string
	file *ast.File
	fset *token.FileSet
}

func (s source) fault(n ast.Node, format string, args ...any) string {
	return fmt.Sprintf("%s:%d: %s", s.path, s.fset.Position(n.Pos()).Line, fmt.Sprintf(format, args...))
}

// short turns an import path of the module into a name of the table.
func short(importPath string) string {
	p, ok := strings.CutPrefix(importPath, module)
	if !ok {
		return importPath
	}
	if in, ok := strings.CutPrefix(p, "internal/"); ok {
		return in
	}
	if p == "config" {
		return p
	}
	return importPath
}

func parse(t *testing.T, dir, name string, src any) source {
	t.Helper()
	fset := token.NewFileSet()
	f, err := parser.ParseFile(fset, name, src, parser.SkipObjectResolution)
	if err != nil {
		t.Fatal(err)
	}
	return source{pkg: short(module + dir), path: name, file: f, fset: fset}
}

// sources are the module's files that end up in a program.
func sources(t *testing.T) (out []source) {
	t.Helper()
	root := filepath.Join("..", "..")
	err := filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			if n := d.Name(); n == "testdata" || n == "node_modules" || (strings.HasPrefix(n, ".") && p != root) {
				return fs.SkipDir
			}
			if _, err := os.Stat(filepath.Join(p, "go.mod")); err == nil && p != root {
				return fs.SkipDir // a module of its own ends up in no program of this one
			}
			return nil
		}
		if !strings.HasSuffix(p, ".go") || strings.HasSuffix(p, "_test.go") {
			return nil
		}
		rel, err := filepath.Rel(root, p)
		if err != nil {
			return err
		}
		s := parse(t, path.Dir(filepath.ToSlash(rel)), p, nil)
		s.path = filepath.ToSlash(rel)
		out = append(out, s)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(out) < 20 {
		t.Fatalf("only %d files found: is this still the place of the test?", len(out))
	}
	return out
}

func importPath(i *ast.ImportSpec) string {
	p, err := strconv.Unquote(i.Path.Value)
	if err != nil {
		return i.Path.Value
	}
	return p
}

// checkImports finds arrows that the table does not have.
func checkImports(s source) (faults []string) {
	r, ok := rules()[s.pkg]
	if !ok {
		return []string{s.fault(s.file, "package %s is not in the package map", s.pkg)}
	}
	for _, i := range s.file.Imports {
		p := importPath(i)
		switch {
		case strings.HasPrefix(p, module):
			if slices.Contains([]string{"web/webtest", "access/accesstest"}, short(p)) || !r.any && !slices.Contains(r.may, short(p)) {
				faults = append(faults, s.fault(i, "%s must not import %s", s.pkg, short(p)))
			}
		case r.pure && !slices.Contains(pureStd(), p):
			faults = append(faults, s.fault(i, "%s is pure and must not import %s", s.pkg, p))
		}
		for lib, home := range homes() {
			if strings.HasPrefix(p, lib) && !slices.Contains(home, s.pkg) {
				faults = append(faults, s.fault(i, "%s must not import %s: it belongs to %q alone", s.pkg, p, home))
			}
		}
	}
	return faults
}

// names are the names a file knows its imports by.
func names(f *ast.File) map[string]string {
	out := map[string]string{}
	for _, i := range f.Imports {
		p := importPath(i)
		switch base := path.Base(p); {
		case i.Name != nil:
			out[i.Name.Name] = p
		case strings.HasPrefix(base, "v") && len(base) == 2:
			out[path.Base(path.Dir(p))] = p
		default:
			out[base] = p
		}
	}
	return out
}

// checkPure finds clocks, goroutines, channels' select and hidden chance.
func checkPure(s source) (faults []string) {
	if !rules()[s.pkg].pure {
		return nil
	}
	known := names(s.file)
	ast.Inspect(s.file, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.GoStmt:
			faults = append(faults, s.fault(n, "%s is pure and must not start a goroutine", s.pkg))
		case *ast.SelectStmt, *ast.ChanType:
			faults = append(faults, s.fault(n, "%s is pure and has no use for channels", s.pkg))
		case *ast.SelectorExpr:
			if x, ok := n.X.(*ast.Ident); ok && slices.Contains(impure()[known[x.Name]], n.Sel.Name) {
				faults = append(faults, s.fault(n, "%s is pure and must not use %s.%s", s.pkg, x.Name, n.Sel.Name))
			}
		}
		return true
	})
	return faults
}

// checkInit finds init functions, anywhere.
func checkInit(s source) (faults []string) {
	for _, d := range s.file.Decls {
		if f, ok := d.(*ast.FuncDecl); ok && f.Recv == nil && f.Name.Name == "init" {
			faults = append(faults, s.fault(f, "no init functions: build things where they are used"))
		}
	}
	return faults
}

// checkNoOutput finds what would drive a pin. boxd measures and advises; it
// never moves anything.
func checkNoOutput(s source) (faults []string) {
	for _, i := range s.file.Imports {
		// Whatever has periph's drivers brings those of pins and lamps too.
		if p := importPath(i); strings.HasPrefix(p, "periph.io/x/host/") && p != "periph.io/x/host/v3/fs" || strings.HasSuffix(p, "/driverreg") {
			faults = append(faults, s.fault(i, "%s: opens more than is read", p))
		}
	}
	known := names(s.file)
	ast.Inspect(s.file, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.SelectorExpr:
			x, _ := n.X.(*ast.Ident)
			request := x != nil && known[x.Name] == "golang.org/x/sys/unix" && strings.HasPrefix(n.Sel.Name, "GPIO") && strings.Contains(n.Sel.Name, "SET_")
			if request || usesPeriph(s.file) && slices.Contains([]string{"Out", "PWM", "PinOut", "StreamOut"}, n.Sel.Name) {
				faults = append(faults, s.fault(n, "%s: no output is ever driven", n.Sel.Name))
			}
		case *ast.BasicLit:
			if slices.ContainsFunc(drivers(), func(file string) bool { return strings.Contains(n.Value, file) }) {
				faults = append(faults, s.fault(n, "%s: no output is ever driven", n.Value))
			}
		}
		return true
	})
	return faults
}

// hearers are the functions that subscribe at a broker, by package. Those of
// telemetry/mqtt compare what comes with what was sent and throw it away; a
// station shows.
func hearers() map[string][]string {
	return map[string][]string{"telemetry/mqtt": {"listen", "readBack"}, "station": {"session", "subscribe"}}
}

// checkInbound finds where messages of a broker could come in: nothing that comes in
// moves a run. A function that lays hold of the library's name for it counts, called
// or not.
func checkInbound(s source) (faults []string) {
	if !slices.ContainsFunc(s.file.Imports, func(i *ast.ImportSpec) bool { return strings.HasPrefix(importPath(i), "github.com/eclipse/paho") }) {
		return nil
	}
	for _, d := range s.file.Decls {
		f, ok := d.(*ast.FuncDecl)
		if ok && slices.Contains(hearers()[s.pkg], f.Name.Name) {
			continue
		}
		ast.Inspect(d, func(n ast.Node) bool {
			x, ok := n.(*ast.SelectorExpr)
			if ok && slices.Contains([]string{"Subscribe", "SubscribeMultiple", "AddRoute", "SetDefaultPublishHandler", "DefaultPublishHandler"}, x.Sel.Name) {
				faults = append(faults, s.fault(n, "%s: only %v listen to a broker", x.Sel.Name, hearers()))
			}
			return true
		})
	}
	return faults
}

// checkApart finds a file of a command that has the daemon and a station in it: what a
// station hears must find no way to a run.
func checkApart(s source) (faults []string) {
	has := func(pkg string) bool {
		return slices.ContainsFunc(s.file.Imports, func(i *ast.ImportSpec) bool { return short(importPath(i)) == pkg })
	}
	if has("station") && has("daemon") {
		faults = append(faults, s.fault(s.file, "a station and a daemon in one file"))
	}
	return faults
}

func usesPeriph(f *ast.File) bool {
	return slices.ContainsFunc(f.Imports, func(i *ast.ImportSpec) bool { return strings.HasPrefix(importPath(i), "periph.io/") })
}

func TestModule(t *testing.T) {
	for _, s := range sources(t) {
		for _, check := range []func(source) []string{checkImports, checkPure, checkInit, checkNoOutput, checkInbound, checkApart} {
			for _, f := range check(s) {
				t.Error(f)
			}
		}
	}
}

// TestPureList holds the list that .ci/run tests without the race detector to
// the table: a pure package has no goroutine, so there is nothing to detect.
func TestPureList(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "..", ".ci", "pure"))
	if err != nil {
		t.Fatal(err)
	}
	var want []string
	for name, r := range rules() {
		if r.pure {
			want = append(want, "./internal/"+name)
		}
	}
	slices.Sort(want)
	if got := strings.Fields(string(text)); !slices.Equal(got, want) {
		t.Errorf(".ci/pure must be\n%s", strings.Join(want, "\n"))
	}
}

// TestMapHasNoCircle: following the arrows of the table never comes back.
func TestMapHasNoCircle(t *testing.T) {
	table := rules()
	var walk func(at string, trail []string)
	walk = func(at string, trail []string) {
		if slices.Contains(trail, at) {
			t.Fatalf("a circle in the package map: %v", append(trail, at))
		}
		r, ok := table[at]
		if !ok {
			t.Fatalf("%v may import %s, which is not in the map", trail, at)
		}
		for _, next := range r.may {
			if r.pure && !table[next].pure {
				t.Errorf("%s is pure and may import %s, which is not", at, next)
			}
			walk(next, append(slices.Clone(trail), at))
		}
	}
	for name := range table {
		walk(name, nil)
	}
}

// TestRunHearsNoBroker: whatever takes part in a run has no way to a station, which
// listens to what anybody publishes.
func TestRunHearsNoBroker(t *testing.T) {
	for name, r := range rules() {
		if !r.any && slices.Contains(r.may, "station") {
			t.Errorf("%s may import a station", name)
		}
	}
}

// TestChecksSee: each check finds what it is for, and nothing in good code.
func TestChecksSee(t *testing.T) {
	const core, hw = "internal/safety", "internal/sensors/hwio"
	cases := []struct {
		name, dir, src string
		check          func(source) []string
		faults         int
	}{
		{"good arrows", core, `import ("math"; "boxd/internal/box")`, checkImports, 0},
		{"arrow back", core, `import "boxd/internal/sequencer"`, checkImports, 1},
		{"I/O", core, `import "os"`, checkImports, 1},
		{"lock", core, `import "sync"`, checkImports, 1},
		{"library and I/O in a pure package", core, `import "modernc.org/sqlite"`, checkImports, 2},
		{"library out of its home", "internal/web", `import "periph.io/x/conn/v3/i2c"`, checkImports, 1},
		{"library at home", hw, `import "periph.io/x/conn/v3/i2c"`, checkImports, 0},
		{"simulation in the daemon", "internal/daemon", `import "boxd/internal/simbox"`, checkImports, 1},
		{"command", "cmd/boxd", `import ("os"; "boxd/internal/simbox")`, checkImports, 0},
		{"stranger", "internal/util", ``, checkImports, 1},
		{"clock", core, `import "time"; var _ = time.Now`, checkPure, 1},
		{"clock by another name", core, `import t "time"; func f() { t.Sleep(1) }`, checkPure, 1},
		{"durations", core, `import "time"; const d = time.Second`, checkPure, 0},
		{"goroutine", core, `func f() { go f() }`, checkPure, 1},
		{"channel", core, `var c chan int`, checkPure, 1},
		{"hidden chance", core, `import "math/rand/v2"; func f() { _ = rand.IntN(3) }`, checkPure, 1},
		{"seeded chance", core, `import "math/rand/v2"; var r = rand.New(rand.NewPCG(1, 2))`, checkPure, 0},
		{"goroutine outside", "internal/daemon", `func f() { go f() }`, checkPure, 0},
		{"init", "internal/web", `func init() {}`, checkInit, 1},
		{"method init", "internal/web", `type x int; func (x) init() {}`, checkInit, 0},
		{"output", hw, `import "periph.io/x/conn/v3/gpio"; func f(p gpio.PinIO) { p.Out(true) }`, checkNoOutput, 1},
		{"all drivers", hw, `import "periph.io/x/host/v3"`, checkNoOutput, 1},
		{"files alone", hw, `import "periph.io/x/host/v3/fs"`, checkNoOutput, 0},
		{"pins as files", hw, `const f = "/sys/class/gpio/export"`, checkNoOutput, 1},
		{"a line set", hw, `import "golang.org/x/sys/unix"; const r = unix.GPIO_V2_LINE_SET_VALUES_IOCTL`, checkNoOutput, 1},
		{"a line asked for", hw, `import "golang.org/x/sys/unix"; const r = unix.GPIO_V2_GET_LINE_IOCTL`, checkNoOutput, 0},
		{"a broker listened to", "internal/telemetry/mqtt", `import paho "github.com/eclipse/paho.mqtt.golang"; func other(c paho.Client) { c.Subscribe("#", 0, nil) }`, checkInbound, 1},
		{"by its options", "internal/telemetry/dial", `import paho "github.com/eclipse/paho.mqtt.golang"; var f = paho.NewClientOptions().SetDefaultPublishHandler`, checkInbound, 1},
		{"its own status", "internal/telemetry/mqtt", `import paho "github.com/eclipse/paho.mqtt.golang"; func readBack(c paho.Client) { c.Subscribe("#", 0, nil) }`, checkInbound, 0},
		{"a station beside a run", "cmd/boxd", `import ("boxd/internal/daemon"; "boxd/internal/station")`, checkApart, 1},
		{"input", hw, `import "periph.io/x/conn/v3/gpio"; func f(p gpio.PinIn) { p.Read() }`, checkNoOutput, 0},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			got := c.check(parse(t, c.dir, "x.go", "package x; "+c.src))
			if len(got) != c.faults {
				t.Errorf("%d faults, want %d: %v", len(got), c.faults, got)
			}
		})
	}
}
