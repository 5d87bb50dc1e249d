// Package manual makes pages of the manual's Markdown, for a browser.
//
// The text is embedded: that of docs, and of hw as far as the manual shows it. A
// page is named by its file without the ending, what docs holds without the folder:
// "alarms", "hw/README". HTML in the text is left out, so nothing in it runs; links
// lead to the pages' own addresses below /help.
package manual

import (
	"bytes"
	"fmt"
	"html/template"
	"path"
	"strings"

	"boxd/docs"
	"boxd/hw"

	"github.com/yuin/goldmark"
	"github.com/yuin/goldmark/ast"
	"github.com/yuin/goldmark/extension"
	"github.com/yuin/goldmark/parser"
	"github.com/yuin/goldmark/text"
	"github.com/yuin/goldmark/util"
)

// Root is where the pages are served.
const Root = "/help"

// First is the name of the first page, which lists the others.
const First = "README"

// Page is a page of the manual.
type Page struct {
	Title    string
	Contents []Heading // of the second level
	HTML     template.HTML
}

// Heading is a place on a page.
type Heading struct{ Text, ID string }

// Read makes the page of that name; false where there is none.
func Read(name string) (Page, bool) {
	src, ok := File(name + ".md")
	if !ok {
		return Page{}, false
	}
	p := Page{}
	md := goldmark.New(
		// Cells without alignment: it would be written as a style, which the pages' policy forbids.
		goldmark.WithExtensions(extension.NewTable(extension.WithTableCellAlignMethod(extension.TableCellAlignNone))),
		goldmark.WithParserOptions(parser.WithAutoHeadingID(), parser.WithASTTransformers(util.Prioritized(reader{path.Dir(folder(name)), &p}, 100))))
	var b bytes.Buffer
	if err := md.Convert(src, &b); err != nil {
		panic(fmt.Sprintf("manual: %s: %v", name, err)) // a buffer takes all; a test reads every page
	}
	// The text brings no tags of its own, so these are the renderer's. What is wider
	// than a phone is scrolled by itself, by keyboard too.
	p.HTML = template.HTML(strings.NewReplacer(
		"<table>", `<div class="wide-table" tabindex="0"><table>`, "</table>", "</table></div>",
		"<pre>", `<pre tabindex="0">`).Replace(b.String()))
	return p, true
}

// File is a file by its name in the manual.
func File(name string) ([]byte, bool) {
	from, in := docs.Files, name
	if rest, ok := strings.CutPrefix(name, "hw/"); ok {
		from, in = hw.Files, rest
	}
	b, err := from.ReadFile(in)
	return b, err == nil
}

// Has reports whether there is a page of that name.
func Has(name string) bool {
	_, ok := File(name + ".md")
	return ok
}

// folder is where a page's file lies in the project.
func folder(name string) string {
	if strings.HasPrefix(name, "hw/") {
		return name
	}
	return "docs/" + name
}

// Address is where the file of that path in the project is served; false where the
// manual does not hold it.
func Address(file string) (string, bool) {
	name := strings.TrimPrefix(file, "docs/")
	if _, ok := File(name); !ok || name == file && !strings.HasPrefix(name, "hw/") {
		return "", false
	}
	name = strings.TrimSuffix(name, ".md")
	if name == First {
		return Root, true
	}
	return Root + "/" + name, true
}

// reader goes through a page that lies in a folder of the project: it notes title
// and headings, and leads links to where the pages are served.
type reader struct {
	folder string
	page   *Page
}

// Transform implements parser.ASTTransformer.
func (r reader) Transform(doc *ast.Document, in text.Reader, _ parser.Context) {
	src := in.Source()
	_ = ast.Walk(doc, func(n ast.Node, entering bool) (ast.WalkStatus, error) { // nothing here fails
		if !entering {
			return ast.WalkContinue, nil
		}
		switch n := n.(type) {
		case *ast.Heading:
			r.heading(n, src)
		case *ast.Link:
			n.Destination = r.led(n.Destination)
		case *ast.Image:
			n.Destination = r.led(n.Destination)
		}
		return ast.WalkContinue, nil
	})
}

func (r reader) heading(n *ast.Heading, src []byte) {
	id, _ := n.AttributeString("id")
	b, _ := id.([]byte)
	switch n.Level {
	case 1:
		r.page.Title = words(n, src)
	case 2:
		r.page.Contents = append(r.page.Contents, Heading{words(n, src), string(b)})
	}
}

// words are a node's text without its marks.
func words(n ast.Node, src []byte) string {
	var b strings.Builder
	for c := n.FirstChild(); c != nil; c = c.NextSibling() {
		if t, ok := c.(*ast.Text); ok {
			b.Write(t.Segment.Value(src))
			continue
		}
		b.WriteString(words(c, src))
	}
	return b.String()
}

// led is a link as it is served. What leads elsewhere stays as it is.
func (r reader) led(to []byte) []byte {
	file, place, _ := strings.Cut(string(to), "#")
	if file == "" || strings.Contains(file, ":") || strings.HasPrefix(file, "/") {
		return to
	}
	at, ok := Address(path.Join(r.folder, file))
	if !ok {
		return to
	}
	if place != "" {
		at += "#" + place
	}
	return []byte(at)
}
