package telemetry

import (
	"fmt"
	"log/slog"
)

// Secret is a password or token. It prints as <secret> wherever it is printed,
// logged or marshalled; string(s) is the one way to its value.
type Secret string

const hidden = "<secret>"

func (s Secret) String() string { return hidden }

// Format hides the value from every fmt verb.
func (s Secret) Format(f fmt.State, _ rune) { _, _ = f.Write([]byte(hidden)) }

// MarshalText hides the value from encoders.
func (s Secret) MarshalText() ([]byte, error) { return []byte(hidden), nil }

// LogValue hides the value from the log.
func (s Secret) LogValue() slog.Value { return slog.StringValue(hidden) }
