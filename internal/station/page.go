package station

import (
	"bytes"
	"embed"
	"encoding/json"
	"fmt"
	"html/template"
	"net/http"
	"strings"
	"sync"
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
	rows    map[string]*rows              // likewise
	readers chan struct{}
}

// Handler is the page: it shows and takes nothing in.
func Handler(f *Fleet, o Options) http.Handler {
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	p := &page{fleet: f, o: o, pages: map[string]*template.Template{"en": parse(nil)}, rows: map[string]*rows{}, readers: make(chan struct{}, maxReaders)}
	for lang, m := range o.Languages {
		p.pages[lang] = parse(m)
	}
	for lang, t := range p.pages {
		p.rows[lang] = newRows(t)
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
}

// rows are drawn once for all readers of a language.
type rows struct {
	lang *template.Template
	mu   sync.Mutex // readers have goroutines of their own
	day  string     // a time without a date is of this day
	kept map[string]kept
}

// kept is the row of a box as JSON, as it was at a version.
type kept struct {
	version uint64
	text    []byte
}

func newRows(lang *template.Template) *rows { return &rows{lang: lang, kept: map[string]kept{}} }

// draw puts the picture's rows behind each other into one JSON list.
func (w *rows) draw(p *page, pic Picture, now time.Time) ([]byte, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if day := now.In(p.o.Zone).Format(time.DateOnly); day != w.day {
		w.day = day
		clear(w.kept)
	}
	for _, box := range pic.Gone {
		delete(w.kept, box)
	}
	out := []byte{'['}
	var b bytes.Buffer
	for i, row := range pic.Rows {
		k, ok := w.kept[row.Box]
		if !ok || k.version != row.version {
			s := p.shown(row, now)
			b.Reset()
			if err := w.lang.ExecuteTemplate(&b, "row", s); err != nil {
				return nil, err
			}
			text, err := json.Marshal(drawn{Box: row.Box, Key: s.Key, HTML: b.String()})
			if err != nil {
				return nil, err
			}
			k = kept{row.version, text}
			w.kept[row.Box] = k
		}
		if i > 0 {
			out = append(out, ',')
		}
		out = append(out, k.text...)
	}
	return append(out, ']'), nil
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
	lang := p.language(r)
	version, last := uint64(0), time.Time{}
	for {
		now := time.Now()
		pic := p.fleet.Since(version, now)
		if pic.Version != version || now.Sub(last) >= beat {
			if err := p.send(w, out, lang, pic, now); err != nil {
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

// send writes one event of the stream: the counts, why the broker can't be reached,
// the rows that changed and the boxes that are to go.
func (p *page) send(w http.ResponseWriter, out *http.ResponseController, lang string, pic Picture, now time.Time) error {
	var b bytes.Buffer
	if err := p.pages[lang].ExecuteTemplate(&b, "head", pic); err != nil {
		return err
	}
	front, err := json.Marshal(struct {
		Head string   `json:"head"`
		Link string   `json:"link"`
		Gone []string `json:"gone,omitempty"`
	}{b.String(), pic.Link, pic.Gone})
	if err != nil {
		return err
	}
	list, err := p.rows[lang].draw(p, pic, now)
	if err != nil {
		return err
	}
	_ = out.SetWriteDeadline(time.Now().Add(writeIn)) // of the reader's time, not of what drawing took; a recorder in a test has none
	if _, err := fmt.Fprintf(w, "event: change\ndata: %s,\"rows\":%s}\n\n", front[:len(front)-1], list); err != nil {
		return err
	}
	return out.Flush()
}
