// Package access says who may do what on the box's pages: accounts with a pass
// phrase, three roles, sessions, and patience with those who guess. It keeps
// hashes and never a phrase, and it lets nobody do what their role does not
// name. What a person confirms is still an input with doubt: access says who
// spoke, the core whether it counts.
//
// Phrases are hashed with bcrypt, whose small memory suits a small board.
// Sessions live in a cookie that scripts can't read; only a hash of it is kept.
package access

import "boxd/internal/say"

// Role is what somebody may do. Each role may do what the ones before it may.
type Role uint8

// The roles.
const (
	Nobody     Role = iota
	View            // look
	Operate         // confirm, report, acknowledge, reset with a note
	Administer      // shelve, override a hold, take out of service, accounts
)

var roleNames = [...]string{"nobody", "view", "operate", "administer"}

func (r Role) String() string {
	if int(r) >= len(roleNames) {
		return roleNames[Nobody]
	}
	return roleNames[r]
}

// May reports whether r covers what need asks.
func (r Role) May(need Role) bool { return r >= need }

// RoleByName finds a role by its word; false for a word that is none.
func RoleByName(name string) (Role, bool) {
	for r := View; r <= Administer; r++ {
		if roleNames[r] == name {
			return r, true
		}
	}
	return Nobody, false
}

// MarshalText writes the word.
func (r Role) MarshalText() ([]byte, error) { return []byte(r.String()), nil }

// UnmarshalText reads the word; one that is none is nobody.
func (r *Role) UnmarshalText(b []byte) error {
	*r, _ = RoleByName(string(b))
	return nil
}

// Visitor is whoever a request comes from.
type Visitor struct {
	Name string // empty: not signed in
	Role Role
}

// Say is the role in words, for a person.
func (r Role) Say() say.Text { return say.T(r.String()) }
