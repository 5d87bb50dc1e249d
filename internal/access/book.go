package access

import (
	"crypto/rand"
	"crypto/subtle"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"boxd/internal/say"

	"golang.org/x/crypto/bcrypt"
)

// account is one person.
type account struct {
	Name string    `json:"name"`
	Role Role      `json:"role"`
	Hash string    `json:"hash"` // bcrypt
	Made time.Time `json:"made"`
	// Life is drawn anew with the account, its phrase and its role: sessions of
	// another life count no more, be it of somebody of this name in another file.
	Life uint64 `json:"life"`
}

// Person is an account as it may be shown.
type Person struct {
	Name string
	Role Role
	Made time.Time
}

// Bounds of the book.
const (
	maxAccounts = 64
	maxName     = 60 // runes
	// minPhrase is more than the 8 characters of NIST SP 800-63B (revision 3, from
	// memory) and can still be typed with wet hands.
	minPhrase = 10
	maxPhrase = 72 // bytes: bcrypt reads no further
	maxFile   = 1 << 20
)

// Cost of bcrypt: the least that OWASP's password storage sheet names (10, from
// memory), about a second on the smallest boards.
const Cost = bcrypt.DefaultCost

// Book keeps the accounts in a file of its own, apart from the archive, which is
// handed on. Its methods may be called by anybody.
type Book struct {
	path string
	cost int
	dud  []byte // compared with where there is no such account, so that both take as long

	mu       sync.Mutex // of what follows
	accounts []account
	code     string // asked for at the first start; empty once there is an account
}

// OpenBook reads the accounts in the folder dir; without any it makes a code for
// the first start, which whoever started boxd reads on the terminal.
func OpenBook(dir string) (*Book, error) { return OpenBookAt(dir, Cost) }

// OpenBookAt is OpenBook with another cost of new phrases' hashes; a hash that is
// there keeps its own. Only tests take less than Cost (accesstest).
func OpenBookAt(dir string, cost int) (*Book, error) {
	b := &Book{path: filepath.Join(dir, "accounts.json"), cost: cost}
	var err error
	if b.dud, err = bcrypt.GenerateFromPassword([]byte(rand.Text()), cost); err != nil {
		return nil, fmt.Errorf("cannot prepare the accounts: %w", err)
	}
	if err := readJSON(b.path, &b.accounts); err != nil {
		return nil, fmt.Errorf("cannot read the accounts: %w; put the file right, or move it away to make the first account anew", err)
	}
	if len(b.accounts) == 0 {
		b.code = rand.Text()[:8]
	}
	return b, nil
}

// Code is what the first start asks for, empty when there are accounts.
func (b *Book) Code() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.code
}

// Begin makes the first account, which administers, for whoever knows the code.
func (b *Book) Begin(code, name, phrase string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch {
	case b.code == "":
		return say.Refuse("The first account has been made: sign in.")
	case subtle.ConstantTimeCompare([]byte(strings.ToUpper(strings.TrimSpace(code))), []byte(b.code)) != 1:
		return say.Refuse("That is not the code. boxd wrote it on its terminal, or in its log, when it started.")
	}
	if err := b.add(name, phrase, Administer); err != nil {
		return err
	}
	b.code = ""
	return nil
}

// Add makes an account.
func (b *Book) Add(name, phrase string, role Role) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.add(name, phrase, role)
}

func (b *Book) add(name, phrase string, role Role) error {
	name = strings.Join(strings.Fields(name), " ")
	switch {
	case name == "" || utf8.RuneCountInString(name) > maxName:
		return say.Refuse("Give a name of at most %d letters.", maxName)
	case role < View || role > Administer:
		return say.Refuse("Choose what the person may do.")
	case b.find(name) >= 0:
		return say.Refuse("There is already somebody called %s: choose another name.", name)
	case len(b.accounts) >= maxAccounts:
		return say.Refuse("There are already %d accounts: remove one first.", maxAccounts)
	}
	hash, err := b.hash(name, phrase)
	if err != nil {
		return err
	}
	return b.save(append(slices.Clone(b.accounts), account{Name: name, Role: role, Hash: hash, Made: time.Now().UTC().Truncate(time.Second), Life: newLife()}))
}

// newLife is no other's.
func newLife() uint64 {
	var b [8]byte
	_, _ = rand.Read(b[:]) // it never fails
	return binary.BigEndian.Uint64(b[:])
}

func (b *Book) hash(name, phrase string) (string, error) {
	switch {
	case utf8.RuneCountInString(phrase) < minPhrase:
		return "", say.Refuse("The pass phrase is too short: give at least %d characters, such as four words of your own.", minPhrase)
	case len(phrase) > maxPhrase:
		return "", say.Refuse("The pass phrase is too long: give at most %d characters.", maxPhrase)
	case strings.EqualFold(phrase, name) || strings.Count(phrase, phrase[:1]) == len(phrase):
		return "", say.Refuse("That pass phrase is too easy to guess: take several words of your own.")
	}
	h, err := bcrypt.GenerateFromPassword([]byte(phrase), b.cost)
	if err != nil {
		return "", fmt.Errorf("cannot keep the pass phrase: %w", err)
	}
	return string(h), nil
}

// Change gives a person another role, another phrase or both; an empty phrase
// and Nobody leave what is. Their sessions end.
func (b *Book) Change(name, phrase string, role Role) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	i := b.find(name)
	if i < 0 {
		return say.Refuse("There is nobody called %s.", name)
	}
	all := slices.Clone(b.accounts)
	if phrase != "" {
		hash, err := b.hash(name, phrase)
		if err != nil {
			return err
		}
		all[i].Hash = hash
	}
	if role != Nobody {
		all[i].Role = role
	}
	all[i].Life = newLife()
	return b.save(all)
}

// Remove takes an account away. Their sessions end.
func (b *Book) Remove(name string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	i := b.find(name)
	if i < 0 {
		return say.Refuse("There is nobody called %s.", name)
	}
	return b.save(slices.Delete(slices.Clone(b.accounts), i, i+1))
}

// People are the accounts in the order they were made.
func (b *Book) People() []Person {
	b.mu.Lock()
	defer b.mu.Unlock()
	out := make([]Person, 0, len(b.accounts))
	for _, a := range b.accounts {
		out = append(out, Person{a.Name, a.Role, a.Made})
	}
	return out
}

// check is the account of this name and phrase. It takes as long for a name that
// isn't there.
func (b *Book) check(name, phrase string) (account, bool) {
	b.mu.Lock()
	i := b.find(name)
	a := account{Hash: string(b.dud)}
	if i >= 0 {
		a = b.accounts[i]
	}
	b.mu.Unlock()
	right := len(phrase) <= maxPhrase && bcrypt.CompareHashAndPassword([]byte(a.Hash), []byte(phrase)) == nil
	return a, right && i >= 0
}

// living is the account of this name in this life.
func (b *Book) living(name string, life uint64) (account, bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if i := b.find(name); i >= 0 && b.accounts[i].Life == life {
		return b.accounts[i], true
	}
	return account{}, false
}

// called is a name as its account has it, however it was typed; a name without one
// stays as it is.
func (b *Book) called(name string) string {
	b.mu.Lock()
	defer b.mu.Unlock()
	if i := b.find(name); i >= 0 {
		return b.accounts[i].Name
	}
	return name
}

func (b *Book) find(name string) int {
	name = strings.Join(strings.Fields(name), " ")
	return slices.IndexFunc(b.accounts, func(a account) bool { return strings.EqualFold(a.Name, name) })
}

// save writes the accounts and only then takes them over. Somebody must be left
// who administers.
func (b *Book) save(all []account) error {
	if !slices.ContainsFunc(all, func(a account) bool { return a.Role == Administer }) {
		return say.Refuse("Somebody must be left who administers the box: give another person that role first.")
	}
	if err := writeJSON(b.path, all); err != nil {
		return fmt.Errorf("cannot keep the accounts: %w", err)
	}
	b.accounts = all
	return nil
}

// readJSON reads a file; one that isn't there leaves to as it is.
func readJSON(path string, to any) error {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return err
	case info.Size() > maxFile:
		return fmt.Errorf("%s is larger than a megabyte", path)
	}
	raw, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	if err := json.Unmarshal(raw, to); err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	return nil
}

func writeJSON(path string, from any) error {
	raw, err := json.MarshalIndent(from, "", "\t")
	if err != nil {
		return err
	}
	return replace(path, append(raw, '\n'))
}

// replace writes a file as a whole: temp, sync, rename, sync the folder.
func replace(path string, raw []byte) error {
	f, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+".*") // mode 0600
	if err != nil {
		return err
	}
	_, err = f.Write(raw)
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		_ = os.Remove(f.Name()) // it may be renamed already
		return err
	}
	dir, err := os.Open(filepath.Dir(path))
	if err != nil {
		return err
	}
	return errors.Join(dir.Sync(), dir.Close())
}
