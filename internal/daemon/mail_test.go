// Mails go through the daemon's queue to a receiver on the loopback interface that
// has good and bad days (the replies are those of RFC 5321): whatever it does, each
// event is in the box of the grower once, in order, and nobody else waits.
package daemon

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"boxd/internal/telemetry"
	"boxd/internal/telemetry/alert"
)

// mood is how the receiver treats one connection.
type mood uint8

const (
	kind     mood = iota
	busy          // 451 at the recipient: try later
	strict        // 554 at the greeting
	hasty         // hangs up in the middle of the mail
	slow          // says that it kept the mail when nobody waits any more
	wordless      // accepts the connection, says nothing and hangs up much later
)

// silence is longer than the tests' targets wait.
const silence = 800 * time.Millisecond

type mailbox struct {
	net.Listener
	mu    sync.Mutex // connections' goroutines write
	moods []mood     // of the next connections; then kind
	mails []string   // subjects, as kept
	tries int
	late  chan struct{} // closed when a slow receiver may answer
	open  []net.Conn
}

func newMailbox(t *testing.T, moods ...mood) *mailbox {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	m := &mailbox{Listener: l, moods: moods, late: make(chan struct{})}
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go m.speak(c, m.next(c))
		}
	}()
	t.Cleanup(func() {
		_ = l.Close()
		m.mu.Lock()
		defer m.mu.Unlock()
		for _, c := range m.open {
			_ = c.Close()
		}
	})
	return m
}

func (m *mailbox) next(c net.Conn) (how mood) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.tries++
	m.open = append(m.open, c)
	if len(m.moods) > 0 {
		how, m.moods = m.moods[0], m.moods[1:]
	}
	return how
}

func (m *mailbox) speak(c net.Conn, how mood) {
	if how == wordless {
		time.AfterFunc(silence, func() { _ = c.Close() })
		return
	}
	defer c.Close()
	say := func(s string) { _, _ = io.WriteString(c, s+"\r\n") }
	if how == strict {
		say("554 no mail today")
		return
	}
	say("220 here")
	subject, data := "", false
	for in := bufio.NewScanner(c); in.Scan(); {
		line := in.Text()
		switch {
		case data && line == ".":
			m.keep(subject)
			if how == slow {
				<-m.late
			}
			say("250 kept")
			data = false
		case data:
			if s, ok := strings.CutPrefix(line, "Subject: north: "); ok {
				subject = s
			}
			if how == hasty {
				return
			}
		case line == "DATA":
			data = true
			say("354 go on")
		case line == "QUIT":
			say("221 bye")
			return
		case how == busy && strings.HasPrefix(line, "RCPT"):
			say("451 try again later")
		default:
			say("250 fine")
		}
	}
}

func (m *mailbox) keep(subject string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.mails = append(m.mails, subject)
}

func (m *mailbox) got() []string {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Clone(m.mails)
}

func (m *mailbox) target(t *testing.T, timeout time.Duration) *alert.Target {
	t.Helper()
	s, err := alert.New(alert.Config{URLs: []telemetry.Secret{telemetry.Secret("smtp://" + m.Addr().String() + "/?from=box@station.example&to=grower@station.example&encryption=None&starttls=no&auth=None")}, Timeout: timeout})
	must(t, err)
	return s.Targets()[0]
}

// deliver turns the queue until want mails are there.
func deliver(o *office, c *caller, m *mailbox, want int) (faults []string) {
	o.t.Helper()
	for limit := time.Now().Add(patience); len(m.got()) < want; {
		if err := c.turn(o.t.Context(), time.Now()); err != nil && !slices.Contains(faults, err.Error()) {
			faults = append(faults, err.Error())
		}
		if time.Now().After(limit) {
			o.t.Fatalf("%d of %d mails came: %q", len(m.got()), want, faults)
		}
	}
	return faults
}

func TestMailsOnBadDays(t *testing.T) {
	for _, x := range []struct {
		name  string
		moods []mood
		says  string
	}{
		{"kind", nil, ""},
		{"busy", []mood{busy, busy}, "451"},
		{"strict", []mood{strict, strict, strict}, "554"},
		{"hangs up", []mood{hasty, hasty}, "smtp"},
		{"says nothing", []mood{wordless}, "no answer in time"},
		{"all of it", []mood{wordless, hasty, busy, strict, kind, hasty, busy}, "smtp"},
	} {
		t.Run(x.name, func(t *testing.T) {
			o, m := newOffice(t), newMailbox(t, x.moods...)
			a := o.alerts(newPhone(t))
			a.Target = m.target(t, 500*time.Millisecond)
			c := o.caller(a)
			var want []string
			for n, id := range []string{"stock-empty", "backflow-sign", "freeze-risk"} {
				o.stands("stock-empty", "backflow-sign", "freeze-risk")
				o.commit(time.Now(), alarmEvent(id, "raised", "high", float64(n+1)))
				want = append(want, strings.ReplaceAll(id, "-", " "))
			}
			faults := fmt.Sprint(deliver(o, c, m, len(want)))
			if x.says != "" && !strings.Contains(faults, x.says) {
				t.Errorf("of the bad days is said %s, not %q", faults, x.says)
			}
			o.turn(c, time.Now())
			if got := m.got(); !slices.Equal(got, want) {
				t.Errorf("mails %q, want %q", got, want)
			}
		})
	}
}

// A receiver that keeps the mail and says so too late: nobody knew, it is asked
// again only until its answer comes, and the mail is there once.
func TestAMailThatWasKeptInSilence(t *testing.T) {
	o, m := newOffice(t), newMailbox(t, slow)
	a := o.alerts(newPhone(t))
	a.Target = m.target(t, 200*time.Millisecond)
	c := o.caller(a)
	o.stands("stock-empty")
	o.commit(time.Now(), alarmEvent("stock-empty", "raised", "high", 1))
	if err := c.turn(t.Context(), time.Now()); err == nil {
		t.Fatal("told, though nobody answered")
	}
	close(m.late)
	deliver(o, c, m, 1)
	for limit := time.Now().Add(patience); ; {
		if n, err := a.Keep.Waiting(t.Context()); err != nil || n == 0 {
			break
		}
		_ = c.turn(t.Context(), time.Now()) // it may be busy still
		if time.Now().After(limit) {
			t.Fatal("never struck off")
		}
	}
	if got := m.got(); len(got) != 1 {
		t.Errorf("%d mails of one alarm", len(got))
	}
}
