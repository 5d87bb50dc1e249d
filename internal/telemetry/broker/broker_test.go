// The broker is tried from outside with a plain MQTT client on the loopback
// interface: who may come in, who may publish, and how it ends.
package broker_test

import (
	"net"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"boxd/internal/telemetry"
	"boxd/internal/telemetry/broker"
)

const patience = 10 * time.Second

func start(t *testing.T, o broker.Options) *broker.Broker {
	t.Helper()
	b, err := broker.StartWith(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	})
	return b
}

func options(b *broker.Broker, id string) *paho.ClientOptions {
	return paho.NewClientOptions().AddBroker(b.URL()).SetClientID(id).SetAutoReconnect(false).SetProtocolVersion(4)
}

func connect(t *testing.T, o *paho.ClientOptions) (paho.Client, error) {
	t.Helper()
	c := paho.NewClient(o)
	tok := c.Connect()
	if !tok.WaitTimeout(patience) {
		t.Fatal("no answer to connect")
	}
	t.Cleanup(func() { c.Disconnect(0) })
	return c, tok.Error()
}

func mustConnect(t *testing.T, o *paho.ClientOptions) paho.Client {
	t.Helper()
	c, err := connect(t, o)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// watch gives the payloads of boxd/#.
func watch(t *testing.T, c paho.Client) <-chan string {
	t.Helper()
	in := make(chan string, 100)
	tok := c.Subscribe("boxd/#", 1, func(_ paho.Client, m paho.Message) { in <- string(m.Payload()) })
	if !tok.WaitTimeout(patience) || tok.Error() != nil {
		t.Fatal("cannot subscribe", tok.Error())
	}
	return in
}

func next(t *testing.T, in <-chan string) string {
	t.Helper()
	select {
	case s := <-in:
		return s
	case <-time.After(patience):
		t.Fatal("nothing came")
		return ""
	}
}

func own(b *broker.Broker, id string) *paho.ClientOptions {
	user, password := b.Credentials()
	return options(b, id).SetUsername(user).SetPassword(string(password))
}

// Only what boxd publishes arrives: a stranger's publish, will, and publish as
// "boxd" with a wrong password do not.
func TestOnlyBoxdPublishes(t *testing.T) {
	b := start(t, broker.Options{})
	in := watch(t, mustConnect(t, options(b, "watcher")))

	stranger := mustConnect(t, options(b, "stranger"))
	stranger.Publish("boxd/north/status", 0, true, "forged").WaitTimeout(patience)
	lost := make(chan struct{})
	pushy := mustConnect(t, options(b, "pushy").SetConnectionLostHandler(func(paho.Client, error) { close(lost) }))
	pushy.Publish("boxd/north/event", 1, false, "forged") // MQTT 3.1.1 has no refusal but to hang up
	select {
	case <-lost:
	case <-time.After(patience):
		t.Error("a forbidden QoS 1 publish was not hung up on")
	}
	if _, err := connect(t, options(b, "willful").SetWill("boxd/north/status", "forged", 1, true)); err == nil {
		t.Error("a stranger may leave a will, which no access list sees")
	}
	if _, err := connect(t, options(b, "liar").SetUsername("boxd").SetPassword("guess")); err == nil {
		t.Error("boxd's name is admitted with a wrong password")
	}

	boxd := mustConnect(t, own(b, "boxd-north"))
	boxd.Publish("boxd/north/status", 1, true, "true").WaitTimeout(patience)
	if got := next(t, in); got != "true" {
		t.Errorf("first message is %q, want boxd's", got)
	}
	if got := next(t, watch(t, mustConnect(t, options(b, "late")))); got != "true" {
		t.Errorf("retained is %q, want boxd's", got)
	}
}

// A client id in use is a way to throw the other out.
func TestStrangerCannotTakeOver(t *testing.T) {
	b := start(t, broker.Options{})
	boxd := mustConnect(t, own(b, "boxd-north"))
	if _, err := connect(t, options(b, "boxd-north")); err == nil {
		t.Error("a stranger took boxd's client id")
	}
	tok := boxd.Publish("boxd/north/event", 1, false, "still here")
	if !tok.WaitTimeout(patience) || tok.Error() != nil || !boxd.IsConnectionOpen() {
		t.Error("boxd was thrown out", tok.Error())
	}
}

func TestPortTaken(t *testing.T) {
	b := start(t, broker.Options{})
	_, _, err := broker.Start(b.Addr())
	if err == nil {
		t.Fatal("two brokers on one port")
	}
	for _, want := range []string{b.Addr(), "another program", "mqtt.listen"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%q lacks %q", err, want)
		}
	}
}

func TestReaderFaults(t *testing.T) {
	for _, o := range []broker.Options{
		{ReaderUser: "station"}, {ReaderPassword: telemetry.Secret("sesame")}, {ReaderUser: "boxd", ReaderPassword: "sesame"},
	} {
		b, err := broker.StartWith(o)
		if err == nil {
			_ = b.Close()
			t.Errorf("accepted: user %q", o.ReaderUser)
		} else if strings.Contains(err.Error(), "sesame") {
			t.Errorf("leaks: %v", err)
		}
	}
}

// A connection that never says a word must not hold up Close.
func TestCloseWithSilentConnection(t *testing.T) {
	b, addr, err := broker.Start("127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c, err := net.Dial("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	mustConnect(t, options(b, "watcher")) // the broker has surely accepted the silent one by now
	if err := b.Close(); err != nil {
		t.Error(err)
	}
	again, _, err := broker.Start(addr)
	if err != nil {
		t.Fatalf("the port is not free after Close: %v", err)
	}
	if err := again.Close(); err != nil {
		t.Error(err)
	}
}

func TestPasswordIsNewAndHidden(t *testing.T) {
	a, b := start(t, broker.Options{}), start(t, broker.Options{})
	_, x := a.Credentials()
	_, y := b.Credentials()
	if x == y || len(string(x)) < 32 {
		t.Error("two brokers share a password, or it is short")
	}
}

// What boxd says last reaches who listens, however many of them: it is the word
// that the rest is not to be relied on.
func TestTheFarewellArrives(t *testing.T) {
	b, err := broker.StartWith(broker.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var ears []<-chan string
	for _, id := range strings.Split("abcdefghijklmnop", "") {
		ears = append(ears, watch(t, mustConnect(t, options(b, id))))
	}
	boxd := mustConnect(t, own(b, "boxd-north"))
	boxd.Publish("boxd/north/status", 1, true, "offline").WaitTimeout(patience)
	boxd.Disconnect(0)
	if err := b.Close(); err != nil {
		t.Error(err)
	}
	for _, in := range ears {
		if got := next(t, in); got != "offline" {
			t.Errorf("the last word is %q", got)
		}
	}
}
