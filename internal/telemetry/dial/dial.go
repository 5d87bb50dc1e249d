// Package dial says how a client reaches an MQTT broker: by which address, as
// whom, over which certificates, and what to do when that fails. Whoever
// publishes and whoever reads use it alike; it does neither. No error of it holds
// a secret.
package dial

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"

	paho "github.com/eclipse/paho.mqtt.golang"

	"boxd/internal/telemetry"
)

// Broker is an MQTT broker as a client reaches it.
type Broker struct {
	URL  string // tcp://host:1883, ssl://host:8883, ws:// or wss://; no user or password in it
	User string

	PasswordFile string           // read at each connection, so that it can be changed while running
	Password     telemetry.Secret // in its place, of a broker in this program

	CAFile   string // PEM; empty: the system's authorities
	CertFile string // PEM, with KeyFile: the client's own certificate
	KeyFile  string

	Names Names
}

// Names are what the settings are called where they are given, so that an error
// can say which to look at.
type Names struct{ URL, User, Password, CA, Cert, Key string }

// Keys are the names in the configuration file.
func Keys() Names {
	return Names{URL: "mqtt.broker", User: "mqtt.user", Password: "mqtt.password_file", CA: "mqtt.ca_file", Cert: "mqtt.cert_file", Key: "mqtt.key_file"}
}

// Check finds every fault that can be seen without touching the network.
func (b Broker) Check() error {
	u, err := b.address()
	faults := []error{err}
	if b.PasswordFile != "" && b.Password != "" {
		faults = append(faults, fmt.Errorf("cannot use two passwords: one is given beside %s: keep the file", b.Names.Password))
	}
	if b.User == "" && (b.PasswordFile != "" || b.Password != "") {
		faults = append(faults, fmt.Errorf("cannot use a password without a user: set %s", b.Names.User))
	}
	if (b.CertFile == "") != (b.KeyFile == "") {
		faults = append(faults, fmt.Errorf("cannot use half a certificate: %s and %s go together: set both or neither", b.Names.Cert, b.Names.Key))
	}
	if err := errors.Join(faults...); err != nil {
		return err
	}
	if _, err = b.password(); err != nil {
		return err
	}
	_, err = b.secure(u)
	return err
}

// Options are those of a client that connects once, with its files as they are
// now.
func (b Broker) Options() (*paho.ClientOptions, error) {
	u, err := b.address()
	if err != nil {
		return nil, err
	}
	password, err := b.password()
	if err != nil {
		return nil, err
	}
	secure, err := b.secure(u)
	if err != nil {
		return nil, err
	}
	o := paho.NewClientOptions().AddBroker(u.String()).SetProtocolVersion(4).SetCleanSession(true)
	o.SetAutoReconnect(false).SetConnectRetry(false)
	if b.User != "" {
		o.SetUsername(b.User).SetPassword(string(password))
	}
	if secure != nil {
		o.SetTLSConfig(secure)
	}
	return o, nil
}

// Host is the broker's name and port; empty where the address can't be read.
func (b Broker) Host() string {
	u, err := b.address()
	if err != nil {
		return ""
	}
	return u.Host
}

// Clear says whether the password would cross a network readable by all.
func (b Broker) Clear() bool {
	u, err := b.address()
	if err != nil || b.User == "" || encrypted(u) {
		return false
	}
	ip := net.ParseIP(u.Hostname())
	return u.Hostname() != "localhost" && (ip == nil || !ip.IsLoopback())
}

// address never repeats the URL in an error: it can hold a password by mistake.
func (b Broker) address() (*url.URL, error) {
	u, err := url.Parse(b.URL)
	if err != nil || u.Host == "" {
		return nil, fmt.Errorf("cannot read %s: write it like tcp://broker.example:1883 or ssl://broker.example:8883", b.Names.URL)
	}
	if u.User != nil {
		return nil, fmt.Errorf("cannot use %s: the URL holds a user or password: move them to %s and %s", b.Names.URL, b.Names.User, b.Names.Password)
	}
	switch u.Scheme {
	case "mqtt":
		u.Scheme = "tcp"
	case "mqtts", "tls":
		u.Scheme = "ssl"
	case "tcp", "ssl", "ws", "wss":
	default:
		return nil, fmt.Errorf("cannot use %s: unknown scheme %q: use tcp, ssl, ws or wss", b.Names.URL, u.Scheme)
	}
	if port, ok := defaultPort(u.Scheme); ok && u.Port() == "" {
		u.Host = net.JoinHostPort(u.Hostname(), port)
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

func encrypted(u *url.URL) bool { return u.Scheme == "ssl" || u.Scheme == "wss" }

func (b Broker) password() (telemetry.Secret, error) {
	if b.PasswordFile == "" {
		return b.Password, nil
	}
	return telemetry.SecretFile(b.Names.Password, b.PasswordFile)
}

// secure is nil when the address does not ask for it.
func (b Broker) secure(u *url.URL) (*tls.Config, error) {
	if !encrypted(u) {
		return nil, nil
	}
	t := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: u.Hostname()}
	if b.CAFile != "" {
		pem, err := os.ReadFile(b.CAFile)
		if err != nil {
			return nil, fmt.Errorf("cannot read %s: %w", b.Names.CA, err)
		}
		t.RootCAs = x509.NewCertPool()
		if !t.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("cannot use %s %s: no PEM certificate in it", b.Names.CA, b.CAFile)
		}
	}
	if b.CertFile != "" {
		pair, err := tls.LoadX509KeyPair(b.CertFile, b.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("cannot use %s %s with %s %s: %w", b.Names.Cert, b.CertFile, b.Names.Key, b.KeyFile, err)
		}
		t.Certificates = []tls.Certificate{pair}
	}
	return t, nil
}
