package web

import (
	"bytes"
	"io"
	"io/fs"
	"net/http/httptest"
	"regexp"
	"testing"
)

// Sentences stand in text and in quoted attributes that hold no address, style or
// script, for which the escape of settleWords is the right one (html/template's
// documentation, "Contexts").
func TestWhereSentencesStand(t *testing.T) {
	wrong := regexp.MustCompile(`(?s)=\{\{t |\s(href|src|srcset|action|style|on\w+)="[^"]*\{\{t |<(script|style)\b[^>]*>[^<]*\{\{`)
	names, err := fs.Glob(files, "pages/*.html")
	if err != nil || len(names) == 0 {
		t.Fatal(names, err)
	}
	for _, name := range names {
		b, err := fs.ReadFile(files, name)
		if err != nil {
			t.Fatal(err)
		}
		if at := wrong.Find(b); at != nil {
			t.Errorf("%s: %s", name, at)
		}
	}
}

// Every page and part holds as many sentences as ever, in the reader's own language.
func TestSettledWords(t *testing.T) {
	s := newServer(newFakeCore(viewAt("inject")), nil, Options{})
	for lang, want := range map[string]string{"en": `aria-label="What the readings say"`, "es": `aria-label="Lo que dicen las lecturas"`} {
		r := httptest.NewRequest("GET", "/", nil)
		r.Header.Set("Accept-Language", lang)
		v := s.visit(r)
		var b bytes.Buffer
		if err := v.pages().parts.Execute(&b, v.live(viewAt("inject").In(v.show.voice))); err != nil {
			t.Fatal(err)
		}
		has(t, b.String(), want)
	}
}

// BenchmarkParts draws the run page's parts, as the stream does once a second.
func BenchmarkParts(b *testing.B) {
	v := newServer(newFakeCore(viewAt("inject")), nil, Options{}).visit(httptest.NewRequest("GET", "/", nil))
	model := v.live(viewAt("inject"))
	b.ReportAllocs()
	for b.Loop() {
		if err := v.pages().parts.Execute(io.Discard, model); err != nil {
			b.Fatal(err)
		}
	}
}
