// Package hw holds no code: drawings, wiring and profiles of boards, and the
// tests that hold the profiles to what the configuration reads.
package hw

import "embed"

// Profiles are the boards' profiles, as package config reads them.
//
//go:embed profiles/*.yaml
var Profiles embed.FS
