package broker

import (
	"testing"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// Who is admitted from where, asked of the guard itself: the addresses elsewhere
// are of TEST-NET-1 and 2001:db8::/32 (RFC 5737, RFC 3849), and nothing is sent.
func TestFromElsewhereOnlyReaders(t *testing.T) {
	g := &guard{server: mochi.New(nil), secret: "made anew", reader: "station", readerSecret: "sesame"}
	for _, c := range []struct {
		remote, user, password string
		admitted, publishes    bool
	}{
		{"192.0.2.7:50000", "", "", false, false},
		{"[2001:db8::7]:50000", "", "", false, false},
		{"192.0.2.7:50000", "station", "no", false, false},
		{"192.0.2.7:50000", "station", "sesame", true, false},
		{"192.0.2.7:50000", "boxd", "sesame", false, false},
		{"192.0.2.7:50000", "boxd", "made anew", true, true},
		{"127.0.0.1:50000", "", "", true, false},
		{"[::1]:50000", "", "", true, false},
		{"127.0.0.1:50000", "boxd", "guess", false, false},
		{"no address", "", "", false, false},
	} {
		client := &mochi.Client{ID: "x"}
		client.Net.Remote = c.remote
		client.Properties.Username = []byte(c.user)
		var p packets.Packet
		p.Connect.Username, p.Connect.Password = []byte(c.user), []byte(c.password)
		if got := g.OnConnectAuthenticate(client, p); got != c.admitted {
			t.Errorf("%s as %q with %q: admitted %v", c.remote, c.user, c.password, got)
		}
		if c.admitted && (g.OnACLCheck(client, "boxd/north/status", true) != c.publishes || !g.OnACLCheck(client, "boxd/#", false)) {
			t.Errorf("%s as %q: wrong rights", c.remote, c.user)
		}
	}
}
