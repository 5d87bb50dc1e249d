package access

// The certificate is judged by the standard library's own verification
// (RFC 5280, RFC 6125), in a real handshake on loopback.

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

func TestSelfMade(t *testing.T) {
	dir := t.TempDir()
	hosts := []string{"127.0.0.1", "north-box.local"}
	c, err := SelfMade(dir, hosts, nil)
	if err != nil {
		t.Fatal(err)
	}
	srv := httptest.NewUnstartedServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
	srv.TLS = c.Clone()
	srv.StartTLS()
	defer srv.Close()
	roots := x509.NewCertPool()
	leaf, err := x509.ParseCertificate(c.Certificates[0].Certificate[0])
	if err != nil {
		t.Fatal(err)
	}
	roots.AddCert(leaf)
	for _, host := range append(hosts, "") {
		client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: roots, ServerName: host}}}
		res, err := client.Get(srv.URL)
		if err != nil {
			t.Fatalf("as %q: %v", host, err)
		}
		_ = res.Body.Close()
		client.CloseIdleConnections()
	}
	// TLS 1.1 is not to be used any more (RFC 8996).
	old := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: roots, MinVersion: tls.VersionTLS10, MaxVersion: tls.VersionTLS11}}}
	if res, err := old.Get(srv.URL); err == nil {
		_ = res.Body.Close()
		t.Errorf("TLS 1.1 is taken")
	}
	if leaf.VerifyHostname("other.local") == nil {
		t.Error("it vouches for a stranger's name")
	}
	if info, err := os.Stat(filepath.Join(dir, "page-key.pem")); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the key's mode is %v, %v", info.Mode(), err)
	}
	again, err := SelfMade(dir, hosts, nil)
	if err != nil || Fingerprint(again) != Fingerprint(c) {
		t.Errorf("a good certificate was made anew: %v", err)
	}
	more, err := SelfMade(dir, append(hosts, "192.0.2.4"), nil)
	if err != nil || Fingerprint(more) == Fingerprint(c) {
		t.Errorf("the box's new address is not in it: %v", err)
	}
	if len(Fingerprint(c)) != 95 {
		t.Errorf("fingerprint %s", Fingerprint(c))
	}
}

// TestMadeAnew: a board without a battery thinks it is the year 2000, as a bubble
// does; then the time comes. Whoever connects gets a certificate of the day, judged by
// the standard library's rules; boxd is not started anew.
func TestMadeAnew(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		var made []string
		c, err := SelfMade(dir, []string{"north-box.local"}, func(fingerprint string, err error) { made = append(made, fmt.Sprint(fingerprint, err)) })
		if err != nil {
			t.Fatal(err)
		}
		shown := func() *x509.Certificate {
			near, far := net.Pipe()
			defer near.Close()
			defer far.Close()
			go func() { _ = tls.Server(far, c).Handshake() }()                                         // the client says what is wrong
			client := tls.Client(near, &tls.Config{InsecureSkipVerify: true, ServerName: "192.0.2.7"}) // an address: no name is sent
			if err := client.Handshake(); err != nil {
				t.Fatal(err)
			}
			return client.ConnectionState().PeerCertificates[0]
		}
		valid := func(leaf *x509.Certificate) error {
			roots := x509.NewCertPool()
			roots.AddCert(leaf)
			_, err := leaf.Verify(x509.VerifyOptions{DNSName: "north-box.local", Roots: roots, CurrentTime: time.Now()})
			return err
		}
		first := shown()
		if err := valid(first); err != nil || first.NotAfter.Year() > 2003 {
			t.Fatalf("%v; ends %v", err, first.NotAfter)
		}
		time.Sleep(26 * 365 * 24 * time.Hour)
		if err := valid(first); err == nil {
			t.Error("the first is good for ever")
		}
		second := shown()
		if err := valid(second); err != nil || len(made) != 1 {
			t.Errorf("when the time has come: %v, made %v", err, made)
		}
		if again := shown(); !again.Equal(second) || len(made) != 1 {
			t.Errorf("a good one was made anew: %v", made)
		}
		// No clock can be set back in a bubble: a certificate of a later day says the same.
		if stillGood(second, nil, second.NotBefore.AddDate(0, 0, -1)) || !stillGood(second, nil, time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)) {
			t.Error("a clock set right makes it anew, one that is not set leaves it")
		}
		// The disk takes none: the old one is shown on, and that is said once a minute.
		time.Sleep(certificateLife)
		dead := dir + "/page-certificate.pem"
		if err := errors.Join(os.Remove(dead), os.Mkdir(dead, 0o755)); err != nil {
			t.Fatal(err)
		}
		for range 3 {
			if !shown().Equal(second) {
				t.Error("another one")
			}
		}
		if len(made) != 2 || !strings.Contains(made[1], "cannot read") {
			t.Errorf("made %v", made)
		}
	})
}

func TestCertificateFaults(t *testing.T) {
	dir := t.TempDir()
	_, err := FromFiles(filepath.Join(dir, "a.pem"), filepath.Join(dir, "b.pem"))
	refused(t, err, "web.cert_file")
	if err := os.WriteFile(filepath.Join(dir, "page-certificate.pem"), []byte("no PEM"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "page-key.pem"), []byte("no PEM"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err = SelfMade(dir, []string{"localhost"}, nil)
	refused(t, err, "remove")
}
