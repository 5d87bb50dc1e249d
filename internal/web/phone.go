package web

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"io/fs"
	"net/http"
)

// manifest lets a phone keep the page as an app of its own (W3C Web Application
// Manifest).
func (s visit) manifest(w http.ResponseWriter, _ *http.Request) {
	type icon struct {
		Src   string `json:"src"`
		Sizes string `json:"sizes"`
		Type  string `json:"type"`
	}
	w.Header().Set("Content-Type", "application/manifest+json")
	writeJSON(w, map[string]any{
		"name": s.opts.Box + " · boxd", "short_name": s.opts.Box, "lang": s.lang, "start_url": "/", "scope": "/", "display": "standalone",
		"background_color": "#dcdfdd", "theme_color": "#33403c",
		"icons": []icon{{"/static/icon-192.png", "192x192", "image/png"}, {"/static/icon-512.png", "512x512", "image/png"}, {"/static/icon.svg", "any", "image/svg+xml"}},
	})
}

func (s visit) offline(w http.ResponseWriter, _ *http.Request) {
	writePage(w, http.StatusOK, s.pages().offline, s.frame("offline"))
}

// worker is the service worker, under a name that changes with what it keeps.
func (s *server) worker(w http.ResponseWriter, _ *http.Request) {
	b, err := files.ReadFile("static/sw.js")
	if err != nil {
		panic("web: " + err.Error()) // embedded: it is there
	}
	w.Header().Set("Content-Type", "text/javascript; charset=utf-8")
	w.Header().Set("Cache-Control", "no-cache")
	_, _ = w.Write(bytes.ReplaceAll(b, []byte("VERSION"), []byte(shellVersion()))) // a broken connection has nobody to tell
}

// shellVersion is a hash of all that the shell is made of.
func shellVersion() string {
	sum := sha256.New()
	err := fs.WalkDir(files, ".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := files.ReadFile(path)
		_, _ = sum.Write(b) // a hash can't fail
		return err
	})
	if err != nil {
		panic("web: " + err.Error())
	}
	return hex.EncodeToString(sum.Sum(nil)[:8])
}
