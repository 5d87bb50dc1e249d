package broker

import (
	"context"
	"crypto/subtle"
	"log/slog"
	"net"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"boxd/internal/telemetry"
)

// guard decides who comes in and who publishes.
type guard struct {
	mochi.HookBase
	server       *mochi.Server
	secret       telemetry.Secret
	reader       string
	readerSecret telemetry.Secret
}

func (*guard) ID() string { return "boxd-guard" }

func (*guard) Provides(b byte) bool {
	return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck
}

// OnConnectAuthenticate admits boxd, readers with the password, and whoever is
// on this machine. A will is a publish that no access list sees, and a client
// id in use is a way to throw boxd out: both are boxd's alone.
func (g *guard) OnConnectAuthenticate(c *mochi.Client, p packets.Packet) bool {
	user, password := string(p.Connect.Username), p.Connect.Password
	if g.isBoxd(user, password) {
		return true
	}
	if user == publisherUser || p.Connect.WillFlag || g.heldByBoxd(c.ID) {
		return false
	}
	if user != "" && user == g.reader && same(g.readerSecret, password) {
		return true
	}
	return onLoopback(c.Net.Remote)
}

// OnACLCheck lets boxd do all and everybody else subscribe.
func (g *guard) OnACLCheck(c *mochi.Client, _ string, write bool) bool {
	return !write || string(c.Properties.Username) == publisherUser
}

func (g *guard) isBoxd(user string, password []byte) bool {
	return user == publisherUser && same(g.secret, password)
}

func (g *guard) heldByBoxd(id string) bool {
	c, ok := g.server.Clients.Get(id)
	return ok && string(c.Properties.Username) == publisherUser
}

func same(s telemetry.Secret, password []byte) bool {
	return s != "" && subtle.ConstantTimeCompare([]byte(string(s)), password) == 1
}

func onLoopback(remote string) bool {
	host, _, err := net.SplitHostPort(remote)
	if err != nil {
		return false
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

// quiet passes errors on. The library warns, without a word, of every client that
// leaves: that is dropped.
func quiet(l *slog.Logger) *slog.Logger { return slog.New(errorOnly{l.Handler()}) }

type errorOnly struct{ slog.Handler }

func (h errorOnly) Enabled(ctx context.Context, level slog.Level) bool {
	return level >= slog.LevelError && h.Handler.Enabled(ctx, level)
}

func (h errorOnly) WithAttrs(a []slog.Attr) slog.Handler { return errorOnly{h.Handler.WithAttrs(a)} }

func (h errorOnly) WithGroup(name string) slog.Handler { return errorOnly{h.Handler.WithGroup(name)} }
