package web

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"io/fs"
	"mime"
	"net/http"
	"path"
	"strings"
	"time"
)

// files are the pages, all they load, and their sentences in other languages. uPlot (MIT, licence beside it) is the
// only part not ours.
//
//go:embed pages static messages/*.json
var files embed.FS

// staticFiles serves what the pages load.
func staticFiles() http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		name := path.Clean(strings.TrimPrefix(r.URL.Path, "/"))
		b, err := fs.ReadFile(files, name)
		if err != nil || !strings.HasPrefix(name, "static/") {
			http.NotFound(w, r)
			return
		}
		serveEmbedded(w, r, name, b)
	})
}

// serveEmbedded serves a file; a browser asks again each time and is told "not
// changed" by the content's hash.
func serveEmbedded(w http.ResponseWriter, r *http.Request, name string, b []byte) {
	sum := sha256.Sum256(b)
	kind := mime.TypeByExtension(path.Ext(name))
	switch path.Ext(name) { // not left to the machine's own table
	case ".js":
		kind = "text/javascript; charset=utf-8"
	case ".css":
		kind = "text/css; charset=utf-8"
	case ".png":
		kind = "image/png"
	case ".svg":
		kind = "image/svg+xml"
	case ".json":
		kind = "application/json"
	case ".LICENSE", ".yaml":
		kind = "text/plain; charset=utf-8"
	}
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Cache-Control", "no-cache")
	w.Header().Set("ETag", `"`+hex.EncodeToString(sum[:8])+`"`)
	http.ServeContent(w, r, name, time.Time{}, bytes.NewReader(b))
}
