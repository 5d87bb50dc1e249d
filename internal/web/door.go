package web

import (
	"net/http"
	"net/url"
	"strings"

	"boxd/internal/access"
	"boxd/internal/say"
)

// doorModel is the page to sign in on, and that of the first start.
type doorModel struct {
	frame
	To, Name, Code, Refused string
}

func (s visit) signInPage(w http.ResponseWriter, r *http.Request) {
	if s.opts.Keeper.Book.Code() != "" {
		http.Redirect(w, r, "/begin", http.StatusSeeOther)
		return
	}
	writePage(w, http.StatusOK, s.pages().signIn, doorModel{frame: s.frame("sign-in"), To: ownPath(r.URL.Query().Get("to"))})
}

// signIn answers a browser with a page, a program that asks for JSON with an
// Answer.
func (s visit) signIn(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, bodyLimit)
	name, to := clean(r.PostFormValue("name"), nameRunes), ownPath(r.PostFormValue("to"))
	err := s.opts.Keeper.SignIn(r, name, r.PostFormValue("phrase"))
	switch {
	case err != nil && wantsJSON(r):
		s.reply(w, r, http.StatusForbidden, Answer{Reason: s.why(err)})
	case err != nil:
		writePage(w, http.StatusForbidden, s.pages().signIn, doorModel{frame: s.frame("sign-in"), To: to, Name: name, Refused: s.why(err)})
	case wantsJSON(r):
		s.reply(w, r, http.StatusOK, Answer{Accepted: true})
	default:
		http.Redirect(w, r, to, http.StatusSeeOther)
	}
}

func (s visit) signOut(w http.ResponseWriter, r *http.Request) {
	if err := s.opts.Keeper.SignOut(r); err != nil {
		http.Error(w, "cannot sign out: "+err.Error(), http.StatusInternalServerError)
		return
	}
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

func (s visit) beginPage(w http.ResponseWriter, r *http.Request) {
	if s.opts.Keeper.Book.Code() == "" {
		http.Redirect(w, r, "/sign-in", http.StatusSeeOther)
		return
	}
	writePage(w, http.StatusOK, s.pages().begin, doorModel{frame: s.frame("begin")})
}

func (s visit) begin(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, bodyLimit)
	name := clean(r.PostFormValue("name"), nameRunes)
	if err := s.opts.Keeper.Begin(r, r.PostFormValue("code"), name, r.PostFormValue("phrase")); err != nil {
		writePage(w, http.StatusForbidden, s.pages().begin, doorModel{frame: s.frame("begin"), Name: name, Code: clean(r.PostFormValue("code"), 20), Refused: s.why(err)})
		return
	}
	next := "/people"
	if s.workshop != nil {
		next = "/setup"
	}
	http.Redirect(w, r, next, http.StatusSeeOther)
}

// why is an error as the visitor reads it.
func (s visit) why(err error) string { return s.show.voice.Say(say.Of(err)) }

// ownPath keeps a way back only when it is a page of ours.
func ownPath(to string) string {
	// url.Parse refuses control characters, which a browser leaves out: a tab between
	// two slashes would lead elsewhere.
	if u, err := url.Parse(to); err != nil || u.Host != "" || !strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || strings.Contains(to, "\\") {
		return "/"
	}
	return to
}

// peopleModel is the page of accounts.
type peopleModel struct {
	frame
	People  []personLine
	Roles   []option
	Refused string
}

type personLine struct {
	Name, Since string
	Roles       []option
}

func (s visit) peoplePage(w http.ResponseWriter, _ *http.Request) {
	s.writePeople(w, http.StatusOK, "")
}

func (s visit) writePeople(w http.ResponseWriter, code int, refused string) {
	m := peopleModel{frame: s.frame("people"), Roles: s.roles(access.Operate), Refused: refused}
	for _, p := range s.opts.Keeper.Book.People() {
		m.People = append(m.People, personLine{p.Name, s.local(p.Made).Format("2006-01-02"), s.roles(p.Role)})
	}
	writePage(w, code, s.pages().people, m)
}

func (s visit) roles(chosen access.Role) []option {
	var out []option
	for r := access.View; r <= access.Administer; r++ {
		out = append(out, option{r.String(), s.show.voice.Say(r.Say()), r == chosen})
	}
	return out
}

// changePeople adds, changes or removes an account.
func (s visit) changePeople(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, bodyLimit)
	name, phrase := clean(r.PostFormValue("name"), nameRunes), r.PostFormValue("phrase")
	role, _ := access.RoleByName(r.PostFormValue("role"))
	var err error
	switch r.PostFormValue("do") {
	case "add":
		err = s.opts.Keeper.Book.Add(name, phrase, role)
	case "change":
		err = s.opts.Keeper.Book.Change(name, phrase, role)
	case "remove":
		err = s.opts.Keeper.Book.Remove(name)
	default:
		err = say.Refuse("cannot tell what is meant; load the page again")
	}
	if err != nil {
		s.writePeople(w, http.StatusConflict, s.why(err))
		return
	}
	http.Redirect(w, r, "/people", http.StatusSeeOther)
}
