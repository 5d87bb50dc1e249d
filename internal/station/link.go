package station

import (
	"context"
	"fmt"
	"log/slog"
	"strings"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"boxd/internal/telemetry/dial"
)

// Times of the link to the broker.
const (
	connectWithin = 20 * time.Second
	keepAlive     = 10 * time.Second
	pingWithin    = 5 * time.Second
	backoffMin    = time.Second
	backoffMax    = 30 * time.Second
	leaveQuiesce  = 100 // ms
)

// statuses tell of every box there is; the rest of a box is asked for when its
// status came, a few boxes at a time, so that what a broker keeps of a thousand
// boxes overflows no queue of its: brokers drop what does not fit, and what a box
// that is off has left there comes only once.
const (
	statuses   = "boxd/+/status"
	atOnce     = 16 // boxes in one subscription
	turnWithin = 5 * time.Second
)

// filters are all a station reads of a box; nothing is read that it does not show.
func filters(box string) []string {
	return []string{"boxd/" + box + "/state", "boxd/" + box + "/estimate", "boxd/" + box + "/alarm/+"}
}

// Follow keeps the fleet told from the broker until ctx ends. It always comes
// back from a lost connection; meanwhile the fleet knows that the link is down.
func Follow(ctx context.Context, b dial.Broker, f *Fleet, log *slog.Logger) {
	wait, said := backoffMin, ""
	for ctx.Err() == nil {
		began := time.Now()
		err := session(ctx, b, f)
		if ctx.Err() != nil {
			return
		}
		f.Link(err.Error())
		if time.Since(began) > backoffMax {
			wait, said = backoffMin, ""
		}
		if err.Error() != said { // the same again is no news
			said = err.Error()
			log.Warn("the broker can't be reached", "error", err, "retry_in", wait)
		}
		t := time.NewTimer(wait)
		select {
		case <-ctx.Done():
			t.Stop()
		case <-t.C:
		}
		wait = min(2*wait, backoffMax)
	}
}

// session is one connection, from connect to loss.
func session(ctx context.Context, b dial.Broker, f *Fleet) error {
	o, err := b.Options()
	if err != nil {
		return err
	}
	// A client id of the broker's making: two stations may watch the same boxes.
	o.SetClientID("").SetKeepAlive(keepAlive).SetPingTimeout(pingWithin).SetConnectTimeout(connectWithin).SetWriteTimeout(pingWithin)
	lost := make(chan error, 1)
	o.SetConnectionLostHandler(func(_ paho.Client, err error) { lost <- err })
	fresh, again := make(chan string, maxBoxes), make(chan string, maxBoxes)
	seen := map[string]bool{} // the library calls back in order, on one goroutine
	hear := func(_ paho.Client, m paho.Message) {
		f.Hear(m.Topic(), m.Payload(), m.Retained(), time.Now())
		level := strings.Split(m.Topic(), "/")
		switch {
		case len(level) != 3 || level[2] != "status":
		case !seen[level[1]] && len(seen) < maxBoxes:
			seen[level[1]] = true
			fresh <- level[1] // there is room for all
		case m.Retained():
			select {
			case again <- level[1]:
			default: // nobody waits
			}
		}
	}
	// Not a handler for each filter: the library looks through all of them at each message.
	o.SetDefaultPublishHandler(hear)
	c := paho.NewClient(o)
	defer c.Disconnect(leaveQuiesce)
	if err := await(ctx, c.Connect()); err != nil {
		return b.Refused(err)
	}
	// QoS 0 will do: what is kept comes again with the beat. With QoS 1 a broker may refuse a later
	// subscription whose number is that of a message still under way.
	if err := subscribe(ctx, b.User, c, map[string]byte{statuses: 0}); err != nil {
		return err
	}
	f.Link("")
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case err := <-lost:
			return fmt.Errorf("lost the connection to the broker: %w: see to the network and the broker", err)
		case box := <-fresh:
			if err := subscribe(ctx, b.User, c, batch(box, fresh)); err != nil {
				return err
			}
			// What is kept of these boxes comes before what is asked for after it: the
			// status of one of them, which is there.
			if err := subscribe(ctx, b.User, c, map[string]byte{"boxd/" + box + "/status": 0}); err != nil {
				return err
			}
			awaitTurn(ctx, box, again)
		}
	}
}

// awaitTurn waits for a box's status to come again, and no longer than a broker that
// has its own order may take.
func awaitTurn(ctx context.Context, box string, again <-chan string) {
	timer := time.NewTimer(turnWithin)
	defer timer.Stop()
	for {
		select {
		case b := <-again:
			if b == box {
				return
			}
		case <-timer.C:
			return
		case <-ctx.Done():
			return
		}
	}
}

// batch are the filters of a box and of others that wait.
func batch(box string, fresh <-chan string) map[string]byte {
	all := map[string]byte{}
	for n := 1; ; n++ {
		for _, filter := range filters(box) {
			all[filter] = 0
		}
		if n == atOnce {
			return all
		}
		select {
		case box = <-fresh:
		default:
			return all
		}
	}
}

func subscribe(ctx context.Context, user string, c paho.Client, filters map[string]byte) error {
	t := c.SubscribeMultiple(filters, nil)
	if err := await(ctx, t); err != nil {
		return fmt.Errorf("cannot subscribe at the broker: %w: let user %q read boxd/#", err, user)
	}
	for filter, code := range t.(*paho.SubscribeToken).Result() {
		if code >= 0x80 { // MQTT 3.1.1, section 3.9.3
			return fmt.Errorf("the broker refuses %s: let user %q read boxd/#", filter, user)
		}
	}
	return nil
}

func await(ctx context.Context, t paho.Token) error {
	timer := time.NewTimer(connectWithin)
	defer timer.Stop()
	select {
	case <-t.Done():
		return t.Error()
	case <-ctx.Done():
		return ctx.Err()
	case <-timer.C:
		return fmt.Errorf("no answer within %s", connectWithin)
	}
}
