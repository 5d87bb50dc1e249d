package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"
	"unicode"

	"boxd/internal/calibration"
)

// oneAnswer is a box that answers everything alike.
type oneAnswer struct {
	code  int
	reply []byte
}

func (o oneAnswer) RoundTrip(r *http.Request) (*http.Response, error) {
	return &http.Response{StatusCode: o.code, Header: http.Header{}, Body: io.NopCloser(bytes.NewReader(o.reply)), Request: r}, nil
}

// FuzzBoxAnswers has a box, or what passes for one, answer anything to who calibrates
// it: no panic, and nothing on the terminal that steers it.
func FuzzBoxAnswers(f *testing.F) {
	f.Add(200, []byte(`{"by":"Kim","in_force":[],"text":"gain","step":"ready","channels":[{"column":"water_c","value":1,"quality":"good"}]}`))
	f.Add(403, []byte(`{"reason":"no \u001b[2J\u202e"}`))
	f.Add(500, []byte("\x1b]0;title\x07 fault"))
	f.Add(200, []byte(`{"step":"stopped","step_why":"\u001b[31mred","text":"\u0007"}`))
	f.Add(200, []byte(`{"channels":[{"column":"water_c","quality":"\u001b","why":"\u001bc"}]}`))
	f.Add(404, []byte(nil))
	f.Fuzz(func(t *testing.T, code int, reply []byte) {
		var out bytes.Buffer
		p := &boxPage{ctx: t.Context(), out: &out, url: "http://box.local", http: &http.Client{Transport: oneAnswer{code, reply},
			CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
		_, shown := p.shown("water_c")
		_, _, counted := p.counted("main_flow_lpm")
		_, inForce := p.inForce("water_c")
		said := errors.Join(p.signIn("Kim", func() (string, error) { return "x", nil }), p.begin(), p.keep(calibration.Request{Channel: "water_c"}), shown, counted, inForce)
		text := out.String() + p.by + fmt.Sprint(said)
		if i := strings.IndexFunc(text, func(r rune) bool { return unicode.IsControl(r) && r != '\n' }); i >= 0 {
			t.Errorf("%q is for a terminal", text)
		}
	})
}
