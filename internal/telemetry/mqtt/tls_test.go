// Handshakes with the embedded broker behind a TLS door on the loopback interface:
// each one that fails has to name the key of the configuration that mends it, and
// no secret. Certificates are made for the test.
package mqtt

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"io"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"boxd/internal/telemetry"
)

// authority signs certificates.
type authority struct {
	t    *testing.T
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
	file string
}

func newAuthority(t *testing.T) *authority {
	t.Helper()
	a := &authority{t: t}
	a.cert = &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "authority"}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), KeyUsage: x509.KeyUsageCertSign}
	pair := a.sign(a.cert)
	a.file = filepath.Join(t.TempDir(), "ca.pem")
	a.write(a.file, "CERTIFICATE", pair.Certificate[0])
	return a
}

// sign makes a pair from a template; the authority's own signs itself.
func (a *authority) sign(template *x509.Certificate) tls.Certificate {
	a.t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		a.t.Fatal(err)
	}
	by := a.key
	if by == nil {
		a.key, by = key, key
	}
	der, err := x509.CreateCertificate(rand.Reader, template, a.cert, &key.PublicKey, by)
	if err != nil {
		a.t.Fatal(err)
	}
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}
}

func (a *authority) write(path, kind string, der []byte) {
	a.t.Helper()
	if err := os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600); err != nil {
		a.t.Fatal(err)
	}
}

// server is a certificate for 127.0.0.1, unless changed.
func (a *authority) server(change func(*x509.Certificate)) tls.Certificate {
	c := &x509.Certificate{SerialNumber: big.NewInt(2), Subject: pkix.Name{CommonName: "broker"}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}}
	if change != nil {
		change(c)
	}
	return a.sign(c)
}

// client writes a client's certificate and key to files.
func (a *authority) client() (cert, key string) {
	pair := a.sign(&x509.Certificate{SerialNumber: big.NewInt(3), Subject: pkix.Name{CommonName: "box"}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}})
	dir := a.t.TempDir()
	cert, key = filepath.Join(dir, "c.pem"), filepath.Join(dir, "k.pem")
	der, err := x509.MarshalPKCS8PrivateKey(pair.PrivateKey)
	if err != nil {
		a.t.Fatal(err)
	}
	a.write(cert, "CERTIFICATE", pair.Certificate[0])
	a.write(key, "PRIVATE KEY", der)
	return cert, key
}

// door passes TLS on to a plain address.
func door(t *testing.T, to string, c *tls.Config) (url string) {
	t.Helper()
	l, err := tls.Listen("tcp", "127.0.0.1:0", c)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	go func() {
		for {
			in, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer in.Close()
				if in.(*tls.Conn).Handshake() != nil {
					return
				}
				out, err := net.Dial("tcp", to)
				if err != nil {
					return
				}
				defer out.Close()
				go func() { _, _ = io.Copy(out, in); _ = out.Close() }()
				_, _ = io.Copy(in, out)
			}()
		}
	}()
	return "ssl://" + l.Addr().String()
}

func TestHandshakes(t *testing.T) {
	b := start(t, "127.0.0.1:0")
	user, password := b.Credentials()
	ours, theirs := newAuthority(t), newAuthority(t)
	clients := x509.NewCertPool()
	clients.AddCert(parsed(t, ours))
	cert, key := ours.client()
	strangeCert, strangeKey := theirs.client()
	plain, asks := ours.server(nil), ours.server(nil)
	for _, x := range []struct {
		name   string
		server tls.Certificate
		asks   bool // for a certificate of the client
		change func(*Config)
		want   string // empty: it comes up
	}{
		{"authority given", plain, false, nil, ""},
		{"authority not given", plain, false, func(c *Config) { c.CAFile = "" }, "mqtt.ca_file"},
		{"another authority", theirs.server(nil), false, nil, "mqtt.ca_file"},
		{"certificate for another host", ours.server(func(c *x509.Certificate) { c.IPAddresses, c.DNSNames = nil, []string{"other.example"} }), false, nil, "not for 127.0.0.1"},
		{"certificate of yesterday", ours.server(func(c *x509.Certificate) { c.NotAfter = time.Now().Add(-time.Minute) }), false, nil, "this machine's clock"},
		{"client certificate given", asks, true, func(c *Config) { c.CertFile, c.KeyFile = cert, key }, ""},
		{"client certificate missing", asks, true, nil, "mqtt.cert_file"},
		{"client certificate of a stranger", asks, true, func(c *Config) { c.CertFile, c.KeyFile = strangeCert, strangeKey }, "mqtt.cert_file"},
		{"wrong user", plain, false, func(c *Config) { c.User = "someone" }, "mqtt.user"},
		{"wrong password", plain, false, func(c *Config) { c.Password = "hunter2" }, "mqtt.password_file"},
	} {
		t.Run(x.name, func(t *testing.T) {
			c := &tls.Config{Certificates: []tls.Certificate{x.server}}
			if x.asks {
				c.ClientAuth, c.ClientCAs = tls.RequireAndVerifyClientCert, clients
			}
			cfg := Config{URL: door(t, b.Addr(), c), User: user, Password: password, CAFile: ours.file}
			if x.change != nil {
				x.change(&cfg)
			}
			l := tried(t, cfg)
			if x.want == "" {
				if !l.Up {
					t.Fatalf("does not come up: %v", l.Err)
				}
				return
			}
			if l.Err == nil || !strings.Contains(l.Err.Error(), x.want) {
				t.Fatalf("%q does not say %q", l.Err, x.want)
			}
			for _, secret := range []string{"hunter2", string(password), "PRIVATE"} {
				if strings.Contains(l.Err.Error(), secret) {
					t.Errorf("%q tells a secret", l.Err)
				}
			}
		})
	}
	t.Run("TLS at a port of a tcp address", func(t *testing.T) {
		url := door(t, b.Addr(), &tls.Config{Certificates: []tls.Certificate{plain}})
		l := tried(t, Config{URL: "tcp" + strings.TrimPrefix(url, "ssl"), User: user, Password: password})
		if l.Err == nil || !strings.Contains(l.Err.Error(), "ssl://") {
			t.Errorf("says %v", l.Err)
		}
	})
	t.Run("no TLS at the port", func(t *testing.T) {
		l := tried(t, Config{URL: "ssl://" + b.Addr(), User: user, Password: password, CAFile: ours.file})
		if l.Err == nil || !strings.Contains(l.Err.Error(), "often 8883") && !strings.Contains(l.Err.Error(), "mqtt.broker") {
			t.Errorf("says %v", l.Err)
		}
	})
}

func parsed(t *testing.T, a *authority) *x509.Certificate {
	t.Helper()
	text, err := os.ReadFile(a.file)
	if err != nil {
		t.Fatal(err)
	}
	block, _ := pem.Decode(text)
	c, err := x509.ParseCertificate(block.Bytes)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// tried is the link once it is up or has failed for the first time.
func tried(t *testing.T, cfg Config) Link {
	t.Helper()
	p := fast(t, cfg)
	run(t, p, telemetry.NewHub(1), newOutbox())
	tick := time.NewTicker(time.Millisecond)
	defer tick.Stop()
	limit := time.After(patience)
	for {
		if l := p.Link(); l.Up || l.Err != nil {
			return l
		}
		select {
		case <-tick.C:
		case <-limit:
			t.Fatal("neither up nor failed")
		}
	}
}
