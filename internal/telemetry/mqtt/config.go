package mqtt

import (
	"errors"
	"time"

	"boxd/internal/telemetry"
	"boxd/internal/telemetry/dial"
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

	Page string // address of the box's own page, said with its status; may be empty

	// Alarms are the ids of all alarms there are, so that one that is over is
	// written as normal even if it stood in an earlier life of the daemon.
	Alarms []string
	// NoReadBack skips reading the status back at the start of each session.
	// A broker acknowledges what its access list then throws away; reading
	// back is the only way to notice. Skip it only for an account that may
	// not subscribe.
	NoReadBack bool
	// Silence is how long the core may be silent before the status says
	// stopped. 0: five seconds.
	Silence time.Duration
}

// defaultSilence: the core turns once a second at least; five seconds without a
// view are no hiccup, and within ten everybody has to know. The pages and the
// phones go by the same.
const defaultSilence = 5 * time.Second

// broker is how this config reaches it.
func (c Config) broker() dial.Broker {
	return dial.Broker{URL: c.URL, User: c.User, PasswordFile: c.PasswordFile, Password: c.Password,
		CAFile: c.CAFile, CertFile: c.CertFile, KeyFile: c.KeyFile, Names: dial.Keys()}
}

// check finds every fault of the config, so that all can be mended at once.
func (c Config) check() error {
	err := c.broker().Check()
	if c.Box == "" {
		return errors.Join(errors.New("cannot publish: the box has no name: set box.name"), err)
	}
	return err
}
