// The station's archive against real servers on the loopback interface: an
// InfluxDB (BOXD_INFLUXD names its program, else it is found on the path) and a
// second engine that takes the same write protocol (victoria-metrics, by
// BOXD_VICTORIA or on the path). BOXD_REQUIRE_DATABASES=1 makes their absence a
// failure. Both sides are killed with SIGKILL; then what is there is counted.
package daemon

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/journal"
	"boxd/internal/record"
	"boxd/internal/telemetry/influx"
)

// child is set for the process that sends and is killed.
const childEnv = "BOXD_TEST_STATION"

func TestMain(m *testing.M) {
	if dir := os.Getenv(childEnv); dir != "" {
		send(dir)
		return
	}
	os.Exit(m.Run())
}

// send is the sending half of boxd on the archive in dir, until it is killed.
func send(dir string) {
	j, err := journal.Open(filepath.Join(dir, "boxd.sqlite"))
	if err != nil {
		panic(err)
	}
	out, err := j.Outbox(context.Background(), "station")
	if err != nil {
		panic(err)
	}
	w, err := influx.New(influx.Config{URL: os.Getenv("BOXD_TEST_URL"), Bucket: "boxd/autogen", TokenEnv: "BOXD_TEST_TOKEN"}, slog.New(slog.DiscardHandler))
	if err != nil {
		panic(err)
	}
	w.Run(context.Background(), &Station{Box: "north", Keep: out, Journal: j, Refused: filepath.Join(dir, "refused.lp")})
}

// dayLong fills an archive with what a day of a box brings while the station
// can't be reached: a run over all of it with an event every ten seconds.
func dayLong(t *testing.T, j *journal.Journal, began time.Time, seconds int) (events int) {
	t.Helper()
	batches := []journal.Batch{{Start: &journal.RunStart{ID: "r1", Zone: "east", Box: "north", Wall: began},
		Events: []engine.Event{{Wall: began, Kind: engine.RunEvent, Name: "r1", State: "started"}}}}
	for i := range seconds {
		at := began.Add(time.Duration(i) * time.Second)
		in := engine.Input{Mono: time.Duration(i) * time.Second, Wall: at}
		for n, c := range []box.Channel{box.SupplyPressure, box.HeaderPressure, box.MainFlow, box.InjectorFlow, box.BoxEC, box.EndEC} {
			in.Samples = append(in.Samples, box.Sample{Channel: c, Value: float64(i%977) + float64(n)})
		}
		b := journal.Batch{Run: "r1"}
		log, err := record.AppendInput(nil, &in)
		must(t, err)
		b.Inputs = log
		if i%10 == 0 {
			b.Events = []engine.Event{{T: float64(i), Wall: at, Kind: engine.AlarmEvent, ID: "stock-empty", State: "raised", Priority: "high", Text: "no stock"}}
		}
		batches = append(batches, b)
	}
	left, at := 12.5, began.Add(time.Duration(seconds)*time.Second)
	batches = append(batches, journal.Batch{Run: "r1", Events: []engine.Event{{T: float64(seconds), Wall: at, Kind: engine.SummaryEvent, Sum: &engine.Summary{VolumeL: 812, Flush: "done", UndeliveredPct: &left}}},
		End: &journal.RunEnd{Wall: at, T: float64(seconds)}})
	must(t, j.Commit(t.Context(), batches...))
	return 2 + (seconds+9)/10
}

// server is a database process that can be killed and started where it was.
type dbServer struct {
	t    *testing.T
	args []string
	url  string
	ping string
	cmd  *exec.Cmd
}

func (s *dbServer) start() {
	s.t.Helper()
	s.cmd = exec.Command(s.args[0], s.args[1:]...)
	must(s.t, s.cmd.Start())
	cmd := s.cmd
	s.t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
	s.eventually("the server answers", func() bool {
		r, err := http.Get(s.url + s.ping)
		if err != nil {
			return false
		}
		_ = r.Body.Close()
		return r.StatusCode < 300
	})
}

func (s *dbServer) kill() {
	s.t.Helper()
	must(s.t, s.cmd.Process.Kill())
	_ = s.cmd.Wait() // it was killed: that is its error
}

func (s *dbServer) eventually(what string, good func() bool) {
	s.t.Helper()
	tick := time.NewTicker(250 * time.Millisecond) // to count all of a day is work
	defer tick.Stop()
	for limit := time.After(2 * patience); !good(); {
		select {
		case <-tick.C:
		case <-limit:
			s.t.Fatalf("never: %s", what)
		}
	}
}

// comes waits until so many are there, for as long as they become more: how long a day
// takes is the machine's to say.
func (s *dbServer) comes(all int, came func() int) {
	s.t.Helper()
	for had, now := -1, 0; now != all; had = now {
		s.eventually(fmt.Sprintf("more than %d of %d", had, all), func() bool { now = came(); return now != had })
	}
}

func program(t *testing.T, env, name string) string {
	t.Helper()
	if path := os.Getenv(env); path != "" {
		return path
	}
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("BOXD_REQUIRE_DATABASES") == "1" {
			t.Fatalf("%s is required: %v", name, err)
		}
		t.Skipf("%s is not installed", name)
	}
	return path
}

func freeAddress(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	defer l.Close()
	return l.Addr().String()
}

// influxd starts InfluxDB with accounts and Flux, a database and a writer's
// account.
func influxd(t *testing.T) *dbServer {
	t.Helper()
	path, dir, addr, other := program(t, "BOXD_INFLUXD", "influxd"), t.TempDir(), freeAddress(t), freeAddress(t)
	conf := filepath.Join(dir, "influxdb.conf")
	must(t, os.WriteFile(conf, []byte(fmt.Sprintf(`reporting-disabled = true
bind-address = %q
[meta]
  dir = "%[2]s/meta"
[data]
  dir = "%[2]s/data"
  wal-dir = "%[2]s/wal"
[http]
  bind-address = %[3]q
  auth-enabled = true
  flux-enabled = true
  log-enabled = false
[logging]
  level = "error"
`, other, dir, addr)), 0o600))
	s := &dbServer{t: t, args: []string{path, "-config", conf}, url: "http://" + addr, ping: "/ping"}
	s.start()
	for _, q := range []string{`CREATE USER admin WITH PASSWORD 'sesame' WITH ALL PRIVILEGES`, `CREATE DATABASE boxd`,
		`CREATE USER box WITH PASSWORD 'hunter2'`, `GRANT WRITE ON boxd TO box`} {
		s.influxQL(q)
	}
	return s
}

type series struct {
	Columns []string
	Values  [][]any
}

func (s *dbServer) influxQL(q string) []series {
	s.t.Helper()
	r, err := http.PostForm(s.url+"/query?db=boxd&u=admin&p=sesame", url.Values{"q": {q}})
	must(s.t, err)
	defer r.Body.Close()
	var out struct {
		Results []struct {
			Series []series
			Error  string
		}
		Error string
	}
	must(s.t, json.NewDecoder(r.Body).Decode(&out))
	if out.Error != "" || len(out.Results) == 0 || out.Results[0].Error != "" {
		s.t.Fatalf("%s: %+v", q, out)
	}
	return out.Results[0].Series
}

// number is the one figure a query gives.
func (s *dbServer) number(q string) int {
	s.t.Helper()
	all := s.influxQL(q)
	if len(all) != 1 || len(all[0].Values) != 1 {
		return 0
	}
	f, _ := all[0].Values[0][1].(float64)
	return int(f)
}

// sender is boxd's sending half as a process of its own.
type sender struct {
	t   *testing.T
	dir string
	url string
	cmd *exec.Cmd
}

func (s *sender) start() {
	s.t.Helper()
	self, err := os.Executable()
	must(s.t, err)
	s.cmd = exec.Command(self)
	s.cmd.Env = append(os.Environ(), childEnv+"="+s.dir, "BOXD_TEST_URL="+s.url, "BOXD_TEST_TOKEN=box:hunter2")
	s.cmd.Stderr = os.Stderr
	must(s.t, s.cmd.Start())
	cmd := s.cmd
	s.t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
}

func (s *sender) kill() {
	s.t.Helper()
	must(s.t, s.cmd.Process.Kill())
	_ = s.cmd.Wait()
}

// A day of box time waits in the archive. While it is caught up with, the sender
// is killed six times and the database three; nothing is missing then and nothing
// there twice. The queries of the manual and of the dashboard find it.
func TestADayComesToInfluxDB(t *testing.T) {
	t.Parallel()
	db, dir := influxd(t), t.TempDir()
	j, err := journal.Open(filepath.Join(dir, "boxd.sqlite"))
	must(t, err)
	defer j.Close()
	const day = 86400
	began := time.Now().Add(-23 * time.Hour).Truncate(time.Second)
	events := dayLong(t, j, began, day-3600)
	const seconds = day - 3600
	s := &sender{t: t, dir: dir, url: db.url}
	rng := rand.New(rand.NewPCG(4, 0))
	killed := 0
	came := func() int {
		return db.number(`SELECT count("seq") FROM "boxd_event"`) + db.number(`SELECT count("supply_kpa") FROM "boxd_trace"`)
	}
	for s.start(); killed < 9; killed++ {
		wait := time.NewTimer(200*time.Millisecond + time.Duration(rng.IntN(400))*time.Millisecond)
		<-wait.C
		if killed%3 == 2 {
			db.kill()
			db.start()
			continue
		}
		s.kill()
		s.start()
	}
	if came() == events+seconds {
		t.Log("all had come before the last kill: make the day longer")
	}
	db.comes(events+seconds, came)
	s.kill()
	if n := db.number(`SELECT count("supply_kpa") FROM "boxd_trace"`); n != seconds {
		t.Errorf("%d rows of %d", n, seconds)
	}
	last := db.number(`SELECT last("seq") FROM "boxd_event"`)
	if n := db.number(`SELECT count(distinct("seq")) FROM "boxd_event"`); n != events || last < events {
		t.Errorf("%d distinct numbers of %d events, the last %d", n, events, last)
	}
	if n := db.number(`SELECT count("volume_l") FROM "boxd_run"`); n != 1 {
		t.Errorf("%d summaries", n)
	}
	if n := db.number(`SELECT sum("supply_kpa") FROM "boxd_trace"`); n != sumOf(seconds) {
		t.Errorf("the values add up to %d, not %d", n, sumOf(seconds))
	}
	t.Logf("%d rows of trace and %d events, each once, after %d kills", seconds, events, killed)
	t.Run("queries", func(t *testing.T) { queries(t, db) })
}

func sumOf(seconds int) (sum int) {
	for i := range seconds {
		sum += i % 977
	}
	return sum
}

// queries: each example of the manual and each query of the dashboard gives rows.
func queries(t *testing.T, db *dbServer) {
	page, err := os.ReadFile("../../docs/database.md")
	must(t, err)
	part := string(page)
	n := 0
	for _, q := range regexp.MustCompile(`(?m)^    (SELECT .*)$`).FindAllStringSubmatch(part, -1) {
		if n++; len(db.influxQL(q[1])) == 0 {
			t.Errorf("nothing for %s", q[1])
		}
	}
	for _, q := range regexp.MustCompile(`(?m)^    // Flux.*\n((?:    +[^/\n].*\n)+)`).FindAllStringSubmatch(part, -1) {
		if n++; db.flux(strings.ReplaceAll(q[1], `bucket: "boxd"`, `bucket: "boxd/autogen"`)) == 0 {
			t.Errorf("nothing for %s", q[1])
		}
	}
	if n != 4 {
		t.Errorf("%d examples found in the manual, 4 are known", n)
	}
	board, err := os.ReadFile("../../docs/grafana.json")
	must(t, err)
	var asked int
	for _, m := range regexp.MustCompile(`"query": (".*")`).FindAllStringSubmatch(string(board), -1) {
		var q string
		must(t, json.Unmarshal([]byte(m[1]), &q))
		q = strings.NewReplacer("$timeFilter", "time > now() - 2d", "$__interval", "10s", "/^$box$/", "/.*/").Replace(q)
		if asked++; len(db.influxQL(q)) == 0 {
			t.Errorf("nothing for the dashboard's %s", q)
		}
	}
	if asked < 8 {
		t.Errorf("only %d queries found in the dashboard", asked)
	}
}

// The dashboard is what an import takes: one input for the data source, which
// everything refers to; panels with numbers of their own, of kinds every Grafana
// brings, that don't cover each other on its 24 columns; named queries (Grafana's
// documentation, "Dashboard JSON model", from memory).
func TestTheDashboardCanBeImported(t *testing.T) {
	b, err := os.ReadFile("../../docs/grafana.json")
	must(t, err)
	type source struct{ Type, UID string }
	var d struct {
		Inputs []struct{ Name, Type, PluginID string } `json:"__inputs"`
		ID     *int
		Title  string
		Schema int `json:"schemaVersion"`
		Panels []struct {
			ID         int
			Type       string
			Datasource source
			GridPos    struct{ X, Y, W, H int }
			Targets    []struct {
				RefID, Query, ResultFormat string
				RawQuery                   bool
				Datasource                 source
			}
		}
		Templating struct{ List []struct{ Name, Type string } }
	}
	must(t, json.Unmarshal(b, &d))
	if len(d.Inputs) != 1 || d.Inputs[0].Type != "datasource" || d.Inputs[0].PluginID != "influxdb" || d.ID != nil || d.Title == "" || d.Schema < 30 || len(d.Panels) == 0 {
		t.Fatalf("head %+v", d)
	}
	want := source{"influxdb", "${" + d.Inputs[0].Name + "}"}
	ids, taken := map[int]bool{}, map[[2]int]int{}
	for _, p := range d.Panels {
		if p.ID <= 0 || ids[p.ID] || p.Type != "timeseries" && p.Type != "table" || p.Datasource != want || len(p.Targets) == 0 {
			t.Errorf("panel %+v", p)
		}
		ids[p.ID] = true
		g := p.GridPos
		if g.X < 0 || g.W <= 0 || g.X+g.W > 24 || g.H <= 0 {
			t.Errorf("panel %d lies at %+v", p.ID, g)
		}
		for x := g.X; x < g.X+g.W; x++ {
			for y := g.Y; y < g.Y+g.H; y++ {
				if other := taken[[2]int{x, y}]; other != 0 {
					t.Fatalf("panels %d and %d cover each other", other, p.ID)
				}
				taken[[2]int{x, y}] = p.ID
			}
		}
		refs := map[string]bool{}
		for _, q := range p.Targets {
			if q.RefID == "" || refs[q.RefID] || !q.RawQuery || q.Query == "" || q.Datasource != want || (q.ResultFormat == "table") != (p.Type == "table") {
				t.Errorf("panel %d asks %+v", p.ID, q)
			}
			refs[q.RefID] = true
			for _, v := range regexp.MustCompile(`\$([a-z]\w*)`).FindAllStringSubmatch(q.Query, -1) {
				if v[1] != "timeFilter" && v[1] != d.Templating.List[0].Name {
					t.Errorf("panel %d asks by $%s, which is no variable", p.ID, v[1])
				}
			}
		}
	}
}

// flux gives the number of rows.
func (s *dbServer) flux(q string) (rows int) {
	s.t.Helper()
	req, err := http.NewRequest(http.MethodPost, s.url+"/api/v2/query", strings.NewReader(q))
	must(s.t, err)
	req.Header.Set("Authorization", "Token admin:sesame")
	req.Header.Set("Content-Type", "application/vnd.flux")
	req.Header.Set("Accept", "application/csv")
	r, err := http.DefaultClient.Do(req)
	must(s.t, err)
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	must(s.t, err)
	if r.StatusCode != http.StatusOK {
		s.t.Fatalf("%s: %d %s", q, r.StatusCode, b)
	}
	return strings.Count(string(b), ",_result,")
}

// What a wrong setting gives at a real server, and that it says what to do.
func TestWrongSettingsOfTheDatabase(t *testing.T) {
	t.Parallel()
	db := influxd(t)
	good := influx.Config{URL: db.url, Bucket: "boxd/autogen"}
	point := func(v any) []influx.Point {
		return []influx.Point{{Measurement: "m", Tags: map[string]string{"box": "north"}, Fields: map[string]any{"v": v}, At: time.Now().UnixNano()}}
	}
	write := func(c influx.Config, token string, p []influx.Point) ([]influx.Refused, error) {
		c.TokenFile = filepath.Join(t.TempDir(), "token")
		must(t, os.WriteFile(c.TokenFile, []byte(token), 0o600))
		w, err := influx.New(c, slog.New(slog.DiscardHandler))
		must(t, err)
		return w.Write(t.Context(), p)
	}
	for _, x := range []struct{ bucket, token, want string }{
		{"boxd/autogen", "box:wrongsecret", "influx.token_file"},
		{"elsewhere/autogen", "admin:sesame", "influx.bucket"},
		{"boxd/nopolicy", "box:hunter2", "retention policy in influx.bucket"},
	} {
		c := good
		c.Bucket = x.bucket
		_, err := write(c, x.token, point(1.0))
		if err == nil || !strings.Contains(err.Error(), x.want) {
			t.Errorf("%s as %s: %v", x.bucket, x.token, err)
		}
		if err != nil && (strings.Contains(err.Error(), "wrongsecret") || strings.Contains(err.Error(), "hunter2") || strings.Contains(err.Error(), "sesame")) {
			t.Errorf("the token is told: %v", err)
		}
	}
	if refused, err := write(good, "box:hunter2", point(1.0)); err != nil || len(refused) > 0 {
		t.Fatal(refused, err)
	}
	both := append(point("a text"), influx.Point{Measurement: "m", Tags: map[string]string{"box": "south"}, Fields: map[string]any{"v": 2.0}, At: 5})
	refused, err := write(good, "box:hunter2", both)
	if err != nil || len(refused) != 1 || !strings.Contains(refused[0].Line, "a text") {
		t.Errorf("a text where a number was: refused %v, %v", refused, err)
	}
	if n := db.number(`SELECT count("v") FROM "m"`); n != 2 {
		t.Errorf("%d good points stand, 2 were sent", n)
	}
}

// The second engine speaks the protocol; it is no test of what it keeps (it lost an
// acknowledged sample when killed), and knows milliseconds only.
func TestASecondEngineTakesTheSame(t *testing.T) {
	t.Parallel()
	path, dir, addr := program(t, "BOXD_VICTORIA", "victoria-metrics"), t.TempDir(), freeAddress(t)
	db := &dbServer{t: t, args: []string{path, "-httpListenAddr=" + addr, "-storageDataPath=" + dir, "-retentionPeriod=2y", "-dedup.minScrapeInterval=1ms",
		"-graphiteListenAddr=", "-opentsdbListenAddr=", "-influxListenAddr=", "-loggerLevel=ERROR"}, url: "http://" + addr, ping: "/health"}
	db.start()
	j, err := journal.Open(filepath.Join(t.TempDir(), "boxd.sqlite"))
	must(t, err)
	defer j.Close()
	const seconds = 3000
	dayLong(t, j, time.Now().Add(-2*time.Hour).Truncate(time.Second), seconds)
	s := &sender{t: t, dir: filepath.Dir(j.Path()), url: db.url}
	count := func() int {
		r, err := http.Get(db.url + `/api/v1/export?match[]=` + url.QueryEscape(`{__name__=~"boxd_trace_supply_kpa"}`))
		if err != nil {
			return 0
		}
		defer r.Body.Close()
		n := 0
		for lines := bufio.NewScanner(r.Body); lines.Scan(); {
			var row struct{ Timestamps []int64 }
			if json.Unmarshal(lines.Bytes(), &row) == nil {
				n += len(row.Timestamps)
			}
		}
		return n
	}
	s.start()
	db.eventually("some has come", func() bool { return count() > 0 })
	s.kill()
	s.start()
	db.eventually("all is there", func() bool {
		if r, err := http.Get(db.url + "/internal/force_flush"); err == nil { // what was taken in is shown by then
			_ = r.Body.Close()
		}
		return count() >= seconds
	})
	s.kill()
	if n := count(); n != seconds {
		t.Errorf("%d samples, %d were sent", n, seconds)
	}
}
