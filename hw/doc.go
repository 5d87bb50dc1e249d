// Package hw holds drawings, wiring and profiles of boards, and the tests that
// hold the profiles to what the configuration reads. The manual shows them; there is
// no other code.
package hw

import "embed"

// Files are what the manual shows; the profiles are as package config reads them.
//
//go:embed README.md *.svg profiles/*.yaml
var Files embed.FS
