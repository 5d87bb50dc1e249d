package broker

import (
	"context"
	"crypto/subtle"
	"log/slog"
	"net"
	"sync"
	"sync/atomic"

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
	gate         gate
}

func (*guard) ID() string { return "boxd-guard" }

func (*guard) Provides(b byte) bool {
	switch b {
	case mochi.OnConnectAuthenticate, mochi.OnACLCheck, mochi.OnPacketRead, mochi.OnPacketProcessed,
		mochi.OnWill, mochi.OnWillSent, mochi.OnDisconnect:
		return true
	}
	return false
}

// gate lets one client at a time change or look through the retained values:
// the library (v2.7.9) reads a topic's retained path while it is written. It is
// left when the packet is done, or at the latest when the client goes.
type gate struct {
	mu    sync.Mutex
	owner atomic.Pointer[mochi.Client]
}

func (g *gate) enter(c *mochi.Client) {
	if g.owner.Load() == c {
		return // a packet of its own was refused half way; its goroutine is still inside
	}
	g.mu.Lock()
	g.owner.Store(c)
}

func (g *gate) leave(c *mochi.Client) {
	if g.owner.CompareAndSwap(c, nil) {
		g.mu.Unlock()
	}
}

// OnPacketRead enters the gate before a packet that touches retained values.
func (g *guard) OnPacketRead(c *mochi.Client, p packets.Packet) (packets.Packet, error) {
	if t := p.FixedHeader.Type; t == packets.Subscribe || t == packets.Publish && p.FixedHeader.Retain {
		g.gate.enter(c)
	}
	return p, nil
}

// OnPacketProcessed leaves it.
func (g *guard) OnPacketProcessed(c *mochi.Client, _ packets.Packet, _ error) { g.gate.leave(c) }

// OnWill enters the gate: a will is a publish too.
func (g *guard) OnWill(c *mochi.Client, w mochi.Will) (mochi.Will, error) {
	g.gate.enter(c)
	return w, nil
}

// OnWillSent leaves it.
func (g *guard) OnWillSent(c *mochi.Client, _ packets.Packet) { g.gate.leave(c) }

// OnDisconnect leaves it, whatever went wrong before.
func (g *guard) OnDisconnect(c *mochi.Client, _ error, _ bool) { g.gate.leave(c) }

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
