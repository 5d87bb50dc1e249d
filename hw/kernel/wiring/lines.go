//go:build linux

package wiring

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
)

// Lines is a GPIO chip of the kernel's gpio-sim, seen from outside: what is
// wired to its lines.
type Lines struct {
	chip  string
	names []string
	pulls []*os.File
}

// NewLines makes a chip with named lines, as gpio-line-names in a board's device
// tree names them. Lines are low.
func NewLines(label string, names ...string) (*Lines, error) {
	root := "/sys/kernel/config/gpio-sim/" + label
	bank := root + "/bank0"
	err := errors.Join(os.MkdirAll(bank, 0o755), write(bank+"/num_lines", fmt.Sprint(len(names))), write(bank+"/label", label))
	for i, n := range names {
		dir := fmt.Sprintf("%s/line%d", bank, i)
		err = errors.Join(err, os.Mkdir(dir, 0o755), write(dir+"/name", n))
	}
	if err := errors.Join(err, write(root+"/live", "1")); err != nil {
		return nil, fmt.Errorf("cannot make a GPIO chip: %w", err)
	}
	device, err1 := read(root + "/dev_name")
	chip, err2 := read(bank + "/chip_name")
	l := &Lines{chip: chip, names: names}
	err = errors.Join(err1, err2)
	for i := range names {
		f, e := os.OpenFile(filepath.Join("/sys/devices/platform", device, chip, fmt.Sprintf("sim_gpio%d/pull", i)), os.O_WRONLY, 0)
		l.pulls, err = append(l.pulls, f), errors.Join(err, e)
	}
	return l, err
}

// Path is the chip as programs see it, /dev/gpiochipN.
func (l *Lines) Path() string { return "/dev/" + l.chip }

// Set is the level a sensor's output gives the line.
func (l *Lines) Set(name string, high bool) error {
	f, err := l.pull(name)
	if err != nil {
		return err
	}
	return set(f, high)
}

func set(f *os.File, high bool) error {
	level := "pull-down\n"
	if high {
		level = "pull-up\n"
	}
	_, err := f.WriteAt([]byte(level), 0)
	return err
}

func (l *Lines) pull(name string) (*os.File, error) {
	i := slices.Index(l.names, name)
	if i < 0 {
		return nil, fmt.Errorf("no line is called %q; they are %q", name, l.names)
	}
	return l.pulls[i], nil
}
