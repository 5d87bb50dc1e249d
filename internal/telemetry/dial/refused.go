package dial

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"syscall"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// Refused adds to an error of connecting what to do. The library's own text holds
// no password.
func (b Broker) Refused(err error) error {
	hint := fmt.Sprintf("is the broker running, and are %s and the network right", b.Names.URL)
	switch {
	case errors.Is(err, packets.ErrorRefusedBadUsernameOrPassword), errors.Is(err, packets.ErrorRefusedNotAuthorised):
		hint = fmt.Sprintf("the broker does not admit user %q: check %s and %s", b.User, b.Names.User, b.Names.Password)
	case errors.Is(err, packets.ErrorRefusedIDRejected):
		hint = "the broker does not like the client id made of box.name: choose a shorter, plainer name"
	case b.secureHint(err) != "":
		hint = b.secureHint(err)
	case errors.Is(err, syscall.ECONNRESET), errors.Is(err, io.EOF):
		hint = fmt.Sprintf("something listens there and hung up: in %s write ssl:// where the port speaks TLS and tcp:// where it does not, and see the broker's log", b.Names.URL)
	}
	return fmt.Errorf("cannot connect to the broker at %s: %w: %s", b.Host(), err, hint)
}

// secureHint says what to do about a handshake that failed; empty: it was none.
func (b Broker) secureHint(err error) string {
	var stranger x509.UnknownAuthorityError
	var name x509.HostnameError
	var invalid x509.CertificateInvalidError
	var refused *net.OpError // crypto/tls tells the other side's alert so
	var plain tls.RecordHeaderError
	switch {
	case errors.As(err, &stranger):
		return fmt.Sprintf("nobody boxd trusts has signed the broker's certificate: give that authority's certificate in %s", b.Names.CA)
	case errors.As(err, &name):
		return fmt.Sprintf("the broker's certificate is not for %s: write in %s a name that stands in it", b.Host(), b.Names.URL)
	case errors.As(err, &invalid) && invalid.Reason == x509.Expired:
		return "the broker's certificate is not valid today: have it renewed, or look whether this machine's clock is right"
	case errors.As(err, &invalid):
		return "the broker's certificate can't be used: have it made anew, for a server"
	case errors.As(err, &plain):
		return fmt.Sprintf("the broker does not speak TLS at this port: give its TLS port, often 8883, or a tcp:// address in %s", b.Names.URL)
	case errors.As(err, &refused) && refused.Op == "remote error":
		return fmt.Sprintf("the broker does not accept boxd's own certificate, or wants one: check %s and %s, and who signed them", b.Names.Cert, b.Names.Key)
	}
	return ""
}
