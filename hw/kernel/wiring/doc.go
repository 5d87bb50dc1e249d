//go:build linux

// Package wiring plays the field wiring of a box to a real Linux kernel: chips
// on an I2C bus, lines of a GPIO chip, a Modbus slave on a serial line,
// thermometers on a 1-wire bus, a USB serial adapter that can be pulled out.
//
// It belongs to the machine that hw/kernel/run boots and to nothing else: here,
// and only here, pins are driven, those of the simulated sensors. Volts are in
// V, times real times of the machine, quantities in the units of the trace
// columns.
package wiring

import (
	"os"
	"strings"
)

// write writes to a file of sysfs or configfs: neither made nor cut short.
func write(path, text string) error {
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	_, err = f.WriteString(text)
	if e := f.Close(); err == nil {
		err = e
	}
	return err
}

// read is a file of sysfs without its newline.
func read(path string) (string, error) {
	b, err := os.ReadFile(path)
	return strings.TrimSpace(string(b)), err
}
