// Package web shows a run to persons and takes their word: the run page, the
// plan of a run to come, the list of runs, the stream of views and the one door
// where confirmations, acknowledgements and resets come in.
//
// It decides nothing. What is shown is an engine.View; what a person says goes
// to the core as a box.Action, and the core's answer is shown as it came. A
// number that is null in the view is written "unknown", never zero. When the
// view ages or the stream is lost, the page says "stopped: do not rely on
// this" and greys the values.
//
// Who may do what is the keeper's to say (package access); without one the pages
// are open. The package loads nothing from elsewhere and runs no inline script or style.
package web

import (
	"context"
	"errors"
	"io"
	"net"
	"net/http"
	"strings"
	"time"

	"boxd/internal/access"
	"boxd/internal/box"
	"boxd/internal/calibration"
	"boxd/internal/engine"
	"boxd/internal/say"

	"github.com/klauspost/compress/gzhttp"
)

// Core is what the pages need of the running core.
type Core interface {
	// View is the newest view.
	View() engine.View
	// Subscribe gives the views from now on and a function that ends it. The
	// channel is bounded; it is closed when the reader is too slow.
	Subscribe() (<-chan engine.View, func())
	// Trace is the recent history for the plots, oldest first.
	Trace() []Point
	// Submit hands over a person's word and waits for the core's answer.
	Submit(ctx context.Context, a box.Action) Answer
}

// Ager is offered by a core that knows how long ago it last made a view. A core
// without it is judged by the views' numbers: one that does not rise is old.
type Ager interface {
	Age() time.Duration
}

// Hastener is offered by a core that shows not every beat when nothing happens.
type Hastener interface {
	// Hasten has every beat shown until calm is called.
	Hasten() (calm func())
}

// Answer is the core's answer to a person's word.
type Answer struct {
	Accepted bool   `json:"accepted"`
	Reason   string `json:"reason"` // why not; may also say what happens next
	// Said is the reason where it can be had in another language; else it is empty.
	Said say.Text `json:"-"`
}

// Point is one moment of the plots. Null is a gap.
type Point struct {
	T        float64  `json:"t"` // core seconds
	Header   *float64 `json:"header_kpa"`
	InjIn    *float64 `json:"injector_in_kpa"`
	InjOut   *float64 `json:"injector_out_kpa"`
	MainFlow *float64 `json:"main_flow_lpm"`
	BoxEC    *float64 `json:"ec_box_us_cm"`
	EndEC    *float64 `json:"ec_end_us_cm"`
}

// PointOf takes from a view what the plots show.
func PointOf(v engine.View) Point {
	p := Point{T: v.T}
	into := map[string]**float64{
		box.HeaderPressure.Info().Column:      &p.Header,
		box.InjectorInPressure.Info().Column:  &p.InjIn,
		box.InjectorOutPressure.Info().Column: &p.InjOut,
		box.MainFlow.Info().Column:            &p.MainFlow,
		box.BoxEC.Info().Column:               &p.BoxEC,
		box.EndEC.Info().Column:               &p.EndEC,
	}
	for _, c := range v.Channels {
		if dst, ok := into[c.Column]; ok {
			*dst = usable(c)
		}
	}
	return p
}

// Archive lists the kept runs.
type Archive interface {
	Runs(ctx context.Context) ([]RunRow, error) // newest first
}

// Exporter is offered by an archive that can write a run out. Format is csv,
// json, html or parquet; html is written for the reader. A run that isn't there is
// ErrNoRun.
type Exporter interface {
	Export(ctx context.Context, w io.Writer, id, format string, to Reader) error
}

// Reader is who a page is written for.
type Reader struct {
	Lang  string // code of the language
	Voice say.Voice
}

// Historian is offered by an archive that keeps the changes of alarms.
type Historian interface {
	Alarms(ctx context.Context, limit int) ([]AlarmPast, error) // newest first
}

// AlarmPast is one change of an alarm.
type AlarmPast struct {
	When                          time.Time
	Run, ID, Word, Priority, Text string // Word: raised, cleared, acknowledged, shelved …
	By, Cause                     string
}

// ErrNoRun says the archive has no run of that id.
var ErrNoRun = errors.New("no such run")

// RunRow is one run of the list.
type RunRow struct {
	ID      string
	Zone    string
	Start   time.Time
	End     time.Time // zero: not ended
	Flush   string    // done, incomplete, unknown
	VolumeL *float64
	Dose    *engine.DoseView // nil: nothing was injected
	Observe bool             // readings only counted
}

// Options say how the pages present themselves.
type Options struct {
	Box     string         // the box's name
	Units   string         // "us" or "metric": display only
	Demo    bool           // the box is simulated
	Keeper  *access.Keeper // who may do what; nil: the pages are open to all who reach them
	Version string         // of boxd
	Hosts   []string       // further host names the box is reached by
	Planner Planner        // nil: there is no plan page
	// Calibrate takes a calibration's points as JSON, by a person, keeps the record
	// and corrects from then on; it says what was found. Nil: it isn't taken here.
	Calibrate func(ctx context.Context, points []byte, by string) (string, error)
	// Calibrations are the records in force, as a JSON array; it comes with Calibrate.
	Calibrations func() ([]byte, error)
	About        About   // what the box page says of the box itself
	Ruling       *Ruling // the configuration in force; nil: it is not shown
}

// About is what does not change while boxd runs.
type About struct {
	Started                                  time.Time
	Device, Place, Tester, LastTest, NextDue string                       // the backflow papers as declared; empty: not said
	Sources                                  map[string]string            // where a channel's samples come from, by column
	Zone                                     *time.Location               // times are shown in it; nil: UTC
	Calibrated                               func() map[string]Calibrated // by column; nil: nothing is known
	Raw                                      map[string]bool              // EC that boxd brings to 25 °C, by column
	Buses                                    func() []Bus                 // how the instruments' buses keep their beat now; nil: there are none
}

// Calibrated is how a channel was last calibrated.
type Calibrated struct {
	Text say.Text
	Due  time.Time // of the next one; zero: not known
}

// Bus is how one bus of instruments has kept its beat since the start.
type Bus struct {
	Name                         string
	Readings, Missed, Faults     uint64        // whole readings, beats without one, faulty samples
	MeanLate, MostLate, MostLong time.Duration // a reading's begin after its beat, and its end
}

// Bounds of the adapter. Fields of server carry those a test changes.
const (
	bodyLimit    = 8 << 10                // bytes of a posted form
	submitWait   = 5 * time.Second        // for the core's answer
	staleAfter   = 5 * time.Second        // an older view is not to be relied on
	streamLimit  = 256                    // watchers at once
	streamGate   = 180 * time.Millisecond // every other beat of the core, with room for an early one
	loopGate     = 80 * time.Millisecond  // ten a second pass, with room for a late one
	streamBeat   = 2 * time.Second
	streamWrite  = 5 * time.Second
	answersKept  = 256
	nameRunes    = 60
	noteRunes    = 300
	idLimit      = 64
	exportBudget = 2 * time.Minute
)

type server struct {
	core    Core
	arch    Archive
	opts    Options
	read    map[string]language // what the pages can be read in
	heard   heard
	answers answers
	replays replays
	streams chan struct{} // one token for each watcher

	workshop Workshop // the box is being set up: there is no core; else nil

	copies copies
	desk   desk
	apart  time.Duration // between two looks at an instrument that is to stand still

	gate, beat, write time.Duration // of a stream
}

// New makes the handler. A nil arch means there is no archive to list.
func New(core Core, arch Archive, opts Options) http.Handler {
	return newServer(core, arch, opts).handler()
}

func newServer(core Core, arch Archive, opts Options) *server {
	return &server{
		core:    core,
		arch:    arch,
		opts:    opts,
		read:    everyLanguage(),
		streams: make(chan struct{}, streamLimit),
		gate:    streamGate,
		beat:    streamBeat,
		write:   streamWrite,
		apart:   calibration.RestApart,
	}
}

func (s *server) handler() http.Handler {
	mux := http.NewServeMux()
	page := func(pattern string, need access.Role, h func(visit, http.ResponseWriter, *http.Request)) {
		mux.HandleFunc(pattern, s.guard(need, h))
	}
	page("GET /{$}", access.View, visit.runPage)
	page("POST /act", access.Operate, visit.act)
	page("POST /forecast", access.Operate, visit.forecast)
	page("GET /calibrate", access.Administer, visit.calibrations)
	page("POST /calibrate", access.Administer, visit.calibrate)
	s.calibrationPages(page)
	page("GET /valve", access.View, visit.valvePage)
	page("GET /alarms", access.View, visit.alarmsPage)
	page("GET /box", access.View, visit.boxPage)
	page("GET /runs", access.View, visit.runsPage)
	page("GET /season", access.View, visit.seasonPage)
	page("GET /runs/{file}", access.View, visit.runFile)
	page("GET /runs/{file}/traces", access.View, visit.traces)
	page("POST /runs/{file}/note", access.Operate, visit.note)
	page("GET /runs/{file}/whatif", access.View, visit.whatIfPage)
	page("POST /runs/{file}/whatif", access.Operate, visit.askWhatIf)
	page("GET /runs/{file}/whatif/state", access.View, visit.whatIfState)
	page("GET /plan", access.View, visit.planPage)
	page("GET /events", access.View, visit.events)
	page("GET /api/view", access.View, visit.apiView)
	page("GET /api/trace", access.View, visit.apiTrace)
	page("POST /shown", access.Nobody, visit.setShown)
	page("GET /manifest.webmanifest", access.Nobody, visit.manifest)
	page("GET /offline", access.Nobody, visit.offline)
	page("GET /help", access.Nobody, visit.helpPage)
	page("GET /help/{file...}", access.Nobody, visit.helpPage)
	mux.HandleFunc("GET /sw.js", s.worker)
	mux.HandleFunc("GET /healthz", s.healthz)
	mux.Handle("GET /static/", staticFiles())
	if s.opts.Keeper != nil {
		page("GET /sign-in", access.Nobody, visit.signInPage)
		page("POST /sign-in", access.Nobody, visit.signIn)
		page("POST /sign-out", access.Nobody, visit.signOut)
		page("GET /begin", access.Nobody, visit.beginPage)
		page("POST /begin", access.Nobody, visit.begin)
		page("GET /people", access.Administer, visit.peoplePage)
		page("POST /people", access.Administer, visit.changePeople)
	}
	if s.opts.Ruling != nil {
		page("GET /setup", access.Administer, visit.rulingPage)
		page("POST /setup", access.Administer, visit.setUpAgain)
	}
	return s.around(mux)
}

// around puts about the pages what all of them need.
func (s *server) around(mux http.Handler) http.Handler {
	cross := http.NewCrossOriginProtection()
	cross.SetDenyHandler(http.HandlerFunc(denyCross))
	inner := packed(cross.Handler(mux))
	if s.opts.Keeper != nil {
		inner = s.opts.Keeper.Handler(inner)
	}
	return headers(s.hosts(inner))
}

// packed compresses what goes out, for phones on a weak link. The stream is left
// as it is: it must not wait for a block to fill.
func packed(next http.Handler) http.Handler {
	zip := gzhttp.GzipHandler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/events" {
			next.ServeHTTP(w, r)
			return
		}
		zip(w, r)
	})
}

func denyCross(w http.ResponseWriter, _ *http.Request) {
	http.Error(w, "refused: this came from another site; answer on the box's own page", http.StatusForbidden)
}

// headers go with every answer. Referrer-Policy is same-origin, not
// no-referrer: the latter makes browsers send "Origin: null" with a form, and
// on plain http the origin is all there is to tell our own page by.
func headers(next http.Handler) http.Handler {
	const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
		"manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=()")
		h.Set("Cache-Control", "no-store")
		next.ServeHTTP(w, r)
	})
}

// hosts refuses requests under a name that isn't the box's: a page elsewhere
// whose name was rebound to the box's address would otherwise pass as ours.
func (s *server) hosts(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !s.ownHost(r.Host) {
			http.Error(w, "refused: the box isn't known by this host name; use its address, or add the name to the box's hosts",
				http.StatusMisdirectedRequest)
			return
		}
		next.ServeHTTP(w, r)
	})
}

func (s *server) ownHost(hostport string) bool {
	host := hostport
	if h, _, err := net.SplitHostPort(hostport); err == nil {
		host = h
	}
	host = strings.ToLower(strings.TrimSuffix(strings.Trim(host, "[]"), "."))
	if net.ParseIP(host) != nil || !strings.Contains(host, ".") {
		return true
	}
	for _, end := range []string{".local", ".lan", ".home.arpa", ".internal", ".localhost"} {
		if strings.HasSuffix(host, end) {
			return true
		}
	}
	for _, h := range s.opts.Hosts {
		if strings.EqualFold(h, host) {
			return true
		}
	}
	return false
}
