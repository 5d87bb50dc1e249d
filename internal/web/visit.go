package web

import (
	"encoding/json"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"

	"boxd/internal/access"
	"boxd/internal/box"
	"boxd/internal/say"
	"boxd/internal/units"
)

// visit is one request: the server, who asks, and how they are spoken to.
type visit struct {
	*server
	who  access.Visitor
	lang string
	show display
}

// languages are what the pages can be read in; the first is the code's own.
func languages() []string { return []string{"en", "es"} }

// ReaderIn is a reader of that language and those units; false where the pages
// don't have the language.
func ReaderIn(lang string, u units.System) (Reader, bool) {
	if !slices.Contains(languages(), lang) {
		return Reader{}, false
	}
	return Reader{lang, say.Voice{Units: u, Messages: messagesIn(lang)}}, true
}

// messagesIn reads the sentences of a language; the first has none, for it is the
// keys themselves.
func messagesIn(lang string) say.Messages {
	if lang == languages()[0] {
		return nil
	}
	b, err := files.ReadFile("messages/" + lang + ".json")
	if err != nil {
		panic("web: " + err.Error()) // embedded: it is there
	}
	var m say.Messages
	if err := json.Unmarshal(b, &m); err != nil {
		panic("web: messages/" + lang + ".json: " + err.Error()) // a test reads it
	}
	return m
}

// language is one that the pages can be read in. Most boxes are read in one: the
// others' sentences and templates are not made before somebody asks.
type language struct {
	messages func() say.Messages
	pages    func() *pages
}

func everyLanguage() map[string]language {
	all := map[string]language{}
	for _, lang := range languages() {
		messages := sync.OnceValue(func() say.Messages { return messagesIn(lang) })
		all[lang] = language{messages, sync.OnceValue(func() *pages { return parsePages(messages()) })}
	}
	return all
}

// pages are the templates in the visitor's language.
func (s visit) pages() *pages { return s.read[s.lang].pages() }

// shownCookie keeps what a person chose to read, such as "es us". It opens
// nothing, so it needs no secret.
const shownCookie = "boxd-shown"

func (s *server) visit(r *http.Request) visit {
	v := visit{server: s, who: s.whoIs(r), lang: wanted(r.Header.Get("Accept-Language"))}
	system, ok := units.SystemByName(s.opts.Units)
	if !ok {
		system = units.US
	}
	if c, err := r.Cookie(shownCookie); err == nil {
		lang, u, _ := strings.Cut(c.Value, "-")
		if _, ok := s.read[lang]; ok {
			v.lang = lang
		}
		if chosen, ok := units.SystemByName(u); ok {
			system = chosen
		}
	}
	v.show = display{us: system == units.US, voice: say.Voice{Units: system, Messages: s.read[v.lang].messages()}}
	return v
}

// whoIs asks the keeper. Without one everybody may do everything.
func (s *server) whoIs(r *http.Request) access.Visitor {
	if s.opts.Keeper == nil {
		return access.Visitor{Role: access.Administer}
	}
	return s.opts.Keeper.Who(r)
}

// wanted is the first language of an Accept-Language header that the pages
// have; its quality values are left aside, for browsers list by preference.
func wanted(header string) string {
	for part := range strings.SplitSeq(header, ",") {
		tag, _, _ := strings.Cut(strings.TrimSpace(part), ";")
		tag, _, _ = strings.Cut(strings.ToLower(tag), "-")
		for _, l := range languages() {
			if l == tag {
				return l
			}
		}
	}
	return languages()[0]
}

// shown is what the page is written in.
type shown struct {
	Langs   []option
	Systems []option
}

func (s visit) shown() shown {
	names := map[string]string{"en": "English", "es": "español"}
	var out shown
	for _, l := range languages() {
		out.Langs = append(out.Langs, option{l, names[l], l == s.lang})
	}
	out.Systems = []option{{"us", "US", s.show.us}, {"metric", s.show.say("metric"), !s.show.us}}
	return out
}

// setShown keeps what a person chose to read and goes back to their page.
func (s visit) setShown(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, bodyLimit)
	lang, system := r.PostFormValue("lang"), r.PostFormValue("units")
	if !s.knows(lang, system) {
		http.Error(w, "cannot take this choice; load the page again", http.StatusBadRequest)
		return
	}
	s.keepShown(w, r, lang, system)
	http.Redirect(w, r, backTo(r), http.StatusSeeOther)
}

// knows reports whether the pages can be shown in that language and those units.
func (s visit) knows(lang, system string) bool {
	_, known := s.read[lang]
	_, ok := units.SystemByName(system)
	return known && ok
}

func (s visit) keepShown(w http.ResponseWriter, r *http.Request, lang, system string) {
	http.SetCookie(w, &http.Cookie{Name: shownCookie, Value: lang + "-" + system, Path: "/", MaxAge: 400 * 24 * 3600,
		HttpOnly: true, Secure: r.TLS != nil, SameSite: http.SameSiteStrictMode})
}

// backTo is the page of ours a form was on.
func backTo(r *http.Request) string {
	u, err := url.Parse(r.Referer())
	if err != nil || u.Host != r.Host || !strings.HasPrefix(u.Path, "/") || strings.HasPrefix(u.Path, "//") {
		return "/"
	}
	return u.RequestURI()
}

// guard lets a request through to h when the visitor's role covers the need.
// Whoever isn't signed in is sent to do so.
func (s *server) guard(need access.Role, h func(visit, http.ResponseWriter, *http.Request)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		v := s.visit(r)
		if v.who.Role.May(need) {
			h(v, w, r)
			return
		}
		wantsPage := r.Method == http.MethodGet && strings.Contains(r.Header.Get("Accept"), "text/html")
		switch {
		case v.who.Name == "" && wantsPage:
			http.Redirect(w, r, v.door(r), http.StatusSeeOther)
		case v.who.Name == "":
			v.reply(w, r, http.StatusUnauthorized, Answer{Reason: v.show.voice.Say(say.T("Sign in first."))})
		default:
			v.reply(w, r, http.StatusForbidden, Answer{Reason: v.show.voice.Say(say.T("You may not do this: it takes somebody who may %v.", need.Say()))})
		}
	}
}

// door is where somebody signs in, and is brought back from.
func (s visit) door(r *http.Request) string {
	if s.opts.Keeper.Book.Code() != "" {
		return "/begin"
	}
	return "/sign-in?" + url.Values{"to": {r.URL.RequestURI()}}.Encode()
}

// roleFor is what a person's word takes.
func roleFor(k box.ActionKind) access.Role {
	switch k {
	case box.Confirm, box.Report, box.Acknowledge, box.Reset, box.Post:
		return access.Operate
	default:
		return access.Administer
	}
}

// name is whose word it is: the account's, where somebody signed in.
func (s visit) name(typed string) string {
	if s.who.Name != "" {
		return s.who.Name
	}
	return clean(typed, nameRunes)
}
