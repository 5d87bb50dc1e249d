package daemon

// How long a sample takes to a watcher's screen: a box sampled ten times a
// second, the daemon with its archive, the pages' real server and a client on
// loopback. The order is tested; the time is measured in the benchmark.

import (
	"bufio"
	"context"
	"encoding/json"
	"log/slog"
	"math"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"boxd/internal/box"
	"boxd/internal/journal"
	"boxd/internal/telemetry"
	"boxd/internal/web"
)

// stamped is a box with water running that knows when it was sampled.
type stamped struct {
	mu sync.Mutex
	at map[float64]time.Time // by core seconds, to the millisecond
}

func (s *stamped) Samples(_ context.Context, mono time.Duration, dst []box.Sample) ([]box.Sample, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.at[math.Round(mono.Seconds()*1000)/1000] = time.Now()
	for c, v := range map[box.Channel]float64{box.SupplyPressure: 290, box.FilterOutPressure: 250, box.InjectorInPressure: 250, box.InjectorOutPressure: 215, box.HeaderPressure: 69, box.MainFlow: 9.8, box.InjectorFlow: 5} {
		dst = append(dst, box.Sample{Channel: c, Value: v})
	}
	return dst, nil
}

func (s *stamped) taken(t float64) (time.Time, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	at, ok := s.at[t]
	return at, ok
}

type noRuns struct{}

func (noRuns) Runs(context.Context) ([]web.RunRow, error) { return nil, nil }

// latencies are those of n events of the valve work, in the order they came.
func latencies(t testing.TB, n int) []time.Duration {
	core := shipped(t)
	j, err := journal.Open(filepath.Join(t.TempDir(), "boxd.sqlite"))
	if err != nil {
		t.Fatal(err)
	}
	src := &stamped{at: map[float64]time.Time{}}
	d, err := New(t.Context(), Options{Core: core, Version: "test", Journal: j, Source: src, Hub: telemetry.NewHub(8), Log: slog.New(slog.DiscardHandler),
		Beat: 100 * time.Millisecond, Idle: time.Second, Speed: 1, Start: time.Now()})
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithTimeout(t.Context(), patience+time.Duration(n)*200*time.Millisecond)
	srv := httptest.NewServer(web.New(d, noRuns{}, web.Options{Box: "box"}))
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx) }()
	defer func() {
		stop()
		<-done
		srv.CloseClientConnections()
		srv.Close()
		_ = j.Close()
	}()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, srv.URL+"/events", nil)
	if err != nil {
		t.Fatal(err)
	}
	res, err := srv.Client().Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = res.Body.Close() }()
	return follow(t, bufio.NewScanner(res.Body), src, n)
}

func follow(t testing.TB, lines *bufio.Scanner, src *stamped, n int) []time.Duration {
	lines.Buffer(nil, 4<<20)
	var out []time.Duration
	name, last := "", -1.0
	for len(out) < n && lines.Scan() {
		if e, ok := strings.CutPrefix(lines.Text(), "event: "); ok {
			name = e
			continue
		}
		data, ok := strings.CutPrefix(lines.Text(), "data: ")
		if !ok || name != "loop" {
			continue
		}
		now := time.Now()
		var got struct {
			T    float64 `json:"t"`
			Loop struct {
				Diff *float64 `json:"diff_kpa"`
			} `json:"loop"`
		}
		if err := json.Unmarshal([]byte(data), &got); err != nil {
			t.Fatal(err)
		}
		at, ok := src.taken(got.T)
		if !ok || got.T <= last || got.Loop.Diff == nil {
			t.Fatalf("%.3f s after %.3f s, sampled then: %v; %s", got.T, last, ok, data)
		}
		last, out = got.T, append(out, now.Sub(at))
	}
	if len(out) < n {
		t.Fatalf("%d of %d events: %v", len(out), n, lines.Err())
	}
	return out
}

func TestValveWorkReachesTheScreen(t *testing.T) {
	t.Parallel()
	for _, l := range latencies(t, 15) {
		if l > patience {
			t.Errorf("%v behind", l)
		}
	}
}

func BenchmarkSampleToScreen(b *testing.B) {
	n := max(b.N, 50)
	l := latencies(b, n)
	slices.Sort(l)
	ms := func(d time.Duration) float64 { return float64(d) / float64(time.Millisecond) }
	b.ReportMetric(ms(l[len(l)/2]), "p50-ms")
	b.ReportMetric(ms(l[len(l)*99/100]), "p99-ms")
	b.ReportMetric(ms(l[len(l)-1]), "max-ms")
}
