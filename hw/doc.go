// Package hw holds no code: drawings, wiring and profiles of boards, and the
// tests that hold the profiles to what the configuration reads.
package hw
