package web

import (
	"html/template"
	"net/http"
	"path"

	"boxd/internal/manual"
)

// helpModel is a page of the manual.
type helpModel struct {
	frame
	Missing  bool // asked for a page that isn't there
	First    bool
	Contents []manual.Heading
	Text     template.HTML // written by boxd's authors, without HTML of its own
}

// helpPage shows the manual to everybody: who can't sign in needs it most.
func (s visit) helpPage(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("file")
	if b, ok := manual.File(name); ok && path.Ext(name) != ".md" {
		serveEmbedded(w, r, name, b)
		return
	}
	m, code := helpModel{frame: s.frame("help"), First: name == "" || name == manual.First}, http.StatusOK
	p, ok := manual.Read(name)
	if !ok {
		p, _ = manual.Read(manual.First)
	}
	if !ok && !m.First {
		m.Missing, code = true, http.StatusNotFound
	}
	m.Contents, m.Text = p.Contents, p.HTML
	writePage(w, code, s.pages().help, m)
}

// helpFor is where the manual tells of a page.
func helpFor(page string) string {
	names := map[string]string{"runs": "archive", "sign-in": "people", "begin": "people", "ruling": "setup", "calibration": "calibrate"}
	name, ok := names[page]
	if !ok {
		name = page
	}
	if !manual.Has(name) {
		return manual.Root
	}
	return manual.Root + "/" + name
}
