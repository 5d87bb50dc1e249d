package access

// Accounts, sessions and throttling are tried through the door that the pages
// use. bcrypt runs at its least cost; its own tests are its library's.

import (
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
	b, err := openBook(dir, bcrypt.MinCost)
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
	_, err = openBook(dir, bcrypt.MinCost)
	refused(t, err, "accounts.json")
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
	})
}

func TestThrottleIsBounded(t *testing.T) {
	th := newThrottle()
	now := time.Date(2026, 5, 4, 7, 0, 0, 0, time.UTC)
	for i := range 3 * throttleIn {
		th.failed(now.Add(time.Duration(i)*time.Millisecond), place(strings.Repeat("x", i%7)+string(rune(i))))
	}
	if len(th.by) > throttleIn {
		t.Errorf("%d keys are kept", len(th.by))
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
