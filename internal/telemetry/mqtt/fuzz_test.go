package mqtt

import (
	"context"
	"net"
	"slices"
	"testing"
	"time"

	"boxd/internal/telemetry"
)

// FuzzBroker: whatever comes back from a broker, a session ends in order when it is
// told to, strikes nothing off that was not acknowledged, and does not panic.
func FuzzBroker(f *testing.F) {
	connected := []byte{0x20, 2, 0, 0} // CONNACK, accepted (MQTT 3.1.1, 3.2)
	f.Add(connected, []byte{0x40, 2, 0, 1})
	f.Add(connected, []byte{0x90, 3, 0, 1, 0x80})
	f.Add(connected, []byte{0x30, 0xff, 0xff, 0xff, 0x7f})
	f.Add([]byte{0x20, 2, 0, 5}, []byte{})
	f.Add([]byte{0xff, 0xff, 0xff, 0xff}, []byte{0})
	f.Fuzz(func(t *testing.T, hello, more []byte) {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Skip(err)
		}
		defer l.Close()
		go func() {
			c, err := l.Accept()
			if err != nil {
				return
			}
			defer c.Close()
			buf := make([]byte, 4096)
			_, _ = c.Read(buf) // CONNECT
			_, _ = c.Write(hello)
			_, _ = c.Read(buf)
			_, _ = c.Write(more)
			_ = c.SetReadDeadline(time.Now().Add(20 * time.Millisecond))
			_, _ = c.Read(buf)
		}()
		p := fast(&testing.T{}, Config{URL: "tcp://" + l.Addr().String(), NoReadBack: true})
		o := newOutbox()
		o.add(t, 2)
		ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
		defer cancel()
		_ = p.session(ctx, telemetry.NewHub(1), o) // it may end well or badly
		if o.left() < 2 && !acknowledges(append(append([]byte{}, hello...), more...)) {
			t.Fatalf("%x %x strikes off %d events", hello, more, 2-o.left())
		}
	})
}

// acknowledges: somewhere in it is an acknowledgement of some kind (MQTT 3.1.1,
// 3.4 to 3.11). The library goes by the number alone; a broker that lies could as
// well send the right kind.
func acknowledges(b []byte) bool {
	return slices.ContainsFunc(b, func(c byte) bool { return c >= 0x40 && c < 0xc0 })
}
