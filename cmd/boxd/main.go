// Command boxd is the instrument for a fertilizer-injection box on drip
// irrigation: it measures, works out, advises, warns and records. A person moves
// every valve; boxd has no output that could.
//
// Exit codes: 0 good, 1 the input is wrong or the work failed, 2 bad usage.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"
	"syscall"
	_ "time/tzdata" // a small board may have no zone files
)

// app is what a command may touch of the world.
type app struct {
	ctx context.Context
	in  io.Reader
	out io.Writer
	err io.Writer
}

// errUsage marks a call that can't be understood; flag has already said why.
var errUsage = errors.New("bad usage")

type command struct {
	name, args, about string
	run               func(*app, []string) error
}

func commands() []command {
	return []command{
		{"demo", "[-speed N] [-person auto|none] [-listen ADDR] [-data DIR] [-config FILE]", "simulated box, embedded broker, archive, web page", runDemo},
		{"run", "-config FILE [-state DIR] [-listen ADDR] [-zone NAME] [-samples FILE]", "the daemon; without a configuration, the guide that makes one", runDaemon},
		{"check", "-config FILE [-units us|metric|both] [-json]", "validate; print the zones as understood", runCheck},
		{"plan", "-config FILE -zone NAME -feed NAME [-units us|metric|both] [-json]", "what to weigh, dissolve, dial, and how long", runPlan},
		{"replay", "-config FILE -trace FILE [-person trace|auto] [-json]", "the core over a recorded trace, full speed", runReplay},
		{"runs", "[-data DIR]", "list the archived runs", runRuns},
		{"show", "RUN [-data DIR]", "tell one archived run", runShow},
		{"season", "[-zone NAME] [-from DATE] [-to DATE] [-units us|metric] [-json] [-data DIR]", "a zone's runs compared: flow, filter, ratio, flush, nutrients, alarms", runSeason},
		{"export", "RUN -format csv|parquet|json|html [-lang en|es] [-units us|metric] [-data DIR] [-o FILE]", "one archived run", runExport},
		{"whatif", "RUN -config FILE [-data DIR] [-all] [-json]", "an archived run with another configuration, side by side", runWhatIf},
		{"import", "-map FILE -in CSV -out TRACE", "a logger's CSV as a trace", runImport},
		{"calibrate", "list | -points FILE | flow|pressure|ec|temperature|injector -channel COLUMN [-by NAME] [-data DIR | -url URL [-fingerprint SHA256] [-phrase-file FILE]]", "keep what a person measured against a standard; list the calibrations", runCalibrate},
		{"probe", "[-volts] [-draft FILE] [-root DIR] [-json]", "list a board's buses, chips, lines and what they read; draft a configuration", runProbe},
		{"watch", "[-url URL] [-fingerprint SHA256] [-units us|metric]", "a run live on a terminal, read from the daemon", runWatch},
		{"station", "-broker URL or -config FILE [-listen ADDR -page-password-file FILE] [-terminal]", "every box at a broker, on one page or a terminal", runStation},
		{"fleet", "[-boxes N] [-broker URL]", "many simulated boxes that publish, to try a station and a broker with", runFleet},
		{"notify", "test -config FILE [-to N]", "send a test message to those who get alerts", runNotify},
		{"version", "", "what this is", runVersion},
	}
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := dispatch(&app{ctx, os.Stdin, os.Stdout, os.Stderr}, os.Args[1:])
	stop()
	os.Exit(code)
}

func dispatch(a *app, args []string) int {
	if len(args) == 0 {
		usage(a.err)
		return 2
	}
	if args[0] == "help" || args[0] == "-h" || args[0] == "-help" || args[0] == "--help" {
		usage(a.out)
		return 0
	}
	for _, c := range commands() {
		if c.name != args[0] {
			continue
		}
		err := c.run(a, args[1:])
		switch {
		case err == nil:
			return 0
		case errors.Is(err, flag.ErrHelp):
			return 0
		case errors.Is(err, errUsage):
			return 2
		}
		fmt.Fprintln(a.err, strings.TrimRight(err.Error(), "\n"))
		return 1
	}
	fmt.Fprintf(a.err, "boxd: there is no command %q\n", args[0])
	usage(a.err)
	return 2
}

func usage(w io.Writer) {
	fmt.Fprintln(w, "boxd advises at a fertilizer-injection box. A person moves every valve.")
	for _, c := range commands() {
		fmt.Fprintf(w, "  boxd %-8s %s\n              %s\n", c.name, c.args, c.about)
	}
}

// flags is a flag set that reports to the app and turns trouble into errUsage.
func (a *app) flags(name string) *flag.FlagSet {
	f := flag.NewFlagSet("boxd "+name, flag.ContinueOnError)
	f.SetOutput(a.err)
	return f
}

// parse reads args; want names how many plain arguments may stand beside flags.
func (a *app) parse(f *flag.FlagSet, args []string, want int) error {
	if err := f.Parse(args); err != nil {
		if errors.Is(err, flag.ErrHelp) {
			return err
		}
		return errUsage
	}
	if f.NArg() > want {
		return a.usage(f, "unexpected %q", f.Arg(want))
	}
	return nil
}

func (a *app) usage(f *flag.FlagSet, format string, args ...any) error {
	fmt.Fprintf(a.err, f.Name()+": "+format+"\n", args...)
	f.Usage()
	return errUsage
}

// release is set by the linker when a package is made; else the build tells.
var release string

func version() string {
	if release != "" {
		return release
	}
	if i, ok := debug.ReadBuildInfo(); ok && i.Main.Version != "" && i.Main.Version != "(devel)" {
		return i.Main.Version
	}
	return "development"
}

func runVersion(a *app, args []string) error {
	if err := a.parse(a.flags("version"), args, 0); err != nil {
		return err
	}
	_, err := fmt.Fprintf(a.out, "boxd %s\n", version())
	return err
}
