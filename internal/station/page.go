package station

import (
	"bytes"
	"embed"
	"encoding/json"
	"fmt"
	"html/template"
	"net/http"
	"strings"
	"time"

	"boxd/internal/say"
)

//go:embed pages
var files embed.FS

// Options of the page.
type Options struct {
	// Languages are the messages by language code; English needs none.
	Languages map[string]say.Messages
	Version   string
	Zone      *time.Location // of the times shown; nil: UTC
	Door      Door
}

// Times and bounds of the stream.
const (
	coalesce   = 250 * time.Millisecond // changes within it go out together
	beat       = time.Second            // when nothing changes
	maxReaders = 64
	writeIn    = 5 * time.Second // a reader that takes longer is dropped
)

type page struct {
	fleet   *Fleet
	o       Options
	pages   map[string]*template.Template // by language
	readers chan struct{}
}

// Handler is the page: it shows and takes nothing in.
func Handler(f *Fleet, o Options) http.Handler {
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	p := &page{fleet: f, o: o, pages: map[string]*template.Template{"en": parse(nil)}, readers: make(chan struct{}, maxReaders)}
	for lang, m := range o.Languages {
		p.pages[lang] = parse(m)
	}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", p.whole)
	mux.HandleFunc("GET /events", p.stream)
	for path, kind := range map[string]string{"station.css": "text/css; charset=utf-8", "station.js": "text/javascript; charset=utf-8"} {
		mux.HandleFunc("GET /static/"+path, func(w http.ResponseWriter, _ *http.Request) {
			b, err := files.ReadFile("pages/" + path)
			if err != nil {
				http.NotFound(w, nil)
				return
			}
			w.Header().Set("Content-Type", kind)
			_, _ = w.Write(b)
		})
	}
	return headers(o.Door.guard(mux))
}

func parse(m say.Messages) *template.Template {
	voice := say.Voice{Messages: m}
	t := func(s string, args ...any) string { return voice.Say(say.T(s, args...)) }
	return template.Must(template.New("").Funcs(template.FuncMap{
		"t": t, "word": func(s Standing) string { return voice.Say(s.Say()) }, "nth": func(i int) string { return voice.Say(Standing(i).Say()) },
		"spaced": func(s string) string { return strings.ReplaceAll(s, "-", " ") },
	}).ParseFS(files, "pages/*.html"))
}

// headers go with every answer.
func headers(next http.Handler) http.Handler {
	const policy = "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; form-action 'none'; base-uri 'none'; frame-ancestors 'none'"
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		next.ServeHTTP(w, r)
	})
}

// language is the one asked for in the address, else the browser's first that is
// known.
func (p *page) language(r *http.Request) string {
	wanted := []string{r.URL.Query().Get("lang")}
	for part := range strings.SplitSeq(r.Header.Get("Accept-Language"), ",") {
		code, _, _ := strings.Cut(strings.TrimSpace(part), ";")
		code, _, _ = strings.Cut(code, "-")
		wanted = append(wanted, strings.ToLower(code))
	}
	for _, w := range wanted {
		if p.pages[w] != nil {
			return w
		}
	}
	return "en"
}

// shown is a row for the template.
type shown struct {
	Row
	Key, When string
}

func (p *page) shown(r Row, now time.Time) shown {
	s := shown{Row: r, Key: fmt.Sprintf("%02d %s", r.rank(), r.Box)}
	if !r.Heard.IsZero() {
		at, layout := r.Heard.In(p.o.Zone), "15:04:05"
		if now.In(p.o.Zone).Format(time.DateOnly) != at.Format(time.DateOnly) {
			layout = "2006-01-02 15:04:05"
		}
		s.When = at.Format(layout)
	}
	return s
}

func (p *page) whole(w http.ResponseWriter, r *http.Request) {
	now := time.Now()
	lang := p.language(r)
	pic := p.fleet.Since(0, now)
	data := struct {
		Picture
		Lang, Version string
		Shown         []shown
	}{Picture: pic, Lang: lang, Version: p.o.Version}
	for _, row := range pic.Rows {
		data.Shown = append(data.Shown, p.shown(row, now))
	}
	var b bytes.Buffer
	if err := p.pages[lang].ExecuteTemplate(&b, "station.html", data); err != nil {
		http.Error(w, "cannot draw the page: "+err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	_, _ = w.Write(b.Bytes())
}

// drawn is one box's row on its way to a page.
type drawn struct {
	Box  string `json:"box"`
	Key  string `json:"key"`
	HTML string `json:"html"`
	At   string `json:"time,omitempty"` // what the box dated its state
}

// change is one event of the stream.
type change struct {
	Head string  `json:"head"`
	Link string  `json:"link"`
	Rows []drawn `json:"rows"`
}

// stream sends what changed, four times a second at most, in the page's language.
func (p *page) stream(w http.ResponseWriter, r *http.Request) {
	select {
	case p.readers <- struct{}{}:
		defer func() { <-p.readers }()
	default:
		http.Error(w, "too many pages are open: close another and try again", http.StatusServiceUnavailable)
		return
	}
	w.Header().Set("Content-Type", "text/event-stream")
	out := http.NewResponseController(w)
	tick := time.NewTicker(coalesce)
	defer tick.Stop()
	t := p.pages[p.language(r)]
	version, last := uint64(0), time.Time{}
	for {
		now := time.Now()
		pic := p.fleet.Since(version, now)
		if pic.Version != version || now.Sub(last) >= beat {
			if err := p.send(w, out, t, pic, now); err != nil {
				return
			}
			version, last = pic.Version, now
		}
		select {
		case <-tick.C:
		case <-r.Context().Done():
			return
		}
	}
}

func (p *page) send(w http.ResponseWriter, out *http.ResponseController, t *template.Template, pic Picture, now time.Time) error {
	var b bytes.Buffer
	if err := t.ExecuteTemplate(&b, "head", pic); err != nil {
		return err
	}
	c := change{Head: b.String(), Link: pic.Link, Rows: make([]drawn, 0, len(pic.Rows))}
	for _, row := range pic.Rows {
		s := p.shown(row, now)
		b.Reset()
		if err := t.ExecuteTemplate(&b, "row", s); err != nil {
			return err
		}
		d := drawn{Box: row.Box, Key: s.Key, HTML: b.String()}
		if !row.At.IsZero() {
			d.At = row.At.UTC().Format(time.RFC3339Nano)
		}
		c.Rows = append(c.Rows, d)
	}
	text, err := json.Marshal(c)
	if err != nil {
		return err
	}
	_ = out.SetWriteDeadline(now.Add(writeIn)) // a recorder in a test has none
	if _, err := fmt.Fprintf(w, "event: change\ndata: %s\n\n", text); err != nil {
		return err
	}
	return out.Flush()
}
