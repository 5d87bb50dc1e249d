package access

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"boxd/internal/say"

	"github.com/alexedwards/scs/v2"
)

// sessionLife is how long somebody stays signed in. A phone in the field is not
// asked again in the middle of a run. Common practice, no source.
const sessionLife = 7 * 24 * time.Hour

// maxSessions bounds what is kept; the one that ends first goes first.
const maxSessions = 256

// Keeper stands at the pages' door.
type Keeper struct {
	Book *Book
	// OpenView lets everybody on the local network look without signing in.
	OpenView bool

	sessions *scs.SessionManager
	throttle *throttle
	turns    chan struct{} // phrases compared at once: hashing must not starve the core
}

// NewKeeper opens the sessions kept in the folder dir. Secure is whether the
// pages are served over TLS alone: then the cookie never travels without it.
func NewKeeper(dir string, book *Book, openView, secure bool) (*Keeper, error) {
	store := &store{path: filepath.Join(dir, "sessions.json"), by: map[string]kept{}, seen: time.Now()}
	if err := readJSON(store.path, &store.by); err != nil {
		store.by = map[string]kept{} // everybody signs in again: nothing else is lost
	}
	store.shorten(store.seen)
	name := "boxd"
	if secure {
		name = "__Host-boxd"
	}
	// Not scs.New: it would leave a goroutine for a store that isn't used.
	m := &scs.SessionManager{
		Store: store, Lifetime: sessionLife, HashTokenInStore: true, Codec: scs.GobCodec{},
		Cookie: scs.SessionCookie{Name: name, Path: "/", HttpOnly: true, Secure: secure, SameSite: http.SameSiteStrictMode, Persist: true},
		ErrorFunc: func(w http.ResponseWriter, _ *http.Request, err error) {
			http.Error(w, "cannot keep the session: "+err.Error(), http.StatusInternalServerError)
		},
	}
	return &Keeper{Book: book, OpenView: openView, sessions: m, throttle: newThrottle(), turns: make(chan struct{}, 1)}, nil
}

// Handler lets next know of sessions.
func (k *Keeper) Handler(next http.Handler) http.Handler { return k.sessions.LoadAndSave(next) }

// Who is whoever sent the request.
func (k *Keeper) Who(r *http.Request) Visitor {
	ctx := r.Context()
	if name := k.sessions.GetString(ctx, "name"); name != "" {
		if a, ok := k.Book.living(name, uint64(k.sessions.GetInt64(ctx, "life"))); ok {
			return Visitor{a.Name, a.Role}
		}
	}
	if k.OpenView && local(r.RemoteAddr) {
		return Visitor{Role: View}
	}
	return Visitor{}
}

// local reports whether an address is on the box's own network.
func local(remote string) bool {
	host, _, err := net.SplitHostPort(remote)
	if err != nil {
		host = remote
	}
	host, _, _ = strings.Cut(host, "%") // an IPv6 zone
	ip := net.ParseIP(host)
	return ip != nil && (ip.IsLoopback() || ip.IsPrivate() || ip.IsLinkLocalUnicast())
}

// Still is Who for a request that has been open for long: the session may have
// ended since it came.
func (k *Keeper) Still(r *http.Request) Visitor {
	// Under a context of its own: Load takes what the request's holds already.
	ctx, err := k.sessions.Load(context.Background(), k.sessions.Token(r.Context()))
	if err != nil {
		return Visitor{}
	}
	return k.Who(r.WithContext(ctx))
}

// SignIn checks a name and phrase and begins a session under a new token, so
// that one planted beforehand is worth nothing. The error is a say.Refusal
// where the person is to read it.
func (k *Keeper) SignIn(r *http.Request, name, phrase string) error {
	keys := []key{place(r.RemoteAddr), named(k.Book.called(name))}
	if err := k.patience(keys...); err != nil {
		return err
	}
	a, err := k.compare(r.Context(), name, phrase, keys)
	if err != nil {
		return err
	}
	return k.begin(r, a)
}

// compare takes its turn to check a phrase. Who came beside others that failed
// meanwhile waits as they do: many at once are no more guesses than one by one.
func (k *Keeper) compare(ctx context.Context, name, phrase string, keys []key) (account, error) {
	select {
	case k.turns <- struct{}{}:
		defer func() { <-k.turns }()
	case <-ctx.Done():
		return account{}, fmt.Errorf("cannot sign in: %w", ctx.Err())
	}
	if err := k.patience(keys...); err != nil {
		return account{}, err
	}
	a, ok := k.Book.check(name, phrase)
	if !ok {
		k.throttle.failed(time.Now(), keys...)
		return account{}, say.Refuse("That name and pass phrase do not go together.")
	}
	k.throttle.passed(keys...)
	return a, nil
}

// patience refuses who has to wait.
func (k *Keeper) patience(keys ...key) error {
	if wait := k.throttle.wait(time.Now(), keys...); wait > 0 {
		return say.Refuse("Too many tries. Wait %v, then try again.", wait.Round(time.Second)+time.Second)
	}
	return nil
}

// Begin makes the first account and signs it in.
func (k *Keeper) Begin(r *http.Request, code, name, phrase string) error {
	first := place(r.RemoteAddr)
	first.what = "first " + first.what
	if err := k.patience(first); err != nil {
		return err
	}
	if err := k.Book.Begin(code, name, phrase); err != nil {
		k.throttle.failed(time.Now(), first)
		return err
	}
	a, ok := k.Book.check(name, phrase)
	if !ok {
		return say.Refuse("That name and pass phrase do not go together.")
	}
	return k.begin(r, a)
}

func (k *Keeper) begin(r *http.Request, a account) error {
	ctx := r.Context()
	if err := k.sessions.RenewToken(ctx); err != nil {
		return fmt.Errorf("cannot begin a session: %w", err)
	}
	k.sessions.Put(ctx, "name", a.Name)
	k.sessions.Put(ctx, "life", int64(a.Life))
	return nil
}

// SignOut ends the session.
func (k *Keeper) SignOut(r *http.Request) error { return k.sessions.Destroy(r.Context()) }

// store keeps sessions in a file, by a hash of their token. It is written only
// when somebody signs in or out, or the clock was set.
type store struct {
	path string
	mu   sync.Mutex // of by, the file and seen
	by   map[string]kept
	seen time.Time // when the clock was last looked at
}

type kept struct {
	Data []byte    `json:"data"`
	Made time.Time `json:"made"`
	Ends time.Time `json:"ends"`
}

// Find is of scs.Store.
func (s *store) Find(token string) ([]byte, bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := s.now()
	k, ok := s.by[token]
	if !ok || !now.Before(k.Ends) {
		return nil, false, nil
	}
	return k.Data, true, nil
}

// Commit is of scs.Store.
func (s *store) Commit(token string, b []byte, ends time.Time) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.by[token] = kept{b, s.now().Round(0), ends}
	s.tidy()
	return writeJSON(s.path, s.by)
}

// clockSet is how far the clock may go from the time that has passed before it
// counts as set.
const clockSet = 2 * time.Minute

// now looks at the clock and, where it was set, sets the sessions along.
func (s *store) now() time.Time {
	now, was := time.Now(), s.seen
	s.seen = now
	if by := now.Round(0).Sub(was.Round(0)) - now.Sub(was); !was.IsZero() && by.Abs() > clockSet {
		s.set(was, now, by)
	}
	return now
}

// set moves the sessions with the clock, which was set by so much: they end
// neither all at once nor years later. One that the clock was behind when it was
// last looked at was made by a better one and stays as it is.
func (s *store) set(was, now time.Time, by time.Duration) {
	for t, k := range s.by {
		if !k.Made.After(was) {
			k.Made, k.Ends = k.Made.Add(by), k.Ends.Add(by)
			s.by[t] = k
		}
	}
	s.shorten(now)
	_ = writeJSON(s.path, s.by) // it is written again with the next
}

// aClock tells a clock that somebody has set from that of a board without a battery.
const aClock = 2020

// shorten bounds sessions that were made while the clock was ahead.
func (s *store) shorten(now time.Time) {
	for t, k := range s.by {
		if k.Made.After(now) && now.Year() >= aClock && k.Ends.After(now.Add(sessionLife)) {
			k.Made, k.Ends = now.Round(0), now.Add(sessionLife).Round(0)
			s.by[t] = k
		}
	}
}

// Delete is of scs.Store.
func (s *store) Delete(token string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if _, ok := s.by[token]; !ok {
		return nil
	}
	delete(s.by, token)
	return writeJSON(s.path, s.by)
}

// tidy drops what has ended, then what ends first while there are too many.
func (s *store) tidy() {
	now := time.Now()
	for t, k := range s.by {
		if !now.Before(k.Ends) {
			delete(s.by, t)
		}
	}
	for len(s.by) > maxSessions {
		first := ""
		for t, k := range s.by {
			if first == "" || k.Ends.Before(s.by[first].Ends) {
				first = t
			}
		}
		delete(s.by, first)
	}
}
