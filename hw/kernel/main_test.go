//go:build kernel && linux

// These tests run in the machine that ./run boots, where the buses are the
// kernel's own and what is wired to them is package wiring's. A line FIGURE is a
// measurement that ./run shows.
package kernel

import (
	"fmt"
	"os"
	"testing"

	"boxd/hw/kernel/wiring"
)

func TestMain(m *testing.M) {
	wiring.SendPulses()
	if os.Getenv("BOXD_BENCH") == "" {
		fmt.Println("this is not the machine of hw/kernel/run: use that")
		os.Exit(1)
	}
	os.Exit(m.Run())
}

func figure(t *testing.T, format string, args ...any) {
	t.Helper()
	fmt.Printf("FIGURE %s: %s\n", t.Name(), fmt.Sprintf(format, args...))
}

func must[T any](t *testing.T) func(T, error) T {
	return func(v T, err error) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}
