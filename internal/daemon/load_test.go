package daemon

// A box in a crowd: browsers on the stream, of which some read slowly, stop
// reading or connect by half, and forms good and bad, against the real daemon, its
// archive and the pages' real server on loopback. The test holds what must hold at
// any speed. How late the core's beat is, and how flat the memory over a day, is
// for the benchmarks:
//
//	go test -run - -bench Load -benchtime 1x -timeout 30m ./internal/daemon

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"boxd/config"
	"boxd/internal/engine"
	"boxd/internal/journal"
	"boxd/internal/telemetry"
	"boxd/internal/web"
)

// crowd is who is at the box.
type crowd struct {
	readers, slow, stopped, half int
	forms                        float64 // a second
	speed                        float64
	beat                         time.Duration
	disk                         time.Duration // that each commit takes more
}

// stage is a box with its pages, and the crowd at it.
type stage struct {
	testing.TB
	*Daemon
	pace    *pace
	j       *journal.Journal
	srv     *http.Server
	addr    string
	ctx     context.Context
	stop    context.CancelFunc
	wg      sync.WaitGroup // the crowd
	ran     chan error
	heard   []atomic.Int64 // events that each reader has had
	taken   []string       // ids of words that were taken
	answers map[string]int // of the forms, by kind and status
}

func raise(t testing.TB, c crowd) *stage {
	t.Helper()
	core := shipped(t)
	j, err := journal.Open(filepath.Join(t.TempDir(), "boxd.sqlite"))
	if err != nil {
		t.Fatal(err)
	}
	p := newPace(time.Duration(float64(c.beat) / c.speed))
	d, err := New(t.Context(), Options{Core: core, ConfigText: string(config.Default()), Version: "test", Journal: j, Source: p, Hub: telemetry.NewHub(256),
		Log: slog.New(slog.DiscardHandler), Beat: c.beat, Idle: time.Second, Speed: c.speed, Start: time.Now(), Alive: p.turned,
		commit: func(ctx context.Context, list ...journal.Batch) error {
			time.Sleep(c.disk)
			return j.Commit(ctx, list...)
		}})
	if err != nil {
		t.Fatal(err)
	}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := &stage{TB: t, Daemon: d, pace: p, j: j, srv: web.NewServer(web.New(d, noRuns{}, web.Options{Box: "box"})), addr: ln.Addr().String(),
		ran: make(chan error, 1), heard: make([]atomic.Int64, c.readers), answers: map[string]int{}}
	s.ctx, s.stop = context.WithCancel(t.Context())
	go func() { s.ran <- d.Run(s.ctx) }()
	go func() { _ = s.srv.Serve(web.Bounded(small{ln})) }() // it ends by Close
	return s
}

// small lets the kernel keep little for a client that doesn't read.
type small struct{ net.Listener }

func (l small) Accept() (net.Conn, error) {
	c, err := l.Listener.Accept()
	if tcp, ok := c.(*net.TCPConn); ok {
		_ = tcp.SetWriteBuffer(4096) // a hint
	}
	return c, err
}

// come brings the crowd.
func (s *stage) come(c crowd) {
	for n := range c.readers {
		s.wg.Go(func() { s.read(n) })
	}
	for n := range c.slow {
		s.wg.Go(func() { s.dawdle(n, 2048, 200*time.Millisecond) })
	}
	for n := range c.stopped {
		s.wg.Go(func() { s.dawdle(c.slow+n, 0, time.Hour) })
	}
	for n := range c.half {
		s.wg.Go(func() { s.linger(c.slow+c.stopped+n, n%2 == 0) })
	}
}

// dial comes from one of many addresses, as a crowd does.
func (s *stage) dial(n int) (net.Conn, error) {
	d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.IPv4(127, 0, 1, byte(1+n%50))}}
	c, err := d.DialContext(s.ctx, "tcp", s.addr)
	if err == nil {
		context.AfterFunc(s.ctx, func() { _ = c.Close() })
	}
	return c, err
}

func (s *stage) watch(n int) (net.Conn, error) {
	c, err := s.dial(n)
	if err != nil {
		return nil, err
	}
	page := []string{"run", "valve", "alarms", "box"}[n%4]
	language := []string{"en", "es"}[n/4%2]
	_, err = fmt.Fprintf(c, "GET /events?page=%s HTTP/1.1\r\nHost: 127.0.0.1\r\nAccept-Language: %s\r\n\r\n", page, language)
	return c, err
}

// read is a browser.
func (s *stage) read(n int) {
	c, err := s.watch(n)
	if err != nil {
		s.Error(err)
		return
	}
	defer func() { _ = c.Close() }()
	lines := bufio.NewScanner(c)
	lines.Buffer(nil, 4<<20)
	for lines.Scan() {
		if strings.HasPrefix(lines.Text(), "event: ") {
			s.heard[n].Add(1)
		}
	}
	if s.ctx.Err() == nil {
		s.Errorf("reader %d was hung up on: %v", n, lines.Err())
	}
}

// dawdle reads some bytes at a time, or none.
func (s *stage) dawdle(n, some int, pause time.Duration) {
	c, err := s.watch(n)
	if err != nil {
		s.Error(err)
		return
	}
	defer func() { _ = c.Close() }()
	_ = c.(*net.TCPConn).SetReadBuffer(4096)
	rest := time.NewTicker(pause)
	defer rest.Stop()
	for b := make([]byte, some); some > 0; {
		if _, err := c.Read(b); err != nil {
			return // the box hung up on it
		}
		select {
		case <-rest.C:
		case <-s.ctx.Done():
			return
		}
	}
	<-s.ctx.Done()
}

// linger says nothing, or begins a form and does not end it, until it is hung up on.
func (s *stage) linger(n int, silent bool) {
	c, err := s.dial(n)
	if err != nil {
		s.Error(err)
		return
	}
	defer func() { _ = c.Close() }()
	if !silent {
		_, _ = io.WriteString(c, "POST /act HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 100\r\n\r\ndo=conf")
	}
	_, _ = io.Copy(io.Discard, c)
}

// kinds are the forms that are posted in turn, with the answer each has to have.
func kinds() []struct {
	name, do string
	pad      int
	foreign  bool
	want     int
} {
	return []struct {
		name, do string
		pad      int
		foreign  bool
		want     int
	}{
		{"good", "report:stock_in", 0, false, http.StatusOK},
		{"stale", "confirm:999999999", 0, false, http.StatusConflict},
		{"nonsense", "open:the-valve", 0, false, http.StatusBadRequest},
		{"foreign", "report:stock_in", 0, true, http.StatusForbidden},
		{"oversize", "report:stock_in", 1 << 20, false, http.StatusRequestEntityTooLarge},
	}
}

// post sends forms at their rate until ctx ends; a slow answer delays none.
func (s *stage) post(ctx context.Context, rate float64) {
	client := &http.Client{Timeout: patience, Transport: &http.Transport{MaxIdleConnsPerHost: 8, MaxConnsPerHost: 32}}
	defer client.CloseIdleConnections()
	var mu sync.Mutex
	var wg sync.WaitGroup
	beat := time.NewTicker(time.Duration(float64(time.Second) / rate))
	defer beat.Stop()
	for n := 0; ; n++ {
		select {
		case <-ctx.Done():
			wg.Wait()
			return
		case <-beat.C:
		}
		k := kinds()[n%len(kinds())]
		id := fmt.Sprintf("%s-%d", k.name, n)
		wg.Go(func() {
			code := s.form(client, url.Values{"do": {k.do}, "by": {"a person"}, "id": {id}, "note": {strings.Repeat("x", k.pad)}}, k.foreign)
			mu.Lock()
			defer mu.Unlock()
			s.answers[fmt.Sprintf("%s %d", k.name, code)]++
			if code == http.StatusOK {
				s.taken = append(s.taken, id)
			}
			late := k.name == "good" && code == http.StatusConflict // no answer within seconds: the machine is that slow
			if code != k.want && code != 0 && !late {
				s.Errorf("the form %s is answered %d, not %d", id, code, k.want)
			}
		})
	}
}

// form posts it; 0: no answer came, as where the box hangs up in the middle of too much.
func (s *stage) form(client *http.Client, f url.Values, foreign bool) int {
	req, err := http.NewRequestWithContext(s.ctx, http.MethodPost, "http://"+s.addr+"/act", strings.NewReader(f.Encode()))
	if err != nil {
		s.Error(err)
		return 0
	}
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	req.Header.Set("Accept", "application/json")
	req.Header.Set("Origin", "http://"+s.addr)
	if foreign {
		req.Header.Set("Origin", "http://elsewhere.example")
	}
	res, err := client.Do(req)
	if err != nil {
		return 0
	}
	defer func() { _ = res.Body.Close() }()
	_, _ = io.Copy(io.Discard, res.Body)
	return res.StatusCode
}

// until waits for what has to come, however slow the machine.
func (s *stage) until(what string, good func() bool) {
	s.Helper()
	look := time.NewTicker(5 * time.Millisecond)
	defer look.Stop()
	for late := time.After(patience); !good(); {
		select {
		case <-look.C:
		case err := <-s.ran:
			s.Fatalf("the core ended: %v", err)
		case <-late:
			s.Fatalf("never: %s", what)
		}
	}
}

// leave ends it all and counts: every word that was taken is in the archive once.
func (s *stage) leave() {
	s.Helper()
	s.stop()
	s.wg.Wait()
	_ = s.srv.Close()
	if err := <-s.ran; err != nil {
		s.Error(err)
	}
	count := map[string]int{}
	for after := uint64(0); ; {
		list, err := s.j.EventsAfter(context.Background(), after, 1000)
		if err != nil {
			s.Fatal(err)
		}
		for i := range list {
			if e, err := list[i].Event(); err == nil && e.Kind == engine.ActionEvent {
				count[e.Action]++
			}
			after = list[i].Seq
		}
		if len(list) == 0 {
			break
		}
	}
	for _, id := range s.taken {
		if count[id] != 1 {
			s.Errorf("the word %s was taken, the archive has it %d times", id, count[id])
		}
		delete(count, id)
	}
	for id := range count {
		if !strings.HasPrefix(id, "good-") { // its answer may have been lost at the end
			s.Errorf("the archive has %q, which nobody was to say", id)
		}
	}
	if err := s.j.Close(); err != nil {
		s.Error(err)
	}
}

// heap is what is in use after a collection, in bytes.
func heap() uint64 {
	runtime.GC()
	runtime.GC() // what finalizers let go
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc + m.StackInuse
}

// TestACrowd is not parallel: it counts goroutines.
func TestACrowd(t *testing.T) {
	before := runtime.NumGoroutine()
	c := crowd{readers: 20, slow: 2, stopped: 4, half: 4, forms: 50, speed: 1, beat: 100 * time.Millisecond}
	s := raise(t, c)
	s.until("a view", func() bool { return s.View().Seq > 0 })
	empty := heap()
	s.come(c)
	ctx, enough := context.WithCancel(s.ctx)
	s.wg.Go(func() { s.post(ctx, c.forms) })
	// Everybody who reads goes on hearing, with those about who don't.
	each := func(n int64) bool {
		for i := range s.heard {
			if s.heard[i].Load() < n {
				return false
			}
		}
		return true
	}
	s.until("all readers hear", func() bool { return each(5) })
	// The readers' own buffers, and the race detector's room where it is on, are among it.
	if full := heap(); full > empty+uint64(c.readers+c.slow+c.stopped+c.half)*(2<<20) {
		t.Errorf("%d connections take %d kB", c.readers+c.slow+c.stopped+c.half, (full-empty)>>10)
	}
	s.until("all readers hear on", func() bool { return each(10) })
	enough()
	s.leave()
	for late := time.Now().Add(patience); runtime.NumGoroutine() > before; runtime.Gosched() {
		if time.Now().After(late) {
			b := make([]byte, 1<<20)
			t.Fatalf("%d goroutines before, %d after:\n%s", before, runtime.NumGoroutine(), b[:runtime.Stack(b, true)])
		}
	}
	if len(s.taken) == 0 {
		t.Errorf("no word was taken: %v", s.answers)
	}
}

func quantiles(list []time.Duration) string {
	at := func(q float64) time.Duration {
		return list[int(q*float64(len(list)-1))].Round(10 * time.Microsecond)
	}
	return fmt.Sprintf("p50 %v, p99 %v, max %v", at(0.5), at(0.99), at(1))
}

// BenchmarkLoad: 200 browsers and 50 forms a second. First some seconds in real time,
// for how late the core's beat is and how long it is busy with a turn, without
// the crowd, with it, and with it on a slow disk; then a day of box time at speed, for the memory.
func BenchmarkLoad(b *testing.B) {
	b.Run("beat", func(b *testing.B) {
		c := crowd{readers: 180, slow: 8, stopped: 6, half: 6, forms: 50, speed: 1, beat: 100 * time.Millisecond}
		for _, x := range []struct {
			full bool
			disk time.Duration
		}{{}, {full: true}, {true, 300 * time.Millisecond}} {
			c.disk = x.disk
			s := raise(b, c)
			if x.full {
				s.come(c)
				s.wg.Go(func() { s.post(s.ctx, c.forms) })
			}
			s.until("300 turns", func() bool { _, n := s.pace.at(); return n >= 200 })
			b.Logf("crowd %v, a disk that takes %v more: the beat is late by %s; a turn takes %s", x.full, x.disk, quantiles(s.pace.late()), quantiles(s.pace.busy()))
			s.leave()
			b.Log("forms ", s.answers)
		}
	})
	b.Run("day", func(b *testing.B) {
		c := crowd{readers: 180, slow: 8, stopped: 6, half: 6, forms: 50, speed: 1000, beat: time.Second}
		before := runtime.NumGoroutine()
		s := raise(b, c)
		s.come(c)
		s.wg.Go(func() { s.post(s.ctx, c.forms) })
		for _, hour := range []int{1, 6, 12, 18, 24} {
			for day := time.Duration(hour) * time.Hour; ; time.Sleep(50 * time.Millisecond) {
				if at, _ := s.pace.at(); at >= day {
					break
				}
			}
			b.Logf("after %2d h of box time: %.1f MB in use, %d goroutines, %s", hour, float64(heap())/1e6, runtime.NumGoroutine(), resident())
		}
		b.Logf("a turn takes %s", quantiles(s.pace.busy()))
		s.leave()
		b.Logf("forms %v; %d goroutines before, %d after", s.answers, before, runtime.NumGoroutine())
	})
}

// resident is what the kernel counts as this process's memory, readers and all.
func resident() string {
	text, _ := os.ReadFile("/proc/self/status")
	_, after, _ := strings.Cut(string(text), "VmRSS:")
	line, _, _ := strings.Cut(after, "\n")
	return "resident " + strings.TrimSpace(line)
}
