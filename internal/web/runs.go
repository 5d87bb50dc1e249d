package web

import (
	"cmp"
	"context"
	"errors"
	"net/http"
	"strings"
	"time"

	"boxd/internal/journal"
)

// runsShown bounds the list; the search finds the others.
const runsShown = 100

type runsModel struct {
	frame
	Rows    []runLine
	None    bool // no archive
	Failed  string
	Export  bool
	Look    bool // runs can be looked for and opened
	Zones   []option
	Flushes []option
	From    string // dates as a form has them
	Until   string
	Text    string
	Sought  bool
	More    bool // there may be others
}

type runLine struct {
	ID, Zone, Start, StartISO, Took, Flush, Mark, Volume, Dose string
	Observe                                                    bool
}

func (s visit) runsPage(w http.ResponseWriter, r *http.Request) {
	m := runsModel{frame: s.frame("runs"), None: s.arch == nil}
	_, m.Export = s.arch.(Exporter)
	code := http.StatusOK
	if s.arch != nil {
		rows, err := s.runRows(r, &m)
		if err != nil {
			code = http.StatusInternalServerError
			m.Failed = err.Error()
		}
		for _, row := range rows {
			m.Rows = append(m.Rows, s.runLine(row))
		}
	}
	writePage(w, code, s.pages().runs, m)
}

// runRows are the runs asked for, and what was asked in the model.
func (s visit) runRows(r *http.Request, m *runsModel) ([]RunRow, error) {
	lib, ok := s.catalogue()
	if !ok {
		return s.arch.Runs(r.Context())
	}
	m.Look = true
	q := r.URL.Query()
	ask := journal.Search{Zone: clean(q.Get("zone"), nameRunes), Flush: q.Get("flush"), Text: clean(q.Get("text"), nameRunes), Limit: runsShown}
	m.Text, m.From, m.Until = ask.Text, clean(q.Get("from"), 10), clean(q.Get("until"), 10)
	ask.From, ask.Until = s.day(m.From), s.day(m.Until)
	if !ask.Until.IsZero() {
		ask.Until = ask.Until.AddDate(0, 0, 1) // the day named is part of it
	}
	m.Sought = ask != journal.Search{Limit: runsShown}
	if err := s.searchForm(r.Context(), lib, ask, m); err != nil {
		return nil, err
	}
	rows, err := lib.Find(r.Context(), ask)
	m.More = len(rows) == runsShown
	return rows, err
}

func (s visit) searchForm(ctx context.Context, lib Library, ask journal.Search, m *runsModel) error {
	zones, err := lib.Zones(ctx)
	m.Zones = []option{{"", s.show.say("all zones"), ask.Zone == ""}}
	for _, z := range zones {
		m.Zones = append(m.Zones, option{z, z, z == ask.Zone})
	}
	m.Flushes = []option{{"", s.show.say("however it ended"), ask.Flush == ""}}
	for _, f := range []string{"done", "incomplete", unknown} {
		m.Flushes = append(m.Flushes, option{f, s.show.say("flush %v", s.show.word(f)), f == ask.Flush})
	}
	return err
}

// day is the midnight a date of a form begins with, zero where there is none.
func (s visit) day(text string) time.Time {
	zone := s.opts.About.Zone
	if zone == nil {
		zone = time.UTC
	}
	t, err := time.ParseInLocation(time.DateOnly, text, zone)
	if err != nil {
		return time.Time{}
	}
	return t
}

func (s visit) runLine(r RunRow) runLine {
	l := runLine{
		ID: r.ID, Zone: r.Zone, Flush: cmp.Or(r.Flush, unknown), Observe: r.Observe,
		Start: s.local(r.Start).Format("2006-01-02 15:04"), StartISO: s.local(r.Start).Format(time.RFC3339),
		Took: s.show.say("not ended"), Volume: s.show.volume(r.VolumeL), Dose: s.show.doseLine(r.Dose), Mark: "?",
	}
	if !r.End.IsZero() {
		l.Took = s.show.minutes(r.End.Sub(r.Start).Minutes())
	}
	switch r.Flush {
	case "done":
		l.Mark = "✓"
	case "incomplete":
		l.Mark = "▲"
	}
	return l
}

// formats are what a run can be had as, with the media type of each.
func mediaType(format string) (string, bool) {
	switch format {
	case "csv":
		return "text/csv; charset=utf-8", true
	case "json":
		return "application/json", true
	case "html":
		return "text/html; charset=utf-8", true
	case "parquet":
		return "application/vnd.apache.parquet", true
	}
	return "", false
}

// export writes /runs/{id}.{format} as a download: an exported page has styles
// of its own, which our policy would not let it show in place.
func (s visit) export(w http.ResponseWriter, r *http.Request) {
	ex, ok := s.arch.(Exporter)
	file := r.PathValue("file")
	dot := strings.LastIndexByte(file, '.')
	if !ok || dot < 1 || !plainID(file[:dot]) {
		http.NotFound(w, r)
		return
	}
	kind, ok := mediaType(file[dot+1:])
	if !ok {
		http.Error(w, "cannot export as "+file[dot+1:]+": csv, json, html and parquet can be had", http.StatusNotFound)
		return
	}
	ctl := http.NewResponseController(w)
	_ = ctl.SetWriteDeadline(time.Now().Add(exportBudget)) // a recorder in a test knows no deadlines
	out := &counted{ResponseWriter: w}
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Content-Disposition", `attachment; filename="`+file+`"`)
	err := ex.Export(r.Context(), out, file[:dot], file[dot+1:], Reader{s.lang, s.show.voice})
	switch {
	case err == nil:
	case out.n > 0:
		// Half a file must not look whole: break the connection.
		panic(http.ErrAbortHandler)
	case errors.Is(err, ErrNoRun):
		failExport(w, err, http.StatusNotFound)
	default:
		failExport(w, err, http.StatusInternalServerError)
	}
}

func failExport(w http.ResponseWriter, err error, code int) {
	w.Header().Del("Content-Disposition")
	http.Error(w, "cannot export the run: "+err.Error(), code)
}

type counted struct {
	http.ResponseWriter
	n int64
}

func (c *counted) Write(p []byte) (int, error) {
	n, err := c.ResponseWriter.Write(p)
	c.n += int64(n)
	return n, err
}

// plainID reports whether id is safe in a header and a path.
func plainID(id string) bool {
	for _, r := range id {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '-', r == '_', r == '.':
		default:
			return false
		}
	}
	return id != "" && len(id) <= idLimit
}
