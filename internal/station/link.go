package station

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
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"boxd/internal/telemetry"
)

// Broker says where the boxes publish and as whom the station reads.
type Broker struct {
	URL          string // tcp://host:1883, ssl://host:8883, ws:// or wss://
	User         string
	PasswordFile string // read at each connection
	CAFile       string // PEM; empty: the system's authorities
	CertFile     string // PEM, with KeyFile: the station's own certificate
	KeyFile      string
}

// Times of the link to the broker.
const (
	connectWithin = 20 * time.Second
	keepAlive     = 10 * time.Second
	pingWithin    = 5 * time.Second
	backoffMin    = time.Second
	backoffMax    = 30 * time.Second
	leaveQuiesce  = 100 // ms
)

// statuses tell of every box there is; the rest of a box is asked for when its
// status came, a few boxes at a time, so that what a broker keeps of a thousand
// boxes overflows no queue of its.
const (
	statuses = "boxd/+/status"
	atOnce   = 32 // boxes in one subscription
)

// filters are all a station reads of a box; nothing is read that it does not show.
func filters(box string) []string {
	return []string{"boxd/" + box + "/state", "boxd/" + box + "/estimate", "boxd/" + box + "/alarm/+"}
}

// Check finds what is wrong with the settings without touching the network.
func (b Broker) Check() error {
	_, err := b.options()
	return err
}

func (b Broker) options() (*paho.ClientOptions, error) {
	u, err := url.Parse(b.URL)
	if err != nil || u.Host == "" {
		return nil, errors.New("cannot read the broker's address: write it like tcp://broker.example:1883 or ssl://broker.example:8883")
	}
	if u.User != nil {
		return nil, errors.New("cannot use the broker's address: it holds a user or password: give them apart")
	}
	switch u.Scheme {
	case "mqtt":
		u.Scheme = "tcp"
	case "mqtts", "tls":
		u.Scheme = "ssl"
	case "tcp", "ssl", "ws", "wss":
	default:
		return nil, fmt.Errorf("cannot use the broker's address: unknown scheme %q: use tcp, ssl, ws or wss", u.Scheme)
	}
	if port := map[string]string{"tcp": "1883", "ssl": "8883"}[u.Scheme]; u.Port() == "" && port != "" {
		u.Host = net.JoinHostPort(u.Hostname(), port)
	}
	// A client id of the broker's making: two stations may watch the same boxes.
	o := paho.NewClientOptions().AddBroker(u.String()).SetClientID("")
	o.SetProtocolVersion(4).SetCleanSession(true).SetAutoReconnect(false).SetConnectRetry(false)
	o.SetKeepAlive(keepAlive).SetPingTimeout(pingWithin).SetConnectTimeout(connectWithin).SetWriteTimeout(pingWithin)
	if (b.PasswordFile != "") && b.User == "" {
		return nil, errors.New("cannot use the broker's password: there is no user: give both")
	}
	if b.User != "" {
		var secret telemetry.Secret
		if b.PasswordFile != "" {
			if secret, err = telemetry.SecretFile("the broker's password file", b.PasswordFile); err != nil {
				return nil, err
			}
		}
		o.SetUsername(b.User).SetPassword(string(secret))
	}
	secure, err := b.tls(u)
	if err == nil && secure != nil {
		o.SetTLSConfig(secure)
	}
	return o, err
}

func (b Broker) tls(u *url.URL) (*tls.Config, error) {
	if u.Scheme != "ssl" && u.Scheme != "wss" {
		return nil, nil
	}
	t := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: u.Hostname()}
	if b.CAFile != "" {
		pem, err := os.ReadFile(b.CAFile)
		if err != nil {
			return nil, fmt.Errorf("cannot read the broker's authority: %w", err)
		}
		t.RootCAs = x509.NewCertPool()
		if !t.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("cannot use %s: no PEM certificate in it", b.CAFile)
		}
	}
	if b.CertFile != "" || b.KeyFile != "" {
		pair, err := tls.LoadX509KeyPair(b.CertFile, b.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("cannot use %s with %s: %w", b.CertFile, b.KeyFile, err)
		}
		t.Certificates = []tls.Certificate{pair}
	}
	return t, nil
}

// Follow keeps the fleet told from the broker until ctx ends. It always comes
// back from a lost connection; meanwhile the fleet knows that the link is down.
func (b Broker) Follow(ctx context.Context, f *Fleet, log *slog.Logger) {
	wait := backoffMin
	for ctx.Err() == nil {
		began := time.Now()
		err := b.session(ctx, f)
		if ctx.Err() != nil {
			return
		}
		f.Link(err.Error())
		if time.Since(began) > backoffMax {
			wait = backoffMin
		}
		log.Warn("the broker can't be reached", "error", err, "retry_in", wait)
		t := time.NewTimer(wait)
		select {
		case <-ctx.Done():
			t.Stop()
		case <-t.C:
		}
		wait = min(2*wait, backoffMax)
	}
}

// session is one connection, from connect to loss.
func (b Broker) session(ctx context.Context, f *Fleet) error {
	o, err := b.options()
	if err != nil {
		return err
	}
	lost := make(chan error, 1)
	o.SetConnectionLostHandler(func(_ paho.Client, err error) { lost <- err })
	fresh := make(chan string, maxBoxes)
	seen := map[string]bool{} // the library calls back in order, on one goroutine
	hear := func(_ paho.Client, m paho.Message) {
		f.Hear(m.Topic(), m.Payload(), m.Retained(), time.Now())
		level := strings.Split(m.Topic(), "/")
		if len(level) == 3 && level[2] == "status" && !seen[level[1]] && len(seen) < maxBoxes {
			seen[level[1]] = true
			fresh <- level[1] // there is room for all
		}
	}
	// Not a handler for each filter: the library looks through all of them at each message.
	o.SetDefaultPublishHandler(hear)
	c := paho.NewClient(o)
	defer c.Disconnect(leaveQuiesce)
	if err := await(ctx, c.Connect()); err != nil {
		return fmt.Errorf("cannot connect to the broker at %s: %w: is it running, and are address, user and password right", o.Servers[0].Host, err)
	}
	// QoS 0 will do: what is kept comes again with the beat. With QoS 1 a broker may refuse a later
	// subscription whose number is that of a message still under way.
	if err := b.subscribe(ctx, c, map[string]byte{statuses: 0}); err != nil {
		return err
	}
	f.Link("")
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case err := <-lost:
			return fmt.Errorf("lost the connection to the broker: %w", err)
		case box := <-fresh:
			if err := b.subscribe(ctx, c, batch(box, fresh)); err != nil {
				return err
			}
		}
	}
}

// batch are the filters of a box and of others that wait.
func batch(box string, fresh <-chan string) map[string]byte {
	all := map[string]byte{}
	for n := 1; ; n++ {
		for _, filter := range filters(box) {
			all[filter] = 0
		}
		if n == atOnce {
			return all
		}
		select {
		case box = <-fresh:
		default:
			return all
		}
	}
}

func (b Broker) subscribe(ctx context.Context, c paho.Client, filters map[string]byte) error {
	t := c.SubscribeMultiple(filters, nil)
	if err := await(ctx, t); err != nil {
		return fmt.Errorf("cannot subscribe at the broker: %w: let user %q read boxd/#", err, b.User)
	}
	for filter, code := range t.(*paho.SubscribeToken).Result() {
		if code >= 0x80 { // MQTT 3.1.1, section 3.9.3
			return fmt.Errorf("the broker refuses %s: let user %q read boxd/#", filter, b.User)
		}
	}
	return nil
}

func await(ctx context.Context, t paho.Token) error {
	timer := time.NewTimer(connectWithin)
	defer timer.Stop()
	select {
	case <-t.Done():
		return t.Error()
	case <-ctx.Done():
		return ctx.Err()
	case <-timer.C:
		return fmt.Errorf("no answer within %s", connectWithin)
	}
}
