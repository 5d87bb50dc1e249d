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
	"time"

	"boxd/config"
	"boxd/internal/access"
	"boxd/internal/station"
	"boxd/internal/telemetry"
	"boxd/internal/telemetry/dial"
	"boxd/internal/web"
)

// stationFlags are how a station is called.
type stationFlags struct {
	broker   dial.Broker
	config   string
	listen   string
	password string
	data     string
	plain    bool
	terminal bool
}

func runStation(a *app, args []string) error {
	f := a.flags("station")
	o := stationFlags{broker: dial.Broker{Names: dial.Names{URL: "-broker", User: "-user", Password: "-password-file", CA: "-ca-file", Cert: "-cert-file", Key: "-key-file"}}}
	f.StringVar(&o.config, "config", "", "configuration `FILE` whose mqtt section says which broker; the flags go before it")
	f.StringVar(&o.broker.URL, "broker", "", "`URL` of the broker, as tcp://127.0.0.1:1883 or ssl://broker.example:8883")
	f.StringVar(&o.broker.User, "user", "", "`NAME` at the broker")
	f.StringVar(&o.broker.PasswordFile, "password-file", "", "`FILE` with the password at the broker")
	f.StringVar(&o.broker.CAFile, "ca-file", "", "`FILE` with the authority that signed the broker's certificate")
	f.StringVar(&o.broker.CertFile, "cert-file", "", "`FILE` with the station's own certificate for the broker")
	f.StringVar(&o.broker.KeyFile, "key-file", "", "`FILE` with its key")
	f.StringVar(&o.listen, "listen", "127.0.0.1:8090", "`ADDR` of the page; other than this machine's own needs -page-password-file")
	f.StringVar(&o.password, "page-password-file", "", "`FILE` with the password that the page asks for")
	f.StringVar(&o.data, "data", "boxd-station", "`DIR` of the page's self-made certificate")
	f.BoolVar(&o.plain, "plain-http", false, "no TLS, where something in front of the page does it")
	f.BoolVar(&o.terminal, "terminal", false, "show it on this terminal instead of a page")
	if err := a.parse(f, args, 0); err != nil {
		return err
	}
	if err := o.fromConfig(); err != nil {
		return err
	}
	if o.broker.URL == "" {
		return a.usage(f, "say which broker: -broker URL or -config FILE")
	}
	if err := o.broker.Check(); err != nil {
		return err
	}
	fleet := station.NewFleet()
	ctx, cancel := context.WithCancel(a.ctx)
	defer cancel()
	if o.terminal {
		go station.Follow(ctx, o.broker, fleet, slog.New(slog.DiscardHandler)) // it says so on the screen
		return station.Terminal(ctx, fleet)
	}
	go station.Follow(ctx, o.broker, fleet, slog.New(slog.NewTextHandler(a.err, nil)))
	return a.servePage(ctx, fleet, o)
}

// fromConfig fills in what no flag said.
func (o *stationFlags) fromConfig() error {
	if o.config == "" {
		return nil
	}
	cfg, err := config.Load(o.config)
	if err != nil {
		return err
	}
	m := cfg.MQTT
	b := dial.Broker{URL: m.Broker, User: m.User, PasswordFile: m.PasswordFile, CAFile: m.CAFile, CertFile: m.CertFile, KeyFile: m.KeyFile, Names: dial.Keys()}
	if m.Broker == "embedded" {
		b = dial.Broker{URL: "tcp://" + m.Listen, User: m.Reader, PasswordFile: m.ReaderFile,
			Names: dial.Names{URL: "mqtt.listen", User: "mqtt.reader", Password: "mqtt.reader_password_file"}}
	}
	to, names := &o.broker, &o.broker.Names
	for _, x := range []struct {
		to, name  *string
		from, key string
	}{
		{&to.URL, &names.URL, b.URL, b.Names.URL}, {&to.User, &names.User, b.User, b.Names.User}, {&to.PasswordFile, &names.Password, b.PasswordFile, b.Names.Password},
		{&to.CAFile, &names.CA, b.CAFile, b.Names.CA}, {&to.CertFile, &names.Cert, b.CertFile, b.Names.Cert}, {&to.KeyFile, &names.Key, b.KeyFile, b.Names.Key},
	} {
		if *x.to == "" && x.from != "" {
			*x.to, *x.name = x.from, x.key
		}
	}
	return nil
}

// door is who may look, and how the page is kept from listeners; nil: it isn't.
func (o stationFlags) door(log *slog.Logger) (station.Door, *tls.Config, error) {
	alone := station.Alone(o.listen)
	var d station.Door
	if o.password == "" {
		if !alone {
			return d, nil, fmt.Errorf("cannot serve the page on %s without a password: give -page-password-file, or listen on 127.0.0.1", o.listen)
		}
		return d, nil, nil
	}
	secret, err := telemetry.SecretFile("-page-password-file", o.password)
	if err != nil {
		return d, nil, err
	}
	if len(string(secret)) < station.MinPassword {
		return d, nil, fmt.Errorf("cannot use the password in %s: it is shorter than %d characters: choose a longer one", o.password, station.MinPassword)
	}
	d.Password = secret
	if alone || o.plain {
		return d, nil, nil
	}
	if err := os.MkdirAll(o.data, 0o700); err != nil {
		return d, nil, fmt.Errorf("cannot keep the page's certificate: %w; choose another folder with -data", err)
	}
	secure, err := access.SelfMade(o.data, access.OwnNames(), certificateMade(log))
	return d, secure, err
}

func (a *app) servePage(ctx context.Context, fleet *station.Fleet, o stationFlags) error {
	door, secure, err := o.door(slog.New(slog.NewTextHandler(a.err, nil)))
	if err != nil {
		return err
	}
	ln, err := net.Listen("tcp", o.listen)
	if err != nil {
		return fmt.Errorf("cannot serve the page: %w; choose another address with -listen", err)
	}
	scheme := "http"
	if secure != nil {
		scheme, ln = "https", tls.NewListener(ln, secure)
		fmt.Fprintf(a.out, "page's certificate, SHA-256 %s\n", access.Fingerprint(secure))
	}
	srv := &http.Server{
		Handler:           station.Handler(fleet, station.Options{Languages: web.Languages(), Version: version(), Zone: time.Local, Door: door}),
		ReadHeaderTimeout: 10 * time.Second, IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 16 << 10,
		BaseContext: func(net.Listener) context.Context { return ctx },
	}
	fmt.Fprintf(a.out, "station    %s://%s/\n", scheme, ln.Addr())
	defer context.AfterFunc(ctx, func() { _ = srv.Close() })()
	if err := srv.Serve(ln); !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("the page's server stopped: %w", err)
	}
	return nil
}
