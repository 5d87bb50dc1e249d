package access

// The certificate is judged by the standard library's own verification
// (RFC 5280, RFC 6125), in a real handshake on loopback.

import (
	"crypto/tls"
	"crypto/x509"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"testing"
)

func TestSelfMade(t *testing.T) {
	dir := t.TempDir()
	hosts := []string{"127.0.0.1", "north-box.local"}
	c, err := SelfMade(dir, hosts)
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
	again, err := SelfMade(dir, hosts)
	if err != nil || Fingerprint(again) != Fingerprint(c) {
		t.Errorf("a good certificate was made anew: %v", err)
	}
	more, err := SelfMade(dir, append(hosts, "192.0.2.4"))
	if err != nil || Fingerprint(more) == Fingerprint(c) {
		t.Errorf("the box's new address is not in it: %v", err)
	}
	if len(Fingerprint(c)) != 95 {
		t.Errorf("fingerprint %s", Fingerprint(c))
	}
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
	_, err = SelfMade(dir, []string{"localhost"})
	refused(t, err, "remove")
}
