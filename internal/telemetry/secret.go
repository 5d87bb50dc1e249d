package telemetry

import (
	"bytes"
	"fmt"
	"log/slog"
	"os"
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

// maxSecretFile bounds a file with a secret, in bytes.
const maxSecretFile = 4 << 10

// SecretFile reads a file that holds one secret, such as mqtt.password_file; the
// key of the config is for errors. The end of the line does not count.
func SecretFile(key, path string) (Secret, error) {
	info, err := os.Stat(path)
	if err != nil {
		return "", fmt.Errorf("cannot read %s: %w", key, err)
	}
	if info.Size() > maxSecretFile {
		return "", fmt.Errorf("cannot read %s %s: longer than %d bytes: it must hold one secret", key, path, maxSecretFile)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return "", fmt.Errorf("cannot read %s: %w", key, err)
	}
	if b = bytes.TrimRight(b, "\r\n"); len(b) == 0 {
		return "", fmt.Errorf("cannot use %s %s: it is empty: write the secret into it", key, path)
	}
	return Secret(b), nil
}
