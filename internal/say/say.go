// Package say holds sentences with their quantities still in them, so that each
// reader gets them in a language and units of their own. The core makes a Text;
// whoever shows it lends a Voice. English is the language of the code: the
// English form of a sentence is its key in the message files, as in gettext.
//
// It keeps no state and knows no sentence itself.
package say

import (
	"errors"
	"fmt"
	"time"
	"unicode"
	"unicode/utf8"

	"boxd/internal/units"
)

// Text is a sentence in English, with the quantities that go into it. Format
// takes the verbs of package fmt; a quantity of package units, another Text, a
// duration or a date is written with %v.
type Text struct {
	Format string
	Args   []any
}

// Verbatim is a word that is the same in every language, such as a name.
func Verbatim(s string) Text { return Text{Format: "%s", Args: []any{s}} }

// T makes a sentence. The format must be a constant: it is the key that
// translators see.
func T(format string, args ...any) Text { return Text{format, args} }

// Empty reports whether there is nothing to say.
func (t Text) Empty() bool { return t.Format == "" }

// Voice is how somebody is spoken to. The zero Voice is English, metric.
type Voice struct {
	Units    units.System
	Messages Messages
}

// Messages are a language's sentences by their English form. A sentence that is
// missing is said in English: a wrong language is better than nothing said.
type Messages map[string]string

// Say writes the sentence. A sentence without quantities is written as it is,
// per cent signs too.
func (v Voice) Say(t Text) string {
	format := t.Format
	if m, ok := v.Messages[format]; ok && m != "" {
		format = m
	}
	if len(t.Args) == 0 {
		return format
	}
	args := make([]any, len(t.Args))
	for i, a := range t.Args {
		args[i] = v.arg(a)
	}
	return fmt.Sprintf(format, args...)
}

// Each says several sentences.
func (v Voice) Each(ts []Text) []string {
	out := make([]string, len(ts))
	for i, t := range ts {
		out[i] = v.Say(t)
	}
	return out
}

// Quantity is an argument that knows itself how it is written in either system of
// units, for sentences that need it otherwise than package units writes it.
type Quantity interface{ In(units.System) string }

// arg makes a quantity into words; anything else stays as it is.
func (v Voice) arg(a any) any {
	switch a := a.(type) {
	case Quantity:
		return a.In(v.Units)
	case Text:
		return v.Say(a)
	case List:
		return v.list(a)
	case Capital:
		return capital(v.Say(Text(a)))
	case units.KPa:
		return v.Units.Pressure(a).String()
	case units.LPerH:
		return v.Units.Flow(a).String()
	case units.Litre:
		return v.Units.Volume(a).String()
	case units.USPerCm:
		return v.Units.Conductivity(a).String()
	case units.Celsius:
		return v.Units.Temperature(a).String()
	case units.Gram:
		return v.Units.Mass(a).String()
	case units.GPerL:
		return v.Units.Concentration(a).String()
	case units.Metre:
		return v.Units.Length(a).String()
	case units.M2:
		return v.Units.Area(a).String()
	case units.Ratio:
		return a.Shown().String()
	case time.Duration:
		return units.Elapsed(a)
	case time.Time:
		return a.Format(time.DateOnly)
	}
	return a
}

// Capital is a Text that begins a sentence: its first letter is made a capital.
type Capital Text

func capital(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return ""
	}
	return string(unicode.ToUpper(r)) + s[n:]
}

// List are sentences said one after the other, with a separator between.
type List struct {
	Of  []Text
	Sep string
}

func (v Voice) list(l List) string {
	s := ""
	for i, t := range l.Of {
		if i > 0 {
			s += l.Sep
		}
		s += v.Say(t)
	}
	return s
}

// String is the plain English form, in metric units: for logs and tests.
func (t Text) String() string { return Voice{}.Say(t) }

// MarshalText writes the plain English form.
func (t Text) MarshalText() ([]byte, error) { return []byte(t.String()), nil }

// Refusal is an error whose reason a person reads.
type Refusal struct{ Text Text }

// Refuse makes a refusal; the format is a constant, as in T.
func Refuse(format string, args ...any) error { return &Refusal{T(format, args...)} }

// Error is the plain English form.
func (r *Refusal) Error() string { return r.Text.String() }

// Of is the reason in an error: a refusal's own sentence, or what the error says.
func Of(err error) Text {
	if r, ok := errors.AsType[*Refusal](err); ok {
		return r.Text
	}
	return Text{Format: err.Error()}
}
