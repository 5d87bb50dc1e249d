// Package broker is the MQTT broker inside boxd, for stations that have none:
// a phone app or a logger on the box itself can subscribe with nothing
// installed. It lets one client publish: boxd, by a password made anew at each
// start. Everybody on the loopback interface may subscribe; from elsewhere only
// with the reader's name and password, when one is given. It keeps retained
// values in memory only: boxd writes them again whenever it connects.
package broker

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"syscall"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"

	"boxd/internal/telemetry"
)

// Options of a broker. The zero value listens on a free loopback port.
type Options struct {
	Addr           string // host:port; port 0 takes a free one
	ReaderUser     string // who may subscribe from another machine; empty: nobody
	ReaderPassword telemetry.Secret
	Log            *slog.Logger // nil: silent
	Clients        int          // at a time; 0: as many as one box needs
}

// Bounds of one broker.
const (
	maxClients    = 64
	maxPacket     = 256 << 10 // bytes
	maxPending    = 1024      // messages waiting for one slow subscriber; more are dropped
	sessionKept   = 24 * 3600 // s, of a subscriber that asked to be remembered
	firstPacketIn = 10 * time.Second
	writeWithin   = 5 * time.Second
	leaveWithin   = 2 * time.Second
	closeWithin   = 5 * time.Second
	drainWithin   = time.Second // of what is on its way to the subscribers
	drainLook     = 10 * time.Millisecond
	sysEvery      = 60 // s, between the broker's figures of itself; the library's second is a quarter of what it takes
)

// publisherUser is boxd's own name at its own broker.
const publisherUser = "boxd"

// Broker is a running broker.
type Broker struct {
	server *mochi.Server
	listen *listener
	secret telemetry.Secret
}

// Start runs a broker on addr with no readers from other machines, and says
// where it listens.
func Start(addr string) (*Broker, string, error) {
	b, err := StartWith(Options{Addr: addr})
	if err != nil {
		return nil, "", err
	}
	return b, b.Addr(), nil
}

// StartWith runs a broker until Close.
func StartWith(o Options) (*Broker, error) {
	if o.Addr == "" {
		o.Addr = "127.0.0.1:0"
	}
	if (o.ReaderUser == "") != (o.ReaderPassword == "") {
		return nil, errors.New("cannot start the broker: a reader needs both a user and a password: set both or neither")
	}
	if o.Clients == 0 {
		o.Clients = maxClients
	}
	if o.ReaderUser == publisherUser {
		return nil, fmt.Errorf("cannot start the broker: the user %q is boxd's own: choose another name for the reader", publisherUser)
	}
	secret, err := newSecret()
	if err != nil {
		return nil, fmt.Errorf("cannot start the broker: no random numbers for its password: %w", err)
	}
	l, err := net.Listen("tcp", o.Addr)
	if err != nil {
		return nil, listenError(o.Addr, err)
	}
	// As many again may have come and not yet said who they are.
	b := &Broker{server: mochi.New(serverOptions(o)), listen: newListener(l, 2*o.Clients), secret: secret}
	if err := b.serve(o); err != nil {
		return nil, errors.Join(fmt.Errorf("cannot start the broker on %s: %w", o.Addr, err), b.Close())
	}
	return b, nil
}

func (b *Broker) serve(o Options) error {
	guard := &guard{server: b.server, secret: b.secret, reader: o.ReaderUser, readerSecret: o.ReaderPassword}
	if err := b.server.AddHook(guard, nil); err != nil {
		return err
	}
	if err := b.server.AddListener(b.listen); err != nil {
		return err
	}
	return b.server.Serve()
}

func serverOptions(o Options) *mochi.Options {
	log := o.Log
	if log == nil {
		log = slog.New(slog.NewTextHandler(io.Discard, nil))
	}
	c := mochi.NewDefaultServerCapabilities()
	c.MaximumClients = int64(o.Clients)
	c.MaximumPacketSize = maxPacket
	c.MaximumClientWritesPending = maxPending
	c.MaximumSessionExpiryInterval = sessionKept
	c.SharedSubAvailable = 0
	return &mochi.Options{Capabilities: c, Logger: quiet(log), SysTopicResendInterval: sysEvery}
}

// Addr is where the broker listens, with the port it got.
func (b *Broker) Addr() string { return b.listen.Addr().String() }

// URL is where a client on this machine connects.
func (b *Broker) URL() string {
	host, port, err := net.SplitHostPort(b.Addr())
	if err != nil {
		return "tcp://" + b.Addr()
	}
	if ip := net.ParseIP(host); ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	return "tcp://" + net.JoinHostPort(host, port)
}

// Credentials are the user and password that may publish. They live as long as
// this broker and are never written anywhere.
func (b *Broker) Credentials() (user string, password telemetry.Secret) {
	return publisherUser, b.secret
}

// Close hands over what was published last, ends every connection and frees the
// port. It takes at most six seconds; an error says that something did not end in
// that time.
func (b *Broker) Close() error {
	b.drain()
	done := make(chan error, 1)
	go func() { done <- b.server.Close() }()
	timer := time.NewTimer(closeWithin)
	defer timer.Stop()
	select {
	case err := <-done:
		return err
	case <-timer.C:
		return errors.New("cannot close the broker in time: the port is free, but a connection hangs")
	}
}

// drain waits until boxd's farewell has been taken in and acknowledged by every
// subscriber that acknowledges. The library drops what is still queued when it
// closes, and this is the message that says not to rely on the others.
func (b *Broker) drain() {
	look := time.NewTicker(drainLook)
	defer look.Stop()
	limit := time.NewTimer(drainWithin)
	defer limit.Stop()
	for b.busy() {
		select {
		case <-look.C:
		case <-limit.C:
			return
		}
	}
}

func (b *Broker) busy() bool {
	for _, c := range b.server.Clients.GetAll() {
		if !c.Closed() && (string(c.Properties.Username) == publisherUser || c.State.Inflight.Len() > 0) {
			return true
		}
	}
	return false
}

func newSecret() (telemetry.Secret, error) {
	b := make([]byte, 24)
	if _, err := rand.Read(b); err != nil {
		return "", err
	}
	return telemetry.Secret(hex.EncodeToString(b)), nil
}

func listenError(addr string, err error) error {
	hint := "check the address in mqtt.listen"
	switch {
	case errors.Is(err, syscall.EADDRINUSE):
		hint = "another program (perhaps a second boxd, or a broker already installed) has this port: stop it or set another port in mqtt.listen"
	case errors.Is(err, syscall.EACCES):
		hint = "ports below 1024 need a privilege: set a higher port in mqtt.listen"
	case errors.Is(err, syscall.EADDRNOTAVAIL):
		hint = "this machine has no such address: use 127.0.0.1, 0.0.0.0 or one of its own"
	}
	return fmt.Errorf("cannot start the broker on %s: %w: %s", addr, err, hint)
}
