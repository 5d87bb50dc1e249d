// Package archtest keeps the arrows between the packages pointing one way and
// the pure packages pure. It holds tests only.
package archtest
