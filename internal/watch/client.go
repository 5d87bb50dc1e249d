// Package watch shows a run on a terminal, as over SSH: it reads the daemon's
// stream of views and draws each. It says nothing to the box and decides
// nothing. A view that ages, or a stream that is lost, is shown as stopped, and
// its numbers are greyed.
package watch

import (
	"bufio"
	"context"
	"crypto/sha256"
	"crypto/tls"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"time"

	"boxd/internal/engine"
)

// Options say which box is watched and how it is read.
type Options struct {
	URL string // of the page, as http://127.0.0.1:8080
	// Fingerprint is the SHA-256 of the page's certificate, in hexadecimal with or
	// without colons, where nobody vouches for it: boxd prints it when it starts.
	Fingerprint string
	Units       string // us or metric; "" leaves it to the box
}

// maxEvent bounds one event of the stream, in bytes.
const maxEvent = 1 << 20

// client reads a box's stream.
type client struct {
	url  string
	http *http.Client
	show string // the cookie that asks for units; empty: none
}

func newClient(o Options) (*client, error) {
	h, err := Client(o.URL, o.Fingerprint)
	if err != nil {
		return nil, err
	}
	c := &client{url: strings.TrimRight(o.URL, "/") + "/events", http: h}
	if o.Units != "" {
		c.show = "en-" + o.Units
	}
	return c, nil
}

// Client is for requests to the page of a box at an address such as
// http://127.0.0.1:8080. The fingerprint is as in Options.
func Client(address, fingerprint string) (*http.Client, error) {
	u, err := url.Parse(address)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return nil, fmt.Errorf("%q is not the address of a box's page; write one such as http://127.0.0.1:8080", address)
	}
	t := http.DefaultTransport.(*http.Transport).Clone()
	if fingerprint == "" {
		return &http.Client{Transport: t}, nil
	}
	want := strings.ToLower(strings.NewReplacer(":", "", " ", "").Replace(fingerprint))
	if b, err := hex.DecodeString(want); err != nil || len(b) != sha256.Size {
		return nil, errors.New("that is no SHA-256 fingerprint: it has 64 hexadecimal digits; boxd prints it when it starts")
	}
	// Nobody vouches for a self-made certificate; the fingerprint does instead.
	t.TLSClientConfig = &tls.Config{InsecureSkipVerify: true, MinVersion: tls.VersionTLS12, VerifyConnection: func(s tls.ConnectionState) error {
		sum := sha256.Sum256(s.PeerCertificates[0].Raw)
		if hex.EncodeToString(sum[:]) != want {
			return errors.New("the certificate has another fingerprint: this may not be the box")
		}
		return nil
	}}
	return &http.Client{Transport: t}, nil
}

// CannotReach says why a request to a box failed, and what to do next.
func CannotReach(err error) error {
	if _, unknown := errors.AsType[*tls.CertificateVerificationError](err); unknown {
		return fmt.Errorf("cannot reach the box: nobody vouches for its certificate (%w); with one that the box made itself give -fingerprint and the SHA-256 that boxd prints when it starts", err)
	}
	return fmt.Errorf("cannot reach the box: %w", err)
}

// heard is what came of the stream: a view, the age of the newest one, or the
// end of a connection.
type heard struct {
	view *engine.View
	age  *time.Duration
	lost error
}

// follow reads the stream, again and again until ctx ends, and tells what it
// heard.
func (c *client) follow(ctx context.Context, tell func(heard)) {
	wait := time.Second
	for ctx.Err() == nil {
		began := time.Now()
		err := c.once(ctx, tell)
		tell(heard{lost: err})
		if time.Since(began) > 10*time.Second {
			wait = time.Second
		}
		select {
		case <-ctx.Done():
		case <-time.After(wait):
		}
		wait = min(2*wait, 15*time.Second)
	}
}

func (c *client) once(ctx context.Context, tell func(heard)) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, c.url, nil)
	if err != nil {
		return err
	}
	if c.show != "" {
		req.AddCookie(&http.Cookie{Name: "boxd-shown", Value: c.show})
	}
	res, err := c.http.Do(req)
	if err != nil {
		return CannotReach(err)
	}
	defer func() { _ = res.Body.Close() }()
	switch {
	case res.StatusCode == http.StatusUnauthorized || res.StatusCode == http.StatusForbidden:
		return errors.New("the box lets only people who sign in look: run this on the box itself, or open the view to the local network (web: {view: local-network})")
	case res.StatusCode != http.StatusOK:
		return fmt.Errorf("the box answers %s", res.Status)
	}
	return read(res.Body, tell)
}

// read takes server-sent events apart (WHATWG HTML, 9.2): views and beats are
// told, anything else is passed over.
func read(r io.Reader, tell func(heard)) error {
	lines := bufio.NewScanner(r)
	lines.Buffer(make([]byte, 64<<10), maxEvent)
	name, data := "", ""
	for lines.Scan() {
		line := lines.Text()
		switch {
		case line == "":
			if h, ok := event(name, data); ok {
				tell(h)
			}
			name, data = "", ""
		case strings.HasPrefix(line, "event: "):
			name = line[len("event: "):]
		case strings.HasPrefix(line, "data: "):
			if len(data)+len(line) > maxEvent {
				return errors.New("the box sends more than a view holds")
			}
			data += line[len("data: "):]
		}
	}
	if err := lines.Err(); err != nil {
		return fmt.Errorf("the stream broke: %w", err)
	}
	return errors.New("the box ended the stream")
}

func event(name, data string) (heard, bool) {
	switch name {
	case "view":
		v := new(engine.View)
		if json.Unmarshal([]byte(data), v) == nil {
			return heard{view: v}, true
		}
	case "beat":
		var b struct {
			Age float64 `json:"age_s"`
		}
		if json.Unmarshal([]byte(data), &b) == nil {
			age := time.Duration(b.Age * float64(time.Second))
			return heard{age: &age}, true
		}
	}
	return heard{}, false
}
