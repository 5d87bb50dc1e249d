package access

// Accounts, sessions and throttling are tried through the door that the pages
// use. bcrypt runs at its least cost but where the cost is what is tried; its own
// tests are its library's.

import (
	"fmt"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/crypto/bcrypt"
)

const phrase = "wet gloves on a cold valve"

func book(t *testing.T, dir string) *Book {
	t.Helper()
	b, err := OpenBookAt(dir, bcrypt.MinCost)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// begun is a book with Kim, who administers.
func begun(t *testing.T, dir string) *Book {
	t.Helper()
	b := book(t, dir)
	if err := b.Begin(b.Code(), "Kim", phrase); err != nil {
		t.Fatal(err)
	}
	return b
}

func refused(t *testing.T, err error, part string) {
	t.Helper()
	if err == nil || !strings.Contains(err.Error(), part) {
		t.Errorf("want a refusal with %q, got %v", part, err)
	}
}

func TestRoles(t *testing.T) {
	all := []Role{Nobody, View, Operate, Administer}
	for i, r := range all {
		for j, need := range all {
			if r.May(need) != (i >= j) {
				t.Errorf("%v may %v: %v", r, need, r.May(need))
			}
		}
		if got, ok := RoleByName(r.String()); ok != (r != Nobody) || got != r {
			t.Errorf("%v reads back as %v", r, got)
		}
	}
}

func TestFirstStart(t *testing.T) {
	b := book(t, t.TempDir())
	code := b.Code()
	if len(code) != 8 {
		t.Fatalf("code %q", code)
	}
	refused(t, b.Begin("", "Kim", phrase), "not the code")
	refused(t, b.Begin(code[:7]+"!", "Kim", phrase), "not the code")
	refused(t, b.Begin(code, "", phrase), "Give a name")
	refused(t, b.Begin(code, "Kim", "short"), "too short")
	if len(b.People()) != 0 {
		t.Fatal("a refused first start made an account")
	}
	if err := b.Begin(" "+strings.ToLower(code), "Kim", phrase); err != nil {
		t.Fatal(err)
	}
	refused(t, b.Begin(code, "Lee", phrase), "has been made")
	if p := b.People(); len(p) != 1 || p[0].Role != Administer || b.Code() != "" {
		t.Errorf("people %v, code %q", p, b.Code())
	}
}

func TestBook(t *testing.T) {
	dir := t.TempDir()
	b := begun(t, dir)
	for _, err := range []error{b.Add("Lee  Long", phrase+"!", Operate), b.Add("Sol", phrase+"?", View)} {
		if err != nil {
			t.Fatal(err)
		}
	}
	refused(t, b.Add("lee long", phrase, View), "already somebody")
	refused(t, b.Add("Max", phrase, Nobody), "Choose")
	refused(t, b.Add("Max", strings.Repeat("ab", 37), View), "too long")
	refused(t, b.Add("Max", "aaaaaaaaaaaa", View), "too easy")
	refused(t, b.Add("Max Power X", "max power x", View), "too easy")
	refused(t, b.Remove("Kim"), "must be left")
	refused(t, b.Change("Kim", "", View), "must be left")
	refused(t, b.Remove("Max"), "nobody called")
	refused(t, b.Change("Max", "", View), "nobody called")
	if err := b.Change("Lee Long", "another long phrase", Administer); err != nil {
		t.Fatal(err)
	}
	if err := b.Remove("Kim"); err != nil {
		t.Fatal(err)
	}
	// What was accepted survives; what was refused left no trace.
	b = book(t, dir)
	if p := b.People(); len(p) != 2 || p[0].Name != "Lee Long" || p[0].Role != Administer || p[1].Role != View || b.Code() != "" {
		t.Errorf("people %+v, code %q", p, b.Code())
	}
	if _, ok := b.check("LEE LONG", "another long phrase"); !ok {
		t.Error("the changed phrase does not open")
	}
	if _, ok := b.check("Lee Long", phrase+"!"); ok {
		t.Error("the old phrase still opens")
	}
	if _, ok := b.check("Kim", phrase); ok {
		t.Error("a removed account opens")
	}
}

func TestFileHoldsHashesOnly(t *testing.T) {
	dir := t.TempDir()
	begun(t, dir)
	path := filepath.Join(dir, "accounts.json")
	raw, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(string(raw), phrase) || !strings.Contains(string(raw), "$2a$") {
		t.Errorf("the file says\n%s", raw)
	}
	if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("mode %v, %v", info.Mode(), err)
	}
	if err := os.WriteFile(path, []byte("[{"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err = OpenBookAt(dir, bcrypt.MinCost)
	refused(t, err, "accounts.json")
}

// TestCost looks at what a book as the service opens it makes of a phrase: no less
// than cost 10, which OWASP's password storage sheet asks for (from memory). An
// account whose hash cost less gets in as before.
func TestCost(t *testing.T) {
	dir := t.TempDir()
	begun(t, dir)
	b, err := OpenBook(dir)
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Add("Lee", phrase, Operate); err != nil {
		t.Fatal(err)
	}
	for i, want := range []int{bcrypt.MinCost, 10} {
		a := b.accounts[i]
		if got, err := bcrypt.Cost([]byte(a.Hash)); err != nil || got != want {
			t.Errorf("%s's hash cost %d, not %d: %v", a.Name, got, want, err)
		}
		if _, ok := b.check(a.Name, phrase); !ok {
			t.Errorf("%s does not get in", a.Name)
		}
	}
	// Whoever guesses names learns nothing by how long the answer takes.
	if got, err := bcrypt.Cost(b.dud); err != nil || got != 10 {
		t.Errorf("a name that isn't there costs %d, %v", got, err)
	}
}

// door is a server behind a keeper, and a browser with a jar.
type door struct {
	k      *Keeper
	srv    *httptest.Server
	client *http.Client
}

func open(t *testing.T, dir string, b *Book) *door {
	t.Helper()
	k, err := NewKeeper(dir, b, false, false)
	if err != nil {
		t.Fatal(err)
	}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /who", func(w http.ResponseWriter, r *http.Request) {
		v := k.Who(r)
		_, _ = w.Write([]byte(v.Name + " may " + v.Role.String()))
	})
	mux.HandleFunc("POST /in", func(w http.ResponseWriter, r *http.Request) {
		if err := k.SignIn(r, r.PostFormValue("name"), r.PostFormValue("phrase")); err != nil {
			http.Error(w, err.Error(), http.StatusForbidden)
		}
	})
	mux.HandleFunc("POST /out", func(_ http.ResponseWriter, r *http.Request) { _ = k.SignOut(r) })
	d := &door{k: k, srv: httptest.NewServer(k.Handler(mux))}
	t.Cleanup(d.srv.Close)
	jar, _ := cookiejar.New(nil)
	d.client = &http.Client{Jar: jar, Timeout: 10 * time.Second}
	return d
}

func (d *door) who(t *testing.T) string {
	t.Helper()
	res, err := d.client.Get(d.srv.URL + "/who")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = res.Body.Close() }()
	b := make([]byte, 200)
	n, _ := res.Body.Read(b)
	return string(b[:n])
}

func (d *door) post(t *testing.T, path, name, phrase string) int {
	t.Helper()
	res, err := d.client.PostForm(d.srv.URL+path, url.Values{"name": {name}, "phrase": {phrase}})
	if err != nil {
		t.Fatal(err)
	}
	_ = res.Body.Close()
	return res.StatusCode
}

func (d *door) token(t *testing.T) string {
	t.Helper()
	u, _ := url.Parse(d.srv.URL)
	for _, c := range d.client.Jar.Cookies(u) {
		if c.Name == "boxd" {
			return c.Value
		}
	}
	return ""
}

func TestSessions(t *testing.T) {
	dir := t.TempDir()
	b := begun(t, dir)
	d := open(t, dir, b)
	if got := d.who(t); got != " may nobody" {
		t.Errorf("a stranger is %q", got)
	}
	if d.post(t, "/in", "Kim", "wrong phrase here") != http.StatusForbidden || d.token(t) != "" {
		t.Error("a wrong phrase began a session")
	}
	if d.post(t, "/in", "kim", phrase) != http.StatusOK {
		t.Fatal("the right phrase was refused")
	}
	if got := d.who(t); got != "Kim may administer" {
		t.Errorf("signed in as %q", got)
	}
	// A token from before sign-in must not be the one after it.
	was := d.token(t)
	d.post(t, "/in", "Kim", phrase)
	if now := d.token(t); now == was || now == "" {
		t.Errorf("the token stayed %q", now)
	}
	if raw, err := os.ReadFile(filepath.Join(dir, "sessions.json")); err != nil || strings.Contains(string(raw), d.token(t)) {
		t.Errorf("the file holds the token itself, or isn't there: %v", err)
	}
	// A restart keeps the session; a changed phrase ends it.
	again := open(t, dir, b)
	here, _ := url.Parse(d.srv.URL)
	there, _ := url.Parse(again.srv.URL)
	again.client.Jar.SetCookies(there, d.client.Jar.Cookies(here))
	if got := again.who(t); got != "Kim may administer" {
		t.Errorf("after a restart %q", got)
	}
	if err := b.Change("Kim", "quite another phrase", Nobody); err != nil {
		t.Fatal(err)
	}
	if got := again.who(t); got != " may nobody" {
		t.Errorf("after the change %q", got)
	}
	again.post(t, "/in", "Kim", "quite another phrase")
	again.post(t, "/out", "", "")
	if got := again.who(t); got != " may nobody" {
		t.Errorf("after signing out %q", got)
	}
}

// TestSessionsEndWithTheirAccount has the account go in every way there is and come
// again under the same name and phrase: who was signed in before is not any more.
func TestSessionsEndWithTheirAccount(t *testing.T) {
	for name, anew := range map[string]func(t *testing.T, dir string, b *Book) *Book{
		"removed": func(t *testing.T, _ string, b *Book) *Book {
			for _, err := range []error{b.Add("Lee", phrase, Administer), b.Remove("Kim"), b.Add("Kim", phrase, Administer)} {
				if err != nil {
					t.Fatal(err)
				}
			}
			return b
		},
		"accounts.json moved away": func(t *testing.T, dir string, _ *Book) *Book {
			if err := os.Rename(filepath.Join(dir, "accounts.json"), filepath.Join(dir, "accounts.json.old")); err != nil {
				t.Fatal(err)
			}
			return begun(t, dir)
		},
		"the same phrase again": func(t *testing.T, _ string, b *Book) *Book {
			if err := b.Change("Kim", phrase, Nobody); err != nil {
				t.Fatal(err)
			}
			return b
		},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			b := begun(t, dir)
			d := open(t, dir, b)
			d.post(t, "/in", "Kim", phrase)
			after := open(t, dir, anew(t, dir, b))
			here, _ := url.Parse(d.srv.URL)
			there, _ := url.Parse(after.srv.URL)
			after.client.Jar.SetCookies(there, d.client.Jar.Cookies(here))
			if got := after.who(t); got != " may nobody" {
				t.Errorf("the old session is %q", got)
			}
			after.post(t, "/in", "Kim", phrase)
			if got := after.who(t); got != "Kim may administer" {
				t.Errorf("signed in anew as %q", got)
			}
		})
	}
}

// TestStill looks at a request from before the sign-out.
func TestStill(t *testing.T) {
	dir := t.TempDir()
	k, err := NewKeeper(dir, begun(t, dir), false, false)
	if err != nil {
		t.Fatal(err)
	}
	ask := func(c *http.Cookie, do func(r *http.Request)) *http.Response {
		w, r := httptest.NewRecorder(), httptest.NewRequest("POST", "/", nil)
		if c != nil {
			r.AddCookie(c)
		}
		k.Handler(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { do(r) })).ServeHTTP(w, r)
		return w.Result()
	}
	in := ask(nil, func(r *http.Request) {
		if err := k.SignIn(r, "Kim", phrase); err != nil {
			t.Error(err)
		}
	})
	ask(in.Cookies()[0], func(long *http.Request) {
		if v := k.Still(long); v.Name != "Kim" || v.Role != Administer {
			t.Errorf("signed in, and still %+v", v)
		}
		ask(in.Cookies()[0], func(r *http.Request) { _ = k.SignOut(r) })
		if v := k.Still(long); v.Role != Nobody {
			t.Errorf("signed out elsewhere, and still %+v", v)
		}
	})
}

func TestCookie(t *testing.T) {
	for _, secure := range []bool{false, true} {
		dir := t.TempDir()
		k, err := NewKeeper(dir, begun(t, dir), false, secure)
		if err != nil {
			t.Fatal(err)
		}
		w := httptest.NewRecorder()
		k.Handler(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
			if err := k.SignIn(r, "Kim", phrase); err != nil {
				t.Error(err)
			}
		})).ServeHTTP(w, httptest.NewRequest("POST", "/", nil))
		c := w.Result().Cookies()[0]
		if !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.Secure != secure || c.Path != "/" || strings.HasPrefix(c.Name, "__Host-") != secure {
			t.Errorf("secure %v: %v", secure, c)
		}
	}
}

// TestThrottle guesses as fast as the door lets it, in the bubble's own time.
func TestThrottle(t *testing.T) {
	dir := t.TempDir()
	b := begun(t, dir)
	synctest.Test(t, func(t *testing.T) {
		k, err := NewKeeper(dir, b, false, false)
		if err != nil {
			t.Fatal(err)
		}
		try := func(from, name, phrase string) error {
			var err error
			r := httptest.NewRequest("POST", "/", nil)
			r.RemoteAddr = from
			k.Handler(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { err = k.SignIn(r, name, phrase) })).ServeHTTP(httptest.NewRecorder(), r)
			return err
		}
		for i := range placeTries {
			refused(t, try("192.0.2.7:1", "Kim", "wrong phrase"), "do not go together")
			_ = i
		}
		refused(t, try("192.0.2.7:2", "Kim", phrase), "Too many tries")
		if err := try("192.0.2.8:1", "Kim", phrase); err != nil {
			t.Errorf("another place is locked out too: %v", err)
		}
		time.Sleep(firstWait)
		if err := try("192.0.2.7:3", "Kim", phrase); err != nil {
			t.Errorf("still refused after the wait: %v", err)
		}
		refused(t, try("192.0.2.7:4", "Kim", "wrong phrase"), "do not go together") // forgiven: counted from the start
		// From a new place each time, the name itself is guarded.
		var last error
		for i := range nameTries + 2 {
			last = try("198.51.100."+string(rune('0'+i%10))+":"+string(rune('0'+i/10)), "Kim", "wrong phrase")
		}
		refused(t, last, "Too many tries")
		// However it is written: spaces, and a letter that folds into another (U+017F, long s).
		if err := b.Add("Sol Sun", phrase, View); err != nil {
			t.Fatal(err)
		}
		spellings := []string{"Sol Sun", "sol  sun", "Sol   Sun", "\u017fol Sun", "SOL \u017fUN"}
		for i := range nameTries + 1 {
			last = try("203.0.113."+string(rune('0'+i%10))+":"+string(rune('0'+i/10)), spellings[i%len(spellings)], "wrong phrase")
		}
		refused(t, last, "Too many tries")
	})
}

// TestManyTriesAtOnce lets a hundred guesses in before the first is answered, from
// one IPv6 network, which is one host's: no more of them are compared than one by one.
func TestManyTriesAtOnce(t *testing.T) {
	dir := t.TempDir()
	k, err := NewKeeper(dir, begun(t, dir), false, false)
	if err != nil {
		t.Fatal(err)
	}
	compared := make(chan bool, 100)
	k.turns <- struct{}{} // all of them wait
	for i := range cap(compared) {
		go func() {
			r := httptest.NewRequest("POST", "/", nil)
			r.RemoteAddr = fmt.Sprintf("[2001:db8::%x]:1", i)
			k.Handler(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
				err := k.SignIn(r, fmt.Sprint("name ", i), "wrong phrase")
				compared <- strings.Contains(err.Error(), "do not go together")
			})).ServeHTTP(httptest.NewRecorder(), r)
		}()
	}
	<-k.turns
	n := 0
	for range cap(compared) {
		if <-compared {
			n++
		}
	}
	if n != placeTries {
		t.Errorf("%d guesses were compared, not %d", n, placeTries)
	}
}

func TestWhence(t *testing.T) {
	for addr, want := range map[string]string{"192.0.2.7:80": "192.0.2.7/32", "[::ffff:192.0.2.7]:80": "192.0.2.7/32", "[2001:db8:1:2:3:4:5:6]:80": "2001:db8:1:2::/64",
		"[fe80::1%eth0]:80": "fe80::/64", "@": "invalid Prefix"} {
		if got := Whence(addr).String(); got != want {
			t.Errorf("%s counts as %s, not %s", addr, got, want)
		}
	}
}

func TestThrottleIsBounded(t *testing.T) {
	th := newThrottle()
	if th.limit > 1024 {
		t.Errorf("%d keys would be kept", th.limit)
	}
	th.limit = 64
	now := time.Date(2026, 5, 4, 7, 0, 0, 0, time.UTC)
	for i := range 3 * th.limit {
		th.failed(now.Add(time.Duration(i)*time.Millisecond), place(fmt.Sprintf("192.0.2.%d:1", i)))
	}
	if len(th.by) > th.limit {
		t.Errorf("%d keys are kept", len(th.by))
	}
	// A crowd of names does not clear the count of one.
	for range nameTries + 3 {
		th.failed(now, named("Kim"))
	}
	for i := range 3 * th.limit {
		th.failed(now, named(fmt.Sprint("nobody ", i)))
	}
	if th.wait(now, named("kim")) < firstWait<<3 {
		t.Errorf("a crowd of names has cleared Kim's count: %v", th.wait(now, named("kim")))
	}
}

func TestStoreIsBounded(t *testing.T) {
	s := &store{path: filepath.Join(t.TempDir(), "sessions.json"), by: map[string]kept{}}
	end := time.Now().Add(time.Hour)
	for i := range maxSessions + 5 {
		if err := s.Commit(string(rune('A'+i)), nil, end.Add(time.Duration(i)*time.Second)); err != nil {
			t.Fatal(err)
		}
	}
	if len(s.by) != maxSessions {
		t.Errorf("%d sessions are kept", len(s.by))
	}
	if _, ok, _ := s.Find("A"); ok {
		t.Error("the session that ends first was kept")
	}
	_ = s.Commit("old", nil, time.Now().Add(-time.Second))
	if _, ok, _ := s.Find("old"); ok {
		t.Error("a session that has ended is found")
	}
}

// TestClockSet sets the clock under a session of three days' age, and starts anew
// under another clock. It has to live for its week, give or take a start.
func TestClockSet(t *testing.T) {
	day := 24 * time.Hour
	now := time.Date(2026, 5, 4, 7, 0, 0, 0, time.UTC)
	unset := time.Date(2000, 1, 1, 0, 10, 0, 0, time.UTC)
	made := func(at time.Time) *store {
		return &store{path: filepath.Join(t.TempDir(), "sessions.json"), by: map[string]kept{"x": {Made: at, Ends: at.Add(sessionLife)}}}
	}
	for name, c := range map[string]struct {
		made, was, now time.Time
	}{
		"five hours ahead":                             {now.Add(-3 * day), now, now.Add(5 * time.Hour)},
		"nine days ahead":                              {now.Add(-3 * day), now, now.Add(9 * day)},
		"nine hours back":                              {now.Add(-3 * day), now, now.Add(-9 * time.Hour)},
		"made by an unset clock":                       {unset.Add(-3 * day), unset, now},
		"kept from before a start with an unset clock": {now.Add(-3 * day), unset, now},
	} {
		s := made(c.made)
		s.set(c.was, c.now, c.now.Sub(c.was))
		if left := s.by["x"].Ends.Sub(c.now); left != sessionLife-3*day {
			t.Errorf("%s: %v are left", name, left)
		}
	}
	s := made(now.AddDate(14, 0, 0)) // by a clock that was ahead; it was set back while boxd was off
	s.shorten(now)
	if left := s.by["x"].Ends.Sub(now); left != sessionLife {
		t.Errorf("made in 2040: %v are left", left)
	}
	s = made(now)
	s.shorten(unset)
	if s.by["x"].Ends != now.Add(sessionLife) {
		t.Error("an unset clock has changed a session")
	}
}

func TestOpenView(t *testing.T) {
	dir := t.TempDir()
	k, err := NewKeeper(dir, begun(t, dir), true, false)
	if err != nil {
		t.Fatal(err)
	}
	// Private and link-local ranges: RFC 1918, RFC 4193, RFC 3927; the others are
	// documentation addresses (RFC 5737, RFC 3849), not on the local network.
	for from, want := range map[string]Role{"192.168.1.4:80": View, "10.0.0.9:1": View, "172.16.3.3:1": View, "[fd00::1]:5": View, "[fe80::1%eth0]:5": View,
		"169.254.3.4:9": View, "127.0.0.1:3": View, "203.0.113.9:1": Nobody, "[2001:db8::1]:4": Nobody, "": Nobody} {
		var got Visitor
		r := httptest.NewRequest("GET", "/", nil)
		r.RemoteAddr = from
		k.Handler(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { got = k.Who(r) })).ServeHTTP(httptest.NewRecorder(), r)
		if got.Role != want || got.Name != "" {
			t.Errorf("from %q: %+v, want %v", from, got, want)
		}
	}
}

// TestTheCodeIsNotGuessed: the first start's code is behind the same waits, by place.
func TestTheCodeIsNotGuessed(t *testing.T) {
	dir := t.TempDir()
	b := book(t, dir)
	k, err := NewKeeper(dir, b, false, false)
	if err != nil {
		t.Fatal(err)
	}
	begin := func(from, code string) error {
		var err error
		r := httptest.NewRequest("POST", "/", nil)
		r.RemoteAddr = from
		k.Handler(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { err = k.Begin(r, code, "Kim", phrase) })).ServeHTTP(httptest.NewRecorder(), r)
		return err
	}
	for range placeTries {
		refused(t, begin("192.0.2.7:1", "WRONGCOD"), "not the code")
	}
	refused(t, begin("192.0.2.7:2", b.Code()), "Too many tries")
	if err := begin("192.0.2.8:1", b.Code()); err != nil {
		t.Errorf("another place is locked out too: %v", err)
	}
}
