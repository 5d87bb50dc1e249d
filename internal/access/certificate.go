package access

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"
)

// certificateLife is short of the 825 days beyond which some browsers refuse
// even a certificate that was taken on trust (from memory). It is made anew a
// month before its end.
const certificateLife = 800 * 24 * time.Hour

// SelfMade is the box's own certificate for these host names and addresses, kept
// in the folder dir: made where there is none, it is about to end, or it names
// other hosts. A browser warns of it once, for nobody vouches for it: compare
// its fingerprint. Each handshake looks whether it is good still, for a board without
// a battery makes one in the year 2000 and learns the time later; made is told of one
// that was made anew so, or could not be.
func SelfMade(dir string, hosts []string, made func(fingerprint string, err error)) (*tls.Config, error) {
	first, err := selfMade(dir, hosts)
	if err != nil {
		return nil, err
	}
	o := &own{dir: dir, hosts: hosts, made: made, now: first}
	c := first.Clone()
	c.GetConfigForClient = func(*tls.ClientHelloInfo) (*tls.Config, error) { return o.good(), nil }
	return c, nil
}

// own is a certificate that is made anew.
type own struct {
	dir   string
	hosts []string
	made  func(string, error)

	mu    sync.Mutex // of what follows: each handshake asks
	now   *tls.Config
	tried time.Time
}

// tryAgain is how long one that could not be made rests.
const tryAgain = time.Minute

// good is the one for a handshake now, the old one where none can be made.
func (o *own) good() *tls.Config {
	o.mu.Lock()
	defer o.mu.Unlock()
	if stillGood(o.now.Certificates[0].Leaf, o.hosts, time.Now()) || !o.tried.IsZero() && time.Since(o.tried) < tryAgain {
		return o.now
	}
	o.tried = time.Now()
	c, err := selfMade(o.dir, o.hosts)
	if err != nil {
		o.made("", err)
		return o.now
	}
	o.now = c
	o.made(Fingerprint(c), nil)
	return c
}

func selfMade(dir string, hosts []string) (*tls.Config, error) {
	cert, key := filepath.Join(dir, "page-certificate.pem"), filepath.Join(dir, "page-key.pem")
	c, err := tls.LoadX509KeyPair(cert, key)
	if err == nil && stillGood(c.Leaf, hosts, time.Now()) {
		return config(c), nil
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("cannot read the page's own certificate: %w; remove %s and %s to have it made anew", err, cert, key)
	}
	if err := make509(cert, key, hosts); err != nil {
		return nil, fmt.Errorf("cannot make a certificate for the page: %w", err)
	}
	return FromFiles(cert, key)
}

// FromFiles is a certificate and its key from files in PEM form.
func FromFiles(cert, key string) (*tls.Config, error) {
	c, err := tls.LoadX509KeyPair(cert, key)
	if err != nil {
		return nil, fmt.Errorf("cannot use the page's certificate: %w; web.cert_file and web.key_file take a certificate and its key in PEM form", err)
	}
	return config(c), nil
}

func config(c tls.Certificate) *tls.Config {
	return &tls.Config{Certificates: []tls.Certificate{c}, MinVersion: tls.VersionTLS12}
}

// Fingerprint is the SHA-256 of the certificate, as browsers show it.
func Fingerprint(c *tls.Config) string {
	sum := sha256.Sum256(c.Certificates[0].Certificate[0])
	parts := make([]string, len(sum))
	for i, b := range sum {
		parts[i] = fmt.Sprintf("%02X", b)
	}
	return strings.Join(parts, ":")
}

// stillGood bears a clock that is not set: one of a later day is kept until it is.
func stillGood(c *x509.Certificate, hosts []string, now time.Time) bool {
	return c != nil && now.Add(30*24*time.Hour).Before(c.NotAfter) && (!now.Before(c.NotBefore) || now.Year() < aClock) &&
		!slices.ContainsFunc(hosts, func(h string) bool { return c.VerifyHostname(h) != nil })
}

func make509(cert, key string, hosts []string) error {
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return err
	}
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 120))
	if err != nil {
		return err
	}
	// A board without a battery clock may think it is years ago: the certificate
	// begins early enough to count once the time has come.
	t := &x509.Certificate{
		SerialNumber: serial, Subject: pkix.Name{CommonName: "boxd"},
		NotBefore: time.Now().Add(-24 * time.Hour), NotAfter: time.Now().Add(certificateLife),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}, BasicConstraintsValid: true,
	}
	for _, h := range hosts {
		if ip := net.ParseIP(h); ip != nil {
			t.IPAddresses = append(t.IPAddresses, ip)
		} else {
			t.DNSNames = append(t.DNSNames, h)
		}
	}
	raw, err := x509.CreateCertificate(rand.Reader, t, t, k.Public(), k)
	if err != nil {
		return err
	}
	private, err := x509.MarshalPKCS8PrivateKey(k)
	if err != nil {
		return err
	}
	if err := replace(key, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: private})); err != nil {
		return err
	}
	return replace(cert, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: raw}))
}

// OwnNames are the names and addresses this machine answers to.
func OwnNames() []string {
	names := []string{"localhost", "127.0.0.1", "::1"}
	if h, err := os.Hostname(); err == nil && h != "" {
		names = append(names, h, h+".local")
	}
	addrs, err := net.InterfaceAddrs()
	if err != nil {
		return names
	}
	for _, a := range addrs {
		if n, ok := a.(*net.IPNet); ok && !n.IP.IsLoopback() && !n.IP.IsLinkLocalUnicast() {
			names = append(names, n.IP.String())
		}
	}
	return names
}
