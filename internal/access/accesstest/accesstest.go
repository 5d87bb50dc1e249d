// Package accesstest keeps accounts for tests, whose phrases are hashed at the
// least cost: at the real one, with the race detector, the hashes would take most
// of the tests' time.
package accesstest

import (
	"testing"

	"boxd/internal/access"

	"golang.org/x/crypto/bcrypt"
)

// Book opens the accounts in the folder dir.
func Book(t testing.TB, dir string) *access.Book {
	t.Helper()
	b, err := access.OpenBookAt(dir, bcrypt.MinCost)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// Keeper stands at the door of a box without accounts, on plain HTTP.
func Keeper(t testing.TB, openView bool) *access.Keeper {
	t.Helper()
	dir := t.TempDir()
	k, err := access.NewKeeper(dir, Book(t, dir), openView, false)
	if err != nil {
		t.Fatal(err)
	}
	return k
}
