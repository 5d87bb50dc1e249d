package archtest

// The program that is built is looked into, beside its sources: what came in with
// a library counts as much. A program can move something on a board by the
// kernel's files for pins, lamps and the chip's memory, whose names it then
// bears; by the kernel's requests for GPIO lines, whose numbers are then in its
// code; or by a library's drivers, whose functions are then linked in.

import (
	"bytes"
	"debug/elf"
	"encoding/binary"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// drivers are files of Linux by which outputs are driven.
func drivers() []string {
	return []string{"/sys/class/gpio", "/sys/class/pwm", "/sys/class/leds", "/dev/gpiomem", "/dev/mem", "/dev/spidev"}
}

// Requests for GPIO lines (linux/gpio.h, by their numbers on all of boxd's
// boards). The last is what boxd asks with; the others set lines, change what
// they are, or are of the first version, which boxd has no use for.
const (
	setValues    = 0xc010b40f
	setConfig    = 0xc110b40d
	getHandle    = 0xc16cb403
	setHandle    = 0xc040b409
	setHandleCfg = 0xc054b40a
	getLine      = 0xc250b407
)

// checkBinary finds what a program for amd64 could drive an output with. asks
// tells whether it asks for lines at all.
func checkBinary(t *testing.T, path string) (faults []string, asks bool) {
	t.Helper()
	f, err := elf.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	symbols, err := f.Symbols()
	if err != nil || len(symbols) < 1000 {
		t.Fatalf("%d symbols, %v: it must not be stripped", len(symbols), err)
	}
	for _, s := range symbols {
		if elf.ST_TYPE(s.Info) == elf.STT_FUNC && drives(s.Name) {
			faults = append(faults, "function "+s.Name)
		}
	}
	all, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range drivers() {
		if bytes.Contains(all, []byte(name)) {
			faults = append(faults, "file "+name)
		}
	}
	text, err := f.Section(".text").Data()
	if err != nil {
		t.Fatal(err)
	}
	code := func(request uint32) bool { return bytes.Contains(text, binary.LittleEndian.AppendUint32(nil, request)) }
	for _, r := range []uint32{setValues, setConfig, getHandle, setHandle, setHandleCfg} {
		if code(r) {
			faults = append(faults, "request")
		}
	}
	return faults, code(getLine)
}

// drives reports whether a function belongs to a driver of outputs: all of periph's
// for boards do but its files, and what sets a pin. An invalid pin is its word for
// none.
func drives(function string) bool {
	in, ok := strings.CutPrefix(function, "periph.io/x/")
	switch {
	case !ok || strings.HasPrefix(in, "conn/v3/gpio.invalidPin.") || strings.HasPrefix(in, "conn/v3/gpio.(*invalidPin)."):
		return false
	case strings.HasPrefix(in, "host/"):
		return !strings.HasPrefix(in, "host/v3/fs.")
	}
	return strings.HasPrefix(in, "conn/v3/driver/driverreg.") || slices.Contains([]string{"Out", "PWM", "StreamOut"}, in[strings.LastIndexByte(in, '.')+1:])
}

func build(t *testing.T, pkg string) string {
	t.Helper()
	out := filepath.Join(t.TempDir(), "program")
	cmd := exec.CommandContext(t.Context(), "go", "build", "-ldflags=-w", "-o", out, pkg)
	cmd.Env = append(os.Environ(), "GOOS=linux", "GOARCH=amd64")
	cmd.Dir = filepath.Join("..", "..")
	if text, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, text)
	}
	return out
}

// TestBinaryDrivesNothing looks into boxd as it is built, and into a program that
// does drive outputs.
func TestBinaryDrivesNothing(t *testing.T) {
	if testing.Short() {
		t.Skip("builds programs")
	}
	faults, asks := checkBinary(t, build(t, "./cmd/boxd"))
	for _, f := range faults {
		t.Errorf("boxd could drive an output: it has the %s", f)
	}
	if !asks {
		t.Error("boxd asks for no lines at all, or not in a way the check sees")
	}
	faults, _ = checkBinary(t, build(t, "./internal/archtest/testdata/driver"))
	for _, want := range []string{"function periph.io/x/host/v3/sysfs.(*Pin).Out", "function periph.io/x/conn/v3/driver/driverreg.Init", "file /sys/class/gpio", "file /sys/class/leds", "request"} {
		if !slices.Contains(faults, want) {
			t.Errorf("the check doesn't see the %s", want)
		}
	}
}
