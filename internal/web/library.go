package web

import (
	"context"

	"boxd/internal/journal"
	"boxd/internal/whatif"
)

// Library is offered by an archive whose runs can be looked for and looked into. A
// run that isn't there is ErrNoRun.
type Library interface {
	// Find are the runs looked for, newest first.
	Find(ctx context.Context, s journal.Search) ([]RunRow, error)
	// Zones are the names of all zones that have runs.
	Zones(ctx context.Context) ([]string, error)
	Account(ctx context.Context, run string) (*journal.Account, error)
	Traces(ctx context.Context, run string) (*journal.Traces, error)
	AddNote(ctx context.Context, n journal.Note) error
	// WhatIf replays the run with another configuration, in YAML. Now and then it
	// tells tick the second of the run it is at; an error of tick ends it.
	WhatIf(ctx context.Context, run string, config []byte, tick func(t float64) error) (*whatif.Result, error)
}

// library is the archive, when it can be looked into.
func (s *server) catalogue() (Library, bool) {
	l, ok := s.arch.(Library)
	return l, ok
}
