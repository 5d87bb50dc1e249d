//go:build race

package engine_test

// raced: the detector makes a run ten times as long, and one goroutine owns the
// core. Under it fewer of the long plays are tried; without it all of them are.
const raced = true
