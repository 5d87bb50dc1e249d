// Package influx writes points to a time-series database that speaks the
// InfluxDB write API. It publishes only. It keeps no queue: the caller's archive
// does, and the same points sent again are the same rows there.
//
// It uses the client's blocking writes alone: its asynchronous ones lose what is
// waiting when the server is away.
package influx

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"os"
	"strings"
	"sync"
	"time"

	client "github.com/influxdata/influxdb-client-go/v2"
	"github.com/influxdata/influxdb-client-go/v2/api/http"
	"github.com/influxdata/influxdb-client-go/v2/api/write"

	"boxd/internal/telemetry"
)

// Config says where the points go.
type Config struct {
	URL       string
	Org       string // may be empty for version 1 servers
	Bucket    string // for version 1 servers: database/retention-policy
	TokenFile string // keep it readable by boxd only; for version 1 servers it holds user:password
	TokenEnv  string // name of an environment variable
	CAFile    string
	Timeout   time.Duration // of one call; 0: DefaultTimeout
}

// Bounds of a call.
const (
	DefaultTimeout = 20 * time.Second
	MaxPoints      = 1000
)

// Point is one row.
type Point struct {
	Measurement string
	Tags        map[string]string
	Fields      map[string]any // float64, int64, string, bool
	At          int64          // ns since 1970
}

// Line is the point in line protocol.
func (p Point) Line() string {
	q := write.NewPoint(p.Measurement, p.Tags, p.Fields, time.Unix(0, p.At))
	return strings.TrimSuffix(write.PointToLineProtocol(q.SortTags().SortFields(), time.Nanosecond), "\n")
}

// Refused is a point the database will never take, and its reason.
type Refused struct {
	Line string
	Why  string
}

// Source gives points in their order and takes back which are written.
type Source interface {
	// Next gives the points after those that are done, about max of them; the same ones until Done.
	Next(ctx context.Context, max int) ([]Point, error)
	// Done notes that the points Next gave last are written, but for the refused.
	Done(ctx context.Context, refused []Refused) error
}

// Writer writes to one bucket.
type Writer struct {
	cfg Config
	log *slog.Logger

	mu    sync.Mutex // Link is asked from anywhere
	err   error
	up    bool
	since time.Time // of the last refused point
	why   string    // it was refused
	count int       // refused in this life
}

// New checks what can be checked without the network.
func New(cfg Config, log *slog.Logger) (*Writer, error) {
	if cfg.Timeout == 0 {
		cfg.Timeout = DefaultTimeout
	}
	w := &Writer{cfg: cfg, log: log}
	token, err := cfg.token()
	if err != nil {
		return nil, err
	}
	if _, err := cfg.tls(); err != nil {
		return nil, err
	}
	if u, err := url.Parse(cfg.URL); err == nil && token != "" && u.Scheme == "http" && !loopback(u.Hostname()) {
		log.Warn("the database's token can be read on the way: use https in influx.url")
	}
	return w, nil
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// token is read anew for each connection, so that a new one needs no restart.
func (c Config) token() (telemetry.Secret, error) {
	switch {
	case c.TokenEnv != "":
		t := os.Getenv(c.TokenEnv)
		if t == "" {
			return "", fmt.Errorf("cannot read the database's token: the environment variable %s is empty: set it, or take influx.token_env out", c.TokenEnv)
		}
		return telemetry.Secret(t), nil
	case c.TokenFile == "":
		return "", nil
	}
	return telemetry.SecretFile("influx.token_file", c.TokenFile)
}

func (c Config) tls() (*tls.Config, error) {
	t := &tls.Config{MinVersion: tls.VersionTLS12}
	if c.CAFile == "" {
		return t, nil
	}
	pem, err := os.ReadFile(c.CAFile)
	if err != nil {
		return nil, fmt.Errorf("cannot read influx.ca_file: %w", err)
	}
	t.RootCAs = x509.NewCertPool()
	if !t.RootCAs.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("cannot use influx.ca_file %s: no PEM certificate in it", c.CAFile)
	}
	return t, nil
}

func (w *Writer) connect() (client.Client, error) {
	token, err := w.cfg.token()
	if err != nil {
		return nil, err
	}
	t, err := w.cfg.tls()
	if err != nil {
		return nil, err
	}
	o := client.DefaultOptions().SetUseGZip(true).SetPrecision(time.Nanosecond).SetLogLevel(0).SetTLSConfig(t).
		SetHTTPRequestTimeout(uint((w.cfg.Timeout + time.Second - 1) / time.Second))
	return client.NewClientWithOptions(w.cfg.URL, string(token), o), nil
}

const (
	lookEvery  = 5 * time.Second // a look costs a write of the archive when there is something
	retryFirst = 2 * time.Second
	retryMost  = time.Minute
)

// Run writes what src gives until ctx ends. After trouble it connects anew.
func (w *Writer) Run(ctx context.Context, src Source) {
	pause := retryFirst
	for ctx.Err() == nil {
		more, err := w.Turn(ctx, src)
		if err == nil && more {
			pause = retryFirst
			continue
		}
		wait := lookEvery
		if err != nil && ctx.Err() == nil {
			w.log.Warn("the station's database is waiting", "error", err)
			wait, pause = pause, min(2*pause, retryMost)
		}
		t := time.NewTimer(wait)
		select {
		case <-ctx.Done():
		case <-t.C:
		}
		t.Stop()
	}
}

// Turn writes one batch of src. It says whether there was anything.
func (w *Writer) Turn(ctx context.Context, src Source) (more bool, err error) {
	points, err := src.Next(ctx, MaxPoints)
	if err != nil || len(points) == 0 {
		return false, err
	}
	refused, err := w.Write(ctx, points)
	if err == nil {
		// What is written is noted even while stopping.
		err = src.Done(context.WithoutCancel(ctx), refused)
	}
	return err == nil, err
}

// Write writes the points, all but the refused. An error means that some or all
// are not written and all can be sent again.
func (w *Writer) Write(ctx context.Context, points []Point) (refused []Refused, err error) {
	defer func() { w.fared(ctx, refused, err) }()
	c, err := w.connect()
	if err != nil {
		return nil, err
	}
	defer c.Close()
	b := batch{w: w, client: c}
	for len(points) > 0 {
		n := min(len(points), MaxPoints)
		lines := make([]string, n)
		for i, p := range points[:n] {
			lines[i] = p.Line()
		}
		if err := b.write(ctx, lines); err != nil {
			return nil, err
		}
		points = points[n:]
	}
	return b.refused, nil
}

type batch struct {
	w       *Writer
	client  client.Client
	refused []Refused
}

// write halves what is too large or holds a bad point until the point is found:
// the others are written, some of them twice, which changes nothing there.
func (b *batch) write(ctx context.Context, lines []string) error {
	if len(lines) == 0 {
		return nil
	}
	within, cancel := context.WithTimeout(ctx, b.w.cfg.Timeout)
	err := b.client.WriteAPIBlocking(b.w.cfg.Org, b.w.cfg.Bucket).WriteRecord(within, lines...)
	cancel()
	if err == nil {
		return nil
	}
	var status *http.Error
	if !errors.As(err, &status) || !splits(status.StatusCode) {
		return b.w.explain(err)
	}
	if len(lines) == 1 {
		b.refused = append(b.refused, Refused{lines[0], b.w.clean(err)})
		return nil
	}
	half := len(lines) / 2
	if err := b.write(ctx, lines[:half]); err != nil {
		return err
	}
	return b.write(ctx, lines[half:])
}

// splits says whether a part of the points may fare better: bad request, too
// large, cannot be processed (a point before the retention period).
func splits(status int) bool { return status == 400 || status == 413 || status == 422 }

// maxWhy bounds what is repeated of a server's words.
const maxWhy = 200

// clean is the error's text without the token, should a server repeat it.
func (w *Writer) clean(err error) string {
	text := strings.Join(strings.Fields(err.Error()), " ")
	if token, _ := w.cfg.token(); token != "" {
		text = strings.ReplaceAll(text, string(token), "<secret>")
	}
	if len(text) > maxWhy {
		text = strings.ToValidUTF8(text[:maxWhy], "") + "…"
	}
	return text
}

// explain says what to do about an error.
func (w *Writer) explain(err error) error {
	why := w.clean(err)
	var status *http.Error
	if !errors.As(err, &status) || status.StatusCode == 0 {
		hint := "check the network and influx.url"
		var unknown x509.UnknownAuthorityError
		var name x509.HostnameError
		switch {
		case errors.As(err, &unknown):
			hint = "its certificate is signed by nobody known here: name the signer's certificate in influx.ca_file"
		case errors.As(err, &name):
			hint = "its certificate is for another name: write that name in influx.url"
		}
		return fmt.Errorf("cannot reach the station's database: %s: %s", why, hint)
	}
	hint := "see to the server; what waits is kept"
	switch code := status.StatusCode; {
	case code == 401:
		hint = "check the token in influx.token_file (user:password for a version 1 server)"
	case code == 403:
		hint = fmt.Sprintf("the token may not write: give it leave to write to bucket %q", w.cfg.Bucket)
	case code == 404:
		hint = fmt.Sprintf("there is no bucket %q or organisation %q: make them, or correct influx.bucket and influx.org", w.cfg.Bucket, w.cfg.Org)
	case code == 429 || code == 503:
		hint = "it is busy: it is tried again"
	case code >= 500:
		hint = "see to the server, and for a version 1 server check the retention policy in influx.bucket; what waits is kept"
	}
	return fmt.Errorf("cannot write to the station's database: it answered %d, %s: %s", status.StatusCode, why, hint)
}

// Link is how the database fares.
type Link struct {
	Up  bool // the last write went well
	Err error
}

// refusedStands is how long a refused point is shown as a trouble.
const refusedStands = time.Hour

// Link is how the last write fared. Points refused within the hour are a
// trouble, too: somebody has to look.
func (w *Writer) Link() Link {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.err == nil && w.count > 0 && time.Since(w.since) < refusedStands {
		return Link{true, fmt.Errorf("the station's database refused %d points (%s): they are kept in the archive's folder, look there", w.count, w.why)}
	}
	return Link{w.up, w.err}
}

func (w *Writer) fared(ctx context.Context, refused []Refused, err error) {
	if ctx.Err() != nil {
		return
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.err, w.up = err, err == nil
	if len(refused) > 0 {
		w.since, w.why = time.Now(), refused[0].Why
		w.count += len(refused)
	}
}
