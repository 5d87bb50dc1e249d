package station

import (
	"crypto/sha256"
	"crypto/subtle"
	"net"
	"net/http"
	"sync"
	"time"

	"boxd/internal/telemetry"
)

// Door says who may look. Without a password it is for this machine alone, and
// refuses requests under any other machine's name: a page elsewhere could have
// its name point here.
type Door struct {
	Password telemetry.Secret
}

// MinPassword is the shortest password taken, in bytes.
const MinPassword = 12

const (
	afterWrong = 2 * time.Second // that the place of a wrong password waits
	maxPlaces  = 1000            // remembered; beyond, all begin anew
)

func (d Door) guard(next http.Handler) http.Handler {
	if d.Password == "" {
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			if !loopback(r.Host) {
				http.Error(w, "refused: without a password this page is for the station's own machine alone", http.StatusForbidden)
				return
			}
			next.ServeHTTP(w, r)
		})
	}
	want := sha256.Sum256([]byte(string(d.Password)))
	g := guesses{last: map[string]time.Time{}}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		_, given, asked := r.BasicAuth()
		got := sha256.Sum256([]byte(given))
		good := asked && subtle.ConstantTimeCompare(got[:], want[:]) == 1
		if asked && !g.may(r.RemoteAddr, good, time.Now()) {
			http.Error(w, "a wrong password came from here just now: wait a little", http.StatusTooManyRequests)
			return
		}
		if !good {
			w.Header().Set("WWW-Authenticate", `Basic realm="boxd station", charset="UTF-8"`)
			http.Error(w, "sign in with the station's password; the name does not matter", http.StatusUnauthorized)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// guesses slow down whoever guesses, by the place it comes from.
type guesses struct {
	mu   sync.Mutex // requests come on goroutines of their own
	last map[string]time.Time
}

// may says whether a password from a place is looked at: after a wrong one no
// other is for a while, right or not, or the wait would tell nothing.
func (g *guesses) may(remote string, good bool, now time.Time) bool {
	host, _, _ := net.SplitHostPort(remote)
	g.mu.Lock()
	defer g.mu.Unlock()
	if now.Sub(g.last[host]) < afterWrong {
		return false
	}
	if good {
		return true
	}
	if len(g.last) >= maxPlaces {
		clear(g.last)
	}
	g.last[host] = now
	return true
}

// loopback says whether an address, with or without a port, is this machine's
// own to itself.
func loopback(addr string) bool {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		host = addr
	}
	return host == "localhost" || net.ParseIP(host).IsLoopback()
}

// Alone says whether a listening address can be reached from this machine only.
func Alone(addr string) bool { return loopback(addr) }
