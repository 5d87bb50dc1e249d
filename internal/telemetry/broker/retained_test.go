package broker

import (
	"fmt"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// Retained values written while others subscribe: without the gate the race
// detector finds the library reading what is being written.
func TestRetainedWhileSubscribing(t *testing.T) {
	b, err := StartWith(Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = b.Close() })
	user, secret := b.Credentials()
	pub := connect(t, paho.NewClientOptions().AddBroker(b.URL()).SetClientID("pub").SetUsername(user).SetPassword(string(secret)))
	var wg sync.WaitGroup
	for k := range 4 {
		sub := connect(t, paho.NewClientOptions().AddBroker(b.URL()).SetClientID(fmt.Sprint("sub", k)))
		wg.Go(func() {
			for range 50 {
				done(t, sub.Subscribe("boxd/#", 0, func(paho.Client, paho.Message) {}))
				done(t, sub.Unsubscribe("boxd/#"))
			}
		})
	}
	for i := range 400 {
		done(t, pub.Publish(fmt.Sprintf("boxd/x/channel/%d", i%40), 1, true, "v"))
	}
	wg.Wait()
}

func connect(t *testing.T, o *paho.ClientOptions) paho.Client {
	t.Helper()
	c := paho.NewClient(o.SetAutoReconnect(false))
	done(t, c.Connect())
	t.Cleanup(func() { c.Disconnect(0) })
	return c
}

func done(t *testing.T, tok paho.Token) {
	t.Helper()
	if !tok.WaitTimeout(10 * time.Second) {
		t.Error("no answer in 10 s")
	} else if tok.Error() != nil {
		t.Error(tok.Error())
	}
}
