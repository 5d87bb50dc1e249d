// Package config reads the YAML file that describes a box, its zones and its
// feeds, and holds the embedded file of the simulated box.
//
// It refuses to guess. A quantity without a unit, an unknown or doubled key, a
// value of the wrong kind and two values that can't both hold are faults; all
// of a file's faults are reported at once, each with its line, column and a
// value that would do. What the file leaves out has a documented default, but
// for the zones. The package opens no connection and reads no secret: files
// with passwords are named here and read by those who need them.
package config

import (
	_ "embed"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"

	"boxd/internal/box"
	"boxd/internal/dosing"
	"boxd/internal/engine"
	"boxd/internal/hydraulics"
	"boxd/internal/safety"
	"boxd/internal/sensors"
	"boxd/internal/units"
)

// maxFile bounds the file's size, in bytes.
const maxFile = 1 << 20

//go:embed default.yaml
var defaultFile string

// Default is the file of the simulated box: an invented station.
func Default() []byte { return []byte(defaultFile) }

// Config is a file as understood.
type Config struct {
	Name        string // of the file
	Box         Box
	Zones       []Zone
	Injector    dosing.Injector
	StartsAt    units.KPa          // pressure difference that starts the injector
	BranchMeter dosing.BranchMeter // where the flow meter of its branch sits
	RatioError  units.Ratio        // of its ratio, as a bound; 0: 5 %
	Supply      dosing.Supply
	Backflow    safety.Backflow
	Probe       Probe
	Limits      safety.Limits // the header window in it is that of no zone: see Zone.Limits
	Plan        Plan
	Observe     bool // readings only count; nobody is asked to confirm
	Meter       engine.Meter
	Cooling     engine.Cooling // the small volumes that freeze first
	Web         Web
	MQTT        MQTT
	Influx      Influx
	Alerts      []Alert
	Feeds       []Feed
	Sensors     []Sensor
	Board       Board
	Archive     Archive

	// Warnings are things the file may leave so, but its owner should know.
	Warnings []string

	supplyLowSaid bool
	places        places
}

// Box is the box itself.
type Box struct {
	Name     string // also in MQTT topics
	Units    units.System
	Data     string // directory of the archive; empty: not said
	Timezone *time.Location
	Dusk     time.Duration // after midnight, local: when alerts tell of the night's frost
}

// Archive is how long what is kept.
type Archive struct {
	ThinAfter       time.Duration // the samples of older runs thin out
	KeepRuns        time.Duration // older runs go
	KeepUndelivered time.Duration // what a receiver has not taken by then is given up
	Most            int           // MB that the archive may take of the disk
}

// Zone is a planting and the window its header pressure belongs in.
type Zone struct {
	hydraulics.Zone
	Window Window

	path string // zones[0]
}

// Window is a range of pressure at the header.
type Window struct{ Low, Target, High units.KPa }

// Probe is the EC probe at the last emitter of the farthest lateral; Zone is
// empty where there is none.
type Probe struct {
	Zone string
	Lag  time.Duration
}

// Plan is what the person set out to do. With a Feed, what is not said follows
// from its dose plan.
type Plan struct {
	engine.Plan
	Feed          string        // name of a feed, or empty
	Strength      units.GPerL   // of the stock; 0: not said
	ECPerGPerL    units.USPerCm // EC of 1 g/L of the product; 0: not said
	StrengthError units.Ratio   // of Strength, as a bound; 0: 1.7 %
}

// Web is the page's server.
type Web struct {
	Listen   string // host:port
	Hosts    []string
	Open     bool   // nobody signs in: whoever reaches the page may do everything
	OpenView bool   // whoever is on the local network may look without signing in
	Public   string // URL of the page for those who get alerts; empty: none is said
	TLS      TLS
	CertFile string
	KeyFile  string
}

// TLS is how the page is kept from listeners.
type TLS uint8

// The ways. Where the file says nothing, a page for the box alone goes without,
// any other gets a certificate of the box's own.
const (
	TLSUnsaid TLS = iota
	TLSOff
	TLSSelfMade
	TLSFiles
)

// MQTT is where the box publishes. It never subscribes.
type MQTT struct {
	Broker       string // "embedded", a URL, or "" for none
	Listen       string // of the embedded broker
	Reader       string // who may subscribe at it from another machine; empty: nobody
	ReaderFile   string // the reader's password
	ClientID     string // empty: made of the box's name
	NoReadBack   bool   // for an account that may not subscribe
	User         string
	PasswordFile string
	CAFile       string
	CertFile     string
	KeyFile      string
}

// Influx is the time-series database; URL is empty where there is none.
type Influx struct {
	URL       string
	Org       string
	Bucket    string
	TokenFile string
	TokenEnv  string // name of an environment variable
	CAFile    string
}

// Alert is one way to reach a phone, a mailbox or a chat. Exactly one of URL,
// URLFile and URLEnv is set.
type Alert struct {
	URL      Secret
	URLFile  string
	URLEnv   string
	Events   []string // alarm ids, milestone names, priorities, your-turn, freeze-outlook
	Language string   // one of Languages
	Quiet    Quiet
	Repeat   time.Duration // of critical and high alarms nobody has seen; 0: not repeated
}

// Quiet are hours of the day, after local midnight, in which nothing but what
// is critical is sent. They may span midnight; From = Until: none.
type Quiet struct{ From, Until time.Duration }

// Secret is a text that never prints itself.
type Secret string

// String hides the text.
func (s Secret) String() string {
	if s == "" {
		return ""
	}
	return "<secret>"
}

// GoString hides the text.
func (s Secret) GoString() string { return s.String() }

// MarshalText hides the text.
func (s Secret) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// Feed is a fertilizer programme; Zone is empty where it suits any.
type Feed struct {
	dosing.Feed
	Zone string

	path string // feeds[0]
}

// Load reads a file. The error is a Faults when the file's content is to blame.
func Load(path string) (*Config, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("cannot read the configuration: %w", err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, maxFile+1))
	if err != nil {
		return nil, fmt.Errorf("cannot read the configuration: %w", err)
	}
	return Parse(path, data)
}

// Zone finds a zone by name; the empty name is the only zone.
func (c *Config) Zone(name string) (*Zone, error) {
	z, names := pick(c.Zones, name, func(z *Zone) string { return z.Name })
	switch {
	case z != nil:
		return z, nil
	case name == "":
		return nil, fmt.Errorf("cannot tell which zone is meant: %s has %s; name one", c.Name, names)
	}
	return nil, fmt.Errorf("cannot find zone %q: %s has %s", name, c.Name, names)
}

// Feed finds a feed by name; the empty name is the only feed.
func (c *Config) Feed(name string) (*Feed, error) {
	f, names := pick(c.Feeds, name, func(f *Feed) string { return f.Name })
	switch {
	case f != nil:
		return f, nil
	case names == "":
		return nil, fmt.Errorf("cannot find a feed: %s has none; add one to the list feeds", c.Name)
	case name == "":
		return nil, fmt.Errorf("cannot tell which feed is meant: %s has %s; name one", c.Name, names)
	}
	return nil, fmt.Errorf("cannot find feed %q: %s has %s", name, c.Name, names)
}

// pick finds the item with the name, or the only one for the empty name. It
// lists all names for the message.
func pick[T any](items []T, name string, nameOf func(*T) string) (found *T, names string) {
	all := make([]string, len(items))
	for i := range items {
		all[i] = nameOf(&items[i])
		if all[i] == name || name == "" && len(items) == 1 {
			found = &items[i]
		}
	}
	return found, strings.Join(all, ", ")
}

// ZoneLimits are the limits with the zone's header window. The weakest supply
// allowed follows the zone's pressure unless the file says it.
func (c *Config) ZoneLimits(z *Zone) safety.Limits {
	l := c.Limits
	if !c.supplyLowSaid {
		l.SupplyLow = units.KPa(float64(l.SupplyLow) * float64(z.Window.Target) / float64(l.HeaderTarget))
	}
	l.SupplyCollapse = min(l.SupplyCollapse, l.SupplyLow)
	l.HeaderLow, l.HeaderTarget, l.HeaderHigh = z.Window.Low, z.Window.Target, z.Window.High
	l.InjectorStart = c.StartsAt
	return l
}

// Fault puts a problem found later at its place in the file. The path is
// dotted, as in sensors[2].address.
func (c *Config) Fault(path, problem, hint string) Fault {
	at := c.places.where(path)
	return Fault{c.Name, at.line, at.column, path, problem, hint}
}

// Model solves a zone. The error is a Faults where the zone's data can't work.
func (c *Config) Model(z *Zone) (*hydraulics.Model, error) {
	m, err := hydraulics.NewModel(z.Zone)
	if err == nil {
		return m, nil
	}
	var found hydraulics.Faults
	if !errors.As(err, &found) {
		return nil, Faults{c.Fault(z.path, "can't be worked out: "+err.Error(), "check bores, lengths, slopes and emitters")}
	}
	var fs Faults
	for _, f := range found {
		fs = append(fs, c.Fault(z.path+"."+f.Field, f.Problem, "plausible: "+f.Plausible))
	}
	return nil, fs
}

// Engine is what the core is told for a run in the named zone; the empty name
// is the only zone.
func (c *Config) Engine(zone string) (engine.Config, error) {
	z, err := c.Zone(zone)
	if err != nil {
		return engine.Config{}, err
	}
	m, err := c.Model(z)
	if err != nil {
		return engine.Config{}, err
	}
	plan, dose, err := c.planFor(z, m)
	if err != nil {
		return engine.Config{}, err
	}
	limits, stock := c.ZoneLimits(z), engine.Stock{}
	if f := c.planned(z); f != nil {
		stock = engine.Stock{Known: true, Hazards: dosing.HazardsOf(f.products())}
		if limits.ECLimit == 0 {
			limits.ECLimit = f.Limits.LineEC
		}
	}
	return engine.Config{
		Box: c.Box.Name, Zone: m, Limits: limits, Backflow: c.Backflow, Stock: stock,
		Injector: engine.Injector{
			Ratio:      c.Injector.Convention.InTotal(c.Injector.Ratio),
			Convention: c.Injector.Convention,
			Meter:      c.BranchMeter,
			RatioError: c.RatioError,
			RatedFlow:  c.Injector.RatedFlow,
			StartsAt:   c.StartsAt,
			ECPerGPerL: float64(plan.ECPerGPerL),
			Strength:   plan.Strength,
		},
		Probe:   engine.Probe{Present: c.Probe.Zone == z.Name, Lag: c.Probe.Lag},
		Plan:    plan.Plan,
		Dose:    dose,
		Units:   c.Box.Units,
		Observe: c.Observe,
		Meter:   c.Meter,
		Cooling: c.Cooling,
	}, nil
}

// Wirings are what the sensors list describes, and the board's supply.
func (c *Config) Wirings() []sensors.Wiring {
	out := make([]sensors.Wiring, len(c.Sensors))
	for i, s := range c.Sensors {
		out[i] = s.Wiring
	}
	if c.Board.Supply != nil {
		out = append(out, c.Board.Supply.Wiring)
	}
	return out
}

// Channels are those the sensors list covers.
func (c *Config) Channels() []box.Channel {
	out := make([]box.Channel, len(c.Sensors))
	for i, s := range c.Sensors {
		out[i] = s.Channel
	}
	slices.Sort(out)
	return out
}
