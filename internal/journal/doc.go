// Package journal is the archive: runs with their inputs, events, what persons
// did and what is still to be sent on. It keeps one SQLite file.
//
// What Commit has accepted survives kill -9, power loss and a full disk. The
// package deletes nothing unless asked (Prune; Thin, of samples), and then no
// event that a sink has not had, unless it was given up for the sink (GiveUp). It
// keeps no clock: every time is given to it. Wall times are kept
// in nanoseconds of Unix time and come back in UTC; t is in core seconds; samples
// are in the units of their trace columns.
package journal
