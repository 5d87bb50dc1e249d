package main

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"time"

	"boxd/config"
	"boxd/internal/access"
	"boxd/internal/calibration"
	"boxd/internal/daemon"
	"boxd/internal/engine"
	"boxd/internal/journal"
	"boxd/internal/safety"
	"boxd/internal/say"
	"boxd/internal/sensors/hwio"
	"boxd/internal/telemetry"
	"boxd/internal/telemetry/broker"
	"boxd/internal/telemetry/influx"
	"boxd/internal/telemetry/mqtt"
	"boxd/internal/web"
)

// service is what runs around the core: archive, broker, publisher, alerts,
// pages. It starts in that order and stops in reverse.
type service struct {
	cfg    *config.Config
	text   string // the configuration as read, kept with each run
	core   engine.Config
	source daemon.Source
	beat   time.Duration
	idle   time.Duration // see daemon.Options
	speed  float64
	data   string
	listen string
	wander bool // take another port when the one asked for is taken
	demo   bool
	tell   func(format string, args ...any)
	log    *slog.Logger

	before func(ctx context.Context, j *journal.Journal) error // before the core looks into the archive
	after  func(ctx context.Context, d *daemon.Daemon)         // runs beside the core, for the demo's person
	wrap   func(web.Core) web.Core

	calibrating  sync.Mutex           // over calibrations and what corrects by them
	calibrations []calibration.Record // in force

	standIn string // why the archive is one in memory; empty: it is the real one

	board *board // nil where it is nobody's business, as in a simulation

	hold   *hold       // of the page's address; nil: it is opened and closed
	ruling *web.Ruling // which file rules, for the page
	began  func()      // called when all is up; nil: nobody asks

	publisher *mqtt.Publisher // nil where nothing is published
	database  *influx.Writer  // nil where there is none

	stop []func()
	wg   sync.WaitGroup
}

// What the start took, such as templates, the configuration and the archive's check,
// goes back to the kernel then: a small board has other uses for it.
const settleAfter = 10 * time.Second

// maxWatchers is room for all that the page lets in, and for the senders.
const maxWatchers = 256 + 32

func (s *service) run(ctx context.Context) (err error) {
	defer func() {
		for i := len(s.stop) - 1; i >= 0; i-- {
			s.stop[i]()
		}
	}()
	j, err := s.archive()
	if err != nil {
		return err
	}
	s.stop = append(s.stop, func() { err = errors.Join(err, s.shut(j)) })
	if err := s.prepare(ctx, j); err != nil {
		return err
	}
	hub, unsaved := telemetry.NewHub(maxWatchers), new(daemon.Unsaved)
	over, err := newSupervisor()
	if err != nil {
		return err
	}
	a := s.cfg.Archive
	upkeep := &daemon.Upkeep{Journal: j, Hub: hub, Log: s.log,
		Keep: daemon.Keep{ThinAfter: a.ThinAfter, Runs: a.KeepRuns, Undelivered: a.KeepUndelivered, Most: int64(a.Most) * 1e6}}
	d, err := daemon.New(ctx, daemon.Options{Core: s.core, ConfigText: s.redacted(), Version: version(), Journal: j, Source: s.source,
		Hub: hub, Log: s.log, Beat: s.beat, Idle: s.idle, Speed: s.speed, Start: time.Now(), Link: s.link, Unsaved: unsaved, StandIn: s.standIn, Board: s.vitals(upkeep), Trouble: upkeep.Trouble, Alive: over.alive})
	if err != nil {
		return err
	}
	link, err := s.broker()
	if err != nil {
		return err
	}
	// The publisher says offline on its way out, so the broker goes after it.
	side, cancel := context.WithCancel(context.WithoutCancel(ctx))
	s.stop = append(s.stop, func() { cancel(); s.wg.Wait() })
	if err := s.senders(side, link, j, tellers{hub, unsaved}); err != nil {
		return err
	}
	if err := s.pages(side, d, j); err != nil {
		return err
	}
	if s.standIn == "" {
		s.tell("archive    %s", archiveFile(s.data))
	}
	if s.after != nil {
		s.wg.Go(func() { s.after(side, d) })
	}
	s.board.run(side, s, d, j)
	if s.standIn == "" { // last: the outboxes are open
		upkeep.Full = d.Full
		s.wg.Go(func() { upkeep.Run(side) })
	}
	over.ready()
	settled := time.AfterFunc(settleAfter, settle)
	defer settled.Stop()
	if s.began != nil {
		s.began()
	}
	defer func() {
		if !errors.Is(context.Cause(ctx), errAgain) { // the guide goes on in this process
			over.stopping()
		}
	}()
	return d.Run(ctx)
}

// prepare is what comes before the core looks into the archive.
func (s *service) prepare(ctx context.Context, j *journal.Journal) error {
	if s.before != nil {
		if err := s.before(ctx, j); err != nil {
			return err
		}
	}
	if err := s.correct(ctx, j); err != nil {
		return err
	}
	s.board.recall(ctx, s, j)
	return nil
}

func (s *service) shut(j *journal.Journal) error {
	if s.standIn != "" {
		return j.Discard()
	}
	return j.Close()
}

// tellers are what senders listen to beside the archive.
type tellers struct {
	hub     *telemetry.Hub
	unsaved *daemon.Unsaved
}

// senders starts whatever tells the world.
func (s *service) senders(ctx context.Context, link mqtt.Config, j *journal.Journal, t tellers) error {
	if err := s.publish(ctx, link, j, t.hub); err != nil {
		return err
	}
	if err := s.station(ctx, j); err != nil {
		return err
	}
	if err := s.alerts(ctx, j, t.hub, t.unsaved); err != nil {
		return err
	}
	if s.demo {
		return s.terminal(ctx, j, t.hub)
	}
	return nil
}

// archive opens the archive. Where a full, failing or damaged one can't be used, a
// box that must go on advising has one in memory instead, and why not is said:
// here, and by an alarm for as long as it lasts.
func (s *service) archive() (j *journal.Journal, err error) {
	err = os.MkdirAll(s.data, 0o750)
	if err == nil {
		var unlock func()
		if unlock, err = lock(s.data); err == nil {
			s.stop = append(s.stop, unlock)
			j, err = journal.Open(archiveFile(s.data))
		}
	}
	if err == nil || !journal.StandInFor(err) {
		return j, err
	}
	s.log.Error("cannot use the archive: what happens is kept in memory and lost at the end", "error", err)
	s.tell("archive    NONE: %v", err)
	j, other := journal.OpenStandIn(time.Now())
	if other != nil {
		return nil, other
	}
	s.standIn = "kept in memory and lost without power: " + err.Error() + s.salvage(j)
	return j, nil
}

// salvage brings the calibrations in force of an archive that can't be used into
// its stand-in. Where they can't be had, it says so for whoever reads the alarm.
func (s *service) salvage(j *journal.Journal) string {
	if _, ok := s.source.(*hwio.Source); !ok {
		return ""
	}
	ctx := context.Background()
	list, err := journal.Salvaged(ctx, archiveFile(s.data))
	if err == nil {
		err = j.Commit(ctx, journal.Batch{Calibrations: list})
	}
	if err == nil {
		return ""
	}
	s.log.Error("cannot read the calibrations in the archive: readings are as the instruments give them", "error", err)
	return "; NOT CALIBRATED: the calibrations in it can't be read either, and readings are as the instruments give them"
}

// lock keeps a second boxd out of the same folder. The kernel lets go of it
// when the process ends, however it ends.
func lock(dir string) (func(), error) {
	f, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_CREATE|os.O_RDWR, 0o644)
	if err != nil {
		return nil, fmt.Errorf("cannot write to the archive's folder: %w; choose another with -data", err)
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		_ = f.Close()
		return nil, fmt.Errorf("another boxd is using the archive in %s; stop it or choose another folder with -data", dir)
	}
	return func() { _ = f.Close() }, nil
}

// redacted is the configuration as it is kept with a run: exports show it.
func (s *service) redacted() string {
	text := s.text
	for _, a := range s.cfg.Alerts {
		if a.URL != "" {
			text = strings.ReplaceAll(text, string(a.URL), a.URL.String())
		}
	}
	return text
}

// broker starts the embedded broker, if that is the one, and says how the
// publisher reaches the broker. An empty URL means that nothing is published.
func (s *service) broker() (mqtt.Config, error) {
	m := s.cfg.MQTT
	c := mqtt.Config{Box: s.core.Box, URL: m.Broker, User: m.User, PasswordFile: m.PasswordFile, CAFile: m.CAFile, CertFile: m.CertFile, KeyFile: m.KeyFile, ClientID: m.ClientID, NoReadBack: m.NoReadBack, Page: publicPage(s.cfg)}
	for _, d := range safety.Definitions() {
		c.Alarms = append(c.Alarms, d.ID)
	}
	if m.Broker != "embedded" {
		return c, nil
	}
	o := broker.Options{Addr: m.Listen, ReaderUser: m.Reader, Log: s.log}
	if m.Reader != "" {
		var err error
		if o.ReaderPassword, err = telemetry.SecretFile("mqtt.reader_password_file", m.ReaderFile); err != nil {
			return c, err
		}
	}
	b, err := broker.StartWith(o)
	if err != nil && s.wander {
		o.Addr = "127.0.0.1:0"
		b, err = broker.StartWith(o)
		if err == nil {
			s.tell("%s is taken by another program: the broker took another port", m.Listen)
		}
	}
	if err != nil {
		return c, err
	}
	s.stop = append(s.stop, func() { _ = b.Close() })
	c.URL = b.URL()
	c.User, c.Password = b.Credentials()
	return c, nil
}

// publish starts the publisher.
func (s *service) publish(ctx context.Context, c mqtt.Config, j *journal.Journal, hub *telemetry.Hub) error {
	if c.URL == "" {
		return nil
	}
	p, err := mqtt.New(c, s.log)
	if err != nil {
		return err
	}
	s.publisher = p
	out, err := j.Outbox(ctx, "mqtt")
	if err != nil {
		return err
	}
	s.tell("MQTT       %s   topics boxd/%s/#", c.URL, telemetry.TopicLevel(s.core.Box))
	s.wg.Go(func() { p.Run(ctx, hub, daemon.Events{Box: s.core.Box, Keep: out}) })
	return nil
}

// about is what the box page says of the box itself.
func (s *service) about() web.About {
	b := s.cfg.Backflow
	day := func(t time.Time) string {
		if t.IsZero() {
			return ""
		}
		return t.Format(time.DateOnly)
	}
	sources, raw := map[string]string{}, map[string]bool{}
	for _, x := range s.cfg.Sensors {
		sources[x.Channel.Info().Column], raw[x.Channel.Info().Column] = x.Wiring.String(), x.Wiring.Raw
	}
	a := web.About{Started: time.Now(), Sources: sources, Raw: raw, Calibrated: s.calibrated, Zone: s.cfg.Box.Timezone, Device: b.Device, Place: b.Place, Tester: b.Tester, LastTest: day(b.LastTest), NextDue: day(b.NextDue)}
	if h, ok := s.source.(*hwio.Source); ok {
		a.Buses = func() (out []web.Bus) {
			for _, v := range h.Stats() {
				out = append(out, web.Bus{Name: v.Bus, Readings: v.Readings, Missed: v.Missed, Faults: v.Faults, MeanLate: v.MeanLate, MostLate: v.MostLate, MostLong: v.MostLong})
			}
			return out
		}
	}
	return a
}

// calibrated is how the channels were last calibrated: by the archive's record,
// else by the configuration.
func (s *service) calibrated() map[string]web.Calibrated {
	out := map[string]web.Calibrated{}
	for _, x := range s.cfg.Sensors {
		out[x.Channel.Info().Column] = web.Calibrated{Text: say.Verbatim(date(x.Calibrated))}
	}
	s.calibrating.Lock()
	defer s.calibrating.Unlock()
	for i := range s.calibrations {
		r := &s.calibrations[i]
		out[r.Channel] = web.Calibrated{Text: say.T("%s by %s: %v; next due %s", date(r.Wall), r.By, r.Said(), date(r.Next)), Due: r.Next}
	}
	return out
}

// secure is how the page is kept from listeners, nil where it isn't.
func (s *service) secure() (*tls.Config, error) {
	w := s.cfg.Web
	host, _, _ := net.SplitHostPort(s.listen)
	alone := host == "localhost" || net.ParseIP(host).IsLoopback()
	switch {
	case w.TLS == config.TLSFiles:
		return access.FromFiles(w.CertFile, w.KeyFile)
	case w.TLS == config.TLSSelfMade, w.TLS == config.TLSUnsaid && !alone && !s.demo:
		return access.SelfMade(s.data, append(access.OwnNames(), w.Hosts...), certificateMade(s.log))
	}
	return nil, nil
}

// certificateMade says that the page's certificate was made anew under way.
func certificateMade(log *slog.Logger) func(string, error) {
	return func(fingerprint string, err error) {
		if err != nil {
			log.Error("the page's certificate does not fit the clock and can't be made anew", "error", err)
			return
		}
		log.Warn("the page's certificate was made anew, by the clock: browsers warn of it once", "sha256", fingerprint)
	}
}

// keeper stands at the page's door; nil: it is open.
func (s *service) keeper(secure bool) (*access.Keeper, error) {
	if s.demo || s.cfg.Web.Open {
		return nil, nil
	}
	book, err := access.OpenBook(s.data)
	if err != nil {
		return nil, err
	}
	if code := book.Code(); code != "" {
		s.tell("first start: nobody has an account yet. Make the first on the page, with the code %s", code)
	}
	return access.NewKeeper(s.data, book, s.cfg.Web.OpenView, secure)
}

// listener is where the page is served.
func (s *service) listener() (net.Listener, error) {
	ln, err := s.hold.listen(s.listen)
	if errors.Is(err, syscall.EADDRINUSE) && s.wander {
		host, _, _ := net.SplitHostPort(s.listen)
		s.tell("%s is taken by another program: the page took another port", s.listen)
		ln, err = net.Listen("tcp", net.JoinHostPort(host, "0"))
	}
	if errors.Is(err, syscall.EADDRINUSE) {
		return nil, fmt.Errorf("cannot serve the page: %s is taken by another program; stop it or choose another address", s.listen)
	}
	if err != nil {
		return nil, fmt.Errorf("cannot serve the page: %w; choose another address", err)
	}
	return ln, nil
}

// pages serves the web page.
func (s *service) pages(ctx context.Context, d *daemon.Daemon, j *journal.Journal) error {
	var core web.Core = d
	if s.wrap != nil {
		core = s.wrap(d)
	}
	opts := web.Options{Box: s.core.Box, Units: s.core.Units.String(), Demo: s.demo, Version: version(), Planner: planner(s.cfg), Hosts: s.cfg.Web.Hosts, About: s.about(), Ruling: s.ruling}
	if _, ok := s.source.(*hwio.Source); ok {
		opts.Calibrate, opts.Calibrations = s.taker(j), s.inUse
	}
	return s.serve(ctx, func(k *access.Keeper) http.Handler {
		opts.Keeper = k
		return web.New(core, archive{j}, opts)
	})
}

// serve serves pages behind the door that the configuration asks for.
func (s *service) serve(ctx context.Context, pages func(*access.Keeper) http.Handler) error {
	ln, err := s.listener()
	if err != nil {
		return err
	}
	scheme, ln := "http", web.Bounded(ln)
	if secure, err := s.secure(); err != nil {
		return errors.Join(err, ln.Close())
	} else if secure != nil {
		scheme, ln = "https", tls.NewListener(ln, secure)
		s.tell("page's certificate, SHA-256 %s", access.Fingerprint(secure))
	}
	keeper, err := s.keeper(scheme == "https")
	if err != nil {
		return errors.Join(err, ln.Close())
	}
	srv := web.NewServer(pages(keeper))
	srv.BaseContext = func(net.Listener) context.Context { return ctx }
	s.tell("page       %s://%s/", scheme, ln.Addr())
	s.wg.Go(func() {
		if err := srv.Serve(ln); !errors.Is(err, http.ErrServerClosed) {
			s.log.Error("the page's server stopped", "error", err)
		}
	})
	s.stop = append(s.stop, func() {
		end, done := context.WithTimeout(context.Background(), 2*time.Second)
		defer done()
		if srv.Shutdown(end) != nil {
			_ = srv.Close()
		}
	})
	return nil
}
