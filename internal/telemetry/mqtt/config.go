package mqtt

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"time"

	"boxd/internal/telemetry"
)

// Config says where to publish and as whom.
type Config struct {
	Box      string
	URL      string // tcp://host:1883, ssl://host:8883, ws:// or wss://; no user or password in it
	ClientID string // empty: boxd-<box>
	User     string

	PasswordFile string           // read at each connection, so that it can be changed while running
	Password     telemetry.Secret // of the embedded broker; a file in its place for any other

	CAFile   string // PEM; empty: the system's authorities
	CertFile string // PEM, with KeyFile: the client's own certificate
	KeyFile  string

	// Alarms are the ids of all alarms there are, so that one that is over is
	// written as normal even if it stood in an earlier life of the daemon.
	Alarms []string
	// NoReadBack skips reading the status back at the start of each session.
	// A broker acknowledges what its access list then throws away; reading
	// back is the only way to notice. Skip it only for an account that may
	// not subscribe.
	NoReadBack bool
	// Silence is how long the core may be silent before the status says
	// stopped. 0: ten seconds.
	Silence time.Duration
}

// defaultSilence: the core turns several times a second; ten seconds without a
// view is no hiccup.
const defaultSilence = 10 * time.Second

// check finds every fault of the config, so that all can be mended at once.
func (c Config) check() (*url.URL, error) {
	var faults []error
	u, err := brokerURL(c.URL)
	if err != nil {
		faults = append(faults, err)
	}
	if c.Box == "" {
		faults = append(faults, errors.New("cannot publish: the box has no name: set box.name"))
	}
	if c.PasswordFile != "" && c.Password != "" {
		faults = append(faults, errors.New("cannot publish: a password and mqtt.password_file are both given: keep the file"))
	}
	if c.User == "" && (c.PasswordFile != "" || c.Password != "") {
		faults = append(faults, errors.New("cannot publish: a password without a user: set mqtt.user"))
	}
	if (c.CertFile == "") != (c.KeyFile == "") {
		faults = append(faults, errors.New("cannot publish: mqtt.cert_file and mqtt.key_file go together: set both or neither"))
	}
	return u, errors.Join(faults...)
}

// brokerURL never repeats the URL in an error: it can hold a password by mistake.
func brokerURL(raw string) (*url.URL, error) {
	u, err := url.Parse(raw)
	if err != nil || u.Host == "" {
		return nil, errors.New("cannot read mqtt.broker: write it like tcp://broker.example:1883 or ssl://broker.example:8883")
	}
	if u.User != nil {
		return nil, errors.New("cannot use mqtt.broker: the URL holds a user or password: move them to mqtt.user and mqtt.password_file")
	}
	switch u.Scheme {
	case "mqtt":
		u.Scheme = "tcp"
	case "mqtts", "tls":
		u.Scheme = "ssl"
	case "tcp", "ssl", "ws", "wss":
	default:
		return nil, fmt.Errorf("cannot use mqtt.broker: unknown scheme %q: use tcp, ssl, ws or wss", u.Scheme)
	}
	if u.Port() == "" {
		if port, ok := defaultPort(u.Scheme); ok {
			u.Host = net.JoinHostPort(u.Hostname(), port)
		}
	}
	return u, nil
}

func defaultPort(scheme string) (string, bool) {
	switch scheme {
	case "tcp":
		return "1883", true
	case "ssl":
		return "8883", true
	}
	return "", false
}

// password is read anew for each session.
func (c Config) password() (telemetry.Secret, error) {
	if c.PasswordFile == "" {
		return c.Password, nil
	}
	return telemetry.SecretFile("mqtt.password_file", c.PasswordFile)
}

// tls is nil when neither the URL nor a file asks for it.
func (c Config) tls(u *url.URL) (*tls.Config, error) {
	if u.Scheme != "ssl" && u.Scheme != "wss" {
		return nil, nil
	}
	t := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: u.Hostname()}
	if c.CAFile != "" {
		pem, err := os.ReadFile(c.CAFile)
		if err != nil {
			return nil, fmt.Errorf("cannot read mqtt.ca_file: %w", err)
		}
		t.RootCAs = x509.NewCertPool()
		if !t.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("cannot use mqtt.ca_file %s: no PEM certificate in it", c.CAFile)
		}
	}
	if c.CertFile != "" {
		pair, err := tls.LoadX509KeyPair(c.CertFile, c.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("cannot use mqtt.cert_file %s with mqtt.key_file %s: %w", c.CertFile, c.KeyFile, err)
		}
		t.Certificates = []tls.Certificate{pair}
	}
	return t, nil
}

// clear says whether the password would cross a network readable by all.
func (c Config) clear(u *url.URL) bool {
	if c.User == "" || u.Scheme == "ssl" || u.Scheme == "wss" {
		return false
	}
	ip := net.ParseIP(u.Hostname())
	return u.Hostname() != "localhost" && (ip == nil || !ip.IsLoopback())
}
